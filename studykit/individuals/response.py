"""Do people respond differently? The spread of changes in treated arms beyond that of the control arm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.change.model import ChangeModel, fit_change
from studykit.change.readings import ChangeReadings
from studykit.change.terms import FURTHER_IN, PER_WEEK
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import decimals_for_width, estimate, level, unit_sign, with_unit
from studykit.individuals import spread_wording as wording
from studykit.individuals.changes import PersonChanges
from studykit.individuals.wording import beside_mdc
from studykit.numerics.individual_response import ResponseSpread, estimated_spread, pooled_variance, response_spread
from studykit.numerics.mixed.fit import VarianceComponentsFit
from studykit.result import Result
from studykit.table import Column, Table

TOGETHER = "treated_arms"
"""Key of the row for all treated arms together."""
FEWEST = 3
"""People with both readings in an arm, below which its spread says nothing."""


@dataclass(frozen=True, kw_only=True)
class IndividualResponse(Result):
    """Standard deviation of the individual response at the primary visit, by two routes.

    Attributes:
        rows: one row an arm: `arm`, `people`, `sd_change` (of the raw changes); for treated arms and all of them
            together `variance`, `low`, `high` (by the main route, in the unit squared; may be below zero) and
            `closed_variance`, `closed_low`, `closed_high` (difference of the two sample variances).
        by_model: whether the main route is the mixed model's; else the closed form is.
        arms: key -> words; control; unit, visit, confidence.
        notes: lines below the table.
    """

    rows: pd.DataFrame = field(repr=False)
    by_model: bool
    arms: dict[str, str]
    control: str
    unit: str
    visit: str
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row an arm; SDs and variances carry the unit, variances below zero stay."""
        u = self.unit
        named = {"sd_change": f"sd_change_{u}"}
        named |= {name: f"response_{name}_{u}2" for name in ("variance", "low", "high")}
        named |= {name: f"{name}_{u}2" for name in ("closed_variance", "closed_low", "closed_high")}
        return self.rows.rename(columns=named).assign(confidence=self.confidence)

    def numbers(self) -> dict[str, float]:
        """`<arm>.sd_change`, `<arm>.response_sd` with `.low` and `.high` (signed roots), `.response_variance`...;
        `<arm>.closed.response_sd`... of the closed form."""
        named: dict[str, float] = {}
        for row in self.rows.to_dict("records"):
            arm = row["arm"]
            named[f"{arm}.people"], named[f"{arm}.sd_change"] = float(row["people"]), float(row["sd_change"])
            if arm == self.control:
                continue
            for route, spread in (("", _main(row)), ("closed.", _closed(row))):
                named[f"{arm}.{route}response_variance"] = spread.variance
                named[f"{arm}.{route}response_variance.low"] = spread.low
                named[f"{arm}.{route}response_variance.high"] = spread.high
                named[f"{arm}.{route}response_sd"] = spread.sd
                named[f"{arm}.{route}response_sd.low"] = spread.sd_low
                named[f"{arm}.{route}response_sd.high"] = spread.sd_high
        return named

    def table(self) -> Table:
        """One row an arm: people, SD of their changes, SD of the individual response by both routes."""
        rows = []
        for row in self.rows.to_dict("records"):
            sd = with_unit(row["sd_change"], decimals_for_width(row["sd_change"]), self.unit)
            cells = [self.arms[row["arm"]], str(row["people"]), sd]
            if row["arm"] == self.control:
                cells += ["control", *(["control"] if self.by_model else [])]
            else:
                cells += [_printed(spread, self.unit) for spread in ([_main(row)] if self.by_model else [])]
                cells.append(_printed(_closed(row), self.unit))
            rows.append(tuple(cells))
        said = f"{level(self.confidence)}"
        sign = unit_sign(self.unit).strip()
        columns = [Column("Arm", "left"), Column("Measured"), Column("SD of the changes")]
        columns += [Column(f"SD of the response ({sign}), mixed model, {said}")] if self.by_model else []
        columns.append(Column(f"SD of the response ({sign}), from the two SDs, {said}"))
        key, title = self.key.replace(".", "_"), f"{self.title}, at {self.visit}"
        return Table(key, title, tuple(columns), tuple(rows), self.notes)


