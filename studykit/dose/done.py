"""Dose as done: change and minutes, between participants and within a participant; an association, never an effect."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.beside import MdcBeside
from studykit.change.readings import ChangeReadings, readings_for_change
from studykit.change.wording import heading, mdc_sentence
from studykit.data.study import Study
from studykit.dose import wording
from studykit.dose.exposure import APART, BETWEEN, WITHIN, Exposure, exposure_of, left_out_note, people_of, periods_of
from studykit.errors import DesignError, FitError
from studykit.formatting import counted, estimate, level, p_value
from studykit.pictures.dose_done import SlopePanel, dose_done_picture
from studykit.pictures.theme import Drawing
from studykit.protocol import Measure
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import DIARY

LABELS: Final = {
    BETWEEN: "Between participants of one arm: each extra minute a week of the own average",
    WITHIN: "Within a participant: each extra minute a week beyond the own average",
    APART: "Between less within",
}
OTHER_SETTING: Final = {"missing": "nothing done", "nothing done": "missing"}
GAP_LABELS: Final = {"missing": "weeks without a diary not known", "nothing done": "weeks without a diary as idle"}
ASSOCIATION: Final = (
    "An association, never an effect: nobody was told by chance to do more or less than asked, and who does more "
    "differs in much else. What differs between people and stays the same, or changes them steadily, is in the slope "
    "between participants and not in the slope within a participant."
)
COMES_AND_GOES: Final = (
    "The slope within a participant is not free of what comes and goes: pain, illness or a stiff month can change the "
    "minutes and the angle together, and a stiff joint can be the reason for more minutes."
)
WRITTEN: Final = (
    "People write down their own minutes: errors of the diary draw both slopes towards zero, the one within a "
    "participant most."
)
STRAIGHT: Final = (
    "Both slopes take every minute as worth the same; where more minutes bring less and less, they are a mean over the "
    "doses that people did."
)
PARTED: Final = (
    "The two slopes differ by more than chance: people who do more differ in something else too, so the slope between "
    "participants says little about what minutes do."
)


@dataclass(frozen=True, kw_only=True)
class DoseDone(Result):
    """Slopes of change on minutes done.

    Attributes:
        study: what it was computed from.
        readings: the outcomes.
        exposure: under the protocol's reading of gaps; other: under the other reading, or None with why not.
        other_refused: the sentence why there is no other; "" where there is one.
        mdc: the MDC beside it, or None.
    """

    study: Study = field(repr=False)
    readings: ChangeReadings = field(repr=False)
    exposure: Exposure = field(repr=False)
    other: Exposure | None = field(repr=False)
    other_refused: str
    mdc: MdcBeside | None

    def to_frame(self) -> pd.DataFrame:
        """One row a reading of gaps and slope: for each extra minute a week by the primary visit; by each minute."""
        unit = self._measure.unit
        parts = []
        for found in self._both:
            frame = found.effects.merge(found.per_minute[["key", "estimate"]], on="key", suffixes=("", "_per_minute"))
            counts = {"participants": found.participants, "outcomes": len(found.rows)}
            parts.append(frame.assign(gaps=found.gaps, **counts))
        named = {name: f"{name}_{unit}" for name in ("estimate", "std_error", "low", "high", "estimate_per_minute")}
        mdc = self.mdc.value if self.mdc is not None else np.nan
        return pd.concat(parts, ignore_index=True).rename(columns=named).assign(mdc=mdc)

    def numbers(self) -> dict[str, float]:
        """`<slope>.estimate` and its `.std_error`, `.df`, `.low`, `.high`, `.p`; `<slope>.per_minute`; counts; the MDC.

        Slopes are between, within and difference; the same under `other_gaps.` for the other reading of gaps.
        """
        found: dict[str, float] = {}
        for start, one in zip(("", "other_gaps."), self._both, strict=False):
            found |= {f"{start}{name}": value for name, value in wording.flat(one.effects).items()}
            found |= {f"{start}{row.key}.per_minute": float(row.estimate) for row in one.per_minute.itertuples()}
            found[f"{start}participants"] = float(one.participants)
            found[f"{start}outcomes_left_out"] = float(one.left_out)
        return {**found, **({"mdc": self.mdc.value} if self.mdc is not None else {})}

    def table(self) -> Table:
        """One row a slope; the other reading of gaps beside it."""
        other = self.other.effects.set_index("key") if self.other is not None else None
        rows = []
        for row in self.exposure.effects.itertuples():
            cells = [LABELS[row.key], estimate(row.estimate, row.low, row.high), p_value(row.p)]
            if other is not None:
                shown = other.loc[row.key] if row.key in other.index else None
                cells.append("not estimable" if shown is None else estimate(*shown[["estimate", "low", "high"]]))
            rows.append(tuple(cells))
        confidence = level(self.study.protocol.study.confidence)
        sign = self._measure.unit
        columns = [
            Column("Slope", "left"),
            Column(heading(f"By {self._visit}, {confidence}; {GAP_LABELS[self.exposure.gaps]}", sign)),
            Column("p"),
        ]
        if self.other is not None:
            columns.append(Column(heading(f"{confidence}; {GAP_LABELS[self.other.gaps]}", sign)))
        counts = "; ".join(
            f"{GAP_LABELS[one.gaps]}: {counted(one.participants, 'participant')}, {counted(len(one.rows), 'outcome')}"
            for one in self._both
        )
        return Table(
            self.key.replace(".", "_"),
            f"{self._measure.name} at {self._visit}: dose done and change, an association",
            tuple(columns),
            tuple(rows),
            (
                f"Each extra minute a week, kept up until {self._visit}; minutes are per treated side.",
                f"{counts}.",
                *left_out_note(self.exposure),
                *self.exposure.refused,
                *((self.other_refused,) if self.other_refused else ()),
                *wording.mdc_notes(self.mdc, sign),
            ),
        )

    def figure(self) -> Drawing | None:
        """Each participant's pace and change, and each participant's busier and idler times; None without any of them.

        People are drawn one by one only in arms that are large enough by the protocol's `privacy.smallest_group`.
        """
        weeks = float(self.study.protocol.visit(self.readings.primary_visit).week - self.readings.visits[0].week)
        people, note = self._drawn(people_of(self.exposure, self.readings))
        periods, other_note = self._drawn(periods_of(self.exposure, self.readings))
        if people.empty and periods.empty:
            return None
        return dose_done_picture(
            (
                SlopePanel(
                    "Between participants",
                    "Minutes a week done, own average less the arm's",
                    f"Change to {self._visit} less the arm's",
                    people,
                    self._slope(BETWEEN, weeks),
                ),
                SlopePanel(
                    "Within a participant",
                    "Minutes done between two visits beyond the own average",
                    "Change between two visits beyond the own course",
                    periods,
                    self._slope(WITHIN, 1.0),
                ),
            ),
            measure=self._measure.name,
            unit=self._measure.unit,
            confidence=self.study.protocol.study.confidence,
            people_note=note or other_note,
        )

    def _slope(self, key: str, times: float) -> tuple[float, float, float] | None:
        at = self.exposure.per_minute.set_index("key")
        if key not in at.index:
            return None
        value, low, high = (times * float(at.at[key, name]) for name in ("estimate", "low", "high"))
        return value, low, high

    def _drawn(self, points: pd.DataFrame) -> tuple[pd.DataFrame, str]:
        smallest = self.study.protocol.privacy.smallest_group
        size = points.groupby("arm")["participant_id"].transform("nunique")
        shown = points[size >= smallest]
        order = {arm: place for place, arm in enumerate(self.readings.arms)}
        styled = shown.assign(style=shown["arm"].map(order), arm=shown["arm"].map(self.readings.arms))
        less = len(shown) < len(points)
        return styled, f"People are not drawn in groups of fewer than {smallest}." if less else ""

    @property
    def _both(self) -> tuple[Exposure, ...]:
        return (self.exposure,) if self.other is None else (self.exposure, self.other)

    @property
    def _measure(self) -> Measure:
        return self.study.protocol.measures[self.readings.measure]

    @property
    def _visit(self) -> str:
        return self.study.protocol.visit(self.readings.primary_visit).label


def done_of(study: Study, *, mdc: MdcBeside | None, readings: ChangeReadings | None = None) -> DoseDone:
    """Change of the primary measure against the minutes done.

    Args:
        study: the checked study.
        mdc: the MDC of the primary measure, or None.
        readings: the outcomes of the primary measure where they are at hand.

    Raises:
        DesignError: no diary, too few people with a known dose, or nobody did more than another.
        FitError: no fit that may be trusted was found.
    """
    if study.table(DIARY).empty:
        raise DesignError("There is no diary, so what was done is not known and no change can be set against it.")
    readings = readings or readings_for_change(study)
    gaps = study.protocol.analysis.diary_gaps
    exposure = exposure_of(study, readings, gaps=gaps)
    other, refused = _other(study, readings, OTHER_SETTING[gaps])
    at = exposure.effects.set_index("key")
    parted = APART in at.index and not float(at.at[APART, "low"]) <= 0.0 <= float(at.at[APART, "high"])
    measure = study.protocol.measures[readings.measure]
    return DoseDone(
        key="dose.done",
        title="Dose as done: an association",
        headline=_headline(study, readings, exposure, mdc),
        cautions=(
            ASSOCIATION,
            COMES_AND_GOES,
            *((PARTED,) if parted else ()),
            WRITTEN,
            STRAIGHT,
            *wording.beside_cautions(mdc),
            *exposure.refused,
            *wording.missing_cautions(readings),
            *measure.cautions,
        ),
        methods=_methods(readings, exposure),
        provenance=study.provenance(),
        study=study,
        readings=readings,
        exposure=exposure,
        other=other,
        other_refused=refused,
        mdc=mdc,
    )


def _other(study: Study, readings: ChangeReadings, gaps: str) -> tuple[Exposure | None, str]:
    try:
        return exposure_of(study, readings, gaps=gaps, several_starts=False), ""
    except (DesignError, FitError) as refusal:
        return None, f"With {GAP_LABELS[gaps]} there is no answer. {refusal}"


def _headline(study: Study, readings: ChangeReadings, exposure: Exposure, mdc: MdcBeside | None) -> str:
    measure = study.protocol.measures[readings.measure]
    unit, confidence = measure.unit, study.protocol.study.confidence
    at = exposure.effects.set_index("key")
    where = {WITHIN: "of change within a participant", BETWEEN: "between participants of one arm"}
    told = [
        f"{wording.found_in_words(at.loc[key], unit, confidence)} {words}"
        for key, words in where.items()
        if key in at.index
    ]
    return (
        f"{measure.name}: by {study.protocol.visit(readings.primary_visit).label}, each extra minute a week done went "
        f"together with {' and '.join(told)}. This is an association and no effect."
        f"{mdc_sentence(mdc, unit)}"
    )


def _methods(readings: ChangeReadings, exposure: Exposure) -> str:
    adjusted = f", adjusted for {', '.join(readings.adjusting.named)}" if readings.adjusting.named else ""
    return (
        "Minutes done up to each visit were split, within each participant and by least squares, into an own pace and "
        "departures from it. The angle at each visit was modelled with a mean for each arm and visit, the own pace "
        "(less the mean of the arm) times weeks since enrolment, the departures, a response to the departures that "
        f"differs between participants, and the random terms of the model of change{adjusted}; intervals by Kenward "
        "and Roger (1997, Biometrics 53, 983–997). Weeks without a diary row were taken as "
        f"{'not known' if exposure.gaps == 'missing' else 'weeks without practice'}, the other reading being shown "
        "beside it."
    )
