"""The power of the planned trial and of other plans, calculated and simulated, as answers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.change.terms import FEWEST_WEEKS_FOR_SLOPES
from studykit.formatting import NO_BREAK, counted, percent, with_unit
from studykit.pictures.power import plans_picture, power_curve_picture
from studykit.pictures.theme import Drawing
from studykit.planning.calculated import ArmPower, arm_looked_at, model_power
from studykit.planning.plan import TrialPlan
from studykit.planning.running import SimulatedPower
from studykit.planning.words import (
    amount,
    comparison_words,
    losses_words,
    measured_words,
    planned_mdc,
    quoted,
    share_with_interval,
)
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
        """`<arm>.<column>` for every number of the frame, participants, and how many trials were simulated."""
        frame = self.to_frame().set_index("arm")
        named = {f"{arm}.{name}": float(frame.loc[arm, name]) for arm in frame.index for name in frame.columns}
        return {
            **named,
            "participants": float(self.plan.participants),
            "trials_simulated": float(self.simulated.trials),
            "trials_fitted": float(self.simulated.fitted),
            "trials_without_effect": float(self.without_effect.trials),
        }

    def table(self) -> Table:
        """One row an arm."""
        rows = tuple(
            (
                self.plan.arms[row.arm],
                amount(row.effect, self.plan.unit),
                percent(row.power, 1),
                share_with_interval(*shares),
                share_with_interval(*alarms),
            )
            for row, shares, alarms in zip(
                self.calculated, _triples(self.simulated), _triples(self.without_effect), strict=False
            )
        )
        s = self.simulated
        return Table(
            "planning_power",
            f"Power of the planned trial with {counted(self.plan.participants, 'participant')}",
            (
                Column("Arm against control", "left"),
                Column("Difference supposed"),
                Column("Power, calculated"),
                Column("Power, simulated"),
                Column("Alarms without any difference"),
            ),
            rows,
            (
                f"Simulated: {counted(s.trials, 'trial')}, {s.fitted} fitted"
                f"{'' if s.narrow else ' (stopped before the interval was as narrow as wished)'}; without a "
                f"difference: {counted(self.without_effect.trials, 'trial')}. In brackets the 95% Monte Carlo "
                "interval.",
                f"At a visit: {measured_words(self.plan)}. {losses_words(self.plan)}",
                *self._careful_analysis(),
            ),
        )

    def _careful_analysis(self) -> tuple[str, ...]:
        """A note where the analysis looks for slopes."""
        if len(set(self.plan.weeks)) < FEWEST_WEEKS_FOR_SLOPES:
            return ()
        return (
            "Where people change almost alike the simulated power lies a few points below the calculated: the analysis "
            "cannot know it, and allows for people who change at different rates. Trust the simulated one.",
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


@dataclass(frozen=True, kw_only=True)
class PowerOfOtherPlans(Result):
    """Power of plans that differ from the planned one in one thing.

    Attributes:
        plan: the plan of the protocol.
        labels: what differs, for each plan.
        calculated, simulated: power of the arm with the smallest power, and the whole simulation.
    """

    plan: TrialPlan = field(repr=False)
    labels: tuple[str, ...] = field(repr=False)
    calculated: tuple[ArmPower, ...] = field(repr=False)
    simulated: tuple[SimulatedPower, ...] = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a plan: what differs, participants, trials, raters, visits, calculated and simulated power."""
        lines = []
        for label, calculated, simulated in zip(self.labels, self.calculated, self.simulated, strict=True):
            plan, at = simulated.plan, list(simulated.plan.treated).index(calculated.arm)
            lines.append(
                {
                    "plan": label,
                    "arm": calculated.arm,
                    "participants": plan.participants,
                    "visits": len(plan.visits),
                    "trials": plan.trials,
                    "raters": plan.raters,
                    "power_calculated": calculated.power,
                    "power_simulated": simulated.power[at],
                    "power_low": simulated.low[at],
                    "power_high": simulated.high[at],
                    "trials_simulated": simulated.trials,
                    "trials_fitted": simulated.fitted,
                }
            )
        return pd.DataFrame(lines)

    def numbers(self) -> dict[str, float]:
        """`<plan>.<column>` for every number of the frame; plans are called by what differs."""
        kept = [name for name in self.to_frame().columns if name not in ("plan", "arm")]
        return {
            f"{row['plan'].replace(' ', '_').replace(',', '')}.{name}": float(row[name])
            for _, row in self.to_frame().iterrows()
            for name in kept
        }

    def table(self) -> Table:
        """One row a plan."""
        rows = tuple(
            (
                row.plan,
                str(row.participants),
                str(row.visits),
                str(row.trials),
                str(row.raters),
                percent(row.power_calculated, 1),
                share_with_interval(row.power_simulated, row.power_low, row.power_high),
                str(row.trials_simulated),
            )
            for row in self.to_frame().itertuples()
        )
        heads = ("Participants", "Visits", "Trials", "Raters", "Calculated", "Simulated", "Trials simulated")
        return Table(
            "planning_other_plans",
            "Power of other plans, each different in one thing",
            (Column("What differs", "left"), *(Column(head) for head in heads)),
            rows,
            (
                "Of several arms the one with the smallest power in the planned trial is shown. In brackets the 95% "
                "Monte Carlo interval. All plans are simulated from the same random numbers.",
                *self._only_close(),
            ),
        )

    def _only_close(self) -> tuple[str, ...]:
        """A note where the calculation takes slopes for something that they are not quite."""
        slopes = self.plan.spreads.slope > 0.0 or self.plan.spreads.further_slope > 0.0
        if slopes and any(len(one.plan.visits) == 2 for one in self.simulated):
            return (
                "With two visits the model has no slopes, so that the calculated power is only close; trust the "
                "simulated one.",
            )
        return ()

    def figure(self) -> Drawing:
        """One row a plan."""
        frame = self.to_frame()
        return plans_picture(
            pd.DataFrame(
                {
                    "label": frame["plan"],
                    "calculated": frame["power_calculated"],
                    "simulated": frame["power_simulated"],
                    "low": frame["power_low"],
                    "high": frame["power_high"],
                }
            ),
            measure=self.plan.measure,
            wanted=self.plan.power,
        )


