"""Correlation, standard error and detectable change of one measure of a study, by the route its design allows."""

from __future__ import annotations

from typing import Final

import numpy as np

from studykit.errors import DesignError
from studykit.formatting import counted, unit_sign
from studykit.numerics.icc import spearman_brown
from studykit.reliability.coefficient import IccAnswer, icc_of_table
from studykit.reliability.concurrent import inter_and_intra
from studykit.reliability.error_size import PrecisionAnswer, precision_of_table
from studykit.reliability.incomplete import IncompleteAnswer, incomplete
from studykit.reliability.ratings import Ratings, one_way, read_ratings, two_way
from studykit.reliability.study_parts import (
    BETWEEN_RATERS,
    ONE_RATER,
    WITHIN_RATER,
    Precision,
    change_rows,
    projected_row,
)
from studykit.reliability.study_readings import BETWEEN, BOTH, NESTED, StudyReadings
from studykit.reliability.study_result import Row
from studykit.reliability.study_sessions import precision_across_sessions

PUBLISHED_LIMIT: Final = "the published limit is a little too high where few raters differ much"


def precision_of(readings: StudyReadings) -> Precision:
    """Numbers of one measure: mean squares where the table is complete, the mixed model where it has gaps.

    Raises:
        DesignError, FitError: the readings cannot answer; the sentence says why.
    """
    _refuse_constant(readings)
    if readings.sessions:
        return precision_across_sessions(readings)
    ratings = read_ratings(
        readings.frame, target=readings.target, rater="rater_id", value="value", cluster=readings.cluster
    )
    counts = ratings.counts
    if readings.design == BOTH:
        return _concurrent(readings) if bool(np.all(counts == counts.max())) else _mixed(readings)
    if readings.design == BETWEEN:
        return _between(readings, ratings) if bool(np.all(counts > 0)) else _mixed(readings)
    per_target = counts.sum(axis=1)
    return _one_way(readings, ratings) if bool(np.all(per_target == per_target.max())) else _mixed_one_way(readings)


def _refuse_constant(readings: StudyReadings) -> None:
    values = readings.frame["value"]
    if values.nunique() == 1:
        raise DesignError(
            f"All {counted(len(values), 'reading')} of {readings.measure.name}{readings.where} are the same "
            f"({values.iloc[0]:g}{unit_sign(readings.unit)}): where nobody differs, nobody can be told apart and no "
            "error can be seen. Look whether the column holds what it should."
        )


def _concurrent(readings: StudyReadings) -> Precision:
    """Several raters, several trials each: one analysis for both questions."""
    got = inter_and_intra(
        readings.frame,
        target=readings.target,
        rater="rater_id",
        value="value",
        cluster=readings.cluster,
        generalise_to=readings.generalise_to,
        readings=readings.readings,
        confidence=readings.confidence,
    )
    of_persons = "" if readings.cluster is None else ", degrees of freedom of persons"
    how, sums = f"F ratio{of_persons}", f"sums of mean squares{of_persons}"
    parts = [
        ("", BETWEEN_RATERS, got.inter),
        ("_within", WITHIN_RATER, got.intra),
        *((f"_within.{part.rater}", f"within {part.rater}", part) for part in got.intra_by_rater),
    ]
    names = [readings.form.name, *["ICC"] * (len(parts) - 1)]
    iccs = [
        Row(f"icc{key}", f"{name} {where}", p.value, p.low, p.high, "", how)
        for name, (key, where, p) in zip(names, parts, strict=True)
    ]
    notes = (PUBLISHED_LIMIT if got.raters == "random" and len(got.rater_names) < 4 else "", "")
    bounds = [
        Row(f"icc{key}.at_least", f"{name} {where}, one-sided lower limit", p.lower, note=note)
        for name, (key, where, p), note in zip(names[:2], parts[:2], notes, strict=True)
    ]
    sems = [
        Row(f"sem{key}", f"SEM {where}", p.sem, p.sem_low, p.sem_high, readings.unit, sums) for key, where, p in parts
    ]
    changes = [*change_rows(sems[0], "", BETWEEN_RATERS), *change_rows(sems[1], "_within", WITHIN_RATER)]
    methods = (
        f"Reliability between and within {counted(len(got.rater_names), 'rater')} ({got.raters}) was estimated from "
        f"one analysis of variance of {counted(got.targets, 'target')} by raters by {got.trials} trials (Eliasziw et "
        f"al. 1994), for {readings.reading_words}; standard errors of measurement have intervals after Graybill and "
        "Wang (1980), and MDC = z √2 SEM."
    )
    cautions = (*((got.reason,) if got.reason else ()), *got.cautions)
    return Precision(
        rows=(*iccs, *bounds, *sems, *changes),
        icc=iccs[0],
        sem=sems[0],
        where=BETWEEN_RATERS,
        targets=got.targets,
        people=got.people,
        readings=len(readings.frame),
        raters=got.rater_names,
        cautions=cautions,
        methods=methods,
    )


def _between(readings: StudyReadings, ratings: Ratings) -> Precision:
    """Several raters on shared targets; repeats that only some raters made are averaged, and said."""
    table = two_way(ratings, mean_of_trials=True)
    got = icc_of_table(table, readings.form, confidence=readings.confidence)
    size = precision_of_table(table, readings.form.form, confidence=readings.confidence)
    extra: tuple[str, ...] = ()
    if int(ratings.counts.max()) > 1:
        extra = ("Repeated readings of a rater were averaged first: the numbers hold for such means.",)
    elif readings.readings > 1:
        extra = (
            f"Use is planned with means of {readings.readings} readings, but each rater read once: the numbers hold "
            "for single readings and are on the safe side.",
        )
    methods = (
        f"{readings.form.name} ({readings.form.model}; McGraw and Wong 1996) was estimated from "
        f"{counted(got.targets, 'target')} by {counted(len(ratings.raters), 'rater')}; the standard error of "
        "measurement comes from the mean squares of the same analysis, and MDC = z √2 SEM."
    )
    return _plain(readings, ratings, got, size, BETWEEN_RATERS, extra, methods)


