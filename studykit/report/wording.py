"""The methods paragraph and the results sentences of a paper, from the protocol and results.json."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final

from studykit.formatting import NO_BREAK, counted, level, listed, number, unit_sign
from studykit.protocol import Arm, Protocol
from studykit.report.audit_paper import AUDIT_ANSWERS, audit_sentences, methods_of_charts
from studykit.report.dose_paper import DOSE_ANSWERS, dose_sentences
from studykit.report.templates import AbsentNumberError, Sentence, fill
from studykit.report.writers.delimited import harmless
from studykit.report.writers.markdown import markdown_escaped

_TRIALS_USED: Final = {"mean": "the mean", "all": "every one", "best": "the best"}
_NAMES_OF_SOFTWARE: Final = {
    "python": "Python",
    "numpy": "NumPy",
    "scipy": "SciPy",
}
RECALLED: Final = "References were recalled, not looked up: check them before printing."
CHECK: Final = "Written by rule from the protocol and results.json; read it as a draft."
_AFTER_CHANGE: Final = (
    "diagnostics",
    "filled_in",
    "sensitivity",
    "responders",
    "individual_response",
    "rater_drift",
    "digits",
)
"""Further answers about the primary measure whose methods follow in the paragraph."""
RELIABILITY_NUMBERS: Final = {f"{name}{end}" for name in ("icc", "sem", "mdc95") for end in ("", ".low", ".high")}
"""What the sentence about reliability pulls; where a limit could not be made there is no such sentence."""
_OF_METHODS: Final = ("reliability", "difference", "change")
"""Answers about the primary measure whose own methods enter the paragraph; the first of the last two that is there."""


@dataclass(frozen=True, slots=True)
class PaperText:
    """Words for a paper.

    Attributes:
        methods: sentences of the methods paragraph.
        results: sentences of the results, each with the numbers in it.
        references: full references of the methods named.
    """

    methods: tuple[str, ...]
    results: tuple[Sentence, ...]
    references: tuple[str, ...]


def paper_text(protocol: Protocol, document: Mapping[str, Any]) -> PaperText:
    """Write both parts.

    Args:
        protocol: what was planned.
        document: results.json as plain values (`numbers.results_document`).

    A sentence of which this study has not every number is left out: no paper waits for the last of its sentences.
    """
    templates = _toml("sentences.toml")
    methods = tuple(_methods(protocol, document, templates["methods"]))
    said = " ".join(methods)
    references = tuple(one["text"] for one in _toml("references.toml")["reference"] if one["named"] in said)
    return PaperText(methods, tuple(_results(protocol, document, templates["results"])), references)


def methods_markdown(text: PaperText) -> str:
    """The methods paragraph with its references."""
    lines = ["# Methods", "", markdown_escaped(" ".join(text.methods)), ""]
    if text.references:
        lines += ["## References", "", *[f"- {markdown_escaped(one)}" for one in text.references], "", RECALLED, ""]
    return "\n".join([*lines, CHECK, ""])


def results_markdown(text: PaperText) -> str:
    """The results sentences, one paragraph."""
    return "\n".join(["# Results", "", markdown_escaped(" ".join(one.text for one in text.results)), "", CHECK, ""])


def numbers_csv(text: PaperText) -> str:
    """One line a number of the results sentences: sentence, key in results.json, full precision, print."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(["sentence", "answer", "number", "value", "printed"])
    for position, sentence in enumerate(text.results, 1):
        for one in sentence.numbers:
            writer.writerow([position, harmless(one.answer), harmless(one.name), repr(one.value), harmless(one.text)])
    return buffer.getvalue()


def _methods(protocol: Protocol, document: Mapping[str, Any], templates: Mapping[str, str]) -> Iterator[str]:
    words = _words(protocol, document)

    def say(name: str, **more: str) -> str:
        sentence = fill(templates[name], document, {**words, **more})
        return "" if sentence is None else sentence.text

    design = protocol.study.design
    yield say(design)
    for arm in protocol.arms.values():
        if arm.dose is not None:
            yield say("dose", **_dose_words(arm))
    yield say("outcome_at" if protocol.study.primary_visit else "outcome")
    if len(protocol.measures) > 1:
        yield say("other_measures")
    if protocol.visits:
        yield say("visits")
    yield say("trials_used")
    yield from _methods_of_answers(protocol, document)
    yield say("intervals")
    yield say("software")
    yield say("traced")


