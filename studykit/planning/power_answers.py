"""The power of the planned trial, calculated and simulated, as an answer."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.formatting import counted, percent
from studykit.pictures.power import power_curve_picture
from studykit.pictures.theme import Drawing
from studykit.planning.calculated import ArmPower, arm_looked_at, model_power
from studykit.planning.plan import TrialPlan
from studykit.planning.power_words import TWO_WAYS, how_they_agree, several_notes, which_to_go_by
from studykit.planning.running import SimulatedPower
from studykit.planning.words import amount, losses_words, measured_words, share_with_interval
from studykit.result import Result
from studykit.table import Column, Table

CURVE_POINTS = 9


@dataclass(frozen=True, kw_only=True)
class PlannedPower(Result):
    """Power of every arm of the planned trial, and of the test when nothing differs.

    Attributes:
        plan: the plan.
        calculated: power of each treated arm at the planned variances.
        simulated: the same, simulated; without_effect: when no arm differs from the control arm.
        others: simulated power of plans that differ in their number of participants alone.
    """

    plan: TrialPlan = field(repr=False)
    calculated: tuple[ArmPower, ...] = field(repr=False)
    simulated: SimulatedPower = field(repr=False)
    without_effect: SimulatedPower = field(repr=False)
    others: tuple[SimulatedPower, ...] = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row an arm: planned difference, standard error, df, calculated and simulated power, false alarms."""
        unit, s, arms = self.plan.unit, self.simulated, len(self.calculated)
        return pd.DataFrame(
            {
                "arm": [power.arm for power in self.calculated],
                f"difference_{unit}": [power.effect for power in self.calculated],
                f"std_error_{unit}": [power.std_error for power in self.calculated],
                "df": [power.df for power in self.calculated],
                "power_calculated": [power.power for power in self.calculated],
                "power_simulated": s.power[:arms],
                "power_low": s.low[:arms],
                "power_high": s.high[:arms],
                f"mean_estimate_{unit}": s.estimate,
                f"mean_std_error_{unit}": s.std_error,
                "mean_df": s.df,
                "false_alarms": self.without_effect.power[:arms],
                "false_alarms_low": self.without_effect.low[:arms],
                "false_alarms_high": self.without_effect.high[:arms],
            }
        )

    def numbers(self) -> dict[str, float]:
        """`<arm>.<column>` for every number of the frame, participants, and how many trials were simulated.

        With several arms also `of_several.any.` and `of_several.all.` with `power_simulated`, its limits, and
        `false_alarms` where nothing differs.
        """
        frame = self.to_frame().set_index("arm")
        named = {f"{arm}.{name}": float(frame.loc[arm, name]) for arm in frame.index for name in frame.columns}
        for place, which in enumerate(("any", "all")[: len(self.simulated.power) - len(frame)], start=len(frame)):
            named |= {
                f"of_several.{which}.power_simulated": self.simulated.power[place],
                f"of_several.{which}.power_low": self.simulated.low[place],
                f"of_several.{which}.power_high": self.simulated.high[place],
                f"of_several.{which}.false_alarms": self.without_effect.power[place],
            }
        return {
            **named,
            "participants": float(self.plan.participants),
            "trials_simulated": float(self.simulated.trials),
            "trials_fitted": float(self.simulated.fitted),
            "trials_without_effect": float(self.without_effect.trials),
        }

    def table(self) -> Table:
        """One row an arm; with several, any and all of them below."""
        triples, alarms = _triples(self.simulated), _triples(self.without_effect)
        rows = [
            (
                self.plan.arms[row.arm],
                amount(row.effect, self.plan.unit),
                percent(row.power, 1),
                share_with_interval(*triple),
                share_with_interval(*alarm),
            )
            for row, triple, alarm in zip(self.calculated, triples, alarms, strict=False)
        ]
        arms = len(self.calculated)
        if arms > 1:
            which = " that differs" if any(row.effect == 0.0 for row in self.calculated) else ""
            at_least, every = share_with_interval(*triples[arms]), share_with_interval(*triples[arms + 1])
            rows.append((f"any arm{which}", "", "", at_least, share_with_interval(*alarms[arms])))
            rows.append((f"every arm{which}", "", "", every, ""))
        s, looked_at = self.simulated, arm_looked_at(self.calculated)
        at = list(self.plan.treated).index(looked_at.arm)
        return Table(
            "planning_power",
            f"Power of the planned trial with {counted(self.plan.participants, 'participant')}",
            (
                Column("Arm against control", "left"),
                Column("Difference supposed"),
                Column("Power, calculated"),
                Column("Power, simulated"),
                Column("Found where nothing differs"),
            ),
            tuple(rows),
            (
                TWO_WAYS,
                f"{which_to_go_by(self.plan)} {how_they_agree(looked_at, *triples[at])}",
                *several_notes(self.plan),
                f"Simulated: {counted(s.trials, 'trial')}, {s.fitted} fitted"
                f"{'' if s.narrow else ' (stopped before the interval was as narrow as wished)'}; without a "
                f"difference: {counted(self.without_effect.trials, 'trial')}. In brackets the 95% Monte Carlo "
                "interval.",
                f"At a visit: {measured_words(self.plan)}. {losses_words(self.plan)}",
            ),
        )

    def figure(self) -> Drawing:
        """Power against participants: as calculated, and as simulated where it was."""
        looked_at = arm_looked_at(self.calculated).arm
        at = list(self.plan.treated).index(looked_at)
        simulated = {one.plan.participants: one for one in (self.simulated, *self.others)}
        numbers = sorted({*simulated, *_around(self.plan)})
        lines = []
        for participants in numbers:
            trying = self.plan.with_participants(participants)
            one = simulated.get(participants)
            lines.append(
                {
                    "participants": participants,
                    "calculated": model_power(trying)[at].power,
                    "simulated": one.power[at] if one else np.nan,
                    "low": one.low[at] if one else np.nan,
                    "high": one.high[at] if one else np.nan,
                }
            )
        return power_curve_picture(
            pd.DataFrame(lines), measure=self.plan.measure, wanted=self.plan.power, planned=self.plan.participants
        )


def _triples(simulated: SimulatedPower) -> list[tuple[float, float, float]]:
    return list(zip(simulated.power, simulated.low, simulated.high, strict=True))


def _around(plan: TrialPlan) -> set[int]:
    """Numbers of participants around the planned one at which the curve is drawn."""
    least = 2 * len(plan.arms) + 2
    spread = np.linspace(max(least, 0.4 * plan.participants), 1.6 * plan.participants, CURVE_POINTS)
    return {int(participants) for participants in spread}
