"""Every answer about the sample of a study."""

from __future__ import annotations

from dataclasses import replace

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.result import Result
from studykit.sample.baseline import baseline_of_study
from studykit.sample.events import events_of_study
from studykit.sample.missing import missing_of_study


def sample_of_study(study: Study) -> list[Result]:
    """The sample at the start, missing readings and adverse events; a reliability study has the first alone.

    Raises:
        DesignError: nothing is recorded about anybody. What a part cannot answer is a caution of the first.
    """
    first: Result = baseline_of_study(study)
    if study.protocol.study.design == "reliability":
        return [first]
    results: list[Result] = []
    refused = []
    try:
        results.append(missing_of_study(study))
    except DesignError as refusal:
        refused.append(str(refusal))
    results.append(events_of_study(study))
    return [replace(first, cautions=(*first.cautions, *refused)), *results]
