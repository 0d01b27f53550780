"""The truth of a made-up trial beside each estimate: was it covered?

One draw proves nothing about a method; it shows what an interval is. How often intervals cover over hundreds of
simulated trials stands in DEVELOPERS.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations

import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, estimate, level, number, unit_sign
from studykit.result import Result
from studykit.simulate.responses import true_response_variances
from studykit.simulate.truth import TrialTruth, true_change_deg
from studykit.table import Column, Table

ONE_DRAW = (
    "One made-up trial shows what an interval is; it neither proves nor disproves a method. Of many intervals of this "
    "level about one in twenty misses the truth, and those of one trial lean on the same readings."
)
AS_ALLOCATED = (
    "The truth is the mean change of an arm if everybody had stayed in the trial, whatever they did at home: the seed "
    "and every parameter were fixed before anybody looked at the estimates."
)


@dataclass(frozen=True, slots=True)
class Known:
    """One number whose truth is known.

    Attributes:
        what: the number in words.
        answer: key of the answer that estimates it.
        estimate, low, high: names of its numbers in that answer.
        truth: its true value.
    """

    what: str
    answer: str
    estimate: str
    low: str
    high: str
    truth: float


@dataclass(frozen=True, kw_only=True)
class TruthBeside(Result):
    """Every estimate of a made-up trial whose truth is known, beside it.

    Attributes:
        rows: one row a number: `what`, `answer`, `number`, `truth`, `estimate`, `low`, `high`, `covered`.
        unit: unit of the measure.
        confidence: level of the intervals.
    """

    rows: pd.DataFrame = field(repr=False)
    unit: str
    confidence: float

    def to_frame(self) -> pd.DataFrame:
        """One row a number, in the order of the report."""
        return self.rows.copy()

    def numbers(self) -> dict[str, float]:
        """`<answer>.<number>.truth` and `.covered` (1 or 0); `known` and `covered` in all."""
        found = {}
        for row in self.rows.itertuples():
            found[f"{row.answer}.{row.number}.truth"] = float(row.truth)
            found[f"{row.answer}.{row.number}.covered"] = float(row.covered)
        return {**found, "known": float(len(self.rows)), "covered": float(self.rows["covered"].sum())}

    def table(self) -> Table:
        """What, truth, estimate with its interval, covered or not."""
        lines = tuple(
            (
                row.what,
                f"{number(row.truth, 2)}{unit_sign(self.unit)}",
                estimate(row.estimate, row.low, row.high, unit=self.unit),
                "yes" if row.covered else "no",
            )
            for row in self.rows.itertuples()
        )
        heads = (
            Column("What", "left"),
            Column("Truth"),
            Column(f"Estimate ({level(self.confidence)})"),
            Column("Covered"),
        )
        return Table("truth", "The truth of this made-up trial beside its estimates", heads, lines, (AS_ALLOCATED,))


def truth_beside(truth: TrialTruth, study: Study, results: Mapping[str, Result]) -> TruthBeside:
    """Set the truth of a made-up trial beside what a report estimated.

    Args:
        truth: what the trial was made from.
        study: the trial.
        results: key of an answer -> the answer.

    Raises:
        DesignError: the study is not said to be made up, is no trial of these arms and visits, or no answer estimates
            anything whose truth is known.
    """
    _check_fits(truth, study)
    lines = []
    for known in _all_known(truth, study):
        found = results[known.answer].numbers() if known.answer in results else {}
        if known.estimate not in found:
            continue
        low, high = found.get(known.low, math.nan), found.get(known.high, math.nan)
        lines.append(
            {
                "what": known.what,
                "answer": known.answer,
                "number": known.estimate,
                "truth": known.truth,
                "estimate": found[known.estimate],
                "low": low,
                "high": high,
                "covered": low <= known.truth <= high,
            }
        )
    if not lines:
        raise DesignError("No answer of this report estimates anything whose truth is known.")
    rows = pd.DataFrame(lines)
    covered, confidence = int(rows["covered"].sum()), study.protocol.study.confidence
    return TruthBeside(
        key="truth",
        title="Truth of the made-up trial",
        headline=f"Of {counted(len(rows), 'number')} whose truth is known, {covered} "
        f"{'has' if covered == 1 else 'have'} it inside the {level(confidence)}.",
        cautions=(ONE_DRAW,),
        methods="The truth follows from the parameters in truth.toml by sums over the days that can be done and by "
        "Gauss–Hermite quadrature over the trait that nobody recorded.",
        provenance=study.provenance(),
        rows=rows,
        unit=study.protocol.primary.unit,
        confidence=confidence,
    )


def _check_fits(truth: TrialTruth, study: Study) -> None:
    protocol = study.protocol
    if not protocol.study.made_up:
        raise DesignError("Only made-up data have a known truth; this study does not say made_up = true.")
    strange = sorted({arm.key for arm in truth.arms} ^ set(protocol.arms)) + sorted(
        set(truth.visit_keys) - set(protocol.visit_keys)
    )
    if strange:
        raise DesignError(
            f"This truth belongs to another trial: {strange[0]!r} is an arm or a visit of one of them only; name the "
            "truth.toml that was written beside this study."
        )


def _all_known(truth: TrialTruth, study: Study) -> Iterator[Known]:
    yield from _changes(truth, study)
    yield from _doses(truth, study)
    yield from _responses(truth, study)
    yield from _errors_of_measurement(truth, study)


def _changes(truth: TrialTruth, study: Study) -> Iterator[Known]:
    protocol = study.protocol
    measure, control = protocol.study.primary_measure, truth.arms[0].key
    for row in true_change_deg(truth).itertuples():
        name = f"{row.visit}.{row.arm}"
        arm, visit = protocol.arms[row.arm].label, protocol.visit(row.visit).label
        for what, answer, value in (
            ("Change", "change", row.change_deg),
            ("Difference from control", "difference", row.more_than_first_arm_deg),
        ):
            if answer == "change" or row.arm != control:
                yield Known(
                    f"{what} at {visit}: {arm}",
                    f"{answer}.{measure}",
                    f"{name}.{answer}",
                    f"{name}.low",
                    f"{name}.high",
                    value,
                )


def _doses(truth: TrialTruth, study: Study) -> Iterator[Known]:
    """Arms with the same minutes against each other; hold and days where two levels of each were tried together."""
    protocol = study.protocol
    at = true_change_deg(truth)
    change = dict(at.loc[at["visit"] == protocol.study.primary_visit, ["arm", "change_deg"]].itertuples(index=False))
    asked = [arm for arm in truth.arms if arm.days_per_week > 0 and arm.key in change]

    def known(what: str, key: str, value: float) -> Known:
        return Known(what, "dose.randomised", f"{key}.estimate", f"{key}.low", f"{key}.high", value)

    for one, other in combinations(asked, 2):
        if math.isclose(one.minutes_per_day * one.days_per_week, other.minutes_per_day * other.days_per_week):
            labels = [protocol.arms[arm.key].label for arm in (other, one)]
            value = change[other.key] - change[one.key]
            key = f"same_minutes.{other.key}.{one.key}"
            yield known(f"Same minutes: {labels[0]} rather than {labels[1]}", key, value)
    levels = {name: sorted({getattr(arm, name) for arm in asked}) for name in ("hold_s", "days_per_week")}
    if len(asked) != 4 or any(len(found) != 2 for found in levels.values()):
        return
    for name, what in (("hold_s", "Longer hold"), ("days_per_week", "More days a week")):
        more = [change[arm.key] for arm in asked if getattr(arm, name) == levels[name][1]]
        less = [change[arm.key] for arm in asked if getattr(arm, name) == levels[name][0]]
        yield known(f"{what}, mean over the other", f"{name}.range", sum(more) / len(more) - sum(less) / len(less))


def _responses(truth: TrialTruth, study: Study) -> Iterator[Known]:
    """How differently people of each treated arm respond, where the last visit is the one that is asked about."""
    protocol = study.protocol
    if protocol.study.primary_visit != truth.visit_keys[-1]:
        return
    answer = f"individual_response.{protocol.study.primary_measure}"
    visit = protocol.visit(truth.visit_keys[-1]).label
    for key, variance in true_response_variances(truth).items():
        name = f"{key}.response_sd"
        what = f"SD of the individual response at {visit}: {protocol.arms[key].label}"
        yield Known(
            what, answer, name, f"{name}.low", f"{name}.high", math.copysign(math.sqrt(abs(variance)), variance)
        )


def _errors_of_measurement(truth: TrialTruth, study: Study) -> Iterator[Known]:
    """SEM and MDC of the mean of the trials that are averaged in use, by any rater and by one rater."""
    protocol, spread = study.protocol, truth.spread
    if protocol.reliability is None:
        return
    averaged = protocol.reliability.readings_averaged
    within = spread.sem_deg(other_raters=False) / math.sqrt(averaged)
    between = math.sqrt(within**2 + spread.rater_sd_deg**2 + spread.person_rater_sd_deg**2)
    answer = f"reliability.{protocol.study.primary_measure}"
    for stem, what, sem in (("", "between raters", between), ("_within", "within a rater", within)):
        yield Known(f"SEM {what}", answer, f"sem{stem}", f"sem{stem}.low", f"sem{stem}.high", sem)
        mdc = 1.959963984540054 * math.sqrt(2.0) * sem
        name = f"mdc95{stem}"
        yield Known(f"MDC at 95% {what}", answer, name, f"{name}.low", f"{name}.high", mdc)
