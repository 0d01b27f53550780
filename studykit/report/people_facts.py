"""What a study says of single people, of the checks of its model and of its raters: answers to reporting items."""

from __future__ import annotations

from collections.abc import Mapping

from studykit.data import Study
from studykit.formatting import decimals_for_width, with_unit
from studykit.result import Result

Results = Mapping[str, Result]


def methods(study: Study, results: Results) -> str:
    """How people were counted beside the MDC and how the spread of responses was found."""
    return " ".join(found.methods for found in _about(study, results, "responders", "individual_response"))


def shares(study: Study, results: Results) -> str:
    """Shares beyond the MDC, which are absolute."""
    return "".join(
        f"{found.headline} Shares are absolute; no relative effect is given."
        for found in _about(study, results, "responders")
    )


def cut(study: Study, results: Results) -> str:
    """Where a change was cut into categories."""
    return "".join(
        f"A change counts as more than error beyond the MDC of one person, under “{found.title}”."
        for found in _about(study, results, "responders")
    )


def assumptions(study: Study, results: Results) -> str:
    """What was checked of the model, and how."""
    return "".join(f"{found.headline} {found.methods}" for found in _about(study, results, "diagnostics"))


def important_change(study: Study) -> str:
    """The change that matters by the protocol, with its source."""
    important = study.protocol.analysis.important_change
    if important is None:
        return ""
    amount = with_unit(important.value, decimals_for_width(important.value), study.protocol.primary.unit)
    return f"{amount} in {study.protocol.primary.name}. Source: {important.source}"


def conduct(study: Study, results: Results) -> str:
    """What was seen of raters while the study ran."""
    return " ".join(found.headline for found in _about(study, results, "rater_drift", "digits"))


def _about(study: Study, results: Results, *names: str) -> list[Result]:
    """The answers of these names about the primary measure, those that are there."""
    keys = [f"{name}.{study.protocol.study.primary_measure}" for name in names]
    return [results[key] for key in keys if key in results]
