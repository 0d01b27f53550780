"""Habits of two therapists that no single reading shows: only multiples of five, and trials copied from the first."""

from __future__ import annotations

from studykit.simulate.answer_key import FIRST_ROW, Expected, Spoiling
from studykit.simulate.audit import READINGS
from studykit.vocabulary import SUSPICION

COPIES_TRIALS = ("AB", "ER")
ROUNDS_TO_FIVE = ("LK", ("ER", "IR", "KE"))


def spoil_habits(work: Spoiling) -> None:
    """Before any other mistake is made, for a habit runs through all readings of a therapist."""
    page = work.sheets[READINGS]
    therapist, movement = COPIES_TRIALS
    first, *later = (page.column(heading) for heading in ("Trial 1", "Trial 2", "Trial 3"))
    for row in page.rows:
        if (row[page.column("Therapist")], row[page.column("Movement")]) == COPIES_TRIALS:
            for column in later:
                row[column] = row[first]
    found = _first_reading(work, "trials_identical_too_often", therapist, movement)
    work.note("trials_copied", "a therapist who writes the first reading three times", found)
    therapist, movements = ROUNDS_TO_FIVE
    lines = [_first_reading(work, "only_multiples_of_five", therapist, movement) for movement in movements]
    work.note("fives_only", "a therapist who reads the scale to the nearest five", *lines)


def _first_reading(work: Spoiling, rule: str, therapist: str, movement: str) -> Expected:
    """A habit is shown once for each movement, at the therapist's first reading of it."""
    page = work.sheets[READINGS]
    wanted = (therapist, movement)
    at = [(row[page.column("Therapist")], row[page.column("Movement")]) for row in page.rows].index(wanted)
    return Expected(rule, SUSPICION, READINGS, at + FIRST_ROW, "Therapist")
