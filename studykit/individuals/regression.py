"""Regression to the mean: how far the next reading of an unchanged person is expected to lie towards the mean."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from studykit.change import MdcBeside
from studykit.change.readings import ChangeReadings
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import decimals_for_width, estimate, number, with_unit
from studykit.individuals import spread_wording as wording
from studykit.individuals.changes import BOTH_LIMBS, PersonChanges
from studykit.individuals.error import VisitError
from studykit.individuals.shrunken import MDC_LEVEL
from studykit.individuals.wording import beside_mdc
from studykit.numerics.individual_response import expected_regression
from studykit.numerics.intervals import two_sided_z
from studykit.result import Result
from studykit.table import Column, Table

BY_VISITS = "by_visits"
BY_SITTING = "by_sitting"
FEWEST = 5
"""People of a control group from which the slope of change on first reading is shown."""


@dataclass(frozen=True, kw_only=True)
class RegressionToTheMean(Result):
    """Change to be expected without any change, for somebody who begins one standard deviation from the mean.

    Attributes:
        baseline_mean, baseline_sd: of the participants' first values (means over limbs, SD within arms), in `unit`.
        routes: one row a route: `route`, `reliability`, `expected` (change of somebody one SD below the mean, `unit`).
        slope, slope_low, slope_high: change per unit of the first reading in the control arm (least squares), nan
            without a control arm; participants behind it.
        unit, confidence, notes.
    """

    baseline_mean: float
    baseline_sd: float
    routes: pd.DataFrame = field(repr=False)
    slope: float
    slope_low: float
    slope_high: float
    slope_people: int
    unit: str
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a route: reliability, and expected change of somebody one SD below the mean."""
        named = {"expected": f"expected_change_one_sd_below_{self.unit}"}
        return self.routes.rename(columns=named).assign(**{f"baseline_sd_{self.unit}": self.baseline_sd})

    def numbers(self) -> dict[str, float]:
        """Baseline mean and SD; `<route>.reliability`, `<route>.expected_one_sd_below`; slope in the control arm."""
        named = {"baseline_mean": self.baseline_mean, "baseline_sd": self.baseline_sd}
        for row in self.routes.to_dict("records"):
            named[f"{row['route']}.reliability"] = float(row["reliability"])
            named[f"{row['route']}.expected_one_sd_below"] = float(row["expected"])
        if self.slope_people:
            named |= {"control.slope": self.slope, "control.slope.low": self.slope_low}
            named |= {"control.slope.high": self.slope_high, "control.people": float(self.slope_people)}
        return named

    def table(self) -> Table:
        """One row a route to the expected change, and what the control arm showed."""
        rows = []
        for row in self.routes.to_dict("records"):
            expected = with_unit(row["expected"], decimals_for_width(abs(row["expected"])), self.unit)
            rows.append((wording.ROUTE_WORDS[row["route"]], number(row["reliability"], 2), expected))
        if self.slope_people:
            low, high = -self.slope_high * self.baseline_sd, -self.slope_low * self.baseline_sd
            seen = estimate(-self.slope * self.baseline_sd, low, high, unit=self.unit, confidence=self.confidence)
            rows.append(("Seen in the control arm, whatever brought it about", "", seen))
        columns = (
            Column("Route", "left"),
            Column("Reliability of a first value"),
            Column("Change of somebody one SD below the mean"),
        )
        return Table(self.key.replace(".", "_"), self.title, columns, tuple(rows), self.notes)


def regression_to_the_mean(
    study: Study,
    readings: ChangeReadings,
    changes: PersonChanges,
    error: VisitError | None,
    mdc: MdcBeside | None,
    mdc_both_limbs: MdcBeside | None,
) -> RegressionToTheMean:
    """Expected change (1 - reliability) x distance from the mean, by the visits and by the reliability readings.

    Raises:
        DesignError: neither says how reliable a first value is.
    """
    measure, confidence = study.protocol.measures[readings.measure], study.protocol.study.confidence
    first = _first_values(readings)
    sd = _sd_within_arms(first)
    routes = []
    if error is not None:
        routes.append((BY_VISITS, error.reliability))
    sem = _sem(first, mdc, mdc_both_limbs)
    if sem is not None and sem < sd:
        routes.append((BY_SITTING, 1.0 - sem**2 / sd**2))
    if not routes or sd == 0.0:
        raise DesignError(
            f"How reliable a first value of {measure.name} is cannot be told (two visits only and no repeated "
            "readings), so how far it is expected to move by itself is not known."
        )
    frame = pd.DataFrame(routes, columns=["route", "reliability"])
    frame["expected"] = [expected_regression(-sd, value) for value in frame["reliability"]]
    slope = _slope(changes, confidence)
    return RegressionToTheMean(
        key=f"regression_to_the_mean.{readings.measure}",
        title=f"What a first reading far from the mean does by itself: {measure.name}",
        headline=wording.regression_headline(measure, sd, frame, beside_mdc(changes, measure.unit)),
        cautions=wording.regression_cautions(study),
        methods=wording.regression_methods(in_control=slope[3] > 0),
        provenance=study.provenance(),
        baseline_mean=float(first["value"].mean()),
        baseline_sd=sd,
        routes=frame,
        slope=slope[0],
        slope_low=slope[1],
        slope_high=slope[2],
        slope_people=slope[3],
        unit=measure.unit,
        confidence=confidence,
        notes=wording.regression_notes(study, measure, float(first["value"].mean()), sd, in_control=slope[3] > 0),
    )


def _first_values(readings: ChangeReadings) -> pd.DataFrame:
    """Each participant's mean over limbs at the baseline: `arm`, `value`, `limbs`."""
    here = readings.rows[readings.rows["visit"] == readings.baseline]
    limbs = here.groupby(["participant_id", "arm", "side"], sort=True)["value"].mean()
    people = limbs.groupby(["participant_id", "arm"], sort=True)
    return people.agg(value="mean", limbs="size").reset_index()


def _sd_within_arms(first: pd.DataFrame) -> float:
    within = first["value"] - first.groupby("arm")["value"].transform("mean")
    df = len(first) - first["arm"].nunique()
    return float(np.sqrt((within**2).sum() / df)) if df > 0 else 0.0


def _sem(first: pd.DataFrame, mdc: MdcBeside | None, both: MdcBeside | None) -> float | None:
    """Standard error of one value of most people: MDC / (z sqrt 2)."""
    two_sided = float(first["limbs"].median()) == BOTH_LIMBS
    used = both if two_sided and both is not None else mdc
    return None if used is None else used.value / (two_sided_z(MDC_LEVEL) * float(np.sqrt(2.0)))


def _slope(changes: PersonChanges, confidence: float) -> tuple[float, float, float, int]:
    """Least-squares slope of change on first value in the control arm, with its t interval, and how many people."""
    own = changes.of_arm(changes.control) if changes.control is not None else changes.people.iloc[:0]
    if len(own) < max(FEWEST, changes.smallest) or own["baseline"].nunique() < 2:
        return float("nan"), float("nan"), float("nan"), 0
    line = stats.linregress(own["baseline"], own["change"])
    reach = float(stats.t.ppf(0.5 + confidence / 2.0, len(own) - 2)) * float(line.stderr)
    return float(line.slope), float(line.slope) - reach, float(line.slope) + reach, len(own)
