"""Rules between the parts of a protocol: a visit that is named must be planned, a trial needs a control, and so on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from studykit.protocol.analysis_rules import problems_of_analysis
from studykit.protocol.catalogue import shipped_measures
from studykit.protocol.intake_rules import problems_of_intake
from studykit.protocol.model import ReliabilityPlan
from studykit.protocol.outline import Outline
from studykit.protocol.planning_rules import problems_of_planning
from studykit.protocol.problems import Problem, listed, meant, quoted
from studykit.vocabulary import COLUMNS, PARTICIPANTS


def problems_between_parts(outline: Outline) -> list[Problem]:
    """Every problem that no part can see alone. A rule says nothing where what it needs could not be read."""
    return [
        *_primary_measure(outline),
        *_primary_visit(outline),
        *_arms(outline),
        *_doses(outline),
        *_visits(outline),
        *_raters(outline),
        *_measures(outline),
        *_reliability(outline),
        *_covariates(outline),
        *problems_of_analysis(outline),
        *problems_of_planning(outline),
        *problems_of_intake(outline),
    ]


def _primary_measure(outline: Outline) -> Iterator[Problem]:
    key = outline.primary_measure
    if key is None:
        return
    place = ("study", "primary_measure")
    if key not in outline.measures:
        if key in shipped_measures():
            yield Problem(place, f"primary_measure {quoted(key)} has no heading; add one that says [measures.{key}].")
        elif outline.measures:
            yield Problem(place, f"primary_measure {quoted(key)} is not a measure{_known(key, outline.measures)}")
        return
    measure = outline.measures[key]
    if measure is None:
        return
    if measure.graded and outline.design in {"trial", "audit"}:
        yield Problem(
            place,
            f"primary_measure {quoted(key)} is graded, and grades have no mean and no unit; choose a measure in"
            " degrees, centimetres or millimetres and keep the grade as a further measure.",
        )
    if outline.trials_used == "best" and measure.better == "neither":
        yield Problem(
            ("study", "trials_used"),
            f'trials_used is "best", but no direction of {quoted(key)} is better; choose "mean" or "all".',
        )


def _primary_visit(outline: Outline) -> Iterator[Problem]:
    key, visits = outline.primary_visit, outline.visit_keys
    if key is None:
        if outline.design in {"trial", "audit"}:
            yield Problem(
                ("study", "primary_visit"),
                f"primary_visit in [study] is missing; a study of design {quoted(outline.design)} needs one.",
            )
        return
    place = ("study", "primary_visit")
    if key not in visits:
        if outline.every_visit_named:
            yield Problem(place, f"primary_visit {quoted(key)} is not a planned visit{_known(key, visits)}")
    elif outline.design in {"trial", "audit"} and outline.every_visit_named and key == visits[0]:
        yield Problem(
            place, f"primary_visit {quoted(key)} is the first visit, the baseline; choose a later one to see change."
        )


def _arms(outline: Outline) -> Iterator[Problem]:
    yield from _twins("arms", outline.arms)
    controls = [key for key, arm in outline.arms.items() if arm is not None and arm.control]
    for key in controls[1:]:
        yield Problem(
            ("arms", key, "control"), f"only one arm can be the control, and {quoted(controls[0])} already is."
        )
    if outline.design != "trial":
        return
    if len(outline.arms) < 2:
        yield Problem(("arms",), f"a trial needs at least two arms; the file has {len(outline.arms)}.")
    elif not controls and None not in outline.arms.values():
        yield Problem(("arms",), "a trial needs one arm that the others are set against; give it control = true.")


def _doses(outline: Outline) -> Iterator[Problem]:
    weeks = [visit.week for visit in outline.visits]
    if not weeks or None in weeks:
        return
    last = max(week for week in weeks if week is not None)
    for key, arm in outline.arms.items():
        if arm is not None and arm.dose is not None and arm.dose.weeks > last:
            yield Problem(
                ("arms", key, "dose", "weeks"),
                f"the dose of arm {quoted(key)} runs for {arm.dose.weeks:g} weeks, but the last visit is in week"
                f" {last:g}; shorten the dose or plan a later visit.",
            )


def _visits(outline: Outline) -> Iterator[Problem]:
    if len(outline.visits) < 2 and outline.design in {"trial", "audit"}:
        yield Problem(
            ("visits",),
            f"a study of design {quoted(outline.design)} needs at least two visits, a baseline and a later one;"
            f" the file has {len(outline.visits)}.",
        )
    yield from _repeated("visits", [visit.key for visit in outline.visits], inner="key")
    yield from _twins("visits", outline.visit_keys)
    latest: tuple[str, float] | None = None
    for position, visit in enumerate(outline.visits):
        if visit.week is None:
            continue
        name = quoted(visit.key) if visit.key is not None else f"number {position + 1}"
        if latest is not None and visit.week < latest[1]:
            yield Problem(
                ("visits", position, "week"),
                f"visit {name} (week {visit.week:g}) is written after visit {latest[0]} (week {latest[1]:g});"
                " put visits in order of time or correct the week.",
            )
        else:
            latest = (name, visit.week)


def _raters(outline: Outline) -> Iterator[Problem]:
    yield from _repeated("raters", outline.raters)
    yield from _twins("raters", outline.raters)


def _measures(outline: Outline) -> Iterator[Problem]:
    if not outline.measures:
        return
    yield from _twins("measures", outline.measures)
    for key, entry in outline.written.items():
        shipped = shipped_measures().get(key)
        if shipped is None or outline.measures.get(key) is None or entry.get("unit", shipped.unit) == shipped.unit:
            continue
        kept = [name for name in ("plausible_low", "plausible_high", "zero_and_sign") if name not in entry]
        if kept:
            yield Problem(
                ("measures", key, "unit"),
                f"[measures.{key}] changes the unit of the catalogue's measure; then it must also say {listed(kept)}.",
            )


def _reliability(outline: Outline) -> Iterator[Problem]:
    plan, visits = outline.reliability, outline.visit_keys
    if not outline.has_reliability and outline.design == "reliability":
        yield Problem(
            ("reliability",), 'a study of design "reliability" needs a [reliability] table that says who rated whom.'
        )
    if plan is None:
        return
    yield from _wanted_mdc(outline, plan)
    if not outline.every_visit_named:
        return
    if plan.sessions:
        yield from _sessions(outline, plan)
    elif plan.visit is None and len(visits) > 1:
        yield Problem(
            ("reliability",),
            f"[reliability] must say at which visit the readings were taken (visit), or at which visits the same people"
            f" were measured while unchanged (sessions); planned are {listed(visits)}.",
        )
    if plan.visit is not None and plan.visit not in visits:
        yield Problem(
            ("reliability", "visit"),
            f"visit {quoted(plan.visit)} in [reliability] is not planned{_known(plan.visit, visits)}",
        )


def _sessions(outline: Outline, plan: ReliabilityPlan) -> Iterator[Problem]:
    place, visits = ("reliability", "sessions"), outline.visit_keys
    if plan.visit is not None:
        yield Problem(
            ("reliability", "visit"),
            "[reliability] names a visit and sessions; keep visit for readings of one occasion, or sessions for people"
            " who were measured on several days.",
        )
    if len(plan.sessions) == 1:
        yield Problem(
            place,
            f"sessions in [reliability] names {quoted(plan.sessions[0])} alone, and a spread between days needs two;"
            f" name another, or write visit = {quoted(plan.sessions[0])}.",
        )
    for position, key in enumerate(plan.sessions):
        if key in plan.sessions[:position]:
            yield Problem((*place, position), f"{quoted(key)} is already among the sessions; name each visit once.")
        elif key not in visits:
            yield Problem(
                (*place, position), f"session {quoted(key)} in [reliability] is not planned{_known(key, visits)}"
            )
    if outline.design in {"trial", "audit"} and outline.primary_visit in plan.sessions:
        yield Problem(
            (*place, plan.sessions.index(outline.primary_visit)),
            f"session {quoted(outline.primary_visit)} in [reliability] is the primary visit: what changed by then is"
            " the answer of the study and no error; name visits between which nobody was treated.",
        )


def _wanted_mdc(outline: Outline, plan: ReliabilityPlan) -> Iterator[Problem]:
    measure = outline.measures.get(outline.primary_measure or "")
    if plan.wanted_mdc is not None and measure is not None and measure.graded:
        yield Problem(
            ("reliability", "wanted_mdc"),
            f"primary_measure {quoted(outline.primary_measure or '')} is graded, and grades have no minimal detectable"
            " change; take wanted_mdc away.",
        )


def _covariates(outline: Outline) -> Iterator[Problem]:
    for key in outline.covariates:
        if key in COLUMNS[PARTICIPANTS]:
            yield Problem(
                ("covariates", key), f"[covariates.{key}] is a column that every study has; leave this table out."
            )


def _repeated(part: str, words: Iterable[str | None], *, inner: str | None = None) -> Iterator[Problem]:
    seen: set[str] = set()
    for position, word in enumerate(words):
        if word is None:
            continue
        if word in seen:
            place = (part, position) if inner is None else (part, position, inner)
            yield Problem(place, f"{quoted(word)} is already among the {part}; each needs a code of its own.")
        seen.add(word)


def _twins(part: str, words: Iterable[str]) -> Iterator[Problem]:
    """Codes that differ only in small and capital letters, or hold a blank at their edge: a sheet would mix them up."""
    first: dict[str, str] = {}
    for word in words:
        if word != word.strip():
            yield Problem((part, word), f"{quoted(word)} among the {part} has a blank at its edge; take it away.")
        twin = first.setdefault(word.lower(), word)
        if twin != word:
            place = (part, word) if part in {"arms", "measures"} else (part,)
            yield Problem(
                place, f"{quoted(twin)} and {quoted(word)} among the {part} differ only in capital letters; rename one."
            )


def _known(word: str, known: Iterable[str]) -> str:
    return meant(word, list(known))
