"""Limits of agreement of two raters (or sessions, or instruments) from a plain frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import CallError, check_choice, check_confidence
from studykit.formatting import counted
from studykit.numerics import limits as numbers
from studykit.reliability.pairs import Pairs, linked_pairs, mean_pairs, measured_by_both, refuse_repeats, two_raters
from studykit.reliability.ratings import Names, Ratings, read_ratings

REPEATED = ("refuse", "linked", "unlinked", "mean")
SCALES = ("difference", "ratio")
ONE_PAIR = "one pair a target"
MEANS = "means of trials"
LINKED = "linked pairs, the true value may move between them"
UNLINKED = "unlinked repeats of an unchanged value"
LIMBS = "limbs within persons"

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class LimitsAnswer:
    """Bias and limits of agreement with their intervals.

    Attributes:
        first, second: the two raters; differences are first minus second (first over second for a ratio).
        bias, lower, upper: in the unit of the measure, or plain ratios.
        bias_interval, lower_interval, upper_interval: at `confidence`.
        sd: standard deviation of one difference (of the log ratio for a ratio).
        targets, people, pairs: what it was computed from.
        scale: "difference" or "ratio".
        kind: how repeated values or limbs were treated, in words.
        slope_p, spread_p: does the difference shift, or spread, with the mean? Small values speak for a ratio or for
            limits by regression; nan with fewer than three targets or without spread of the means.
        line: limits that follow the mean; None where `slope_p` is nan.
        points: frame with target, mean, difference (or ratio): one row a pair, for a picture.
        left_out: labels of targets not measured by both.
        reason: why limits have no width; empty when nothing needs saying.
        cautions: sentences to be read with the numbers.
    """

    first: str
    second: str
    bias: float
    bias_interval: Interval
    lower: float
    lower_interval: Interval
    upper: float
    upper_interval: Interval
    sd: float
    coverage: float
    confidence: float
    targets: int
    people: int
    pairs: int
    scale: str
    kind: str
    slope_p: float
    spread_p: float
    line: numbers.RegressionLimits | None
    points: pd.DataFrame
    left_out: tuple[str, ...]
    reason: str
    cautions: tuple[str, ...]


def limits_of_agreement(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    pair: tuple[str, str] | None = None,
    repeated: str = "refuse",
    trial: str | None = None,
    cluster: str | None = None,
    scale: str = "difference",
    coverage: float = 0.95,
    confidence: float = 0.95,
    complete: bool = False,
) -> LimitsAnswer:
    """Between which bounds does the difference of two raters' values of one target lie?

    Args:
        frame: one row a rating; it is not changed.
        target, rater, value, cluster: as in `icc`; with limbs of persons the variance between and within persons is
            kept apart, so that nobody counts as two people.
        pair: the two raters, first minus second; needed when the frame has more than two.
        repeated: what several values of a rater on one target are: "linked" (paired by `trial`; the true value may
            have moved), "unlinked" (separate repeats of an unchanged value), "mean" (averaged first: the limits then
            hold for means), or "refuse".
        trial: column that pairs linked values.
        scale: "difference", or "ratio" where the spread grows in proportion to the mean.
        coverage: share of differences inside the limits.
        confidence: level of the intervals.
        complete: use targets measured by both only, and say how many were left out.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    check_confidence(coverage)
    check_choice(repeated, REPEATED, "repeated")
    check_choice(scale, SCALES, "scale")
    if (repeated == "linked") != (trial is not None):
        raise CallError('trial= names the column that pairs values; it goes with repeated="linked" and with no other.')
    names = two_raters(frame, rater, value, pair)
    ratings = read_ratings(
        frame.loc[frame[rater].astype(str).isin(names)],
        target=target,
        rater=rater,
        value=value,
        cluster=cluster,
        trial=trial,
        raters=names,
    )
    if repeated == "refuse":
        refuse_repeats(ratings)
    kept, left_out = measured_by_both(ratings, complete)
    pairs = linked_pairs(ratings, kept) if repeated == "linked" else mean_pairs(ratings, kept)
    if repeated == "unlinked":
        got, kind = _unlinked(ratings, pairs, scale, coverage, confidence), UNLINKED
    else:
        got, kind = _paired(pairs, scale, coverage, confidence), _kind(ratings, pairs, repeated)
    return _answer(ratings, pairs, got, names, scale, kind, left_out)


