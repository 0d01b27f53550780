"""Reliability of incomplete or clustered ratings: components by REML, with the complete-case answer beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from studykit.errors import DesignError, StudykitError, check_confidence
from studykit.formatting import counted
from studykit.modelling import MixedFit, Varies, fit_mixed
from studykit.numerics.component_bootstrap import redrawn_components
from studykit.numerics.decision import decide
from studykit.numerics.intervals import FloatArray, two_sided_z
from studykit.reliability.coefficient import IccAnswer, icc
from studykit.reliability.components import PLAIN_NAMES, ComponentsAnswer, NamedComponent
from studykit.reliability.ratings import Names, Ratings, read_ratings

PARTICIPANT, LIMB, RATER, SESSION, VALUE = "participant", "limb", "rater", "session", "value"
Interval = tuple[float, float]
NO_INTERVAL = (float("nan"), float("nan"))


@dataclass(frozen=True, slots=True)
class Projected:
    """A number made from components, with two intervals.

    Attributes:
        value: the number.
        analytic: interval by the delta method on the logit (coefficients) or logarithm (SEMs), from the expected
            information of REML; too narrow with two or three raters.
        bootstrap: percentile interval of the parametric bootstrap; nan where none was asked for.
        reason: why an interval is missing; empty otherwise.
    """

    value: float
    analytic: Interval
    bootstrap: Interval
    reason: str


@dataclass(frozen=True, slots=True)
class IncompleteAnswer:
    """What REML makes of ratings with gaps.

    Attributes:
        agreement, consistency: between raters, for the mean of `readings` by one rater; intra: within a rater.
        sem_agreement, sem_consistency, sem_intra: errors of that mean, in the unit of the measure.
        components: variance components, for a decision study.
        targets, complete_targets, people, ratings: what it was computed from.
        complete_case: the same question answered from complete targets only; None where that cannot be done.
        complete_case_reason: why not; empty otherwise.
        resamples: of the parametric bootstrap; 0 where none was asked for.
        cautions: sentences to be read with the numbers.
    """

    agreement: Projected
    consistency: Projected
    intra: Projected
    sem_agreement: Projected
    sem_consistency: Projected
    sem_intra: Projected
    components: ComponentsAnswer
    targets: int
    complete_targets: int
    people: int
    ratings: int
    complete_case: IccAnswer | None
    complete_case_reason: str
    resamples: int
    confidence: float
    cautions: tuple[str, ...]


def incomplete(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    cluster: str | None = None,
    confidence: float = 0.95,
    raters: Sequence[str] | None = None,
    session: str | None = None,
    readings: int = 1,
    resamples: int = 500,
    rng: np.random.Generator | None = None,
) -> IncompleteAnswer:
    """Components, correlations and errors from every rating there is, complete or not.

    Random: participants, limbs within participants (with `cluster`), raters, and targets by raters where a rater
    repeated a target; with `session` also sessions, targets by sessions and raters by sessions. On complete balanced
    ratings without a negative component it equals analysis of variance.

    Args:
        frame, target, rater, value, cluster, confidence, raters: as in `icc`.
        session: column that names the day or visit of a rating while people were stable: day-to-day error.
        readings: how many readings of one rater in one session are averaged in use.
        resamples: of the parametric bootstrap; 0 leaves it out.
        rng: source of chance; a fixed seed is used when none is given.

    Raises:
        CallError, DataError, DesignError, FitError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    ratings = read_ratings(
        frame, target=target, rater=rater, value=value, cluster=cluster, trial=session, raters=raters
    )
    facets, terms = _terms(ratings)
    fit = fit_mixed(_labelled(ratings), outcome=VALUE, fixed="1", random=terms)
    variances = np.array([*(float(c[0, 0]) for c in fit.engine.covariances), fit.engine.residual_variance])
    covariance = fit.engine.parameter_covariance()
    drawn = None
    if resamples:
        drawn = redrawn_components(fit.engine, resamples=resamples, rng=rng or np.random.default_rng(0))
    project = _Projection(facets, variances, covariance, drawn, confidence)
    case, why_not = _complete_case(frame, target, rater, value, cluster, confidence, raters)
    complete_targets = _complete_count(ratings)
    return IncompleteAnswer(
        agreement=project.share(lambda v: _ratio(facets, v, readings, "icc_agreement")),
        consistency=project.share(lambda v: _ratio(facets, v, readings, "icc_consistency")),
        intra=project.share(lambda v: v[..., :-1].sum(axis=-1) / (v[..., :-1].sum(axis=-1) + v[..., -1] / readings)),
        sem_agreement=project.size(lambda v: _ratio(facets, v, readings, "sem_agreement")),
        sem_consistency=project.size(lambda v: _ratio(facets, v, readings, "sem_consistency")),
        sem_intra=project.size(lambda v: np.sqrt(v[..., -1] / readings)),
        components=_components(ratings, facets, variances, fit, confidence, covariance),
        targets=len(ratings.targets),
        complete_targets=complete_targets,
        people=_people(ratings),
        ratings=len(ratings.values),
        complete_case=case,
        complete_case_reason=why_not,
        resamples=resamples,
        confidence=confidence,
        cautions=_cautions(ratings, complete_targets, fit),
    )


