"""All suspicions about the rows that are used, in one frame: none of them removes anything."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.findings import joined
from studykit.data.rules import completeness, course, dates, habits, people
from studykit.data.rules.between_visits import jumps, swapped_sides, visit_means
from studykit.data.rules.given import Given
from studykit.data.rules.readings import Readings, readings_of
from studykit.data.rules.slips import Suspects, scattered_trials, sibling_unit, wrong_factor
from studykit.formatting import with_unit
from studykit.vocabulary import MEASUREMENTS, SUSPICION

SENTENCES: Final = {
    "value_ten_times_its_neighbours": (
        "{value}; this person's other readings of this side are around {expected}: a decimal mark may be lost.",
        "Look at the paper record; correct the decimal mark if it is wrong.",
    ),
    "value_a_tenth_of_its_neighbours": (
        "{value}; this person's other readings of this side are around {expected}: a decimal mark may be too far left.",
        "Look at the paper record; correct the decimal mark if it is wrong.",
    ),
    "value_in_other_unit": (
        "{value}, where around {expected} is usual: it may have been read in another unit.",
        "Check the unit; a reading in another unit belongs to another measure or must be converted.",
    ),
    "trials_far_apart": (
        "The trials of this participant, visit, side and rater span {expected}.",
        "Check the trials; if they are as read, leave them.",
    ),
    "jump_between_visits": (
        "The mean of this visit is far from that of the visit before ({expected}), unlike everybody else's.",
        "Check participant, side, visit and value; if all are right, leave it.",
    ),
    "sides_exchanged": (
        "Left minus right is {expected} at this person's other visits and about the opposite here.",
        "Check whether left and right were exchanged at this visit.",
    ),
}
HABITS: Final = {
    "only_multiples_of_five": (
        "{hits} of {of} first trials of this rater and measure are multiples of five marks; one in five is expected.",
        "Ask the rater to read to the nearest mark; such readings hide small changes.",
    ),
    "trials_identical_too_often": (
        "In {hits} of {of} sets of trials of this rater and measure all trials are the same number.",
        "Ask whether each trial was read anew; copied trials make the precision look better than it is.",
    ),
    "one_value_for_everybody": (
        "This rater wrote the same number for all {hits} people measured on this day.",
        "Look at the paper records of this day.",
    ),
}


def suspicions(given: Given) -> pd.DataFrame:
    """Every suspicion; `given.tables` holds only rows that no error has set aside."""
    rows = given.tables[MEASUREMENTS]
    readings = readings_of(rows, given.protocol)
    return joined(
        [
            dates.enrolment_far_from_others(given),
            people.unlikely_build(given),
            people.rater_not_planned(given),
            course.stage_without_its_cause(given),
            dates.outside_window(given),
            _about_values(given, readings),
            _about_raters(given, readings),
            completeness.missing_trials(given, readings),
            completeness.missing_side(given, readings),
            completeness.mixed_warm_up(given),
            completeness.blinding_missing(given),
        ]
    )


def _about_values(given: Given, readings: Readings) -> pd.DataFrame:
    """A reading that is explained by a slip of its own is left out when trials and visits are compared."""
    slips = [*wrong_factor(readings), *sibling_unit(readings)]
    readings = _without(readings, slips)
    means = visit_means(readings)
    swapped = swapped_sides(readings, means)
    calm = _without_visits(readings, swapped)
    scattered = scattered_trials(readings)
    jumped = jumps(calm, visit_means(calm))
    return _first_of_each_place(joined([_shown(given, s) for s in (*slips, swapped, scattered, jumped)]))


def _without(readings: Readings, suspects: Iterable[Suspects]) -> Readings:
    named = np.concatenate([part.position for part in suspects] or [np.array([], dtype=np.int64)])
    return readings.where(~np.isin(readings.position, named)) if len(named) else readings


def _without_visits(readings: Readings, suspects: Suspects) -> Readings:
    """Leave out all readings of the visits in which a suspect lies."""
    at = np.flatnonzero(np.isin(readings.position, suspects.position))
    if not len(at):
        return readings
    keys = np.column_stack([readings.participant, readings.measure, readings.visit])
    gone = np.zeros(len(readings), dtype=bool)
    for key in keys[at]:
        gone |= (keys == key).all(axis=1)
    return readings.where(~gone)


def _shown(given: Given, suspects: Suspects) -> pd.DataFrame:
    sentence, what_to_do = SENTENCES[suspects.rule]
    order = np.argsort(suspects.position, kind="stable")
    positions, expected = suspects.position[order], suspects.expected[order]
    rows = given.tables[MEASUREMENTS]
    written = given.written(MEASUREMENTS, "value", positions)
    units = [given.protocol.measures[name].unit for name in rows["measure"].reindex(positions)]
    return given.report(
        MEASUREMENTS,
        positions,
        column="value",
        rule=suspects.rule,
        severity=SUSPICION,
        message=[
            sentence.format(value=cell, expected=with_unit(usual, 1, unit))
            for cell, usual, unit in zip(written, expected, units, strict=True)
        ],
        what_to_do=what_to_do,
    )


def _about_raters(given: Given, readings: Readings) -> pd.DataFrame:
    lines = []
    for kind in (habits.favourite_digits, habits.same_trials, habits.one_value_for_everybody):
        for habit in kind(readings):
            sentence, what_to_do = HABITS[habit.rule]
            lines.append(
                given.report(
                    MEASUREMENTS,
                    np.array([habit.position]),
                    column="rater_id",
                    rule=habit.rule,
                    severity=SUSPICION,
                    message=sentence.format(hits=habit.hits, of=habit.of),
                    what_to_do=what_to_do,
                )
            )
    return joined(lines)


def _first_of_each_place(findings: pd.DataFrame) -> pd.DataFrame:
    """One line a cell: a cell under two suspicions about its value keeps the first."""
    return findings.drop_duplicates("position", ignore_index=True)
