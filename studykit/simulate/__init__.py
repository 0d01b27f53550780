"""Made-up studies whose truth is known."""

from studykit.simulate.responses import true_response_variances
from studykit.simulate.trial import simulate_trial
from studykit.simulate.truth import TrialTruth, true_change_deg

__all__ = ["TrialTruth", "simulate_trial", "true_change_deg", "true_response_variances"]
