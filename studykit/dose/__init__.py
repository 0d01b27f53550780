"""The dose room: how change follows dose, as it was asked for and as it was done."""

from studykit.dose.curves import DoseCurves
from studykit.dose.done import DoseDone
from studykit.dose.of_study import DoseQuestion, dose_of_study, dose_questions
from studykit.dose.published import DoseBesidePublished
from studykit.dose.randomised import DoseAsRandomised

__all__ = [
    "DoseAsRandomised",
    "DoseBesidePublished",
    "DoseCurves",
    "DoseDone",
    "DoseQuestion",
    "dose_of_study",
    "dose_questions",
]