def individual_response(
    study: Study, readings: ChangeReadings, changes: PersonChanges, model: ChangeModel
) -> IndividualResponse:
    """Spread of the response of each treated arm, and of all together, against the control arm.

    With three or more visits the main route is the mixed model: in each treated arm the variance of people's slopes
    beyond the control arm's, times the squared weeks to the primary visit. The other route is the difference of the
    sample variances of the raw changes. A simulation (DEVELOPERS.md) chose the main route.

    Raises:
        DesignError: no control arm, or too few people.
    """
    protocol, confidence = study.protocol, study.protocol.study.confidence
    measure = protocol.measures[readings.measure]
    if protocol.study.design != "trial" or readings.control is None:
        raise DesignError(
            "Without a control group it cannot be told how much of the spread of people's changes is individual "
            "response: measurement error and what happens to anybody spread changes too, and only a control group "
            "shows by how much."
        )
    control = changes.control
    treated = [arm for arm in changes.arms if arm != control]
    if control is None or not treated or min(len(changes.of_arm(arm)) for arm in changes.arms) < FEWEST:
        raise DesignError(
            f"The control arm and a treated arm need at least {max(FEWEST, changes.smallest)} people each with a "
            "reading at both visits before the spread of their changes can be compared."
        )
    closed = _closed_routes(changes, treated, control, confidence)
    by_model = _model_routes(readings, changes, model, treated, confidence) if model.slopes else None
    rows = _rows(changes, [control, *treated], closed, by_model or closed)
    visit = protocol.visit(readings.primary_visit).label
    arms = {**changes.arms, TOGETHER: "Treated arms together"}
    return IndividualResponse(
        key=f"individual_response.{readings.measure}",
        title=f"How differently people responded: {measure.name}",
        headline=wording.response_headline(
            measure, rows, arms, control, visit=visit, confidence=confidence, beside=beside_mdc(changes, measure.unit)
        ),
        cautions=wording.response_cautions(rows, control, by_model=by_model is not None),
        methods=wording.response_methods(by_model=by_model is not None),
        provenance=study.provenance(),
        rows=rows,
        by_model=by_model is not None,
        arms=arms,
        control=control,
        unit=measure.unit,
        visit=visit,
        confidence=confidence,
        notes=wording.response_notes(changes),
    )


def _closed_routes(
    changes: PersonChanges, treated: Sequence[str], control: str, confidence: float
) -> dict[str, ResponseSpread]:
    variance = {arm: float(changes.of_arm(arm)["change"].var(ddof=1)) for arm in changes.arms}
    df = {arm: float(len(changes.of_arm(arm)) - 1) for arm in changes.arms}
    found = {
        arm: response_spread(variance[arm], df[arm], variance[control], df[control], confidence=confidence)
        for arm in treated
    }
    if len(treated) > 1:
        pooled = pooled_variance(np.array([variance[a] for a in treated]), np.array([df[a] for a in treated]))
        found[TOGETHER] = response_spread(*pooled, variance[control], df[control], confidence=confidence)
    return found


def _model_routes(
    readings: ChangeReadings, changes: PersonChanges, model: ChangeModel, treated: Sequence[str], confidence: float
) -> dict[str, ResponseSpread]:
    """Variance of slopes of each arm beyond the control arm's, times squared weeks.

    In the model of change no arm's slopes spread less than the control arm's. Where an arm is at that limit the model
    is fitted once more with the least spread arm in the control arm's place, so that a difference below zero is seen.
    """
    at_limit = [arm for arm in treated if model.variances.get(FURTHER_IN + arm) == 0.0]
    fit = model.fit
    if at_limit:
        reference = min(at_limit, key=lambda arm: (float(changes.of_arm(arm)["change"].var(ddof=1)), arm))
        others = [slope for slope in (FURTHER_IN + (readings.control or ""), *model.slopes) if slope != PER_WEEK]
        slopes = (PER_WEEK, *(slope for slope in others if slope != FURTHER_IN + reference))
        again = fit_change(readings, confidence=confidence, shared_baseline=True, slopes=slopes, several_starts=False)
        fit = again.fit if again.log_likelihood > model.log_likelihood else fit
    return _from_slopes(readings, fit, treated, confidence)


