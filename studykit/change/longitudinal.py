"""How much changed: by arm over the visits, and against the control arm at the primary visit, beside the MDC."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd

from studykit.change import wording
from studykit.change.beside import MdcBeside, place_beside
from studykit.change.contrasts import ALONE_COLUMNS
from studykit.change.model import ChangeModel, departure_from_line, fit_change
from studykit.change.readings import ChangeReadings, readings_for_change
from studykit.data.study import Study
from studykit.errors import DesignError, FitError
from studykit.formatting import estimate, level, p_value
from studykit.pictures.change import change_picture
from studykit.pictures.contrast import contrast_picture
from studykit.pictures.theme import Drawing
from studykit.protocol import Measure
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS

_PLACE_SHORT: Final = {"beyond": "beyond", "within": "within", "includes": "includes it", "no MDC": "no MDC"}


@dataclass(frozen=True, kw_only=True)
class ChangeByArm(Result):
    """Mean change from the baseline of each arm (or pathway) at every later visit.

    Attributes:
        study: what it was computed from.
        readings: the outcomes.
        model: the fitted model.
        mdc: the MDC beside it, or None.
    """

    study: Study = field(repr=False)
    readings: ChangeReadings = field(repr=False)
    model: ChangeModel = field(repr=False)
    mdc: MdcBeside | None

    @property
    def unit(self) -> str:
        """Unit of the measure."""
        return self._measure.unit

    @property
    def confidence(self) -> float:
        """Level of the intervals."""
        return self.study.protocol.study.confidence

    def to_frame(self) -> pd.DataFrame:
        """One row an arm and visit: change, standard error, df, interval, p, participants, place beside the MDC."""
        return _tidy(self.model.changes, self.readings, self.study, self.mdc, f"change_{self.unit}", self.unit)

    def numbers(self) -> dict[str, float]:
        """`<visit>.<arm>.change` and its `.std_error`, `.df`, `.low`, `.high`, `.p`; `variance.<term>`; counts.

        With slopes also `covariance.intercept_and_slope_per_week`; with a straight line `departure_from_line.f`, its
        `.df1`, `.df2`, `.p`.
        """
        named = _flat(self.model.changes, "change")
        variances = {f"variance.{_slug(name)}": value for name, value in self.model.variances.items()}
        joint = self.model.intercept_slope_covariance
        if joint is not None:
            variances["covariance.intercept_and_slope_per_week"] = joint
        counts = {
            "rows": float(self.model.rows),
            "participants": float(self.model.participants),
            "log_likelihood": self.model.log_likelihood,
        }
        return {**named, **variances, **_departure_numbers(self.model), **counts, **_mdc_number(self.mdc)}

    def table(self) -> Table:
        """Arms down, visits across: change with its interval; participants at the primary visit."""
        readings, unit = self.readings, self.unit
        later = list(readings.visits[1:])
        at = self.model.changes.set_index(["arm", "visit"])
        rows = []
        for arm, label in readings.arms.items():
            cells = [
                estimate(*at.loc[(arm, visit.key), ["estimate", "low", "high"]])
                if (arm, visit.key) in at.index
                else "nobody measured"
                for visit in later
            ]
            rows.append((label, str(readings.participants_at(arm, readings.primary_visit)), *cells))
        last = self.study.protocol.visit(readings.primary_visit).label
        heads = [Column(wording.heading(f"{visit.label}, {level(self.confidence)}", unit)) for visit in later]
        first = "Arm" if self.study.protocol.study.design == "trial" else "Group"
        return Table(
            self.key.replace(".", "_"),
            f"{self._measure.name}: mean change from {readings.visits[0].label}",
            (Column(first, "left"), Column(f"Measured at {last}"), *heads),
            tuple(rows),
            wording.reading_notes(readings, self.mdc, self._measure),
        )

    def figure(self) -> Drawing:
        """Change over the visits by arm, participants behind, the MDC as a band.

        People are drawn one by one only in groups that are large enough by the protocol's `privacy.smallest_group`.
        """
        return self._drawn(*self._people_to_draw())

    def figure_of_means(self) -> Drawing:
        """The same without a mark for any participant, for a page that shows no person."""
        return self._drawn(None, "")

    def _drawn(self, people: pd.DataFrame | None, people_note: str) -> Drawing:
        """The picture; `people` as `ChangeReadings.change_of_people` gives them, or None."""
        order = {visit.key: _position(self.readings, visit.key) for visit in self.readings.visits}
        labels = {visit.key: visit.label for visit in self.readings.visits}
        means = self.model.changes.rename(columns={"estimate": "mean"})[["arm", "visit", "mean", "low", "high"]]
        start = pd.DataFrame(
            {"arm": list(self.readings.arms), "visit": self.readings.baseline, "mean": 0.0, "low": 0.0, "high": 0.0}
        )
        drawn = pd.concat([start, means], ignore_index=True)
        if people is not None:
            people = people.assign(week=people["visit"].map(order), arm=people["arm"].map(self.readings.arms))
        return change_picture(
            drawn.assign(
                week=drawn["visit"].map(order),
                arm=drawn["arm"].map(self.readings.arms),
                visit=drawn["visit"].map(labels),
            ),
            people,
            measure=self._measure.name,
            unit=self.unit,
            confidence=self.confidence,
            mdc=self.mdc.value if self.mdc is not None else None,
            mdc_confidence=self.mdc.confidence if self.mdc is not None else 0.95,
            people_note=people_note,
        )

    def _people_to_draw(self) -> tuple[pd.DataFrame, str]:
        """Each participant's change in groups that are large enough, and a sentence when some are not."""
        people = self.readings.change_of_people()
        smallest = self.study.protocol.privacy.smallest_group
        size = people.groupby(["arm", "visit"])["participant_id"].transform("nunique")
        shown = people[size >= smallest]
        note = (
            f"People are not drawn one by one in groups of fewer than {smallest}." if len(shown) < len(people) else ""
        )
        return shown, note

    @property
    def _measure(self) -> Measure:
        return self.study.protocol.measures[self.readings.measure]


