"""What each person did, split into an own steady pace and the departures from it.

With done_it what person i has done up to time t (cumulated),

    done_it = a_i + pace_i t + deviation_it

by least squares within the person. The pace tells people apart; the deviation compares a person's busier stretches of
time with the same person's idler ones. Deviations are orthogonal to 1 and t within every person, so that whatever makes
people differ in their level or in a steady change over time (a trait that drives both practice and drift, say) cannot
enter a slope on them. That is the within-person comparison of fixed effects for a course over time (Mundlak 1978,
Econometrica 46, 69–85, for splitting a covariate; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import CallError


@dataclass(frozen=True, slots=True)
class OwnPace:
    """Pace and departures.

    Attributes:
        pace: (g,) amount a unit of time of each person; nan for somebody seen at one time only.
        deviation: (n,) what had been done beyond the own pace; exactly zero for somebody seen at two times.
    """

    pace: np.ndarray
    deviation: np.ndarray


def own_pace(person: np.ndarray, time: np.ndarray, done: np.ndarray) -> OwnPace:
    """Split what was done up to each time.

    Args:
        person: (n,) integers 0 .. g - 1, one row a person and time.
        time: (n,) since the start.
        done: (n,) cumulated up to then.

    Raises:
        CallError: shapes that do not fit each other.
    """
    if not person.shape == time.shape == done.shape:
        raise CallError(f"person, time and done have shapes {person.shape}, {time.shape} and {done.shape}.")
    count = np.bincount(person)
    mean_time, mean_done = (np.bincount(person, values) / count for values in (time, done))
    later, more = time - mean_time[person], done - mean_done[person]
    spread = np.bincount(person, later**2)
    together = np.bincount(person, later * more)
    pace = np.divide(together, spread, out=np.full(len(count), np.nan), where=spread > 0.0)
    deviation = more - np.nan_to_num(pace)[person] * later
    return OwnPace(pace, np.where(count[person] > 2, deviation, 0.0))
