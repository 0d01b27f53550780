"""Agreement of raters, or of repeated looks, on a graded measure of a study."""

from __future__ import annotations

from functools import partial

import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, listed, percent
from studykit.pictures.ratings import ratings_picture
from studykit.reliability.categories import AC1, AC2_QUADRATIC, KAPPA, PERCENT, QUADRATIC, CategoryAnswer, agreement
from studykit.reliability.study_readings import BETWEEN, BOTH, NESTED, StudyReadings
from studykit.reliability.study_result import ReliabilityResult, Row, rows_frame, rows_numbers, rows_table


def grades_result(study: Study, readings: StudyReadings) -> ReliabilityResult:
    """Percent agreement, kappas and Gwet's coefficient of a graded measure.

    Raises:
        DesignError: raters are nested in targets, or fewer than two looks at a target.
    """
    frame, looks = _looks(readings)
    levels = list(range(len(readings.measure.levels)))
    got = agreement(
        frame,
        target=readings.target,
        rater="look",
        value="value",
        levels=levels,
        ordered=len(levels) > 2,
        cluster=readings.cluster,
        confidence=readings.confidence,
    )
    rows = [Row(_key(c.name), c.name, c.value, c.low, c.high, "", "", c.reason) for c in got.coefficients]
    main, best = got.coefficient(PERCENT), _main(got)
    name = readings.measure.name
    counts = counted(got.people, "participant")
    who = counts if readings.cluster is None else f"{counted(got.targets, 'limb')} of {counts}"
    by_name = {row.label: row for row in rows}
    return ReliabilityResult(
        key=f"reliability.{readings.key}",
        title=f"How well is it graded: {name}",
        headline=(
            f"{name}: {looks} gave the same grade to {percent(main.value)} of {who}; "
            f"{best} was {by_name[best].shown(readings.confidence)}."
        ),
        cautions=(
            *readings.notes,
            *_of_one_session(readings),
            *got.cautions,
            "Grades have no unit: no error in degrees and no minimal detectable change follow from them.",
        ),
        methods=(
            f"Agreement of {looks} on {counted(len(levels), 'grade')} was described by percent agreement, kappa (Cohen "
            "1960, 1968) or Fleiss' kappa (1971), and Gwet's AC1 and AC2 (2008), which hold at high prevalence."
        ),
        provenance=study.provenance(seed=0 if readings.cluster else None),
        tidy=rows_frame(rows, readings.confidence),
        printed=rows_table(
            f"reliability_{readings.key}",
            f"{name}: agreement{readings.where}",
            rows,
            readings.confidence,
            (_distortion(got), f"Grades: {listed(list(readings.measure.levels), 12)}."),
        ),
        named={**rows_numbers(rows), "largest_share": got.largest_share, **_counted(readings, frame, got)},
        draw=partial(
            ratings_picture,
            frame.rename(columns={"limb": "target", "look": "rater"})[["target", "rater", "value"]],
            measure=name,
            unit=readings.measure.unit,
            targets=readings.targets_word.capitalize(),
        ),
    )


def _counted(readings: StudyReadings, frame: pd.DataFrame, got: CategoryAnswer) -> dict[str, float]:
    """What the numbers were computed from; `limbs` only where people brought two."""
    counts = {"participants": got.people, "raters": frame["rater_id"].nunique(), "readings": len(frame)}
    if readings.cluster is not None:
        counts["limbs"] = got.targets
    return {name: float(count) for name, count in counts.items()}


def _looks(readings: StudyReadings) -> tuple[pd.DataFrame, str]:
    """One row a look: raters (their first trial, in the first session) where they shared targets, else the sessions or
    the trials of one rater."""
    if readings.design == NESTED:
        raise DesignError(
            f"{readings.measure.name} was graded by different raters on different people, so that no two looks can be "
            "set against each other by rater. Let every rater grade every person."
        )
    frame = readings.frame
    if readings.design in (BOTH, BETWEEN):
        if readings.sessions:
            frame = frame[frame["session"] == readings.sessions[0]]
        first = frame.drop_duplicates([*readings.target, "rater_id"])
        return first.assign(look=first["rater_id"]), counted(frame["rater_id"].nunique(), "rater")
    if readings.sessions:
        first = frame.drop_duplicates([*readings.target, "session"])
        return first.assign(look=first["session"]), f"one rater in {counted(len(readings.sessions), 'session')}"
    place = frame.groupby(list(readings.target)).cumcount() + 1
    return frame.assign(look="trial " + place.astype(str)), "repeated looks of one rater"


def _of_one_session(readings: StudyReadings) -> tuple[str, ...]:
    if not readings.sessions or readings.design not in (BOTH, BETWEEN):
        return ()
    return (
        f"Raters are compared in the first session ({readings.sessions[0]}) only: grades of other days are not used.",
    )


def _main(got: CategoryAnswer) -> str:
    """The coefficient of the headline: weighted kappa for grades of two raters, else kappa, else Gwet's."""
    names = [found.name for found in got.coefficients]
    return next(name for name in (QUADRATIC, KAPPA, AC2_QUADRATIC, AC1) if name in names)


def _distortion(got: CategoryAnswer) -> str:
    said = f"Most used grade: {percent(got.largest_share)} of all ratings."
    if got.table is None:
        return said
    return f"{said} Difference between the raters' use of grades (bias index): {percent(got.bias)}."


def _key(name: str) -> str:
    return name.lower().replace("'", "").replace(",", "").replace(" ", "_")
