"""A chart for each therapist against the others: readings in the order of time, less what the others let one expect.

What is expected of a reading comes from the model of change without any reading of that therapist: the mean of the
group at that visit, and what the other therapists found in the same person. Only visits of people whom another
therapist read too are held against it, so that a chart is not about whom a therapist treats.

One value is one visit of one person: the mean, over the limbs, of reading less expected. Nothing but the therapist's
own readings sets the limits (individual values and moving ranges, `numerics.control_chart`), and the centre is zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from studykit.audit import wording
from studykit.audit.against_others import AgainstOthers, against_others
from studykit.audit.groups import OTHERS, knows_calendar
from studykit.change import ChangeByArm, MdcBeside
from studykit.change.model import ChangeModel
from studykit.change.readings import ChangeReadings
from studykit.change.terms import TERM_WORDS
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import decimals_for_width, estimate, level, with_unit
from studykit.numerics.control_chart import RUN_LENGTH
from studykit.numerics.mixed.from_others import expected_from_others
from studykit.pictures.control_chart import ChartPanel, control_chart_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

FEWEST_VALUES: Final = 20
"""Values from which on a chart is drawn: common practice, no source."""
MOST_VALUES: Final = 60
"""The latest values that are charted: a longer chart finds a signal by chance sooner or later (no source)."""
RATER_TERM: Final = TERM_WORDS[("rater_id",)]


@dataclass(frozen=True, kw_only=True)
class RaterChart(Result):
    """Each therapist's readings of one measure against the others', in the order of time.

    Attributes:
        points: one row a therapist, person and visit: `rater_id`, `measured_on`, `participant_id`, `visit`,
            `difference` (reading less expected, in `unit`); in the order of code and time.
        charts: code -> chart of the latest values, in the order of the codes, where there are enough.
        too_few: code -> values, where there are too few.
        small: therapists with fewer people than may be shown; no code of theirs is in a table or a number.
        left_out: visits of people whom no other therapist read.
        measure, unit, confidence, mdc, notes: for words.
    """

    points: pd.DataFrame = field(repr=False)
    charts: dict[str, AgainstOthers] = field(repr=False)
    too_few: dict[str, int]
    small: int
    left_out: int
    measure: str
    unit: str
    confidence: float
    mdc: MdcBeside | None
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a value; for those who hold the data: it is written to no file and to no seal."""
        return self.points.rename(columns={"difference": f"difference_{self.unit}"})

    def numbers(self) -> dict[str, float]:
        """`<code>.values`, `.people`, `.mean`, `.mean_low`, `.mean_high`, `.mean_range`, `.limit`, `.range_limit`,
        `.beyond`, `.runs`, `.jumps`; `<code>.values` alone where there are too few; `charted`, `with_signal`."""
        with_signal = sum(1 for found in self.charts.values() if found.signals)
        named = {"charted": float(len(self.charts)), "with_signal": float(with_signal)}
        for code, found in self.charts.items():
            chart = found.chart
            amounts = {
                "values": chart.values.size,
                "people": found.people,
                "mean": found.mean,
                "mean_low": found.mean_low,
                "mean_high": found.mean_high,
                "mean_range": chart.range_centre,
                "limit": chart.high,
                "range_limit": chart.range_high,
                "beyond": found.beyond,
                "runs": found.runs,
                "jumps": found.jumps,
            }
            named |= {f"{code}.{name}": float(amount) for name, amount in amounts.items()}
        return {**named, **{f"{code}.values": float(count) for code, count in self.too_few.items()}}

    def table(self) -> Table:
        """One row a therapist in the order of codes."""
        rows = []
        for code in sorted({*self.charts, *self.too_few}):
            found = self.charts.get(code)
            if found is None:
                rows.append((code, str(self.too_few[code]), *("–",) * 5, "too few values"))
                continue
            reach = found.chart.high
            rows.append(
                (
                    code,
                    str(found.chart.values.size),
                    estimate(found.mean, found.mean_low, found.mean_high, unit=self.unit),
                    f"±{with_unit(reach, decimals_for_width(reach), self.unit)}",
                    str(found.beyond),
                    str(found.runs),
                    str(found.jumps),
                    wording.SIGNAL if found.signals else wording.NO_SIGNAL,
                )
            )
        if self.small:
            rows.append((f"{OTHERS} ({self.small})", *("–",) * 6, "too few people"))
        columns = (
            Column("Therapist", "left"),
            Column("Visits"),
            Column(f"Mean difference, {level(self.confidence)}"),
            Column("Limits"),
            Column("Outside the limits"),
            Column(f"Runs of {RUN_LENGTH}"),
            Column("Jumps"),
            Column("Signal", "left"),
        )
        return Table(
            self.key.replace(".", "_"),
            f"{self.measure}: each therapist's readings against the others'",
            columns,
            tuple(rows),
            self.notes,
        )

    def figure(self) -> Drawing | None:
        """A row of two panels a therapist: values and moving ranges, in the order of codes."""
        if not self.charts:
            return None
        panels = [
            ChartPanel(
                title=f"Therapist {code}",
                values=found.chart.values,
                ranges=found.chart.ranges,
                limit=found.chart.high,
                range_centre=found.chart.range_centre,
                range_limit=found.chart.range_high,
                in_a_run=found.chart.in_a_run,
            )
            for code, found in self.charts.items()
        ]
        return control_chart_picture(panels, measure=self.measure, unit=self.unit)


