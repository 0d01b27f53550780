"""Rater drift: did what raters read move apart over the months of the study?

    value = cell (arm at a visit, covariates) + rater + slope of the rater x (day - mean day) / 30 + random effects

with the random effects of the model of change, but for the rater's, which is fixed here. A slope that all raters share
may be a season, an instrument or other people coming later; a rater's slope less the mean of all raters' slopes is free
of those, because raters see the same kind of people in the same months.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd

from studykit.change import ChangeByArm, MdcBeside
from studykit.change.contrasts import estimates
from studykit.change.model import ChangeModel
from studykit.change.readings import ONE_SIDE, ChangeReadings
from studykit.change.terms import TERM_WORDS
from studykit.conduct import wording
from studykit.conduct.calendar import DAYS_A_MONTH, check_calendar, days_from_first, month_of
from studykit.data.checks.rules.habits import FEWEST_CELLS
from studykit.data.deriving import used_readings
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, estimate, level, p_value, unit_sign
from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import kenward_roger_test
from studykit.numerics.mixed.terms import RandomTerm, intercept_by
from studykit.pictures.drift import drift_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table

_RATER: Final = TERM_WORDS[("rater_id",)]
_LINE_POINTS: Final = 25


@dataclass(frozen=True, kw_only=True)
class RaterDrift(Result):
    """Slope of each rater's readings over the calendar, against the mean of all raters.

    Attributes:
        raters: one row a rater: `rater`, `outcomes`, `months` (from first to last reading), and for `slope` (against
            the mean of all raters' slopes) and `own` (the rater's own slope): estimate, `_std_error`, `_df`, `_low`,
            `_high`, in `unit` per 30 days; `p` of the first.
        common: the same five numbers of the mean of all raters' slopes.
        apart_f, apart_df1, apart_df2, apart_p: Kenward–Roger test that all slopes are alike.
        months: one row a rater and study month: `rater`, `month`, `outcomes`, `difference` (mean of reading less what
            the model expects of the mean of all raters), in `unit`.
        lines: one row a rater and point in time: `rater`, `month`, `estimate`, `low`, `high`: the fitted line.
        measure, unit, confidence, notes: for words.
    """

    raters: pd.DataFrame = field(repr=False)
    common: dict[str, float]
    apart_f: float
    apart_df1: int
    apart_df2: float
    apart_p: float
    months: pd.DataFrame = field(repr=False)
    lines: pd.DataFrame = field(repr=False)
    measure: str
    unit: str
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a rater; slopes in the unit per 30 days."""
        per = f"{self.unit}_per_30_days"
        keep = {"rater", "outcomes", "months", "p", "slope_df", "own_df"}
        return self.raters.rename(columns={c: f"{c}_{per}" for c in self.raters.columns if c not in keep}).assign(
            confidence=self.confidence
        )

    def numbers(self) -> dict[str, float]:
        """`<rater>.slope_against_mean` and `<rater>.slope` with `.std_error`, `.df`, `.low`, `.high`; `common.slope`;
        `apart.f`, `.df1`, `.df2`, `.p`."""
        named: dict[str, float] = {}
        for row in self.raters.to_dict("records"):
            start = str(row["rater"])
            named[f"{start}.outcomes"] = float(row["outcomes"])
            for name, words in (("slope", "slope_against_mean"), ("own", "slope")):
                named[f"{start}.{words}"] = float(row[name])
                named |= {f"{start}.{words}.{end}": float(row[f"{name}_{end}"]) for end in _ENDS}
            named[f"{start}.slope_against_mean.p"] = float(row["p"])
        named["common.slope"] = self.common["estimate"]
        named |= {f"common.slope.{end}": self.common[end] for end in _ENDS}
        tested = {"f": self.apart_f, "df1": float(self.apart_df1), "df2": self.apart_df2, "p": self.apart_p}
        return {**named, **{f"apart.{name}": value for name, value in tested.items()}}

    def table(self) -> Table:
        """One row a rater in the order of the protocol, which says nothing about them."""
        rows = [
            (
                str(row["rater"]),
                str(row["outcomes"]),
                f"{row['months']:g}",
                estimate(row["slope"], row["slope_low"], row["slope_high"]),
                p_value(row["p"]),
            )
            for row in self.raters.to_dict("records")
        ]
        sign = unit_sign(self.unit).strip()
        columns = (
            Column("Rater", "left"),
            Column("Outcomes"),
            Column("Months from first to last"),
            Column(f"Slope against the mean of all raters ({sign} in 30 days), {level(self.confidence)}"),
            Column("p"),
        )
        return Table(self.key.replace(".", "_"), self.title, columns, tuple(rows), self.notes)

    def figure(self) -> Drawing:
        """Each rater's readings against the mean of all raters, month by month, with the fitted line."""
        return drift_picture(self.months, self.lines, measure=self.measure, unit=self.unit, confidence=self.confidence)


