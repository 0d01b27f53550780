"""Every answer about reliability that a study can give, and the MDC that stands beside a change."""

from __future__ import annotations

from dataclasses import dataclass, replace

from studykit.data.study import Study
from studykit.errors import DesignError, FitError
from studykit.formatting import percent
from studykit.reliability.guideline import guideline_result
from studykit.reliability.study_components import components_results
from studykit.reliability.study_estimates import precision_of
from studykit.reliability.study_grades import grades_result
from studykit.reliability.study_limits import limits_results
from studykit.reliability.study_precision import precision_result
from studykit.reliability.study_readings import StudyReadings, readings_for_reliability
from studykit.reliability.study_result import ReliabilityResult
from studykit.result import Result
from studykit.vocabulary import MEASUREMENTS


@dataclass(frozen=True, slots=True)
class MdcForChange:
    """The minimal detectable change of the primary measure, as the analysis of change uses its readings.

    Attributes:
        value, low, high: the MDC at 95 % in the unit of the measure; the interval comes from the SEM's.
        confidence: level of the interval.
        words: which MDC it is.
    """

    value: float
    low: float
    high: float
    confidence: float
    words: str


def reliability_of_study(study: Study) -> list[Result]:
    """Answers for the primary measure in full, for every other measure its precision; reporting items last.

    A study whose design is "reliability" gets every answer for every measure. What cannot be answered for one measure
    is a caution of the first answer.

    Raises:
        DesignError: no measure can be answered; the sentence is that of the primary measure.
    """
    primary = study.protocol.study.primary_measure
    in_full = study.protocol.study.design == "reliability"
    read = set(study.table(MEASUREMENTS)["measure"])
    others = [key for key in study.protocol.measures if key != primary and key in read]
    results: list[ReliabilityResult] = []
    refused: list[str] = []
    answered: list[StudyReadings] = []
    for key in [primary, *others]:
        try:
            readings = readings_for_reliability(study, key)
            more, without = _of_measure(study, readings, in_full=in_full or key == primary)
        except (DesignError, FitError) as refusal:
            refused.append(f"{study.protocol.measures[key].name} is not answered. {refusal}")
            continue
        results += more
        refused += without
        answered.append(readings)
    if not results:
        raise DesignError(" ".join(refused))
    if in_full:
        results.append(guideline_result(study, answered[0], results))
    results[0] = replace(results[0], cautions=(*results[0].cautions, *refused))
    return list(results)


def mdc_for_change(study: Study) -> MdcForChange:
    """The MDC at 95 % of the primary measure for values as the protocol's `trials_used` makes them.

    Between raters where raters shared targets (another rater may measure at the next visit), else within a rater.

    Raises:
        DesignError: a graded measure, no repeated readings, or no error to be seen. FitError: no fit to be trusted.
    """
    return _mdc(study, readings_for_reliability(study, study.protocol.study.primary_measure), "")


def mdc_of_both_limbs(study: Study) -> MdcForChange:
    """The same MDC for the mean of a participant's two limbs, measured by one rater at one visit.

    What both limbs share (the rater, the person's day) does not average out, so that it is not simply smaller by a
    factor of √2; it is estimated from the means of both limbs themselves.

    Raises:
        DesignError: as `mdc_for_change`, or nobody was measured on both sides. FitError: no fit to be trusted.
    """
    readings = readings_for_reliability(study, study.protocol.study.primary_measure)
    both = readings.frame.groupby(["participant_id", "session", "rater_id", "trial"], sort=True, dropna=False)["value"]
    means = both.agg(["mean", "size"]).reset_index()
    means = means[means["size"] == 2]
    if readings.cluster is None or means.empty:
        raise DesignError(f"Nobody's {readings.measure.name} was measured on both sides{readings.where}.")
    frame = means.rename(columns={"mean": "value"}).drop(columns="size").assign(side="both")
    frame = frame.assign(limb=frame["participant_id"]).reset_index(drop=True)
    one = replace(readings, frame=frame, target=("participant_id",), cluster=None)
    return _mdc(study, one, " of the mean of both limbs")


def _mdc(study: Study, readings: StudyReadings, of_what: str) -> MdcForChange:
    if readings.measure.graded:
        raise DesignError(f"{readings.measure.name} is graded: grades have no minimal detectable change.")
    averaged = _trials_in_use(study, readings.key)
    found = precision_of(replace(readings, readings=averaged))
    mdc = next(row for row in found.rows if row.key == "mdc95")
    if not mdc.value > 0.0:
        raise DesignError(f"Readings of {readings.measure.name} agree to the last digit: no error can be seen.")
    of = "single readings" if averaged == 1 else f"means of {averaged} readings"
    where = readings.where or " of this study"
    words = f"MDC at {percent(0.95)} {found.where}{of_what}, for {of}, from readings{where}"
    return MdcForChange(mdc.value, mdc.low, mdc.high, study.protocol.study.confidence, words)


def _of_measure(study: Study, readings: StudyReadings, *, in_full: bool) -> tuple[list[ReliabilityResult], list[str]]:
    """Answers for one measure; what a part of them could not answer comes back as sentences."""
    if readings.measure.graded:
        return [grades_result(study, readings)], []
    results = [precision_result(study, readings)]
    refused: list[str] = []
    if not in_full:
        return results, refused
    results += limits_results(study, readings)
    try:
        results += components_results(study, readings)
    except (DesignError, FitError) as refusal:
        refused.append(f"Where the error comes from is not answered. {refusal}")
    return results, refused


def _trials_in_use(study: Study, key: str) -> int:
    """How many readings of one rater the analysis of change averages: the usual number of trials of a cell."""
    if study.protocol.study.trials_used != "mean":
        return 1
    rows = study.table(MEASUREMENTS)
    cells = rows[rows["measure"] == key].groupby(["participant_id", "visit", "side", "rater_id"], dropna=False).size()
    return int(cells.median())
