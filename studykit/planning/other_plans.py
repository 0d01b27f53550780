"""The power of plans that differ from the planned one in one thing, as an answer."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from studykit.formatting import percent
from studykit.pictures.power import plans_picture
from studykit.pictures.theme import Drawing
from studykit.planning.calculated import ArmPower
from studykit.planning.plan import TrialPlan
from studykit.planning.power_words import which_to_go_by
from studykit.planning.running import SimulatedPower
from studykit.planning.words import share_with_interval
from studykit.result import Result
from studykit.table import Column, Table


@dataclass(frozen=True, kw_only=True)
class PowerOfOtherPlans(Result):
    """Power of plans that differ from the planned one in one thing.

    Attributes:
        plan: the plan of the protocol.
        labels: what differs, for each plan.
        calculated, simulated: power of the arm with the smallest calculated power, and the whole simulation.
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
                percent(row.power_calculated, 1),
                share_with_interval(row.power_simulated, row.power_low, row.power_high),
            )
            for row in self.to_frame().itertuples()
        )
        return Table(
            "planning_other_plans",
            "Power of other plans, each different in one thing",
            (
                Column("What differs", "left"),
                Column("Participants"),
                Column("Power, calculated"),
                Column("Power, simulated"),
            ),
            rows,
            (
                *self._which_to_go_by(),
                f"{self._of_which_arm()}In brackets the 95% Monte Carlo interval. All plans are simulated from the "
                "same random numbers.",
            ),
        )

    def _of_which_arm(self) -> str:
        if len(self.plan.treated) == 1:
            return ""
        return f"Shown is the arm {self.plan.arms[self.calculated[0].arm]}, as in the headline of the planned trial. "

    def _which_to_go_by(self) -> tuple[str, ...]:
        """What the other plans ask for, where it is not what the planned trial asks for."""
        own = which_to_go_by(self.plan)
        sentences: dict[str, str] = {}
        for label, one in zip(self.labels, self.simulated, strict=True):
            sentence = which_to_go_by(one.plan)
            if sentence != own:
                sentences.setdefault(sentence, label)
        return tuple(f"{label}: {sentence[0].lower()}{sentence[1:]}" for sentence, label in sentences.items())

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