_ENDS: Final = ("std_error", "df", "low", "high")


def rater_drift(study: Study, change: ChangeByArm, mdc: MdcBeside | None) -> RaterDrift:
    """Fit the model with a slope for each rater and read off how they moved apart.

    Raises:
        DesignError: no dates, dates that cannot be told from visits, or fewer than two raters with enough readings.
        FitError: no fit that may be trusted was found.
    """
    readings, model = change.readings, change.model
    measure, confidence = study.protocol.measures[readings.measure], study.protocol.study.confidence
    dates = _dates(study, readings)
    check_calendar(dates, readings.rows["visit"], measure.name)
    days = days_from_first(dates)
    raters, kept, notes = _raters(study, readings, days, measure.name)
    fit, centre = _fit(readings, model, days, raters, kept)
    ingredients = fit.ingredients()
    level_weights, slope_weights = _weights(fit.p, len(raters))
    against = slope_weights - slope_weights.mean(axis=1, keepdims=True)
    slopes, own, common = (
        estimates(ingredients, weights, confidence)
        for weights in (against, slope_weights, slope_weights.mean(axis=1, keepdims=True))
    )
    apart = kenward_roger_test(ingredients, against[:, 1:])
    frame = _rows(readings, days, raters, kept, slopes, own)
    months, lines = _drawn(readings, fit, days, centre, raters, kept, (level_weights, against), confidence)
    common_slope = {name: float(common[name].iloc[0]) for name in ("estimate", *_ENDS)}
    return RaterDrift(
        key=f"rater_drift.{readings.measure}",
        title=f"Did raters drift apart: {measure.name}",
        headline=wording.drift_headline(measure, frame, apart.p, confidence, mdc),
        cautions=wording.drift_cautions(measure, common_slope, confidence),
        methods=wording.DRIFT_METHODS,
        provenance=study.provenance(),
        raters=frame,
        common=common_slope,
        apart_f=float(apart.f),
        apart_df1=int(apart.df1),
        apart_df2=float(apart.df2),
        apart_p=float(apart.p),
        months=months,
        lines=lines,
        measure=measure.name,
        unit=measure.unit,
        confidence=confidence,
        notes=(wording.apart_note(apart.f, apart.df1, apart.df2, apart.p), *notes),
    )


def _dates(study: Study, readings: ChangeReadings) -> pd.Series:
    """The first day of each row's cell."""
    keys = ["participant_id", "visit", "side", "rater_id"]
    used = used_readings(study, readings.measure)
    used = used.assign(side=used["side"].fillna(ONE_SIDE))
    first = used.groupby(keys, sort=True)["measured_on"].min().reset_index()
    return readings.rows[keys].merge(first, on=keys, how="left", validate="many_to_one")["measured_on"]


def _raters(
    study: Study, readings: ChangeReadings, days: np.ndarray, name: str
) -> tuple[list[str], np.ndarray, tuple[str, ...]]:
    """Raters with enough dated outcomes over a month or more, which rows are theirs, and sentences about the others."""
    rows = readings.rows.assign(day=days)
    dated = rows[np.isfinite(days)]
    notes = []
    if len(dated) < len(rows):
        notes.append(f"{len(rows) - len(dated)} of {counted(len(rows), 'outcome')} have no date and are left out.")
    chosen = []
    present = [r for r in study.protocol.raters if (dated["rater_id"] == r).any()]
    for rater in [*present, *sorted(set(dated["rater_id"]) - set(present))]:
        own = dated[dated["rater_id"] == rater]
        cells = len(own.drop_duplicates(["participant_id", "visit", "side"]))
        span = float(own["day"].max() - own["day"].min())
        if cells < FEWEST_CELLS or span < DAYS_A_MONTH:
            notes.append(
                f"{rater} is left out ({counted(cells, 'limb')} measured over {counted(int(span), 'day')}; "
                f"{FEWEST_CELLS} over a month are needed)."
            )
        else:
            chosen.append(str(rater))
    if len(chosen) < 2:
        had = f"{counted(len(chosen), 'rater')} of {name} measured {FEWEST_CELLS} limbs or more over at least a month"
        raise DesignError(f"Only {had}; whether raters drifted apart needs two.")
    kept = np.isfinite(days) & rows["rater_id"].isin(chosen).to_numpy()
    return chosen, kept, tuple(notes)


