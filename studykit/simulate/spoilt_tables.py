"""Mistakes in the other sheets of the workbook, and in the workbook itself."""

from __future__ import annotations

import datetime as dt

from studykit.simulate.answer_key import Expected, Spoiling, shift
from studykit.simulate.audit import DIARY, HOMEWORK, INCIDENTS, PATIENTS, THERAPISTS
from studykit.simulate.cells import Cell
from studykit.vocabulary import ERROR, SUSPICION

SPOILT_PATIENTS: tuple[tuple[str, str, str, Cell, str, str], ...] = (
    ("unknown_sex", "a word for the sex that nobody declared", "Sex", "fem.", "word_not_allowed", ERROR),
    ("misspelt_pathway", "a misspelt pathway", "Pathway", "sholder", "arm_not_in_protocol", ERROR),
    ("age_out_of_range", "an age with a digit too many", "Age", 430, "number_outside_range", ERROR),
    ("age_in_words", "an age in words", "Age", "forty", "not_a_number", ERROR),
    ("height_in_metres", "metres under centimetres", "Height", 1.75, "number_outside_range", ERROR),
    ("height_and_mass_exchanged", "height and mass exchanged", "Height", 66, "height_and_mass_unlikely", SUSPICION),
    (
        "enrolled_in_another_decade",
        "2015 for 2025",
        "First seen",
        dt.date(2015, 2, 17),
        "enrolment_far_from_others",
        SUSPICION,
    ),
    ("id_missing", "a patient without an id", "Patient no", None, "cell_missing", ERROR),
)
"""Class, what was done, heading, cell, rule, severity; each in a row of its own, of somebody who was never measured."""

SPOILT_HOMEWORK: tuple[tuple[str, str, str, str, Cell, str], ...] = (
    ("negative_repetitions", "repetitions below zero", "002", "Repeats", -3, "number_outside_range"),
    ("broken_repetitions", "half a repetition", "003", "Repeats", 2.5, "not_a_whole_number"),
    ("nine_days_a_week", "nine days a week", "004", "Days a week", 9, "number_outside_range"),
    ("seconds_for_minutes", "seconds in a column of minutes", "006", "Hold (min)", 90, "number_outside_range"),
    ("weeks_missing", "no weeks", "007", "Weeks", None, "cell_missing"),
    ("prescribed_to_nobody", "no patient", "008", "Patient no", None, "prescribed_to_nobody"),
)
SPOILT_DIARY: tuple[tuple[str, str, str, int, str, Cell, str], ...] = (
    ("diary_of_nobody", "an unknown patient in the diary", "001", 0, "Patient no", "301", "unknown_participant"),
    ("discomfort_out_of_scale", "eleven of ten", "005", 1, "Discomfort", 11, "number_outside_range"),
    ("diary_day_missing", "no day", "009", 2, "Day", None, "cell_missing"),
    (
        "diary_before_enrolment",
        "a day before the first contact",
        "013",
        3,
        "Day",
        "06/01/2025",
        "diary_before_enrolment",
    ),
    ("diary_years_later", "2035 for 2025", "017", 4, "Day", "14/05/2035", "date_long_after_study"),
    ("diary_held_negative", "minutes below zero", "021", 5, "Held (min)", -1, "number_outside_range"),
    ("diary_side_both", "both sides in one row", "025", 6, "Side", "L+R", "word_not_allowed"),
)
"""Class, what was done, patient, how many rows of the patient come before, heading, cell, rule."""


def spoil_tables(work: Spoiling) -> None:
    """All mistakes outside the sheet of readings."""
    _patients(work)
    _therapists(work)
    _homework(work)
    _diary(work)
    _incidents(work)


def _new_patient(work: Spoiling, number: int) -> int:
    seen = dt.date(2025, 3, 10) + dt.timedelta(days=number - 37)
    return work.append(PATIENTS, [f"{number:03d}", "knee", "W", 50, 168, 66, seen, number + 40])


