"""All answers that a study can give, in the order of its report: the one function that recomputes everything."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cache
from html import escape

from studykit.audit import audit_of_study
from studykit.change import (
    ChangeByArm,
    MdcBeside,
    adherence_of_study,
    change_of_study,
    diagnostics_of_study,
    flow_of_study,
)
from studykit.conduct import conduct_of_study
from studykit.data import Study
from studykit.display import in_notebook
from studykit.dose import dose_questions
from studykit.errors import DesignError, FitError, check_choice
from studykit.individuals import for_whom
from studykit.missing_visits import FilledIn, missing_visits_of_study
from studykit.reliability import MdcForChange, mdc_for_change, mdc_of_both_limbs, reliability_of_study
from studykit.result import Result
from studykit.sample import sample_of_study
from studykit.sensitivity import sensitivity_of_study


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A question that this study cannot answer, and why, in a sentence."""

    key: str
    title: str
    reason: str


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the report: what was asked, what came out, and what could not be answered."""

    key: str
    title: str
    results: tuple[Result, ...]
    unanswered: tuple[Unanswered, ...]

    def _repr_html_(self) -> str:
        answers = "".join(f"<h4>{escape(one.title)}</h4>{one.to_html(heading='h5')}" for one in self.results)
        refused = "".join(f'<p class="unanswered">{escape(one.reason)}</p>' for one in self.unanswered)
        return in_notebook(f"<h3>{escape(self.title)}</h3>{answers}{refused}")


def answer(
    study: Study,
    *,
    only: Collection[str] | None = None,
    progress: Callable[[str], None] | None = None,
    answered: Callable[[Section], None] | None = None,
) -> tuple[Section, ...]:
    """Compute every answer of a study.

    A question that the data cannot answer becomes an `Unanswered` with its reason; the others stand.

    Args:
        study: the checked study.
        only: keys of the parts to compute (`READABLE`), in the order wished for; a part that this design does not have
            says so, and several with one reason say it once. None computes all that this design has.
        progress: called with the title of each part before it is computed.
        answered: called with each part as soon as it is there, such as to draw its pictures.
    """
    tell = progress or (lambda _title: None)
    mdc = cache(lambda: mdc_beside(study))
    both_limbs = cache(lambda: mdc_beside(study, both_limbs=True))
    changed = cache(lambda: change_of_study(study, mdc=mdc()))
    missing = cache(lambda: missing_visits_of_study(study, mdc=mdc()))
    parts: dict[str, Callable[[], Sequence[Result | Unanswered]]] = {
        "flow": lambda: [flow_of_study(study)],
        "sample": lambda: sample_of_study(study),
        "change": lambda: _with_checks_of_the_model(study, changed()),
        "missing_visits": lambda: list(missing()),
        "sensitivity": lambda: sensitivity_of_study(
            study, mdc=mdc(), change=_first(changed()), filled=_filled_in(missing())
        ),
        "for_whom": lambda: for_whom(study, mdc=mdc(), mdc_both_limbs=both_limbs(), change=_first(changed())),
        "dose": lambda: _dose(study, changed, mdc()),
        "dose_done": lambda: [adherence_of_study(study)],
        "reliability": lambda: reliability_of_study(study),
        "conduct": lambda: conduct_of_study(study, mdc=mdc(), change=lambda: _first(changed())),
    }
    if study.protocol.study.design == "audit":
        parts["audit"] = lambda: audit_of_study(study, mdc=mdc(), changes=changed)
    if study.protocol.study.design == "reliability":
        parts = {key: parts[key] for key in ("reliability", "sample")}
    for key in only or ():
        check_choice(key, READABLE, "part")
    sections: list[Section] = []
    refused: set[str] = set()
    for key in parts if only is None else only:
        if key in parts:
            tell(READABLE[key])
            sections.append(_section(key, parts[key]))
        elif (reason := _not_asked(study.protocol.study.design, key)) not in refused:
            refused.add(reason)
            sections.append(Section(key, READABLE[key], (), (Unanswered(key, READABLE[key], reason),)))
        else:
            continue
        if answered is not None:
            answered(sections[-1])
    return tuple(sections)


def _not_asked(design: str, key: str) -> str:
    """Why a part is no question for a design, and what to ask instead."""
    if key == "audit":
        return (
            f"How well a record was kept is asked of an audit; design in study.toml says '{design}'. Who took part and "
            "what is missing can be asked instead (part 'sample'), and whether readings can be trusted (part "
            "'reliability', notebook 3_reliability.ipynb)."
        )
    return (
        "This is a reliability study: readings were taken to learn how well an angle is measured, and nobody was "
        "treated between them, so there is no change, dose or drop-out to look at. Ask how well it is measured instead "
        "(part 'reliability', notebook 3_reliability.ipynb)."
    )


READABLE = {
    "flow": "Who took part?",
    "sample": "Who were they, what is missing, and what went wrong?",
    "change": "How much changed?",
    "missing_visits": "Who left, and what if they did worse?",
    "sensitivity": "Does the answer hold under other choices?",
    "for_whom": "For whom was the change more than error?",
    "dose": "How does change follow dose?",
    "dose_done": "What was prescribed, and what was done?",
    "reliability": "How well is it measured?",
    "conduct": "Did the measuring change during the study?",
    "audit": "How well was the audit kept?",
}
"""Section key -> the question at the head of the section."""


def mdc_beside(study: Study, *, both_limbs: bool = False) -> MdcBeside | None:
    """The minimal detectable change of the primary measure, to stand beside a change; None when there is none.

    Args:
        both_limbs: that of the mean of a person's two limbs instead of that of one limb.
    """
    find: Callable[[Study], MdcForChange] = mdc_of_both_limbs if both_limbs else mdc_for_change
    try:
        found = find(study)
    except (DesignError, FitError):
        return None
    return MdcBeside(found.value, found.low, found.high, found.confidence, found.words)


def _with_checks_of_the_model(study: Study, results: list[Result]) -> list[Result]:
    """The answers about change and, last, the checks of the model behind them; a refusal becomes a caution."""
    try:
        return [*results, diagnostics_of_study(study, change=_first(results))]
    except (DesignError, FitError) as refusal:
        cautions = (*results[0].cautions, f"The model is not checked. {refusal}")
        return [replace(results[0], cautions=cautions), *results[1:]]


def _first(results: list[Result]) -> ChangeByArm | None:
    """The answer about change of the primary measure."""
    return next((result for result in results if isinstance(result, ChangeByArm)), None)


def _filled_in(results: list[Result]) -> FilledIn | None:
    """The answer with missing visits filled in."""
    return next((result for result in results if isinstance(result, FilledIn)), None)


def _dose(study: Study, changed: Callable[[], list[Result]], mdc: MdcBeside | None) -> list[Result | Unanswered]:
    """Every question about dose, answered or refused on its own; a reason that several share stands once."""
    try:
        change = _first(changed())
    except (DesignError, FitError):
        change = None
    found: list[Result | Unanswered] = []
    reasons: set[str] = set()
    for question in dose_questions(study, mdc=mdc, change=change):
        try:
            found.append(question.answer())
        except (DesignError, FitError) as refusal:
            if str(refusal) not in reasons:
                found.append(Unanswered(question.key, question.title, f"{question.title}: {refusal}"))
            reasons.add(str(refusal))
    return found


def _section(key: str, compute: Callable[[], Sequence[Result | Unanswered]]) -> Section:
    try:
        found = compute()
    except (DesignError, FitError) as refusal:
        return Section(key, READABLE[key], (), (Unanswered(key, READABLE[key], str(refusal)),))
    answered = tuple(one for one in found if isinstance(one, Result))
    return Section(key, READABLE[key], answered, tuple(one for one in found if isinstance(one, Unanswered)))