@dataclass(frozen=True, kw_only=True)
class DifferenceFromControl(ChangeByArm):
    """Difference of each arm from the control arm at the primary visit; in the frame, at every later visit.

    `pairs_to_frame` compares every two other arms at the primary visit. Interval and p are adjusted for several
    comparisons as the protocol says.
    """

    def to_frame(self) -> pd.DataFrame:
        """One row an arm and visit: difference from control, standard error, df, interval, p, place beside the MDC."""
        named = f"difference_{self.unit}"
        frame = _tidy(self.model.differences, self.readings, self.study, self.mdc, named, self.unit)
        frame.insert(1, "control", self.readings.control)
        return frame.rename(columns={name: f"{name}_{self.unit}" for name in ("low_alone", "high_alone")})

    def pairs_to_frame(self) -> pd.DataFrame:
        """One row every two arms but the control at the primary visit: `arm` minus `against`, columns as `to_frame`."""
        named = {name: f"{name}_{self.unit}" for name in ("std_error", "low", "high", "low_alone", "high_alone")}
        return self.model.pairs.rename(columns={"estimate": f"difference_{self.unit}", **named})

    def numbers(self) -> dict[str, float]:
        """`<visit>.<arm>.difference` and its `.std_error`, `.df`, `.low`, `.high`, `.p`; the MDC.

        Where the protocol adjusts for several comparisons also `.low_alone`, `.high_alone`, `.p_alone`, as if each were
        the only one. Two arms but the control: `pairs.<arm>.<against>.difference` and so on.
        """
        named = _flat(self.model.differences, "difference")
        pairs = self.model.pairs
        starts = "pairs." + pairs["arm"] + "." + pairs["against"]
        return {**named, **_flat(pairs, "difference", list(starts)), **_mdc_number(self.mdc)}

    def table(self) -> Table:
        """One row an arm: participants, difference from control with its interval, p, where it lies beside the MDC."""
        readings, unit = self.readings, self.unit
        last = self.study.protocol.visit(readings.primary_visit).label
        control = readings.control or ""
        compared = [(readings.arms[row.arm], row) for row in self._at_primary.itertuples()]
        compared += [
            (f"{readings.arms[row.arm]}, against {readings.arms[row.against]}", row)
            for row in self.model.pairs.itertuples()
        ]
        rows = [
            (
                label,
                str(readings.participants_at(row.arm, readings.primary_visit)),
                estimate(row.estimate, row.low, row.high),
                p_value(row.p),
                _PLACE_SHORT[place_beside(row.low, row.high, self.mdc)],
            )
            for label, row in compared
        ]
        in_control = readings.participants_at(control, readings.primary_visit)
        return Table(
            self.key.replace(".", "_"),
            f"{self._measure.name}: difference from {readings.arms[control]} at {last}",
            (
                Column("Arm", "left"),
                Column("Measured"),
                Column(wording.heading(f"Difference, {level(self.confidence)}", unit)),
                Column("p"),
                Column("Interval against the MDC"),
            ),
            tuple(rows),
            (
                f"Measured in the control arm at {last}: {in_control}.",
                *wording.several_notes(self.model),
                *wording.reading_notes(readings, self.mdc, self._measure),
            ),
        )

    def figure(self) -> Drawing:
        """One row an arm: difference from control with its interval, zero and the MDC marked."""
        order = {arm: position for position, arm in enumerate(self.study.protocol.arms)}
        at = self._at_primary
        return contrast_picture(
            pd.DataFrame(
                {
                    "label": [self.readings.arms[arm] for arm in at["arm"]],
                    "difference": at["estimate"].to_numpy(),
                    "low": at["low"].to_numpy(),
                    "high": at["high"].to_numpy(),
                }
            ),
            measure=self._measure.name,
            unit=self.unit,
            confidence=self.confidence,
            axis=f"Difference from control at {self.study.protocol.visit(self.readings.primary_visit).label}",
            mdc=self.mdc.value if self.mdc is not None else None,
            styles=[order[arm] for arm in at["arm"]],
        )

    @property
    def _at_primary(self) -> pd.DataFrame:
        return self.model.differences[self.model.differences["visit"] == self.readings.primary_visit]


