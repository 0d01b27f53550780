"""How well a study measures from day to day: sessions of unchanged people, by one rater or several."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from studykit.errors import DesignError
from studykit.formatting import counted, listed
from studykit.reliability.incomplete import AcrossSessions, IncompleteAnswer, incomplete
from studykit.reliability.projection import Projected
from studykit.reliability.study_limits import retest_pairs
from studykit.reliability.study_parts import Precision, change_rows, projected_row
from studykit.reliability.study_readings import NESTED, WITHIN, StudyReadings
from studykit.reliability.study_result import Row, shown

UNCHANGED: Final = (
    "The sessions ({days}) are taken as days on which nobody had changed: a true change between them counts as error."
)
SAME_RATER: Final = "between sessions, same rater"
ONE_SESSION: Final = "between raters, one session"
WITHIN_SESSION: Final = "within a session"


def precision_across_sessions(readings: StudyReadings) -> Precision:
    """Correlation, SEM and MDC between sessions, and the parts of them, from components by REML.

    Days lie within people: what all have in common from one session to the next is part of the error, with as many
    degrees of freedom as there are days of people.

    Raises:
        DesignError, FitError: the readings cannot answer; the sentence says why.
    """
    got, days, averaged = across_sessions_of(readings)
    unit = readings.unit
    several = readings.design not in (WITHIN, NESTED)
    where = "between raters and sessions" if several else "between sessions"
    if readings.design == NESTED:
        where = "between sessions and raters"
    value, error = _main(readings, got, days, several=several)
    main, sem = projected_row("icc", f"ICC {where}", value, ""), projected_row("sem", f"SEM {where}", error, unit)
    rows = [main, sem, *change_rows(sem, "", where)]
    if several:
        rows += _part("_retest", SAME_RATER, days.retest, days.sem_retest, unit, with_change=True)
        rows += _part("_one_session", ONE_SESSION, days.one_session, days.sem_one_session, unit, with_change=False)
    if got.components.trials > 1:
        rows += _part("_within", WITHIN_SESSION, got.intra, got.sem_intra, unit, with_change=False)
    names = tuple(dict.fromkeys(readings.frame["rater_id"]))
    return Precision(
        rows=tuple(rows),
        icc=main,
        sem=sem,
        where=where,
        targets=got.targets,
        people=got.people,
        readings=got.ratings,
        raters=names,
        cautions=_cautions(readings, got, averaged),
        methods=(
            f"Variance components of {counted(got.ratings, 'reading')} of {counted(got.targets, 'target')} "
            f"({got.complete_targets} complete) by {counted(len(names), 'rater')} in "
            f"{counted(days.sessions, 'session')} were estimated by REML, days within participants, for "
            f"{replace(readings, readings=averaged).reading_words} in one session; intervals come from the mean "
            "squares that belong to them (Satterthwaite 1946; Graybill and Wang 1980), and MDC = z √2 SEM."
        ),
        sessions=days.sessions,
    )


def across_sessions_of(readings: StudyReadings) -> tuple[IncompleteAnswer, AcrossSessions, int]:
    """Components and what follows from them, its part about sessions, and how many readings of one are averaged.

    Raters who differ between people (nested) cannot be told from days and are taken as one.
    """
    one_rater = readings.design in (WITHIN, NESTED)
    frame = readings.frame.assign(rater_id="one") if one_rater else readings.frame
    cells = readings.frame.groupby([*readings.target, "session", "rater_id"]).size()
    averaged = readings.readings if int(cells.max()) > 1 else 1
    found = incomplete(
        frame,
        target=readings.target,
        rater="rater_id",
        value="value",
        cluster=readings.cluster,
        confidence=readings.confidence,
        session="session",
        fixed_raters=readings.generalise_to == "fixed",
        readings=averaged,
    )
    if found.across_sessions is None:
        raise DesignError("There is one session: day-to-day error needs two.")
    return found, found.across_sessions, averaged


def _main(
    readings: StudyReadings, got: IncompleteAnswer, days: AcrossSessions, *, several: bool
) -> tuple[Projected, Projected]:
    if not several:
        return days.retest, days.sem_retest
    if readings.generalise_to == "random":
        return got.agreement, got.sem_agreement
    return got.consistency, got.sem_consistency


def _part(suffix: str, where: str, value: Projected, error: Projected, unit: str, *, with_change: bool) -> list[Row]:
    """A change is seen between days, so that only errors between sessions get an MDC."""
    sem = projected_row(f"sem{suffix}", f"SEM {where}", error, unit)
    changes = change_rows(sem, suffix, where) if with_change else []
    return [projected_row(f"icc{suffix}", f"ICC {where}", value, ""), sem, *changes]


def _cautions(readings: StudyReadings, got: IncompleteAnswer, averaged: int) -> tuple[str, ...]:
    said = [UNCHANGED.format(days=listed(list(readings.sessions))), *_shifts(readings), *got.cautions]
    if averaged < readings.readings:
        said.append(
            f"Use is planned with means of {readings.readings} readings, but each rater read once a session: the "
            "numbers hold for single readings and are on the safe side."
        )
    if readings.design == NESTED:
        said.append("Raters differed between people, so that their differences are part of the error between sessions.")
    elif readings.design == WITHIN:
        said.append("Each person was read by one rater: differences between raters are not in these numbers.")
    return tuple(said)


def _shifts(readings: StudyReadings) -> list[str]:
    """A sentence for every two sessions between which readings moved as a whole."""
    said = []
    for pair in retest_pairs(readings)[0]:
        low, high = pair.bias_interval
        if low > 0.0 or high < 0.0:
            moved = shown(pair.bias, low, high, readings.unit, readings.confidence)
            said.append(
                f"Readings moved as a whole from {pair.second} to {pair.first}, by {moved}: people had changed or had "
                "learned the test, and the error counts it."
            )
    return said
