"""Where the error of a study's readings comes from, and what more raters and trials would buy."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.formatting import counted, percent
from studykit.pictures.components import components_picture
from studykit.pictures.decision_curves import decision_picture
from studykit.reliability.components import ComponentsAnswer, variance_components
from studykit.reliability.decision import DecisionAnswer, decision_study
from studykit.reliability.incomplete import incomplete
from studykit.reliability.study_readings import WITHIN, StudyReadings
from studykit.reliability.study_result import ReliabilityResult, Row, rows_numbers, rows_table, shown
from studykit.table import Column, Table


def components_results(study: Study, readings: StudyReadings) -> list[ReliabilityResult]:
    """Variance components, and the decision study made from them."""
    components = components_of(readings)
    error = "agreement" if readings.generalise_to == "random" else "consistency"
    decision = decision_study(components, error=error)
    return [_components(study, readings, components), _decision(study, readings, decision)]


def components_of(readings: StudyReadings) -> ComponentsAnswer:
    """By analysis of variance where every person is one target and the table is complete, else by REML."""
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
        frame,
        target=target,
        rater="rater_id",
        value="value",
        cluster=cluster,
        confidence=readings.confidence,
        resamples=0,
    ).components


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
    of_error = f"{percent(largest.variance / spread)} of it" if spread > 0.0 else "none of it can be seen"
    how = "of mean squares" if answer.method == "analysis of variance" else "of REML (logarithm of the variance)"
    return ReliabilityResult(
        key=f"reliability.{readings.key}.components",
        title=f"Where the error comes from: {name}",
        headline=(
            f"{name}: the error of one reading had a standard deviation of "
            f"{shown(float(np.sqrt(spread)), np.nan, np.nan, unit)}; its largest source was {largest.name} "
            f"({of_error})."
        ),
        cautions=(
            *answer.cautions,
            "A component is a description of these readings; it does not say why raters differ.",
        ),
        methods=f"Variance components were estimated by {answer.method}; intervals are those {how}.",
        provenance=study.provenance(),
        tidy=answer.to_frame().assign(unit=f"{unit} squared" if unit else "", method=answer.method),
        printed=rows_table(
            f"components_{readings.key}", f"{name}: sources of variation{readings.where}", rows, readings.confidence
        ),
        named=rows_numbers(rows),
        draw=partial(components_picture, answer.to_frame(), measure=name, unit=unit, confidence=readings.confidence),
    )


def _decision(study: Study, readings: StudyReadings, answer: DecisionAnswer) -> ReliabilityResult:
    name, unit, designs = readings.measure.name, readings.unit, answer.designs
    single, averaged = _mdc(designs, 1, 1), _mdc(designs, 1, 3)
    more = ""
    if int(designs["raters"].max()) > 1:
        more = f"; two raters with one reading each to {shown(_mdc(designs, 2, 1), np.nan, np.nan, unit)}"
    table = _designs_table(readings, answer)
    return ReliabilityResult(
        key=f"reliability.{readings.key}.decision",
        title=f"What would more readings buy: {name}",
        headline=(
            f"{name}: averaging three readings of one rater would bring the minimal detectable change from "
            f"{shown(single, np.nan, np.nan, unit)} to {shown(averaged, np.nan, np.nan, unit)}{more}."
        ),
        cautions=answer.cautions,
        methods=(
            f"A decision study (Brennan 2001) divided each variance component by the numbers of raters and readings; "
            f"MDC at {percent(answer.confidence)} = z √2 SEM, {answer.error}."
        ),
        provenance=study.provenance(),
        tidy=designs.copy(),
        printed=table,
        named={f"mdc.{r.raters}x{r.sessions}x{r.trials}": float(r.mdc) for r in designs.itertuples()},
        draw=partial(decision_picture, designs, measure=name, unit=unit, confidence=answer.confidence),
    )


def _mdc(designs: pd.DataFrame, raters: int, trials: int) -> float:
    row = designs[(designs["raters"] == raters) & (designs["trials"] == trials) & (designs["sessions"] == 1)]
    return float(row["mdc"].iloc[0])


def _designs_table(readings: StudyReadings, answer: DecisionAnswer) -> Table:
    """Readings down, raters across: the MDC of each design."""
    wide = answer.designs.pivot_table(index="trials", columns="raters", values="mdc")
    heads = [Column(counted(int(raters), "rater")) for raters in wide.columns]
    rows = tuple(
        (str(int(trials)), *(shown(float(value), np.nan, np.nan, readings.unit) for value in line))
        for trials, line in zip(wide.index, wide.to_numpy(), strict=True)
    )
    return Table(
        f"decision_{readings.key}",
        f"{readings.measure.name}: minimal detectable change at {percent(answer.confidence)} by design",
        (Column("Readings of each rater", "left"), *heads),
        rows,
        ("Calculated from the variance components, not measured.",),
    )
