"""What a paper says about how an audit was kept: sentences of the results, and answers to reporting items."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from studykit.data import Study
from studykit.formatting import listed
from studykit.protocol import Protocol
from studykit.report.templates import Sentence
from studykit.result import Result

AUDIT_ANSWERS: Final = ("audit.completeness", "audit.timeliness", "audit.double_readings")
"""Answers whose methods enter the paragraph, before those of the charts."""
CHART: Final = "audit.chart."
_DOUBLE: Final = {"two_therapists": "two therapists", "one_therapist_twice": "one therapist twice"}


def audit_sentences(
    protocol: Protocol, answers: Mapping[str, Any], say: Callable[..., Iterator[Sentence]]
) -> Iterator[Sentence]:
    """Visits kept, days off, error of double readings and signals of the charts, where this audit has them.

    Args:
        protocol: what was planned.
        answers: of results.json.
        say: fills the sentence of a name with words.
    """
    yield from say("audit_visits")
    yield from say("audit_readings")
    yield from say("audit_days")
    for key, measure in protocol.measures.items():
        own = {"measure": measure.name, "measure_key": key, "unit": measure.unit}
        for kind, readers in _DOUBLE.items():
            yield from say("audit_double", kind=kind, readers=readers, **own)
        if f"{CHART}{key}" in answers:
            yield from say("audit_chart", **own)


def methods_of_charts(answers: Mapping[str, Any]) -> list[str]:
    """Keys of the charts; their methods are alike and are said once."""
    return [key for key in answers if key.startswith(CHART)]


def months(results: Mapping[str, Result]) -> str:
    """Months that the record covers; months of few people are joined in it."""
    if "audit.completeness" not in results:
        return ""
    frame = results["audit.completeness"].to_frame()
    named = [str(label) for label in frame[frame["by"] == "month"].drop_duplicates("group")["label"]]
    return f"Months in the record: {listed(named, most=len(named))}." if named else ""


def kept(results: Mapping[str, Result], name: str) -> str:
    """The headline of one answer about the record, "" where there is none."""
    return results[f"audit.{name}"].headline if f"audit.{name}" in results else ""


def charts(results: Mapping[str, Result]) -> str:
    """What the charts of therapists against the others say."""
    return " ".join(result.headline for key, result in results.items() if key.startswith(CHART))


def methods(results: Mapping[str, Result]) -> str:
    """How the record was looked at, each method once."""
    keys = [*AUDIT_ANSWERS, *methods_of_charts(results)]
    return " ".join(dict.fromkeys(results[key].methods for key in keys if key in results))


def groups(study: Study, results: Mapping[str, Result]) -> str:
    """By what the record is divided."""
    if "audit.completeness" not in results:
        return ""
    return (
        "The record was looked at by month and by therapist, as codes; groups of fewer than "
        f"{study.protocol.privacy.smallest_group} people were joined with others."
    )