def _fit(
    readings: ChangeReadings, model: ChangeModel, days: np.ndarray, raters: list[str], kept: np.ndarray
) -> tuple[VarianceComponentsFit, float]:
    """The model of change with fixed raters and their slopes; and the day that slopes are counted from."""
    seen_by = readings.rows["rater_id"].to_numpy()[kept]
    indicator = np.column_stack([(seen_by == rater).astype(float) for rater in raters])
    centre = float(days[kept].mean())
    time = (days[kept] - centre) / DAYS_A_MONTH
    cells = model.fit.design.x[kept]
    cells = cells[:, np.any(cells != 0.0, axis=0)]
    x = np.column_stack([cells, indicator[:, 1:], indicator * time[:, None]])
    terms = [
        replace(term, codes=term.codes[kept], columns=term.columns[kept])
        for term in model.fit.design.terms
        if term.name != _RATER
    ]
    both = readings.rows[kept].groupby(["participant_id", "rater_id"], sort=True).ngroup().to_numpy()
    terms += _of_person_and_rater(both, terms)
    value = readings.rows["value"].to_numpy(dtype=float)[kept]
    return fit_variance_components(value, x, terms, several_starts=False), centre


def _of_person_and_rater(codes: np.ndarray, terms: list[RandomTerm]) -> list[RandomTerm]:
    """What one rater brings to one person at every visit; left out where it splits the rows as another term does."""
    partitions = {pd.factorize(term.codes)[0].tobytes() for term in terms}
    alike = pd.factorize(codes)[0].tobytes() in partitions or len(np.unique(codes)) == codes.size
    return [] if alike else [intercept_by("participant and rater", codes)]


def _weights(p: int, raters: int) -> tuple[np.ndarray, np.ndarray]:
    """(p, raters) level of each rater against the mean of all, and slope of each; the last columns of the design."""
    levels, slopes = np.zeros((p, raters)), np.zeros((p, raters))
    for place in range(raters):
        slopes[p - raters + place, place] = 1.0
        if place:
            levels[p - 2 * raters + place, place] = 1.0
    return levels - levels.mean(axis=1, keepdims=True), slopes


def _rows(
    readings: ChangeReadings,
    days: np.ndarray,
    raters: list[str],
    kept: np.ndarray,
    slopes: pd.DataFrame,
    own: pd.DataFrame,
) -> pd.DataFrame:
    rows = readings.rows.assign(day=days)[kept]
    by = rows.groupby("rater_id")["day"].agg(["size", "min", "max"]).loc[raters]
    frame = pd.DataFrame({"rater": raters, "outcomes": by["size"].to_numpy()})
    frame["months"] = np.ceil((by["max"] - by["min"]).to_numpy() / DAYS_A_MONTH)
    for name, found in (("slope", slopes), ("own", own)):
        frame[name] = found["estimate"].to_numpy()
        for end in _ENDS:
            frame[f"{name}_{end}"] = found[end].to_numpy()
    return frame.assign(p=slopes["p"].to_numpy())


def _drawn(
    readings: ChangeReadings,
    fit: VarianceComponentsFit,
    days: np.ndarray,
    centre: float,
    raters: list[str],
    kept: np.ndarray,
    weights: tuple[np.ndarray, np.ndarray],
    confidence: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Monthly mean differences from the mean of all raters, and each rater's fitted line with its interval."""
    levels, against = weights
    seen_by = readings.rows["rater_id"].to_numpy()[kept]
    place = np.array([raters.index(rater) for rater in seen_by])
    time = (days[kept] - centre) / DAYS_A_MONTH
    own_part = (levels.T @ fit.beta)[place] + (against.T @ fit.beta)[place] * time
    difference = fit.residuals("conditional") + own_part
    frame = pd.DataFrame({"rater": seen_by, "month": month_of(days[kept]), "difference": difference})
    months = frame.groupby(["rater", "month"], sort=True)["difference"].agg(outcomes="size", difference="mean")
    ingredients, lines = fit.ingredients(), []
    for position, rater in enumerate(raters):
        own = days[kept][place == position]
        at = np.linspace(own.min(), own.max(), _LINE_POINTS)
        contrasts = levels[:, [position]] + against[:, [position]] * ((at - centre) / DAYS_A_MONTH)
        found = estimates(ingredients, contrasts, confidence)[["estimate", "low", "high"]]
        lines.append(found.assign(rater=rater, month=at / DAYS_A_MONTH + 1.0))
    return months.reset_index(), pd.concat(lines, ignore_index=True)
