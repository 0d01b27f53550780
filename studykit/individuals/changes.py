"""The change of each participant at the primary visit, beside the MDC of what was averaged for that participant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from studykit.change import MdcBeside
from studykit.change.readings import ChangeReadings
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted
from studykit.protocol import Measure

BOTH_LIMBS: Final = 2
_FOR_BETTER: Final = {"improved": "Improved", "within": "Within the MDC", "worsened": "Worsened"}
_FOR_NEITHER: Final = {"went_up": "Went up", "within": "Within the MDC", "went_down": "Went down"}


@dataclass(frozen=True, slots=True)
class PersonChanges:
    """Everybody with a reading both at the baseline and at the primary visit.

    Attributes:
        people: one row a participant: `participant_id`, `arm` (key), `limbs` (1 or 2), `baseline` and `change` (means
            over the limbs read at both visits, in the unit of the measure), `mdc` (nan where there is none), `beside`
            (a key of `outcomes`, "" without an MDC); sorted by participant.
        arms: arm key -> label, in the order of the protocol, arms that are large enough to be shown.
        small: labels of arms with fewer people than the protocol lets be shown.
        smallest: that number.
        control: key of the control arm where it is large enough, else None.
        outcomes: key -> words of the three places beside the MDC, the better first.
        direction: +1 where a higher reading is better or neither is, -1 where a lower one is.
        not_measured: arm key -> participants of the arm without both readings.
        mean_of_both_limbs: True when the MDC of most people is that of the mean of both limbs.
    """

    people: pd.DataFrame
    arms: dict[str, str]
    small: tuple[str, ...]
    smallest: int
    control: str | None
    outcomes: dict[str, str]
    direction: float
    not_measured: dict[str, int]
    mean_of_both_limbs: bool

    def of_arm(self, arm: str) -> pd.DataFrame:
        """The people of one arm."""
        return self.people[self.people["arm"] == arm]

    @property
    def shown(self) -> pd.DataFrame:
        """The people of arms that are large enough."""
        return self.people[self.people["arm"].isin(list(self.arms))]

    @property
    def has_mdc(self) -> bool:
        """True when everybody has an MDC."""
        return bool(self.people["mdc"].notna().all())

    @property
    def usual_mdc(self) -> float:
        """The MDC of most people, nan without one."""
        return float(self.people["mdc"].median())

    def small_note(self) -> tuple[str, ...]:
        """A sentence about groups that are not shown; nothing when all are."""
        if not self.small:
            return ()
        return (
            f"{counted(len(self.small), 'group')} of fewer than {self.smallest} people with both readings "
            f"{'is' if len(self.small) == 1 else 'are'} not shown.",
        )


def changes_of_people(
    study: Study, readings: ChangeReadings, mdc: MdcBeside | None, mdc_both_limbs: MdcBeside | None
) -> PersonChanges:
    """Change of each participant: mean over the limbs that were read at both visits.

    The MDC is that of the mean of both limbs for people read on both sides, where it is known, else that of one limb,
    which is the larger and so errs on the side of "within".

    Raises:
        DesignError: no group is as large as the protocol asks for before people may be shown.
    """
    measure = study.protocol.measures[readings.measure]
    people = _one_row_a_person(readings)
    people = people.assign(mdc=_mdc_of(people["limbs"], mdc, mdc_both_limbs))
    direction = -1.0 if measure.better == "lower" else 1.0
    outcomes = _FOR_NEITHER if measure.better == "neither" else _FOR_BETTER
    people = people.assign(beside=_beside(people, direction, list(outcomes)))
    smallest = study.protocol.privacy.smallest_group
    size = people["arm"].value_counts()
    arms = {arm: label for arm, label in readings.arms.items() if size.get(arm, 0) >= smallest}
    if not arms:
        raise DesignError(
            f"No group has {smallest} people with a reading at both visits, the fewest that the protocol lets be shown "
            "person by person."
        )
    began = readings.rows.groupby("arm")["participant_id"].nunique()
    return PersonChanges(
        people=people,
        arms=arms,
        small=tuple(label for arm, label in readings.arms.items() if arm not in arms),
        smallest=smallest,
        control=readings.control if readings.control in arms else None,
        outcomes=outcomes,
        direction=direction,
        not_measured={arm: int(began.get(arm, 0) - size.get(arm, 0)) for arm in arms},
        mean_of_both_limbs=mdc_both_limbs is not None and float(people["limbs"].median()) == BOTH_LIMBS,
    )


def direction_words(measure: Measure) -> str:
    """Which way is better, for a note below a table."""
    if measure.better == "neither":
        return "Neither direction is better for this measure."
    return f"{measure.better.capitalize()} readings are better."


def _one_row_a_person(readings: ChangeReadings) -> pd.DataFrame:
    keys = ["participant_id", "arm", "side"]
    wide = readings.rows.groupby([*keys, "visit"], sort=True)["value"].mean().unstack("visit")
    both = wide[[readings.baseline, readings.primary_visit]].dropna()
    limbs = pd.DataFrame(
        {
            "baseline": both[readings.baseline],
            "change": both[readings.primary_visit] - both[readings.baseline],
        }
    )
    people = limbs.groupby(["participant_id", "arm"], sort=True)
    return people.agg(limbs=("change", "size"), baseline=("baseline", "mean"), change=("change", "mean")).reset_index()


def _mdc_of(limbs: pd.Series, mdc: MdcBeside | None, both: MdcBeside | None) -> np.ndarray:
    one = mdc.value if mdc is not None else np.nan
    return np.where(limbs.to_numpy() == BOTH_LIMBS, both.value if both is not None else one, one)


def _beside(people: pd.DataFrame, direction: float, outcomes: list[str]) -> np.ndarray:
    better, within, worse = outcomes
    change, mdc = direction * people["change"].to_numpy(dtype=float), people["mdc"].to_numpy(dtype=float)
    placed = np.where(change > mdc, better, np.where(change < -mdc, worse, within))
    return np.where(np.isnan(mdc), "", placed)
