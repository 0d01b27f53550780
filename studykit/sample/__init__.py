"""The sample room: who the participants are, which readings are missing, and what went wrong."""

from studykit.sample.baseline import Baseline, baseline_of_study
from studykit.sample.events import AdverseEvents, events_of_study
from studykit.sample.missing import MissingReadings, missing_of_study
from studykit.sample.of_study import sample_of_study

__all__ = [
    "AdverseEvents",
    "Baseline",
    "MissingReadings",
    "baseline_of_study",
    "events_of_study",
    "missing_of_study",
    "sample_of_study",
]
