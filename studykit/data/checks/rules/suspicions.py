"""All suspicions about the rows that are used, in one frame: none of them removes anything."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.checks.rules import completeness, course, dates, habits, people, practice
from studykit.data.checks.rules.between_visits import VisitMeans, jumps, swapped_sides, visit_means
from studykit.data.checks.rules.given import Given
from studykit.data.checks.rules.readings import Cells, Readings, cells_of, readings_of
from studykit.data.checks.rules.slips import Suspects, scattered_trials, slips
from studykit.data.findings import joined, no_findings
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
    readings = readings_of(given)
    cells = cells_of(readings)
    return joined(
        [
            dates.enrolment_far_from_others(given),
            people.unlikely_build(given),
            people.rater_not_planned(given),
            course.stage_without_its_cause(given),
            dates.outside_window(given),
            dates.reading_without_date(given),
            dates.event_outside_the_study(given),
            practice.diary_suspicions(given),
            _about_values(given, readings, cells),
            _about_raters(given, readings, cells),
            completeness.missing_trials(given, readings, cells),
            completeness.missing_side(given, cells),
            completeness.mixed_warm_up(given, readings),
            completeness.blinding_missing(given),
        ]
    )


def _about_values(given: Given, readings: Readings, cells: Cells) -> pd.DataFrame:
    """A reading that is explained by a slip of its own is left out when trials and visits are compared."""
    single = slips(readings, cells)
    readings, cells = _without(readings, cells, single)
    means = visit_means(readings, cells)
    swapped = swapped_sides(readings, means)
    scattered = scattered_trials(readings, cells)
    jumped = jumps(readings, _without_visits(means, swapped))
    return _first_of_each_place(joined([_shown(given, part) for part in (*single, swapped, scattered, jumped)]))


def _without(readings: Readings, cells: Cells, suspects: Iterable[Suspects]) -> tuple[Readings, Cells]:
    named = np.concatenate([part.position for part in suspects] or [np.array([], dtype=np.int64)])
    if not len(named):
        return readings, cells
    kept = readings.where(~np.isin(readings.position, named))
    return kept, cells_of(kept)


def _without_visits(means: VisitMeans, suspects: Suspects) -> VisitMeans:
    """Leave out both sides of the visits in which a suspect lies."""
    mean = means.mean.copy()
    for line, visit in np.argwhere(np.isin(means.position, suspects.position) & (means.position >= 0)):
        both = (means.participant == means.participant[line]) & (means.measure == means.measure[line])
        mean[both, visit] = np.nan
    return replace(means, mean=mean)


def _shown(given: Given, suspects: Suspects) -> pd.DataFrame:
    sentence, what_to_do = SENTENCES[suspects.rule]
    if not len(suspects.position):
        return no_findings()
    order = np.argsort(suspects.position, kind="stable")
    positions, expected = suspects.position[order], suspects.expected[order]
    rows = given.tables[MEASUREMENTS]
    written = given.written(MEASUREMENTS, "value", positions)
    units = [given.protocol.measures[name].unit for name in rows["measure"].reindex(positions).to_numpy(dtype=object)]
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


def _about_raters(given: Given, readings: Readings, cells: Cells) -> pd.DataFrame:
    lines = []
    for kind in (habits.favourite_digits, habits.same_trials, habits.one_value_for_everybody):
        for habit in kind(readings, cells):
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