def _methods_of_answers(protocol: Protocol, document: Mapping[str, Any]) -> Iterator[str]:
    """The methods of the answers that this study gave, each said once."""
    primary, answers = protocol.study.primary_measure, document["answers"]
    keys = [f"reliability.{primary}"]
    keys.append(next((key for key in (f"difference.{primary}", f"change.{primary}") if key in answers), ""))
    keys += [f"{name}.{primary}" for name in _AFTER_CHANGE]
    keys += DOSE_ANSWERS
    keys += [*AUDIT_ANSWERS, *methods_of_charts(answers), "adherence", "flow", "sample", "events"]
    said: set[str] = set()
    for key in keys:
        if key in answers and answers[key]["methods"] not in said:
            said.add(answers[key]["methods"])
            yield answers[key]["methods"]


def _results(protocol: Protocol, document: Mapping[str, Any], templates: Mapping[str, str]) -> Iterator[Sentence]:
    words, answers = _words(protocol, document), document["answers"]
    primary = protocol.study.primary_measure

    def say(name: str, **more: str) -> Iterator[Sentence]:
        try:
            sentence = fill(templates[name], document, {**words, **more})
        except AbsentNumberError:
            return
        if sentence is not None:
            yield sentence

    yield from say("brackets")
    yield from say("assessed" if "excluded" in _numbers(answers, "flow") else "assessed_all")
    for key, arm in protocol.arms.items():
        if f"{key}.measured" in _numbers(answers, "flow"):
            yield from say("arm_flow", arm=arm.label, arm_key=key)
    if "all.age_years.mean" in _numbers(answers, "sample"):
        yield from say("age")
    if f"{primary}.{words['visit_key']}.all.missing" in _numbers(answers, "missing"):
        yield from say("missing")
    if set(_numbers(answers, f"reliability.{primary}")) >= RELIABILITY_NUMBERS:
        yield from say("reliability")
    if "readings" in _numbers(answers, f"reliability.{primary}"):
        yield from say("reliability_counts")
    for name, key in (("difference", f"difference.{primary}"), ("change", f"change.{primary}")):
        for arm_key, label in _arms_of(protocol, _numbers(answers, key), words["visit_key"], name):
            yield from say(name, arm=label, arm_key=arm_key)
    yield from _under_other_choices(protocol, answers, say)
    yield from _of_people_and_raters(protocol, answers, say)
    yield from dose_sentences(protocol, answers, say)
    if "mdc" in _numbers(answers, f"change.{primary}"):
        yield from say("mdc")
    for key, arm in protocol.arms.items():
        if f"{key}.adherence_median" in _numbers(answers, "adherence"):
            yield from say("adherence", arm=arm.label, arm_key=key)
    if "events" in answers:
        yield from say("events")
    yield from audit_sentences(protocol, answers, say)


def _under_other_choices(
    protocol: Protocol, answers: Mapping[str, Any], say: Callable[..., Iterator[Sentence]]
) -> Iterator[Sentence]:
    """Missing visits filled in, what would change the conclusion, and the range of the other analyses, arm by arm."""
    primary, trial = protocol.study.primary_measure, protocol.study.design == "trial"
    filled, others = (_numbers(answers, f"{name}.{primary}") for name in ("filled_in", "sensitivity"))
    labels = {key: arm.label for key, arm in protocol.arms.items()} or {"all": "all participants"}
    for key, label in labels.items():
        if f"{key}.plausible" not in filled:
            continue
        yield from say("filled_in" if trial else "filled_in_change", arm=label, arm_key=key)
        low, high = filled[f"{key}.low"], filled[f"{key}.high"]
        shown = low is not None and high is not None and low * high > 0.0
        if shown and filled[f"{key}.filled_in"]:
            tips = filled[f"{key}.changes_if_worse_by"] is not None
            yield from say("tips" if tips else "holds", arm=label, arm_key=key)
    for key, label in labels.items():
        if f"{key}.other_analyses" in others:
            yield from say("other_choices", arm=label, arm_key=key)


