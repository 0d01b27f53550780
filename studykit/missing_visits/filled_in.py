"""Missing visits filled in, the question asked of completed sets, and how much worse those who left must have done."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.change.beside import MdcBeside
from studykit.change.wording import heading
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import decimals_for_width, estimate, level, percent, with_unit
from studykit.missing_visits import wording
from studykit.missing_visits.imputing import completed_visits, questions
from studykit.missing_visits.people import PeopleByVisit, people_by_visit
from studykit.missing_visits.shifts import PLAUSIBLE_SDS, Tipping, tipping_of_arm
from studykit.pictures.theme import Drawing
from studykit.pictures.tipping import tipping_picture
from studykit.result import Result
from studykit.table import Column, Table


@dataclass(frozen=True, kw_only=True)
class FilledIn(Result):
    """The answer with missing visits filled in many times, and its tipping points.

    Attributes:
        study: what it was computed from.
        people: everybody who was allocated.
        arms: one an arm that is compared (trial) or described (audit).
        sign: +1 where worse means a lower reading, -1 where it means a higher one.
        mdc: the MDC beside it, or None.
    """

    study: Study = field(repr=False)
    people: PeopleByVisit = field(repr=False)
    arms: tuple[Tipping, ...] = field(repr=False)
    sign: int
    mdc: MdcBeside | None

    @property
    def unit(self) -> str:
        """Unit of the measure."""
        return self.study.protocol.measures[self.people.readings.measure].unit

    @property
    def confidence(self) -> float:
        """Level of the intervals."""
        return self.study.protocol.study.confidence

    def to_frame(self) -> pd.DataFrame:
        """One row an arm: pooled estimate with error, df and limits, missing information, people filled in, shifts."""
        rows = []
        for arm in self.arms:
            pooled = arm.shifted.at(0.0)
            low, high = pooled.limits(self.confidence)
            rows.append(
                {
                    "arm": arm.question.arm,
                    f"estimate_{self.unit}": float(pooled.estimate[0]),
                    f"std_error_{self.unit}": float(pooled.std_error[0]),
                    "df": float(pooled.df[0]),
                    f"low_{self.unit}": float(low[0]),
                    f"high_{self.unit}": float(high[0]),
                    "p": float(pooled.p()[0]),
                    "missing_information": float(pooled.fmi[0]),
                    f"monte_carlo_error_{self.unit}": float(np.sqrt(pooled.between[0] / len(arm.shifted.estimate))),
                    "filled_in": arm.left,
                    "filled_in_control": arm.left_in_control,
                    f"plausible_{self.unit}": arm.limit,
                    f"changes_if_worse_by_{self.unit}": arm.worse,
                    f"changes_if_better_by_{self.unit}": arm.better,
                    f"changes_if_all_who_left_worse_by_{self.unit}": arm.both_worse,
                }
            )
        return pd.DataFrame(rows)

    def numbers(self) -> dict[str, float]:
        """`<arm>.<column of to_frame without the unit>`; nan where no shift within the plausible range changes it."""
        found = {}
        for row in self.to_frame().to_dict("records"):
            for name, value in row.items():
                if name != "arm":
                    found[f"{row['arm']}.{str(name).removesuffix(f'_{self.unit}')}"] = float(value)
        return found | ({"mdc": self.mdc.value} if self.mdc is not None else {})

    def table(self) -> Table:
        """One row an arm: people filled in, pooled estimate, missing information, where the conclusion changes."""
        readings = self.people.readings
        last = self.study.protocol.visit(readings.primary_visit).label
        trial = readings.control is not None
        rows = []
        for arm in self.arms:
            pooled = arm.shifted.at(0.0)
            low, high = pooled.limits(self.confidence)
            cells = [readings.arms[arm.question.arm], str(arm.left)]
            cells += [estimate(float(pooled.estimate[0]), float(low[0]), float(high[0])), percent(float(pooled.fmi[0]))]
            cells.append(self._shift_words(arm.worse, arm.left, arm.limit))
            cells += [self._shift_words(arm.both_worse, arm.left + arm.left_in_control, arm.limit)] if trial else []
            rows.append(tuple(cells))
        what = "Difference from control" if trial else "Change"
        heads = [
            Column("Arm" if trial else "Group", "left"),
            Column(f"Filled in at {last}"),
            Column(heading(f"{what}, {level(self.confidence)}", self.unit)),
            Column("Missing information"),
            Column("Conclusion changes if those who left did worse by"),
        ]
        heads += [Column("The same if those who left the control arm did worse too")] if trial else []
        return Table(
            self.key.replace(".", "_"),
            f"{self.study.protocol.measures[readings.measure].name}: missing visits filled in, {last}",
            tuple(heads),
            tuple(rows),
            (
                *self._control_note(),
                "Worse: than people of the same arm with the same earlier readings, on average. The conclusion changes "
                "where the interval ceases or begins to hold zero.",
                *wording.notes(self.study, self.people, self.mdc),
            ),
        )

    def figure(self) -> Drawing:
        """Estimate and interval over the shift, one panel an arm that somebody left; every arm when nobody did."""
        readings = self.people.readings
        order = list(self.study.protocol.arms) or ["all"]
        shown = [arm for arm in self.arms if arm.left] or list(self.arms)
        parts = []
        for arm in shown:
            worse = np.linspace(-0.5 * arm.limit, arm.limit, 121)
            pooled = arm.shifted.at(self.sign * worse)
            low, high = pooled.limits(self.confidence)
            parts.append(
                pd.DataFrame(
                    {
                        "label": readings.arms[arm.question.arm],
                        "worse": worse,
                        "estimate": pooled.estimate,
                        "low": low,
                        "high": high,
                    }
                )
            )
        what = "Difference from control" if readings.control is not None else "Change"
        return tipping_picture(
            pd.concat(parts, ignore_index=True),
            [arm.worse for arm in shown],
            measure=self.study.protocol.measures[readings.measure].name,
            unit=self.unit,
            confidence=self.confidence,
            outcome=f"{what} at {self.study.protocol.visit(readings.primary_visit).label}",
            styles=[order.index(arm.question.arm) for arm in shown],
        )

    def _control_note(self) -> tuple[str, ...]:
        control = self.people.readings.control
        if control is None:
            return ()
        return (
            f"Filled in in the control arm ({self.people.readings.arms[control]}): {self.arms[0].left_in_control}.",
        )

    def _shift_words(self, shift: float, left: int, limit: float) -> str:
        if not np.isnan(shift):
            return with_unit(shift, decimals_for_width(shift), self.unit)
        return "nobody left" if left == 0 else f"not up to {with_unit(limit, decimals_for_width(limit), self.unit)}"


def filled_in_of_study(study: Study, *, mdc: MdcBeside | None = None, people: PeopleByVisit | None = None) -> FilledIn:
    """Fill in missing visits of the primary measure, answer the question, and find its tipping points.

    Args:
        study: the checked study, a trial or an audit.
        mdc: the MDC of the primary measure.
        people: `people_by_visit(study)`, where it is at hand.

    Raises:
        DesignError: nobody is missing at the primary visit or the baseline, or too few were measured to predict from.
        FitError: the prediction model was not found.
    """
    whole = people if people is not None else people_by_visit(study)
    readings = whole.readings
    labels = {visit.key: visit.label for visit in readings.visits}
    missing = whole.left | np.isnan(whole.baseline)
    if not missing.any():
        raise DesignError(
            f"Everybody was measured at {labels[readings.baseline]} and at {labels[readings.primary_visit]}, so "
            "nothing has to be filled in."
        )
    seed, count = study.protocol.analysis.seed, study.protocol.analysis.imputations
    completed = completed_visits(whole, count=count, seed=seed)
    sign = wording.sign_of_worse(study.protocol.measures[readings.measure].better)
    confidence = study.protocol.study.confidence
    arms = tuple(
        tipping_of_arm(whole, completed, question, sign=sign, confidence=confidence) for question in questions(whole)
    )
    return FilledIn(
        key=f"filled_in.{readings.measure}",
        title="What if those who left did worse?",
        headline=wording.headline(study, whole, arms, mdc),
        cautions=wording.cautions(study, whole, arms),
        methods=wording.methods(study, whole, completed, PLAUSIBLE_SDS),
        provenance=study.provenance(seed=seed),
        study=study,
        people=whole,
        arms=arms,
        sign=sign,
        mdc=mdc,
    )
