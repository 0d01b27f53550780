"""Labelled mixed models: frames and formulas in, fits that answer questions out."""

from studykit.modelling.confirm import Confirmation
from studykit.modelling.mixed import MixedFit, fit_mixed
from studykit.modelling.repeated import RepeatedFit, fit_repeated
from studykit.modelling.terms import Varies

__all__ = ["Confirmation", "MixedFit", "RepeatedFit", "Varies", "fit_mixed", "fit_repeated"]
