"""Where the error of a study's readings comes from, and what more raters and trials would buy."""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.formatting import counted, listed, percent
from studykit.pictures.components import components_picture
from studykit.pictures.decision_curves import decision_picture
from studykit.protocol.model import MeasuringCost
from studykit.reliability.components import ComponentsAnswer, variance_components
from studykit.reliability.decision import COUNTS, DecisionAnswer, decision_study
from studykit.reliability.incomplete import incomplete
from studykit.reliability.study_readings import WITHIN, StudyReadings
from studykit.reliability.study_result import ReliabilityResult, Row, rows_numbers, rows_table, shown
from studykit.reliability.study_sessions import across_sessions_of
from studykit.table import Column, Table

SESSIONS_ASKED: Final = (1, 2, 3)
RATERS_ASKED: Final = (1, 2)
"""Numbers that a decision study of several sessions looks at: six curves can still be told apart."""
TRIALS_NOT_REPEATED: Final = (
    "Nobody was read twice in one session by one rater: what more readings in a session would buy is not known, and "
    "only more sessions and raters are looked at."
)


def components_results(study: Study, readings: StudyReadings) -> list[ReliabilityResult]:
    """Variance components, and, where there is an error to be seen, the decision study made from them."""
    components = components_of(readings)
    found = [_components(study, readings, components)]
    if any(part.variance > 0.0 for part in components.components if not set(part.facets) <= set(components.objects)):
        found.append(_decision(study, readings, _decided(study, readings, components)))
    return found


def components_of(readings: StudyReadings) -> ComponentsAnswer:
    """By analysis of variance where every person is one target and the table is complete, else by REML."""
    if readings.sessions:
        return across_sessions_of(readings)[0].components
    frame, target, cluster = readings.frame, readings.target, readings.cluster
    counts = readings.frame.groupby([*readings.target, "rater_id"]).size()
    raters = readings.frame["rater_id"].nunique()
    targets = len(readings.frame[list(readings.target)].drop_duplicates())
    full = len(counts) == raters * targets and counts.nunique() == 1
    if readings.cluster is None and full and raters > 1:
        return variance_components(
            frame, target=target, rater="rater_id", value="value", confidence=readings.confidence
        )
    if readings.design == WITHIN:
        frame = frame.assign(rater_id="one")
    return incomplete(
        frame, target=target, rater="rater_id", value="value", cluster=cluster, confidence=readings.confidence
    ).components


def _decided(study: Study, readings: StudyReadings, components: ComponentsAnswer) -> DecisionAnswer:
    """Every design of the grid; the wanted MDC is that of the plan, else the change that is said to matter."""
    plan, key = study.protocol.reliability, study.protocol.study.primary_measure
    important = study.protocol.analysis.important_change
    wanted = None if plan is None else plan.wanted_mdc
    if wanted is None and important is not None:
        wanted = important.value
    cost = MeasuringCost() if plan is None else plan.cost
    several = any("rater" in part.facets for part in components.components)
    days = bool(readings.sessions)
    return decision_study(
        components,
        raters=(RATERS_ASKED if several else (1,)) if days else None,
        sessions=SESSIONS_ASKED if days else (1,),
        trials=(1,) if days and components.trials < 2 else COUNTS,
        error="agreement" if readings.generalise_to == "random" else "consistency",
        wanted_mdc=wanted if readings.key == key else None,
        cost_session=cost.session,
        cost_rater=cost.rater,
        cost_trial=cost.reading,
    )


def _components(study: Study, readings: StudyReadings, answer: ComponentsAnswer) -> ReliabilityResult:
    name, unit, parts = readings.measure.name, readings.unit, answer.components
    rows = []
    for part in parts:
        key = "_".join(part.facets)
        low, high = float(np.sqrt(part.low)), float(np.sqrt(part.high))
        share = "share not estimable" if np.isnan(part.share) else f"{percent(part.share, 1)} of the variance"
        said = f"{share}{'; ' + part.reason if part.reason else ''}."
        rows.append(Row(f"sd.{key}", f"SD of {part.name}", part.sd, low, high, unit, "", said))
    error = [part for part in parts if not set(part.facets) <= set(answer.objects)]
    largest = max(error, key=lambda part: part.variance)
    spread = sum(part.variance for part in error)
    error_words = f"the readings agree to the last digit, so that no error of {name[0].lower()}{name[1:]} can be seen"
    if spread > 0.0:
        error_words = (
            "the error of one reading had a standard deviation of "
            f"{shown(float(np.sqrt(spread)), np.nan, np.nan, unit)}; its largest source was {largest.name} "
            f"({percent(largest.variance / spread)} of it)"
        )
    return ReliabilityResult(
        key=f"reliability.{readings.key}.components",
        title=f"Where the error comes from: {name}",
        headline=f"{name}: {error_words}.",
        cautions=(
            *answer.cautions,
            "A component is a description of these readings; it does not say why raters differ.",
        ),
        methods=f"Variance components were estimated by {answer.method}; intervals are those of Williams (1962).",
        provenance=study.provenance(),
        tidy=answer.to_frame().assign(unit=f"{unit} squared" if unit else "", method=answer.method),
        printed=rows_table(
            f"components_{readings.key}", f"{name}: sources of variation{readings.where}", rows, readings.confidence
        ),
        named={**rows_numbers(rows), **_counts(readings, answer)},
        draw=partial(components_picture, answer.to_frame(), measure=name, unit=unit, confidence=readings.confidence),
    )