def power_headline(plan: TrialPlan, calculated: tuple[ArmPower, ...], simulated: SimulatedPower) -> str:
    """The answer in a sentence: the smallest power of an arm, with its Monte Carlo interval, beside the MDC."""
    looked_at = arm_looked_at(calculated)
    at = list(plan.treated).index(looked_at.arm)
    share = share_with_interval(
        simulated.power[at], simulated.low[at], simulated.high[at], f"95%{NO_BREAK}Monte Carlo interval "
    )
    several = " (the arm with the smallest power)" if len(plan.treated) > 1 else ""
    arms = f"{quoted(plan.arms[looked_at.arm])} and {quoted(plan.arms[plan.control])}{several}"
    return (
        f"With {counted(plan.participants, 'participant')} the trial finds a difference of "
        f"{amount(looked_at.effect, plan.unit)} between {arms} with a power of "
        f"{share}; {percent(plan.power)} was wished for. The minimal detectable change of one person would be "
        f"{with_unit(planned_mdc(plan), 1, plan.unit)}."
    )


def power_methods(plan: TrialPlan, simulated: SimulatedPower) -> str:
    """What was computed and how, for a paper."""
    return (
        f"Power is that of the difference from the control arm at {plan.visits[plan.primary].label}, "
        f"{comparison_words(plan)}, in the mixed model of the analysis (constrained baseline, random terms from the "
        "design) with Kenward–Roger tests. Calculated: noncentral t at the planned variances (Stroup 2002). Simulated: "
        f"{simulated.trials} trials drawn from the planned means and variances, people leaving at random, each fitted "
        f"by REML and tested; seed {simulated.seed}."
    )


def _triples(simulated: SimulatedPower) -> list[tuple[float, float, float]]:
    return list(zip(simulated.power, simulated.low, simulated.high, strict=True))


def _around(plan: TrialPlan) -> set[int]:
    """Numbers of participants around the planned one at which the curve is drawn."""
    least = 2 * len(plan.arms) + 2
    spread = np.linspace(max(least, 0.4 * plan.participants), 1.6 * plan.participants, CURVE_POINTS)
    return {int(participants) for participants in spread}