def _paired(pairs: Pairs, scale: str, coverage: float, confidence: float) -> numbers.Limits:
    """Plain limits for one pair a person; otherwise variance between and within persons kept apart."""
    gap = numbers.log_ratios(pairs.first, pairs.second) if scale == "ratio" else pairs.first - pairs.second
    if pairs.people < len(gap):
        return numbers.limits_linked(gap, pairs.person, coverage=coverage, confidence=confidence)
    return numbers.limits(gap, coverage=coverage, confidence=confidence)


def _unlinked(ratings: Ratings, pairs: Pairs, scale: str, coverage: float, confidence: float) -> numbers.Limits:
    if pairs.people < len(pairs.target):
        raise CallError('repeated="unlinked" cannot keep limbs of a person together; use repeated="mean".')
    if scale == "ratio":
        raise CallError('scale="ratio" is not offered for unlinked repeats; take logarithms of the values first.')
    code = np.full(len(ratings.targets), -1, dtype=np.intp)
    code[pairs.target] = np.arange(len(pairs.target))
    whose = code[ratings.target]
    one, two = ((ratings.rater == side) & (whose >= 0) for side in (0, 1))
    return numbers.limits_unlinked(
        ratings.values[one],
        whose[one],
        ratings.values[two],
        whose[two],
        coverage=coverage,
        confidence=confidence,
    )


def _kind(ratings: Ratings, pairs: Pairs, repeated: str) -> str:
    if repeated == "linked":
        return LINKED
    if pairs.people < pairs.targets:
        return LIMBS
    return MEANS if (ratings.counts > 1).any() else ONE_PAIR


def _answer(
    ratings: Ratings,
    pairs: Pairs,
    got: numbers.Limits,
    names: tuple[str, str],
    scale: str,
    kind: str,
    left_out: tuple[str, ...],
) -> LimitsAnswer:
    mean, gap = (pairs.first + pairs.second) / 2.0, pairs.first - pairs.second
    line = None
    if len(gap) > 2 and np.ptp(mean) > 0.0:
        line = numbers.limits_by_regression(mean, gap, coverage=got.coverage)
    ratio = scale == "ratio"

    def back(value: object) -> float:
        number = float(np.asarray(value))
        return float(np.exp(number)) if ratio else number

    return LimitsAnswer(
        first=names[0],
        second=names[1],
        bias=back(got.bias),
        bias_interval=(back(got.bias_low), back(got.bias_high)),
        lower=back(got.lower),
        lower_interval=(back(got.lower_low), back(got.lower_high)),
        upper=back(got.upper),
        upper_interval=(back(got.upper_low), back(got.upper_high)),
        sd=float(got.sd),
        coverage=got.coverage,
        confidence=got.confidence,
        targets=pairs.targets,
        people=pairs.people,
        pairs=len(gap),
        scale=scale,
        kind=kind,
        slope_p=float("nan") if line is None else line.slope_p,
        spread_p=float("nan") if line is None else line.spread_p,
        line=line,
        points=pd.DataFrame(
            {
                "target": [ratings.targets[code] for code in pairs.target],
                "mean": mean,
                "difference": pairs.first / pairs.second if ratio else gap,
            }
        ),
        left_out=left_out,
        reason="all differences are the same: the limits have no width." if float(got.sd) == 0.0 else "",
        cautions=_cautions(line, pairs, scale, kind, left_out),
    )


def _cautions(
    line: numbers.RegressionLimits | None, pairs: Pairs, scale: str, kind: str, left_out: tuple[str, ...]
) -> tuple[str, ...]:
    said = []
    if left_out:
        said.append(f"{counted(len(left_out), 'target')} not measured by both and left out (first: {left_out[0]}).")
    if pairs.people < pairs.targets:
        said.append(
            f"{counted(pairs.targets, 'limb')} of {counted(pairs.people, 'person', 'persons')}: spread between and "
            "within persons is kept apart and the intervals count persons, not limbs."
        )
    if line is not None and scale == "difference" and line.spread_p < 0.05:
        said.append("Differences spread more at one end of the scale: limits as ratios or by regression fit better.")
    if line is not None and scale == "difference" and line.slope_p < 0.05:
        said.append("The difference shifts along the scale: one bias for all values is a simplification.")
    if kind == MEANS:
        said.append("The limits hold for means of as many trials as were averaged, not for single readings.")
    said.append("Whether such differences matter is a clinical judgement that no statistic makes.")
    return tuple(said)