def _counts(readings: StudyReadings, answer: ComponentsAnswer) -> dict[str, float]:
    """What the components were computed from."""
    counts = {"participants": answer.people, "targets": answer.targets, "readings": len(readings.frame)}
    counts["raters"] = readings.frame["rater_id"].nunique()
    return {name: float(count) for name, count in counts.items()}


def _decision(study: Study, readings: StudyReadings, answer: DecisionAnswer) -> ReliabilityResult:
    name, unit, designs = readings.measure.name, readings.unit, answer.designs
    named = {f"mdc.{r.raters}x{r.sessions}x{r.trials}": float(r.mdc) for r in designs.itertuples()}
    if answer.best is not None:
        best = answer.best
        named |= {f"cheapest.{what}": float(getattr(best, what)) for what in ("raters", "sessions", "trials", "mdc")}
        named["wanted_mdc"] = float(answer.wanted_mdc or 0.0)
    said = (TRIALS_NOT_REPEATED,) if readings.sessions and int(designs["trials"].max()) == 1 else ()
    return ReliabilityResult(
        key=f"reliability.{readings.key}.decision",
        title=f"What would more readings buy: {name}",
        headline=f"{name}: {_offers(answer, unit)}{_cheapest(readings, answer)}.",
        cautions=(*answer.cautions, *said),
        methods=(
            "A decision study (Brennan 2001) divided each variance component by the numbers of raters, "
            f"{'sessions ' if readings.sessions else ''}and readings; MDC at {percent(answer.confidence)} = z √2 SEM, "
            f"{answer.error}."
        ),
        provenance=study.provenance(),
        tidy=designs.copy(),
        printed=_designs_table(readings, answer),
        named=named,
        draw=partial(
            decision_picture,
            designs,
            measure=name,
            unit=unit,
            confidence=answer.confidence,
            wanted=answer.wanted_mdc,
        ),
    )


def _offers(answer: DecisionAnswer, unit: str) -> str:
    """What single steps beyond one reading of one rater in one session would do to the MDC."""
    designs = answer.designs
    steps = {
        "averaging three readings of one rater": (1, 1, 3),
        "two sessions with one reading each": (1, 2, 1),
        "two raters with one reading each": (2, 1, 1),
    }
    now = _mdc(designs, 1, 1, 1, unit)
    there = [words for words, step in steps.items() if len(_design(designs, *step))]
    if not there:
        return f"the minimal detectable change of one reading is {now}"
    first, *others = there
    more = "".join(f"; {words} to {_mdc(designs, *steps[words], unit)}" for words in others)
    size = _mdc(designs, *steps[first], unit)
    return f"{first} would bring the minimal detectable change from {now} to {size}{more}"


def _cheapest(readings: StudyReadings, answer: DecisionAnswer) -> str:
    if answer.wanted_mdc is None:
        return ""
    unit, days = readings.unit, bool(readings.sessions)
    wanted = shown(answer.wanted_mdc, np.nan, np.nan, unit)
    if answer.best is None:
        return f". No design that was looked at reaches the wanted {wanted}"
    best = answer.best
    counts = [counted(best.raters, "rater"), *([counted(best.sessions, "session")] if days else [])]
    counts.append(f"{counted(best.trials, 'reading')} of each rater{' in a session' if days else ''}")
    return (
        f". The cheapest design that reaches the wanted {wanted} is {listed(counts)}, with "
        f"{shown(best.mdc, np.nan, np.nan, unit)}"
    )


def _design(designs: pd.DataFrame, raters: int, sessions: int, trials: int) -> pd.DataFrame:
    return designs[(designs["raters"] == raters) & (designs["sessions"] == sessions) & (designs["trials"] == trials)]


def _mdc(designs: pd.DataFrame, raters: int, sessions: int, trials: int, unit: str) -> str:
    return shown(float(_design(designs, raters, sessions, trials)["mdc"].iloc[0]), np.nan, np.nan, unit)


def _designs_table(readings: StudyReadings, answer: DecisionAnswer) -> Table:
    """Readings (and sessions) down, raters across: the MDC of each design."""
    down = ["sessions", "trials"] if readings.sessions else ["trials"]
    wide = answer.designs.pivot_table(index=down, columns="raters", values="mdc")
    heads = [Column(counted(int(raters), "rater")) for raters in wide.columns]
    first = [Column("Sessions", "left")] if readings.sessions else []
    rows = tuple(
        (
            *(str(int(count)) for count in (place if isinstance(place, tuple) else (place,))),
            *(shown(float(value), np.nan, np.nan, readings.unit) for value in line),
        )
        for place, line in zip(wide.index, wide.to_numpy(), strict=True)
    )
    return Table(
        f"decision_{readings.key}",
        f"{readings.measure.name}: minimal detectable change at {percent(answer.confidence)} by design",
        (*first, Column(f"Readings of each rater{' a session' if readings.sessions else ''}", "left"), *heads),
        rows,
        ("Calculated from the variance components, not measured.",),
    )