def _patients(work: Spoiling) -> None:
    number = 37
    for name, what, heading, cell, rule, severity in SPOILT_PATIENTS:
        row = _new_patient(work, number)
        work.put(PATIENTS, row, heading, cell)
        if name == "height_and_mass_exchanged":
            work.put(PATIENTS, row, "Weight", 168)
        shown = "Weight" if name == "height_and_mass_exchanged" else heading
        work.note(name, what, Expected(rule, severity, PATIENTS, row, shown))
        number += 1
    both = [_new_patient(work, number) for _ in range(2)]
    work.put(PATIENTS, both[1], "Age", 51)
    found = [Expected("duplicate_participant", ERROR, PATIENTS, row, "Patient no") for row in both]
    work.note("patient_twice", "one patient in two rows that differ", *found)
    number += 1
    both = [_new_patient(work, number) for _ in range(2)]
    work.note("patient_row_repeated", "a patient's row copied in full", _at(PATIENTS, both[1], "row_repeated"))
    number += 1
    both = [_new_patient(work, number) for _ in range(2)]
    work.put(PATIENTS, both[1], "Patient no", f"{number}")
    found = [Expected("ids_look_alike", ERROR, PATIENTS, row, "Patient no") for row in both]
    work.note("ids_alike", "one id with and without its zero", *found)


def _at(sheet: str, row: int, rule: str) -> Expected:
    return Expected(rule, ERROR, sheet, row, _id_heading(sheet))


def _id_heading(sheet: str) -> str:
    """Heading of the ids of a sheet."""
    return "Initials" if sheet == THERAPISTS else "Patient no"


def _therapists(work: Spoiling) -> None:
    row = work.append(THERAPISTS, list(work.sheets[THERAPISTS].rows[0]))
    work.note("therapist_row_repeated", "a therapist's row copied in full", _at(THERAPISTS, row, "row_repeated"))
    row = work.append(THERAPISTS, ["QP", "physiotherapist", 2])
    found = Expected("rater_not_planned", SUSPICION, THERAPISTS, row, "Initials")
    work.note("therapist_not_planned", "a therapist whom the protocol does not list", found)
    row = work.append(THERAPISTS, ["MTT", "physiotherapist", "many"])
    found = Expected("not_a_number", ERROR, THERAPISTS, row, "Years")
    work.note("years_in_words", "years of practice in words", found)


def _homework(work: Spoiling) -> None:
    for name, what, patient, heading, cell, rule in SPOILT_HOMEWORK:
        work.refused(name, what, HOMEWORK, work.row_of(HOMEWORK, Patient_no=patient), heading, cell, rule)
    row = work.row_of(HOMEWORK, Patient_no="009")
    again = list(work.sheets[HOMEWORK].rows[row - 2])
    again[work.sheets[HOMEWORK].column("Repeats")] = 5
    both = [row, work.append(HOMEWORK, again)]
    found = [Expected("duplicate_prescription", ERROR, HOMEWORK, one, "Exercise") for one in both]
    work.note("prescribed_twice", "one exercise prescribed twice with other numbers", *found)


def _diary(work: Spoiling) -> None:
    for name, what, patient, later, heading, cell, rule in SPOILT_DIARY:
        work.refused(name, what, DIARY, work.row_of(DIARY, Patient_no=patient) + later, heading, cell, rule)


def _incidents(work: Spoiling) -> None:
    row = work.row_of(INCIDENTS, Patient_no="003")
    work.refused("unknown_severity", "a word nobody declared", INCIDENTS, row, "How bad", "bad", "word_not_allowed")
    row = work.row_of(INCIDENTS, Patient_no="010")
    work.refused("nothing_described", "no description", INCIDENTS, row, "What happened", None, "cell_missing")
    row = work.row_of(INCIDENTS, Patient_no="022")
    work.refused("formula_like_text", "an unknown patient", INCIDENTS, row, "Patient no", "=22", "unknown_participant")
    row = work.row_of(INCIDENTS, Patient_no="027")
    day = shift(work.cell(INCIDENTS, row, "Day"), 0)
    work.changed("date_with_time", "a date as text with a time", INCIDENTS, row, "Day", f"{day} 14:30", str(day))
