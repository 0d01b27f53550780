"""Where does the error come from? Variance components of a plain frame, each with a plain name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import check_confidence
from studykit.numerics.anova import crossed_mean_squares, two_way_mean_squares
from studykit.numerics.components import (
    Component,
    crossed_components,
    one_way_components,
    two_way_components,
)
from studykit.reliability.coefficient import table_cautions
from studykit.reliability.ratings import Complete, Names, Ratings, crossed, one_way, read_ratings, two_way

PLAIN_NAMES = {
    ("target",): "participants",
    ("participant",): "participants",
    ("participant", "limb"): "limbs within participants",
    ("rater",): "raters",
    ("target", "rater"): "participant by rater",
    ("participant", "rater"): "participant by rater",
    ("participant", "limb", "rater"): "limb by rater",
    ("session",): "sessions",
    ("target", "session"): "participant by session",
    ("rater", "session"): "rater by session",
    ("target", "trial"): "readings of one participant",
    ("target", "rater", "trial"): "trials (rest)",
    ("participant", "trial"): "readings of one participant",
    ("participant", "limb", "trial"): "readings of one limb",
    ("participant", "rater", "trial"): "trials (rest)",
    ("participant", "limb", "rater", "trial"): "trials (rest)",
    ("participant", "session"): "participant by session",
    ("participant", "limb", "session"): "limb by session",
    ("participant", "rater", "session"): "participant by rater by session",
    ("participant", "limb", "rater", "session"): "limb by rater by session",
    ("participant", "session", "trial"): "trials (rest)",
    ("participant", "limb", "session", "trial"): "trials (rest)",
    ("participant", "rater", "session", "trial"): "trials (rest)",
    ("participant", "limb", "rater", "session", "trial"): "trials (rest)",
}


@dataclass(frozen=True, slots=True)
class NamedComponent:
    """One variance component.

    Attributes:
        facets: what it belongs to, such as ("rater",); the key that a decision study takes.
        name: plain name.
        variance, low, high: in the unit of the measure, squared; never below 0; limits nan where `reason` says why.
        sd: root of the variance, in the unit of the measure.
        share: of the sum of all components; nan when that sum is 0.
        raw: the estimate before a negative one became 0.
        reason: empty when nothing needs saying.
    """

    facets: tuple[str, ...]
    name: str
    variance: float
    low: float
    high: float
    sd: float
    share: float
    raw: float
    reason: str


@dataclass(frozen=True, slots=True)
class ComponentsAnswer:
    """All components of one design.

    Attributes:
        components: targets first, rest last.
        objects: facets that make up the object of measurement.
        method: how they were estimated, in words.
        targets, people, raters, trials: what they were computed from (trials 1 where there was one a cell).
        left_out, cautions: as in `IccAnswer`.
    """

    components: tuple[NamedComponent, ...]
    objects: tuple[str, ...]
    method: str
    targets: int
    people: int
    raters: int
    trials: int
    confidence: float
    left_out: tuple[str, ...]
    cautions: tuple[str, ...]

    def variances(self) -> dict[tuple[str, ...], float]:
        """Facets -> variance, as `decision_study` uses them."""
        return {part.facets: part.variance for part in self.components}

    def to_frame(self) -> pd.DataFrame:
        """One row a component: name, variance, low, high, sd, share, raw."""
        names = ("name", "variance", "low", "high", "sd", "share", "raw")
        return pd.DataFrame([{name: getattr(part, name) for name in names} for part in self.components])


def variance_components(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    cluster: str | None = None,
    confidence: float = 0.95,
    complete: bool = False,
    raters: Sequence[str] | None = None,
) -> ComponentsAnswer:
    """Components of targets, raters, their interaction and trials by analysis of variance.

    What can be told apart follows from the frame: repeated trials in every cell give four components; one value a
    cell gives three (interaction and trial together); raters who shared no target give two. Where ratings have gaps or
    were spread over several sessions, `incomplete(..., session=...)` has the components, by REML.

    Args:
        frame, target, rater, value, cluster, confidence, complete, raters: as in `icc`.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    ratings = read_ratings(frame, target=target, rater=rater, value=value, cluster=cluster, raters=raters)
    table, parts = _by_design(ratings, complete, confidence)
    trials = int(table.array.shape[2]) if table.array.ndim == 3 else 1
    said = table_cautions(table)[:1] if table.left_out else []
    if table.cluster is not None:
        said.append(
            "Limbs were taken as the targets: what differs between the limbs of a person is part of the targets' "
            "spread, and the intervals take limbs as independent; the mixed model separates them."
        )
    if any(part.raw < 0.0 for part in parts):
        said.append("A component with a negative estimate is shown as 0: the data do not show that it exists.")
    return ComponentsAnswer(
        components=tuple(named(part) for part in parts),
        objects=("target",),
        method="analysis of variance",
        targets=len(table.array),
        people=table.people,
        raters=len(ratings.raters),
        trials=trials,
        confidence=confidence,
        left_out=table.left_out,
        cautions=tuple(said),
    )


def named(part: Component) -> NamedComponent:
    """A component with its plain name and, where its estimate was negative, the reason for the 0."""
    name = PLAIN_NAMES.get(part.facets, " by ".join(part.facets))
    reason = "negative estimate, shown as 0" if part.raw < 0.0 else ""
    if np.isnan(part.share):
        reason = "no spread of any kind, the share is 0/0"
    return NamedComponent(
        part.facets,
        name,
        part.variance,
        part.low,
        part.high,
        float(np.sqrt(part.variance)),
        part.share,
        part.raw,
        reason,
    )


def _by_design(ratings: Ratings, complete: bool, confidence: float) -> tuple[Complete, tuple[Component, ...]]:
    counts = ratings.counts
    shared = len(ratings.raters) > 1 and int((counts > 0).sum(axis=1).max()) > 1
    if not shared:
        table = one_way(ratings, complete=complete)
        return table, one_way_components(two_way_mean_squares(table.array), confidence=confidence)
    if int(counts.max()) > 1:
        table = crossed(ratings, complete=complete)
        return table, crossed_components(crossed_mean_squares(table.array), confidence=confidence)
    table = two_way(ratings, complete=complete)
    return table, two_way_components(two_way_mean_squares(table.array), confidence=confidence)