def change_of_study(study: Study, *, mdc: MdcBeside | None = None) -> list[Result]:
    """Change of the primary measure, then of every other measure on a scale that was read.

    In a trial each measure gives the difference from control first, then the change by arm.

    Args:
        study: the checked study, a trial or an audit.
        mdc: the MDC of the primary measure, found by a reliability analysis; None when there is none.

    Raises:
        DesignError: the data cannot answer for the primary measure; the sentence says why. What cannot be answered for
            another measure is a caution of the primary answer.
        FitError: no fit that may be trusted was found for the primary measure.
    """
    primary = study.protocol.study.primary_measure
    results = _answers(study, primary, mdc)
    read = set(study.table(MEASUREMENTS)["measure"])
    refused = []
    for other in study.protocol.measures:
        if other == primary or other not in read:
            continue
        try:
            results += _answers(study, other, None)
        except (DesignError, FitError) as refusal:
            refused.append(f"{study.protocol.measures[other].name} is not answered. {refusal}")
    results[0] = replace(results[0], cautions=(*results[0].cautions, *refused))
    return list(results)


def _answers(study: Study, measure: str, mdc: MdcBeside | None) -> list[ChangeByArm]:
    """The answers for one measure, from one fit."""
    readings = readings_for_change(study, measure)
    trial = study.protocol.study.design == "trial"
    model = fit_change(
        readings,
        confidence=study.protocol.study.confidence,
        shared_baseline=trial,
        multiplicity=study.protocol.analysis.multiplicity,
    )
    model = replace(model, departure=departure_from_line(readings, model, shared_baseline=trial))
    name = study.protocol.measures[measure].name
    changed = ChangeByArm(
        key=f"change.{measure}",
        title=f"Change over the visits: {name}",
        headline=wording.change_headline(study, readings, model, mdc),
        cautions=wording.change_cautions(study, readings, model, mdc),
        methods=wording.methods_words(study, readings, model, differences=False),
        provenance=study.provenance(),
        study=study,
        readings=readings,
        model=model,
        mdc=mdc,
    )
    if not trial:
        return [changed]
    differing = DifferenceFromControl(
        key=f"difference.{measure}",
        title=f"Difference from the control arm: {name}",
        headline=wording.difference_headline(study, readings, model, mdc),
        cautions=wording.difference_cautions(study, readings, model, mdc),
        methods=wording.methods_words(study, readings, model, differences=True),
        provenance=study.provenance(),
        study=study,
        readings=readings,
        model=model,
        mdc=mdc,
    )
    return [differing, changed]


def _tidy(
    found: pd.DataFrame, readings: ChangeReadings, study: Study, mdc: MdcBeside | None, named: str, unit: str
) -> pd.DataFrame:
    weeks = {visit.key: visit.week for visit in readings.visits}
    frame = found.rename(
        columns={
            "estimate": named,
            "std_error": f"std_error_{unit}",
            "low": f"low_{unit}",
            "high": f"high_{unit}",
        }
    )
    frame.insert(2, "week", frame["visit"].map(weeks).astype("float64"))
    frame.insert(
        3, "participants", [readings.participants_at(a, v) for a, v in zip(frame["arm"], frame["visit"], strict=True)]
    )
    places = [place_beside(low, high, mdc) for low, high in zip(found["low"], found["high"], strict=True)]
    return frame.assign(confidence=study.protocol.study.confidence, mdc=mdc.value if mdc else np.nan, beside_mdc=places)


def _flat(found: pd.DataFrame, named: str, starts: list[str] | None = None) -> dict[str, float]:
    """Estimates under stable names; those as if each were alone only where they differ."""
    numbers = {}
    begin = starts if starts is not None else list(found["visit"] + "." + found["arm"])
    alone = [name for name in ALONE_COLUMNS if name in found and not found[name].equals(found[name[:-6]])]
    for start, row in zip(begin, found.to_dict("records"), strict=True):
        numbers[f"{start}.{named}"] = float(row["estimate"])
        for name in ("std_error", "df", "low", "high", "p", *alone):
            numbers[f"{start}.{name}"] = float(row[name])
    return numbers


def _departure_numbers(model: ChangeModel) -> dict[str, float]:
    test = model.departure
    if test is None:
        return {}
    found = {"f": test.f, "df1": float(test.df1), "df2": test.df2, "p": test.p}
    return {f"departure_from_line.{name}": value for name, value in found.items()}


def _mdc_number(mdc: MdcBeside | None) -> dict[str, float]:
    return {"mdc": mdc.value} if mdc is not None else {}


def _slug(words: str) -> str:
    return "_".join(words.replace("(", "").replace(")", "").split())


def _position(readings: ChangeReadings, visit: str) -> float:
    """Week of a visit; its place in order where two visits share a week."""
    weeks = [planned.week for planned in readings.visits]
    place = next(position for position, planned in enumerate(readings.visits) if planned.key == visit)
    return float(place) if len(set(weeks)) < len(weeks) else float(weeks[place])