def _one_way(readings: StudyReadings, ratings: Ratings) -> Precision:
    """Trials of one rater a target, or raters that differ between targets."""
    table = one_way(ratings)
    nested = readings.design == NESTED
    got = icc_of_table(table, readings.form, confidence=readings.confidence)
    count = 1 if nested else readings.readings
    size = precision_of_table(table, "one-way", confidence=readings.confidence, measurements=count)
    where = "between and within raters" if nested else WITHIN_RATER
    methods = (
        f"{readings.form.name} (one-way random model; McGraw and Wong 1996) was estimated from "
        f"{counted(got.targets, 'target')} with {counted(got.ratings_per_target, 'reading')} each, for "
        f"{readings.reading_words}; the standard error of measurement comes from the mean square within targets, and "
        "MDC = z √2 SEM."
    )
    return _plain(readings, ratings, got, size, where, () if nested else (ONE_RATER,), methods, averaged=count)


def _plain(
    readings: StudyReadings,
    ratings: Ratings,
    got: IccAnswer,
    size: PrecisionAnswer,
    where: str,
    extra: tuple[str, ...],
    methods: str,
    *,
    averaged: int = 1,
) -> Precision:
    value, low, high = (float(spearman_brown(np.asarray(x), averaged)) for x in (got.value, got.low, got.high))
    main = Row("icc", f"{got.form.name} {where}", value, low, high, "", got.interval, got.reason)
    sem = Row("sem", f"SEM {where}", size.sem, size.low, size.high, readings.unit, size.interval, size.reason)
    return Precision(
        rows=(main, sem, *change_rows(sem, "", where)),
        icc=main,
        sem=sem,
        where=where,
        targets=got.targets,
        people=got.people,
        readings=len(ratings.values),
        raters=ratings.raters,
        cautions=(*got.cautions, *(text for text in size.cautions if text not in got.cautions), *extra),
        methods=methods,
    )


def _mixed(readings: StudyReadings) -> Precision:
    """Ratings with gaps, several raters: components by REML, complete targets beside them."""
    got = _incomplete(readings, one_rater=False)
    agreement = readings.form.form == "agreement"
    label = f"{readings.form.name} {BETWEEN_RATERS}"
    main = projected_row("icc", label, got.agreement if agreement else got.consistency, "")
    error = got.sem_agreement if agreement else got.sem_consistency
    sem = projected_row("sem", f"SEM {BETWEEN_RATERS}", error, readings.unit)
    rows = [main, sem, *change_rows(sem, "", BETWEEN_RATERS)]
    if readings.design == BOTH:
        within = projected_row("sem_within", f"SEM {WITHIN_RATER}", got.sem_intra, readings.unit)
        rows += [projected_row("icc_within", f"ICC {WITHIN_RATER}", got.intra, ""), within]
        rows += change_rows(within, "_within", WITHIN_RATER)
    case = got.complete_case
    if case is not None:
        beside = f"{case.form.name} of {counted(case.targets, 'complete target')}, means of trials"
        rows.append(Row("icc_complete", beside, case.value, case.low, case.high, "", case.interval, case.reason))
    return _from_mixed(readings, got, tuple(rows), main, sem, BETWEEN_RATERS)


def _mixed_one_way(readings: StudyReadings) -> Precision:
    """Unequal numbers of readings a target: participants and residual by REML."""
    got = _incomplete(readings, one_rater=True)
    where = "between and within raters" if readings.design == NESTED else WITHIN_RATER
    main = projected_row("icc", f"{readings.form.name} {where}", got.intra, "")
    sem = projected_row("sem", f"SEM {where}", got.sem_intra, readings.unit)
    return _from_mixed(readings, got, (main, sem, *change_rows(sem, "", where)), main, sem, where)


def _incomplete(readings: StudyReadings, *, one_rater: bool) -> IncompleteAnswer:
    frame = readings.frame.assign(rater_id="one") if one_rater else readings.frame
    return incomplete(
        frame,
        target=readings.target,
        rater="rater_id",
        value="value",
        cluster=readings.cluster,
        confidence=readings.confidence,
        readings=1 if readings.design == NESTED else readings.readings,
        fixed_raters=readings.generalise_to == "fixed",
    )


def _from_mixed(
    readings: StudyReadings, got: IncompleteAnswer, rows: tuple[Row, ...], main: Row, sem: Row, where: str
) -> Precision:
    names = tuple(dict.fromkeys(readings.frame["rater_id"]))
    beside = (got.complete_case_reason,) if got.complete_case_reason and where == BETWEEN_RATERS else ()
    return Precision(
        rows=rows,
        icc=main,
        sem=sem,
        where=where,
        targets=got.targets,
        people=got.people,
        readings=got.ratings,
        raters=names,
        cautions=(*got.cautions, *beside, *(() if where == BETWEEN_RATERS else (ONE_RATER,))),
        methods=(
            f"Variance components of {counted(got.ratings, 'reading')} of {counted(got.targets, 'target')} "
            f"({got.complete_targets} complete) by {counted(len(names), 'rater')} were estimated by REML, for "
            f"{readings.reading_words}; intervals come from the mean squares that belong to them (McGraw and Wong "
            "1996; Graybill and Wang 1980), and MDC = z √2 SEM."
        ),
    )