@dataclass(frozen=True, slots=True)
class _Projection:
    """Numbers made from components, with their intervals."""

    facets: list[tuple[str, ...]]
    variances: FloatArray
    covariance: FloatArray
    drawn: FloatArray | None
    confidence: float

    def share(self, number: Callable[[FloatArray], FloatArray]) -> Projected:
        """A number between 0 and 1, its delta-method interval on the logit."""
        value = float(number(self.variances))
        if not 0.0 < value < 1.0:
            return Projected(value, NO_INTERVAL, self._bootstrap(number), "the estimate lies on its boundary")
        half = self._half(number) / (value * (1.0 - value))
        middle = special.logit(value)
        return Projected(
            value,
            (float(special.expit(middle - half)), float(special.expit(middle + half))),
            self._bootstrap(number),
            "",
        )

    def size(self, number: Callable[[FloatArray], FloatArray]) -> Projected:
        """A number above 0, its delta-method interval on the logarithm."""
        value = float(number(self.variances))
        if value <= 0.0:
            return Projected(value, NO_INTERVAL, self._bootstrap(number), "the estimate lies on its boundary")
        half = self._half(number) / value
        return Projected(
            value, (value * float(np.exp(-half)), value * float(np.exp(half))), self._bootstrap(number), ""
        )

    def _half(self, number: Callable[[FloatArray], FloatArray]) -> float:
        step = 1e-5 * float(self.variances.sum())
        slopes = []
        for place in range(len(self.variances)):
            up, down = self.variances.copy(), self.variances.copy()
            up[place] += step
            down[place] = max(down[place] - step, 0.0)
            slopes.append((float(number(up)) - float(number(down))) / (up[place] - down[place]))
        slope = np.array(slopes)
        return two_sided_z(self.confidence) * float(np.sqrt(slope @ self.covariance @ slope))

    def _bootstrap(self, number: Callable[[FloatArray], FloatArray]) -> Interval:
        if self.drawn is None:
            return NO_INTERVAL
        alpha = 1.0 - self.confidence
        low, high = np.quantile(number(self.drawn), [alpha / 2.0, 1.0 - alpha / 2.0])
        return float(low), float(high)


def _terms(ratings: Ratings) -> tuple[list[tuple[str, ...]], list[Varies]]:
    """Facets and random terms that these ratings can tell apart; the residual's facets last."""
    if len(ratings.raters) < 2 and int(ratings.counts.max()) < 2:
        raise DesignError("No target was rated twice: there is nothing to compare. Repeat the measurement.")
    limbs = ratings.cluster is not None and _people(ratings) < len(ratings.targets)
    whole: tuple[str, ...] = (PARTICIPANT, LIMB) if limbs else (PARTICIPANT,)
    facets: list[tuple[str, ...]] = [(PARTICIPANT,)]
    if limbs:
        facets.append(whole)
    if len(ratings.raters) > 1:
        facets.append((RATER,))
        if int(ratings.counts.max()) > 1:
            facets.append((*whole, RATER))
    if ratings.trial is not None:
        facets += _session_facets(ratings, whole)
    terms = [Varies(*names) for names in facets]
    raters = (RATER,) if len(ratings.raters) > 1 else ()
    sessions = (SESSION,) if ratings.trial is not None else ()
    return [*facets, (*whole, *raters, *sessions, "trial")], terms


