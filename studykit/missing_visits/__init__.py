"""The missing-visits room: who left, and what if those who left did worse?"""

from studykit.missing_visits.drop_out import DropOut, drop_out_of_study
from studykit.missing_visits.filled_in import FilledIn, filled_in_of_study
from studykit.missing_visits.of_study import missing_visits_of_study
from studykit.missing_visits.people import PeopleByVisit, people_by_visit

__all__ = [
    "DropOut",
    "FilledIn",
    "PeopleByVisit",
    "drop_out_of_study",
    "filled_in_of_study",
    "missing_visits_of_study",
    "people_by_visit",
]
