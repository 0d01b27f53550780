"""One therapist's differences from the others as a chart, and their mean with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.numerics.control_chart import IndividualsChart, individuals_chart
from studykit.numerics.intervals import t_quantile, tails


@dataclass(frozen=True, slots=True)
class AgainstOthers:
    """One therapist's chart.

    Attributes:
        chart: individual values and moving ranges about zero, in the unit of the measure.
        people: whose visits they are.
        mean, mean_low, mean_high: mean difference with its interval, people as units.
        runs: how often `RUN_LENGTH` values or more in a row lie on one side of zero.
    """

    chart: IndividualsChart
    people: int
    mean: float
    mean_low: float
    mean_high: float
    runs: int

    @property
    def beyond(self) -> int:
        """Values outside the limits."""
        return int(self.chart.beyond.sum())

    @property
    def jumps(self) -> int:
        """Moving ranges above their limit."""
        return int(self.chart.range_beyond.sum())

    @property
    def signals(self) -> bool:
        """Whether the chart asks for a look: a value outside the limits, or a run. A jump alone does not."""
        return self.beyond > 0 or self.runs > 0


def against_others(own: pd.DataFrame, confidence: float) -> AgainstOthers:
    """The chart of one therapist.

    Args:
        own: `participant_id`, `difference` (reading less expected), in the order of time.
        confidence: level of the interval of the mean.
    """
    chart = individuals_chart(own["difference"].to_numpy(dtype=float), centre=0.0)
    people = own.groupby("participant_id", sort=True)["difference"].mean().to_numpy(dtype=float)
    mean = float(people.mean())
    reach = float(t_quantile(tails(confidence)[1], len(people) - 1)) * float(people.std(ddof=1) / np.sqrt(len(people)))
    starts = chart.in_a_run & ~np.concatenate([[False], chart.in_a_run[:-1]])
    return AgainstOthers(chart, len(people), mean, mean - reach, mean + reach, int(starts.sum()))