def _session_facets(ratings: Ratings, whole: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Sessions, targets by sessions where a target has several values in one, raters by sessions."""
    sessions = np.asarray(ratings.trial)
    count = int(sessions.max()) + 1
    if count < 2:
        raise DesignError("There is one session: day-to-day error needs two. Leave session= out, or measure again.")
    facets: list[tuple[str, ...]] = [(SESSION,)]
    cells = np.bincount(ratings.target * count + sessions)
    if int(cells.max()) > 1:
        facets.append((*whole, SESSION))
    if len(ratings.raters) > 1:
        facets.append((RATER, SESSION))
    return facets


def _labelled(ratings: Ratings) -> pd.DataFrame:
    owner = np.arange(len(ratings.targets)) if ratings.cluster is None else ratings.cluster
    return pd.DataFrame(
        {
            PARTICIPANT: [f"p{code}" for code in owner[ratings.target]],
            LIMB: [f"l{code}" for code in ratings.target],
            RATER: [f"r{code}" for code in ratings.rater],
            SESSION: [f"s{code}" for code in (ratings.target * 0 if ratings.trial is None else ratings.trial)],
            VALUE: ratings.values,
        }
    )


def _ratio(facets: list[tuple[str, ...]], variances: FloatArray, readings: int, wanted: str) -> FloatArray:
    """A decision-study number for one rater and so many readings, for one set of variances or many."""
    counts = {RATER: 1, SESSION: 1, "trial": readings}
    found = []
    for row in np.atleast_2d(variances).tolist():
        study = decide(dict(zip(facets, row, strict=True)), counts, objects=(PARTICIPANT, LIMB))
        found.append(float(getattr(study, wanted)))
    return np.array(found) if variances.ndim > 1 else np.asarray(found[0])


def _components(
    ratings: Ratings,
    facets: list[tuple[str, ...]],
    variances: FloatArray,
    fit: MixedFit,
    confidence: float,
    covariance: FloatArray,
) -> ComponentsAnswer:
    total = float(variances.sum())
    z = two_sided_z(confidence)
    parts = []
    for place, names in enumerate(facets):
        variance = float(variances[place])
        spread = float(np.sqrt(max(covariance[place, place], 0.0)))
        on_edge = variance <= 0.0
        factor = float("nan") if on_edge else float(np.exp(z * spread / variance))
        parts.append(
            NamedComponent(
                facets=names,
                name=PLAIN_NAMES.get(names, " by ".join(names)),
                variance=variance,
                low=variance / factor,
                high=variance * factor,
                sd=float(np.sqrt(variance)),
                share=variance / total if total > 0.0 else float("nan"),
                raw=variance,
                reason="the estimate is 0: it lies on its boundary and has no interval" if on_edge else "",
            )
        )
    return ComponentsAnswer(
        components=tuple(parts),
        objects=(PARTICIPANT, LIMB),
        method="mixed model (REML)",
        targets=len(ratings.targets),
        people=_people(ratings),
        raters=len(ratings.raters),
        trials=int(ratings.counts.max()),
        confidence=confidence,
        left_out=(),
        cautions=tuple(fit.engine.boundary),
    )


def _complete_case(
    frame: pd.DataFrame,
    target: Names,
    rater: str,
    value: str,
    cluster: str | None,
    confidence: float,
    raters: Sequence[str] | None,
) -> tuple[IccAnswer | None, str]:
    try:
        found = icc(
            frame,
            target=target,
            rater=rater,
            value=value,
            cluster=cluster,
            confidence=confidence,
            complete=True,
            mean_of_trials=True,
            raters=raters,
        )
    except StudykitError as refusal:
        return None, str(refusal)
    return found, ""


def _people(ratings: Ratings) -> int:
    return len(ratings.targets) if ratings.cluster is None else len(np.unique(ratings.cluster))


def _complete_count(ratings: Ratings) -> int:
    counts = ratings.counts
    return int(np.all(counts == counts.max(), axis=1).sum())


def _cautions(ratings: Ratings, complete_targets: int, fit: MixedFit) -> tuple[str, ...]:
    said = [
        f"{complete_targets} of {counted(len(ratings.targets), 'target')} were complete; the estimate uses all "
        f"{counted(len(ratings.values), 'rating')} and holds if gaps do not depend on the error of the missing value."
    ]
    if _people(ratings) < len(ratings.targets):
        said.append(
            f"{counted(len(ratings.targets), 'limb')} of {counted(_people(ratings), 'person', 'persons')}: limbs are "
            "nested in persons in the model and never counted as two people."
        )
    if 1 < len(ratings.raters) < 4:
        said.append(
            f"With {counted(len(ratings.raters), 'rater')} the analytic interval is too narrow wherever raters' "
            "differences count; read the bootstrap one, which is narrow too where the rater component is near 0."
        )
    said.extend(fit.engine.boundary)
    return tuple(said)
