"""The sensitivity room: does the answer hold under other choices, and which question does each answer?"""

from studykit.sensitivity.estimands import Estimands, estimands_of_study
from studykit.sensitivity.of_study import sensitivity_of_study
from studykit.sensitivity.table import OtherChoices, other_choices_of_study

__all__ = ["Estimands", "OtherChoices", "estimands_of_study", "other_choices_of_study", "sensitivity_of_study"]
