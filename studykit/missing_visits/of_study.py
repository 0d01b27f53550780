"""Every answer about missing visits of a study."""

from __future__ import annotations

from dataclasses import replace

from studykit.change.beside import MdcBeside
from studykit.data.study import Study
from studykit.errors import DesignError, FitError
from studykit.missing_visits.drop_out import drop_out_of_study
from studykit.missing_visits.filled_in import filled_in_of_study
from studykit.missing_visits.people import people_by_visit
from studykit.result import Result


def missing_visits_of_study(study: Study, *, mdc: MdcBeside | None = None) -> list[Result]:
    """Who left and when, and the answer with missing visits filled in.

    Raises:
        DesignError: nothing can be said about the primary measure at all. Where only filling in is not possible, a
            caution of the first answer says why.
    """
    people = people_by_visit(study)
    first = drop_out_of_study(study, people)
    try:
        return [first, filled_in_of_study(study, mdc=mdc, people=people)]
    except (DesignError, FitError) as refusal:
        return [replace(first, cautions=(*first.cautions, f"Missing visits were not filled in. {refusal}"))]
