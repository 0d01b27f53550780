"""The room of how the study was measured while it ran: did raters drift apart, do they favour digits?"""

from studykit.conduct.digits import DigitPreference
from studykit.conduct.drift import RaterDrift
from studykit.conduct.of_study import conduct_of_study

__all__ = ["DigitPreference", "RaterDrift", "conduct_of_study"]