def _of_people_and_raters(
    protocol: Protocol, answers: Mapping[str, Any], say: Callable[..., Iterator[Sentence]]
) -> Iterator[Sentence]:
    """Who changed by more than error, how differently people responded, whether raters drifted apart."""
    primary = protocol.study.primary_measure
    shares, spread = (_numbers(answers, f"{name}.{primary}") for name in ("responders", "individual_response"))
    labels = {key: arm.label for key, arm in protocol.arms.items()} or {"all": "all participants"}
    better, words = ("went_up", "went up") if protocol.primary.better == "neither" else ("improved", "improved")
    for key, label in labels.items():
        if f"{key}.{better}" in shares:
            yield from say("responders", arm=label, arm_key=key, better=better, better_words=words)
        if f"{key}.{better}.difference" in shares:
            yield from say("responders_difference", arm=label, arm_key=key, better=better)
    treated = [name.removesuffix(".response_sd") for name in spread if name.endswith(".response_sd")]
    alone = [key for key in treated if key in labels]
    if "treated_arms" in treated:
        yield from say("response", arm="all treated arms together", arm_key="treated_arms")
    elif alone:
        yield from say("response", arm=f"“{labels[alone[0]]}”", arm_key=alone[0])
    if "apart.p" in _numbers(answers, f"rater_drift.{primary}"):
        yield from say("drift")


def _numbers(answers: Mapping[str, Any], key: str) -> Mapping[str, float | None]:
    found: Mapping[str, float | None] = answers[key]["numbers"] if key in answers else {}
    return found


def _arms_of(
    protocol: Protocol, numbers: Mapping[str, float | None], visit: str, name: str
) -> Iterator[tuple[str, str]]:
    """Arms (or everybody) that have this number at this visit."""
    start, end = f"{visit}.", f".{name}"
    for number_name in numbers:
        if number_name.startswith(start) and number_name.endswith(end):
            arm = number_name[len(start) : -len(end)]
            yield arm, protocol.arms[arm].label if arm in protocol.arms else "all participants"


def _words(protocol: Protocol, document: Mapping[str, Any]) -> dict[str, str]:
    plan, primary, provenance = protocol.study, protocol.primary, document["provenance"]
    visit = protocol.visit(plan.primary_visit) if plan.primary_visit else None
    arms = [f"“{arm.label}”" for arm in protocol.arms.values()]
    others = [measure.name for key, measure in protocol.measures.items() if key != plan.primary_measure]
    control = protocol.control_arm
    versions = provenance["versions"]
    return {
        "measure": primary.name,
        "measure_key": plan.primary_measure,
        "unit": primary.unit,
        "instrument": primary.instrument,
        "position": primary.position,
        "zero_and_sign": primary.zero_and_sign,
        "measure_list": listed(others, most=len(others)),
        "visit": visit.label if visit else "",
        "visit_key": visit.key if visit else "",
        "at_visit": f" at {visit.label}" if visit else "",
        "first_visit": protocol.visits[0].label if protocol.visits else "",
        "visit_list": listed([one.label for one in protocol.visits], most=len(protocol.visits)),
        "arm_count": counted(len(arms), "arm"),
        "arm_list": listed(arms, most=len(arms)),
        "group_list": listed(arms, most=len(arms)) if arms else "all participants",
        "control": f"“{protocol.arms[control].label}”" if control else "",
        "trials_used": _TRIALS_USED[plan.trials_used],
        "confidence": level(plan.confidence),
        "software": listed(
            [f"{_NAMES_OF_SOFTWARE.get(name, name)} {v}" for name, v in versions.items()], len(versions)
        ),
        "data_hash": provenance["data_sha256"],
        "protocol_hash": provenance["protocol_sha256"],
    }


def _dose_words(arm: Arm) -> dict[str, str]:
    dose = arm.dose
    if dose is None:
        return {}
    return {
        "arm": arm.label,
        "technique": dose.technique.replace("_", " "),
        "hold": f"{number(dose.hold_s, 0)}{unit_sign('s')}",
        "repetitions": counted(dose.repetitions, "repetition"),
        "sessions": _amount(dose.sessions_per_day, "session"),
        "days": _amount(dose.days_per_week, "day"),
        "weeks": _amount(dose.weeks, "week"),
        "minutes": number(dose.minutes_per_week, 1),
    }


def _amount(value: float, noun: str) -> str:
    return f"{value:g}{NO_BREAK}{noun if value == 1 else f'{noun}s'}"


def _toml(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files("studykit.report").joinpath(name).read_text(encoding="utf-8"))