def _from_slopes(
    readings: ChangeReadings, fit: VarianceComponentsFit, treated: Sequence[str], confidence: float
) -> dict[str, ResponseSpread]:
    """Slope variance of each treated arm, and of all by their numbers of people, less the control arm's; by weeks."""
    week_of = {visit.key: visit.week for visit in readings.visits}
    seen = readings.rows.assign(week=readings.rows["visit"].map(week_of)).groupby(["arm", "participant_id"])["week"]
    people = (seen.nunique() > 1).groupby(level="arm").sum()
    squared_weeks = float(week_of[readings.primary_visit] - week_of[readings.baseline]) ** 2
    weights = {arm: _slope_weights(fit, arm) for arm in treated}
    df = {arm: float(people[arm] - 1) for arm in treated}
    if len(treated) > 1:
        share = np.array([people[arm] for arm in treated], dtype=float)
        weights[TOGETHER] = (share / share.sum()) @ np.array([weights[arm] for arm in treated])
        df[TOGETHER] = sum(df.values())
    values, covariance = _parameters(fit), fit.parameter_covariance()

    def error(weight: np.ndarray) -> float:
        return float(np.sqrt(max(weight @ covariance @ weight, 0.0))) * squared_weeks

    control = _slope_weights(fit, readings.control or "")
    control_df = float(people[readings.control] - 1)
    return {
        arm: estimated_spread(
            float((weight - control) @ values) * squared_weeks,
            error(weight),
            df[arm],
            error(control),
            control_df,
            confidence=confidence,
        )
        for arm, weight in weights.items()
    }


def _slope_weights(fit: VarianceComponentsFit, arm: str) -> np.ndarray:
    """What the variance of slopes in an arm takes of the covariance parameters: the common one and the arm's own."""
    weights = np.zeros(sum(_size(c) for c in fit.covariances) + 1)
    place = 0
    for term, covariance in zip(fit.design.terms, fit.covariances, strict=True):
        if PER_WEEK in term.column_names:
            # Lower triangle, column after column: the variance of the second of two columns stands last.
            weights[place + _size(covariance) - 1] = 1.0
        if term.name == FURTHER_IN + arm:
            weights[place] = 1.0
        place += _size(covariance)
    return weights


def _size(covariance: np.ndarray) -> int:
    return len(covariance) * (len(covariance) + 1) // 2


def _parameters(fit: VarianceComponentsFit) -> np.ndarray:
    """Lower triangles term by term, column after column, then the residual: the order of the covariance matrix."""
    parts = [np.concatenate([c[column:, column] for column in range(c.shape[0])]) for c in fit.covariances]
    return np.concatenate([*parts, [fit.residual_variance]])


def _rows(
    changes: PersonChanges,
    arms: Sequence[str],
    closed: dict[str, ResponseSpread],
    main: dict[str, ResponseSpread],
) -> pd.DataFrame:
    rows = []
    for arm in [*arms, *([TOGETHER] if TOGETHER in closed else [])]:
        own = changes.people[changes.people["arm"].isin(arms[1:] if arm == TOGETHER else [arm])]
        within = own["change"] - own.groupby("arm")["change"].transform("mean")
        df = len(own) - own["arm"].nunique()
        row = {"arm": arm, "people": len(own), "sd_change": float(np.sqrt((within**2).sum() / df))}
        for start, found in (("", main), ("closed_", closed)):
            spread = found.get(arm, ResponseSpread(np.nan, np.nan, np.nan))
            row |= {f"{start}variance": spread.variance, f"{start}low": spread.low, f"{start}high": spread.high}
        rows.append(row)
    return pd.DataFrame(rows)


def _main(row: dict[str, float]) -> ResponseSpread:
    return ResponseSpread(float(row["variance"]), float(row["low"]), float(row["high"]))


def _closed(row: dict[str, float]) -> ResponseSpread:
    return ResponseSpread(float(row["closed_variance"]), float(row["closed_low"]), float(row["closed_high"]))


def _printed(spread: ResponseSpread, unit: str) -> str:
    return estimate(spread.sd, spread.sd_low, spread.sd_high, unit=unit)
