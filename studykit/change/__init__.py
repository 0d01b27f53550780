"""The change room: how much changed, for whom, and what was done for it."""

from studykit.change.adherence import Adherence, adherence_of_study
from studykit.change.beside import MdcBeside
from studykit.change.diagnostics import ModelDiagnostics, diagnostics_of_study
from studykit.change.flow import ParticipantFlow, flow_of_study
from studykit.change.longitudinal import ChangeByArm, DifferenceFromControl, change_of_study

__all__ = [
    "Adherence",
    "ChangeByArm",
    "DifferenceFromControl",
    "MdcBeside",
    "ModelDiagnostics",
    "ParticipantFlow",
    "adherence_of_study",
    "change_of_study",
    "diagnostics_of_study",
    "flow_of_study",
]
