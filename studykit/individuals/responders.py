"""How many changed by more than measurement error: shares by arm, and their difference from control."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from studykit.change.readings import ChangeReadings
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import decimals_for_width, level, share_difference, share_estimate, with_unit
from studykit.individuals import wording
from studykit.individuals.changes import PersonChanges
from studykit.individuals.error import VisitError
from studykit.numerics.intervals import newcombe_interval, wilson_interval
from studykit.result import Result
from studykit.table import Column, Table

IMPORTANT = "important"
"""Key of the share that improved by at least what the protocol says matters."""


@dataclass(frozen=True, kw_only=True)
class Responders(Result):
    """Shares of participants whose change lies beyond the MDC, by arm.

    Attributes:
        shares: one row an arm and outcome: `arm`, `outcome`, `people`, `count`, `share`, `low`, `high` (Wilson), and
            `difference`, `difference_low`, `difference_high` from the control arm (Newcombe; nan in the control arm and
            without one). Shares and differences are shares of one.
        mdc: key -> MDC used, in `unit`.
        by_error: share of unchanged people expected beyond the MDC by the visits of this study; nan where not known.
        arms, outcomes: key -> words; control: key of the control arm or None; unit, visit, confidence, notes.
    """

    shares: pd.DataFrame = field(repr=False)
    mdc: dict[str, float]
    by_error: float
    arms: dict[str, str]
    outcomes: dict[str, str]
    control: str | None
    unit: str
    visit: str
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row an arm and outcome: people, count, share with Wilson's interval, difference with Newcombe's."""
        return self.shares.assign(confidence=self.confidence)

    def numbers(self) -> dict[str, float]:
        """`<arm>.people`, `<arm>.<outcome>` and its `.share`, `.low`, `.high`, `.difference`...; MDCs; error alone."""
        named: dict[str, float] = {}
        for row in self.shares.to_dict("records"):
            start = f"{row['arm']}.{row['outcome']}"
            named[f"{row['arm']}.people"] = float(row["people"])
            named[start] = float(row["count"])
            named |= {f"{start}.{name}": float(row[name]) for name in ("share", "low", "high")}
            if self.control is not None and row["arm"] != self.control:
                parts = ("difference", "difference_low", "difference_high")
                named |= {f"{start}.{name}": float(row[name]) for name in parts}
        return {**named, **self.mdc, "beyond_by_error_alone": self.by_error}

    def table(self) -> Table:
        """Arms down; people, and the share of each outcome; then the difference from control of the better one."""
        better = next(iter(self.outcomes))
        rows = []
        for arm, label in self.arms.items():
            own = {row["outcome"]: row for row in self.shares[self.shares["arm"] == arm].to_dict("records")}
            cells = [label, str(own[better]["people"])]
            cells += [f"{own[key]['count']}: {_share(own[key])}" for key in self.outcomes]
            if self.control is not None:
                cells.append("control" if arm == self.control else _difference(own[better]))
            rows.append(tuple(cells))
        columns = [Column("Arm" if self.control else "Group", "left"), Column("Measured")]
        columns += [Column(words) for words in self.outcomes.values()]
        if self.control is not None:
            columns.append(Column(f"{self.outcomes[better]} against control"))
        interval = f"Count: share with {level(self.confidence)}."
        key, title = self.key.replace(".", "_"), f"People beside the MDC at {self.visit}"
        return Table(key, title, tuple(columns), tuple(rows), (interval, *self.notes))


def responders(study: Study, readings: ChangeReadings, changes: PersonChanges, error: VisitError | None) -> Responders:
    """Count who changed by more than the MDC, and in trials set each arm beside the control arm.

    Raises:
        DesignError: there is no MDC to set a change beside.
    """
    protocol = study.protocol
    measure = protocol.measures[readings.measure]
    if not changes.has_mdc:
        raise DesignError(
            f"There is no minimal detectable change of {measure.name} from this study's own readings, so whose change "
            "was more than error is not known. Let some people be measured twice with nothing in between."
        )
    confidence = protocol.study.confidence
    important = wording.important_change(study, readings.measure)
    outcomes = dict(changes.outcomes)
    if important is not None:
        amount = with_unit(important.value, decimals_for_width(important.value), measure.unit)
        outcomes[IMPORTANT] = f"Improved by {amount} or more"
    control = changes.control if protocol.study.design == "trial" else None
    shares = _shares(changes, outcomes, important.value if important else None, control, confidence)
    by_error = error.share_beyond(changes.usual_mdc) if error is not None else float("nan")
    visit = protocol.visit(readings.primary_visit).label
    values = changes.people.groupby("limbs")["mdc"].first()
    return Responders(
        key=f"responders.{readings.measure}",
        title=f"Whose change was more than error: {measure.name}",
        headline=wording.responders_headline(measure, shares, changes, visit, confidence),
        cautions=wording.responders_cautions(study, readings, changes, by_error),
        methods=wording.responders_methods(control),
        provenance=study.provenance(),
        shares=shares,
        mdc={f"mdc.{'both_limbs' if limbs == 2 else 'one_limb'}": float(value) for limbs, value in values.items()},
        by_error=by_error,
        arms=changes.arms,
        outcomes=outcomes,
        control=control,
        unit=measure.unit,
        visit=visit,
        confidence=confidence,
        notes=wording.responders_notes(study, readings, changes, by_error),
    )


def _shares(
    changes: PersonChanges,
    outcomes: dict[str, str],
    important: float | None,
    control: str | None,
    confidence: float,
) -> pd.DataFrame:
    rows: list[dict[str, Any]] = []
    for arm in changes.arms:
        own = changes.of_arm(arm)
        for outcome in outcomes:
            count = _count(own, outcome, important, changes.direction)
            low, high = wilson_interval(count, len(own), confidence)
            difference = (float("nan"),) * 3
            if control is not None and arm != control:
                others = changes.of_arm(control)
                against = _count(others, outcome, important, changes.direction)
                limits = newcombe_interval(count, len(own), against, len(others), confidence)
                difference = (count / len(own) - against / len(others), *limits)
            rows.append(
                {
                    "arm": arm,
                    "outcome": outcome,
                    "people": len(own),
                    "count": count,
                    "share": count / len(own),
                    "low": low,
                    "high": high,
                    "difference": difference[0],
                    "difference_low": difference[1],
                    "difference_high": difference[2],
                }
            )
    return pd.DataFrame(rows)


def _count(people: pd.DataFrame, outcome: str, important: float | None, direction: float) -> int:
    if outcome == IMPORTANT and important is not None:
        return int((direction * people["change"] >= important).sum())
    return int((people["beside"] == outcome).sum())


def _share(row: dict[str, Any]) -> str:
    return share_estimate(row["share"], row["low"], row["high"])


def _difference(row: dict[str, Any]) -> str:
    return share_difference(row["difference"], row["difference_low"], row["difference_high"])
