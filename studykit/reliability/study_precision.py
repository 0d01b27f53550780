"""How well does a study measure an angle? The answer in a sentence, a table and a picture of every reading."""

from __future__ import annotations

from functools import partial

from studykit.data.study import Study
from studykit.formatting import counted, listed, percent
from studykit.pictures.ratings import ratings_picture
from studykit.reliability.study_estimates import precision_of
from studykit.reliability.study_parts import Precision
from studykit.reliability.study_readings import StudyReadings
from studykit.reliability.study_result import ReliabilityResult, rows_frame, rows_numbers, rows_table

ALWAYS = (
    "Reliability belongs to readings by these raters, with this instrument and these instructions, in people like "
    "these; it does not travel by itself.",
    "The minimal detectable change speaks of one person measured twice; a smaller mean change of a group can be real.",
)


def precision_result(study: Study, readings: StudyReadings) -> ReliabilityResult:
    """Coefficient, SEM and MDC of one measure, with every reading drawn."""
    found = precision_of(readings)
    name = readings.measure.name
    mdc = next(row for row in found.rows if row.key == "mdc95")
    headline = (
        f"{readings.measure.name}: {readings.reading_words} had a standard error of "
        f"measurement of {found.sem.shown(readings.confidence)}; two such values of an unchanged person differ by less "
        f"than {mdc.shown(readings.confidence)} in {percent(0.95)} of pairs (minimal detectable change). "
        f"{found.icc.label} was {found.icc.shown(readings.confidence)}, over {_counts(readings, found)}."
    )
    return ReliabilityResult(
        key=f"reliability.{readings.key}",
        title=f"How well is it measured: {name}",
        headline=headline,
        cautions=(*readings.notes, *found.cautions, *ALWAYS),
        methods=found.methods,
        provenance=study.provenance(),
        tidy=rows_frame(found.rows, readings.confidence),
        printed=rows_table(
            f"reliability_{readings.key}",
            f"{name}: reliability and measurement error{readings.where}",
            found.rows,
            readings.confidence,
            (f"Form: {readings.form.model}. {readings.form.why}", f"Values: {readings.reading_words}."),
        ),
        named={**rows_numbers(found.rows), **_counted(readings, found)},
        draw=partial(
            ratings_picture,
            readings.frame.rename(columns={"limb": "target", "rater_id": "rater"}),
            measure=name,
            unit=readings.unit,
            targets=readings.targets_word.capitalize(),
            order=study.protocol.raters,
        ),
    )


def _counted(readings: StudyReadings, found: Precision) -> dict[str, float]:
    """What the numbers were computed from; `limbs` only where people brought two."""
    counts = {"participants": found.people, "raters": len(found.raters), "readings": found.readings}
    if readings.cluster is not None:
        counts["limbs"] = found.targets
    if readings.sessions:
        counts["sessions"] = found.sessions
    return {name: float(count) for name, count in counts.items()}


def _counts(readings: StudyReadings, found: Precision) -> str:
    people = counted(found.people, "participant")
    who = people if readings.cluster is None else f"{counted(found.targets, 'limb')} of {people}"
    days = f", {counted(found.sessions, 'session')}" if readings.sessions else ""
    return f"{who}{days} and {counted(len(found.raters), 'rater')} ({listed(list(found.raters))})"
