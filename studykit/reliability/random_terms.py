"""Which random terms ratings can tell apart: persons, limbs, raters, sessions and what crosses them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from studykit.errors import DesignError
from studykit.reliability.labels import Codes
from studykit.reliability.ratings import Ratings

PARTICIPANT: Final = "participant"
LIMB: Final = "limb"
RATER: Final = "rater"
SESSION: Final = "session"
TRIAL: Final = "trial"
VALUE: Final = "value"
OBJECTS: Final = (PARTICIPANT, LIMB)
OWN: Final = "own"
SHARED: Final = "shared"
SESSIONS: Final = (OWN, SHARED)

Facets = tuple[str, ...]


def people_of(ratings: Ratings) -> int:
    """Persons behind the targets."""
    return len(ratings.targets) if ratings.cluster is None else len(np.unique(ratings.cluster))


def readings_of_a_cell(ratings: Ratings) -> int:
    """Most values that one rater gave one target in one session."""
    cells = ratings.target * len(ratings.raters) + ratings.rater
    if ratings.trial is not None:
        cells = cells * (int(ratings.trial.max()) + 1) + ratings.trial
    return int(np.bincount(cells).max())


def random_facets(ratings: Ratings, sessions: str) -> list[Facets]:
    """Facets of every term, the residual's last. A term is there when one of its levels holds several values.

    Args:
        ratings: with sessions as their trials where there are sessions.
        sessions: "own" (each person came on days of his own: sessions lie within persons) or "shared" (all were
            measured in the same sessions, which may shift everybody).

    Raises:
        DesignError: nothing was repeated, or there is one session.
    """
    if len(ratings.raters) < 2 and int(ratings.counts.max()) < 2:
        raise DesignError("No target was rated twice: there is nothing to compare. Repeat the measurement.")
    limbs = ratings.cluster is not None and people_of(ratings) < len(ratings.targets)
    whole: Facets = OBJECTS if limbs else (PARTICIPANT,)
    several = len(ratings.raters) > 1
    facets: list[Facets] = [(PARTICIPANT,)]
    if limbs:
        facets.append(whole)
    if several:
        facets.append((RATER,))
        if int(ratings.counts.max()) > 1:
            facets.append((*whole, RATER))
    if ratings.trial is not None:
        facets += _of_sessions(ratings, whole, several=several, shared=sessions == SHARED)
    raters = (RATER,) if several else ()
    days = (SESSION,) if ratings.trial is not None else ()
    return [*facets, (*whole, *raters, *days, TRIAL)]


def codes_of(ratings: Ratings) -> Mapping[str, Codes]:
    """Facet -> the level of each value."""
    owner = np.arange(len(ratings.targets)) if ratings.cluster is None else ratings.cluster
    return {
        PARTICIPANT: owner[ratings.target],
        LIMB: ratings.target,
        RATER: ratings.rater,
        SESSION: np.zeros_like(ratings.target) if ratings.trial is None else ratings.trial,
    }


def labelled(ratings: Ratings) -> pd.DataFrame:
    """The ratings as a frame for the mixed model: one column a facet, and the value."""
    codes = {name: [f"{name[0]}{code}" for code in levels] for name, levels in codes_of(ratings).items()}
    return pd.DataFrame({**codes, VALUE: ratings.values})


def _of_sessions(ratings: Ratings, whole: Facets, *, several: bool, shared: bool) -> list[Facets]:
    """What belongs to a day: of a person, of a limb, and, where sessions are shared, of everybody and of a rater."""
    days = np.asarray(ratings.trial)
    count = int(days.max()) + 1
    if count < 2:
        raise DesignError("There is one session: day-to-day error needs two. Leave session= out, or measure again.")
    facets: list[Facets] = [(SESSION,)] if shared else []
    person = codes_of(ratings)[PARTICIPANT]
    if len(whole) > 1 and int(np.bincount(person * count + days).max()) > 1:
        facets.append((PARTICIPANT, SESSION))
    if int(np.bincount(ratings.target * count + days).max()) > 1:
        facets.append((*whole, SESSION))
    if several and shared:
        facets.append((RATER, SESSION))
    if several and readings_of_a_cell(ratings) > 1:
        facets.append((*whole, RATER, SESSION))
    return facets
