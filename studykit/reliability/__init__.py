"""Do two looks at one joint agree? Coefficients, error in degrees, limits, categories, components, decisions."""

from studykit.reliability.categories import CategoryAnswer, Coefficient, agreement
from studykit.reliability.coefficient import IccAnswer, icc, icc_forms
from studykit.reliability.components import ComponentsAnswer, variance_components
from studykit.reliability.concurrent import ConcurrentAnswer, inter_and_intra
from studykit.reliability.decision import DecisionAnswer, decision_study
from studykit.reliability.error_size import DetectableChange, PrecisionAnswer, precision, variation
from studykit.reliability.form import Form, choose_form
from studykit.reliability.incomplete import IncompleteAnswer, incomplete
from studykit.reliability.limits import LimitsAnswer, limits_of_agreement
from studykit.reliability.study_reliability import (
    MdcForChange,
    mdc_for_change,
    mdc_of_both_limbs,
    reliability_of_study,
)
from studykit.reliability.study_result import ReliabilityResult

__all__ = [
    "CategoryAnswer",
    "Coefficient",
    "ComponentsAnswer",
    "ConcurrentAnswer",
    "DecisionAnswer",
    "DetectableChange",
    "Form",
    "IccAnswer",
    "IncompleteAnswer",
    "LimitsAnswer",
    "MdcForChange",
    "PrecisionAnswer",
    "ReliabilityResult",
    "agreement",
    "choose_form",
    "decision_study",
    "icc",
    "icc_forms",
    "incomplete",
    "inter_and_intra",
    "limits_of_agreement",
    "mdc_for_change",
    "mdc_of_both_limbs",
    "precision",
    "reliability_of_study",
    "variance_components",
    "variation",
]