def chart_of_measure(study: Study, change: ChangeByArm, *, mdc: MdcBeside | None = None) -> RaterChart:
    """Chart every therapist's readings of the measure of a change answer.

    Raises:
        DesignError: one therapist alone read, or nobody was read by two.
    """
    readings, model = change.readings, change.model
    measure = study.protocol.measures[readings.measure]
    raters = sorted(readings.rows["rater_id"].unique())
    if not knows_calendar(study.table(PARTICIPANTS)["enrolled_on"]):
        raise DesignError(
            "All participants have the same date of enrolment, so the order in time of different people's readings is "
            "not known, and therapists are not charted."
        )
    if len(raters) < 2:
        raise DesignError(f"One therapist read all {measure.name}, so there are no others to hold readings against.")
    points, left_out, undated = _points(study, readings, model)
    if points.empty:
        raise DesignError(
            f"No dated reading of {measure.name} is of a person whom two therapists read, so nobody's readings can be "
            "held against the others'. Write the dates, and let another therapist read a visit now and then."
        )
    smallest, confidence = study.protocol.privacy.smallest_group, study.protocol.study.confidence
    charts: dict[str, AgainstOthers] = {}
    too_few: dict[str, int] = {}
    small = earlier = 0
    for code in raters:
        own = points[points["rater_id"] == code]
        if own["participant_id"].nunique() < smallest:
            small += 1
        elif len(own) < FEWEST_VALUES:
            too_few[code] = len(own)
        else:
            charts[code] = against_others(own.tail(MOST_VALUES), confidence)
            earlier += max(len(own) - MOST_VALUES, 0)
    return RaterChart(
        key=f"audit.chart.{readings.measure}",
        title=f"Therapists against the others: {measure.name}",
        headline=wording.chart_headline(measure.name, charts, len(raters), FEWEST_VALUES),
        cautions=wording.chart_cautions(charts),
        methods=wording.chart_methods(FEWEST_VALUES),
        provenance=study.provenance(),
        points=points,
        charts=charts,
        too_few=too_few,
        small=small,
        left_out=left_out,
        measure=measure.name,
        unit=measure.unit,
        confidence=confidence,
        mdc=mdc,
        notes=wording.chart_notes(left_out, undated, earlier, mdc, measure.unit),
    )


def _points(study: Study, readings: ChangeReadings, model: ChangeModel) -> tuple[pd.DataFrame, int, int]:
    """Reading less expected by therapist, person and visit in the order of time; how many visits are left out because
    no other therapist read the person, and how many because they have no date."""
    rows = readings.rows
    kept = [
        (term, covariance)
        for term, covariance in zip(model.fit.design.terms, model.fit.covariances, strict=True)
        if term.name != RATER_TERM
    ]
    expected = expected_from_others(
        rows["value"].to_numpy(dtype=float),
        model.fit.design.x,
        pd.factorize(rows["participant_id"], sort=True)[0],
        pd.factorize(rows["rater_id"], sort=True)[0],
        [term for term, _ in kept],
        [covariance for _, covariance in kept],
        float(model.fit.residual_variance),
    )
    by = ["rater_id", "participant_id", "visit"]
    shared = rows.groupby("participant_id")["rater_id"].transform("nunique") > 1
    away = rows.assign(difference=rows["value"] - expected)
    left_out = len(away[~shared].drop_duplicates(by))
    found = away[shared & away["difference"].notna()].groupby(by, sort=True)["difference"].mean().reset_index()
    found = found.join(_days(study, readings.measure), on=by)
    dated = found["measured_on"].notna()
    order = {visit.key: place for place, visit in enumerate(readings.visits)}
    found = found[dated].assign(place=found["visit"].map(order))
    found = found.sort_values(["rater_id", "measured_on", "place", "participant_id"], kind="stable", ignore_index=True)
    columns = ["rater_id", "measured_on", "participant_id", "visit", "difference"]
    return found[columns], left_out, int((~dated).sum())


def _days(study: Study, measure: str) -> pd.Series:
    rows = study.table(MEASUREMENTS)
    rows = rows[rows["measure"] == measure]
    return rows.groupby(["rater_id", "participant_id", "visit"])["measured_on"].min()
