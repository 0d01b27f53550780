"""How much of one visit's value is error, by the visits of the study itself: from the variances of the change model."""

from __future__ import annotations

from dataclasses import dataclass

from scipy import stats

from studykit.change.model import ChangeModel
from studykit.change.readings import ChangeReadings
from studykit.change.terms import TERM_WORDS

_LASTING = (("participant_id",), ("participant_id", "side"))
"""Terms of what a person brings to every visit; everything else differs from visit to visit."""


@dataclass(frozen=True, slots=True)
class VisitError:
    """Variances of a participant's value at one visit, the mean over the limbs; unit: that of the measure, squared.

    Attributes:
        lasting: what differs between people and stays.
        passing: what differs between visits of an unchanged person: day, limb and day, rater, reading.
    """

    lasting: float
    passing: float

    @property
    def reliability(self) -> float:
        """Correlation of two visits of unchanged people, each by a rater of its own."""
        return self.lasting / (self.lasting + self.passing)

    def share_beyond(self, mdc: float) -> float:
        """Share of unchanged people whose two visits differ by more than an MDC."""
        return float(2.0 * stats.norm.sf(mdc / (2.0 * self.passing) ** 0.5)) if self.passing > 0.0 else 0.0


def visit_error(readings: ChangeReadings, model: ChangeModel) -> VisitError | None:
    """Split the variance of a visit into what stays and what passes.

    Each variance is divided by how many of its levels a usual visit of one person averages over (2 limbs, say). None
    for a model without slopes: there a person's visits differ by error and by change alike, and cannot be told apart.
    """
    if not model.slopes:
        return None
    one_visit = ["participant_id", "visit"]
    lasting = passing = 0.0
    for columns, words in TERM_WORDS.items():
        if words not in model.variances:
            continue
        distinct = readings.rows.drop_duplicates(list(dict.fromkeys([*one_visit, *columns])))
        levels = float(distinct.groupby(one_visit).size().median())
        if columns in _LASTING:
            lasting += model.variances[words] / levels
        else:
            passing += model.variances[words] / levels
    passing += model.variances["residual"] / float(readings.rows.groupby(one_visit).size().median())
    return VisitError(lasting, passing)
