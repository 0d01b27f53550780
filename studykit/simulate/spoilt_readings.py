"""Mistakes in the sheet of readings: cells that are no number, no date or no known word, and rows that cannot be."""

from __future__ import annotations

import datetime as dt

from studykit.simulate.answer_key import Change, Expected, Spoiling, shift
from studykit.simulate.audit import READINGS
from studykit.simulate.cells import Cell, Formula, Shown
from studykit.vocabulary import ERROR, SUSPICION

Where = tuple[str, str, str, str]
"""Patient, visit, side, movement."""
TRIALS = ("Trial 1", "Trial 2", "Trial 3")

NO_READING: tuple[tuple[str, str, Where, str, Cell, str], ...] = (
    ("degree_sign", "a degree sign behind the number", ("001", "review", "L", "ER"), "Trial 2", "72°", "not_a_number"),
    (
        "limit_for_reading",
        "a limit in place of a reading",
        ("002", "review", "R", "ER"),
        "Trial 1",
        ">50",
        "not_a_number",
    ),
    ("unit_behind", "a unit behind the number", ("006", "first", "L", "IR"), "Trial 3", "47 deg", "not_a_number"),
    (
        "decimal_comma",
        "a decimal comma among points",
        ("007", "first", "R", "ER"),
        "Trial 1",
        "66,5",
        "ambiguous_number",
    ),
    ("point_and_comma", "a point and a comma", ("007", "review", "R", "IR"), "Trial 2", "1.066,5", "ambiguous_number"),
    ("truth_value", "TRUE in place of a reading", ("010", "first", "L", "ER"), "Trial 2", True, "yes_no_for_number"),
    ("error_value", "#N/A", ("011", "review", "L", "IR"), "Trial 1", Formula("=NA()", "#N/A"), "error_value"),
    (
        "formula_not_calculated",
        "a formula whose result the file does not hold",
        ("012", "first", "R", "ER"),
        "Trial 3",
        Formula("=ROUND(I3,0)"),
        "uncalculated_formula",
    ),
    ("percentage", "a percent format", ("015", "first", "L", "IR"), "Trial 1", Shown(0.46, "0%"), "percent_for_number"),
    ("time_of_day", "a time of day", ("016", "first", "L", "ER"), "Trial 2", Shown(0.25, "h:mm"), "date_for_number"),
    (
        "date_for_reading",
        "4.5 that a spreadsheet turned into the fourth of May",
        ("017", "first", "R", "IR"),
        "Trial 2",
        dt.date(2025, 5, 4),
        "date_for_number",
    ),
    ("two_numbers", "a range", ("020", "first", "L", "ER"), "Trial 3", "65-70", "not_a_number"),
    ("exponent", "an exponent", ("021", "first", "L", "ER"), "Trial 1", "7e1", "not_a_number"),
    ("word_for_reading", "a word", ("021", "review", "R", "IR"), "Trial 2", "refused", "not_a_number"),
    ("undeclared_missing_word", "an undeclared n/a", ("022", "first", "R", "ER"), "Trial 1", "n/a", "not_a_number"),
    ("dash_for_minus", "a long dash for a minus sign", ("003", "first", "L", "KE"), "Trial 2", "–9", "not_a_number"),
    (
        "out_of_range",
        "a reading that no shoulder reaches",
        ("025", "first", "R", "ER"),
        "Trial 2",
        190,
        "value_outside_plausible_range",
    ),
)
"""Class, what was done, where, heading, cell, rule: one reading of three that cannot be used."""

NO_ROW: tuple[tuple[str, str, Where, str, Cell, str], ...] = (
    (
        "zeros_lost",
        "an id that became a number",
        ("022", "discharge", "L", "ER"),
        "Patient no",
        22,
        "unknown_participant",
    ),
    (
        "unknown_patient",
        "a patient nobody knows",
        ("025", "review", "L", "IR"),
        "Patient no",
        "099",
        "unknown_participant",
    ),
    ("patient_missing", "no patient", ("025", "discharge", "R", "IR"), "Patient no", None, "cell_missing"),
    ("unknown_therapist", "initials nobody has", ("026", "first", "L", "ER"), "Therapist", "XY", "unknown_rater"),
    (
        "unknown_movement",
        "a movement nobody declared",
        ("026", "review", "R", "IR"),
        "Movement",
        "EX",
        "measure_not_in_protocol",
    ),
    ("misspelt_visit", "a misspelt visit", ("027", "review", "L", "ER"), "Visit", "revew", "visit_not_planned"),
    (
        "visit_as_date",
        "a visit that became a date",
        ("027", "discharge", "R", "IR"),
        "Visit",
        dt.date(2025, 2, 1),
        "date_for_text",
    ),
    ("unknown_side", "a misspelt side", ("030", "first", "L", "IR"), "Side", "rigth", "word_not_allowed"),
    ("side_missing", "no side", ("030", "review", "R", "ER"), "Side", None, "side_missing"),
    ("serial_date", "a date as the number of its day", ("008", "review", "L", "KE"), "Date", 45737, "number_for_date"),
    ("impossible_date", "the 31st of February", ("009", "first", "R", "KE"), "Date", "31/02/2025", "impossible_date"),
    (
        "month_first_date",
        "a date with the month first",
        ("013", "review", "L", "KE"),
        "Date",
        "04/25/2025",
        "impossible_date",
    ),
    ("two_digit_year", "a year of two digits", ("014", "review", "R", "KE"), "Date", "22/04/25", "two_digit_year"),
    ("word_for_date", "a word for a date", ("018", "review", "L", "KE"), "Date", "in April", "not_a_date"),
    (
        "date_far_in_future",
        "2052 for 2025",
        ("019", "discharge", "R", "KE"),
        "Date",
        dt.date(2052, 5, 20),
        "date_long_after_study",
    ),
    ("unknown_yes_no", "neither yes nor no", ("032", "first", "L", "ER"), "Warm", "a bit", "not_yes_or_no"),
)
"""The same for a whole row that cannot be used; the other side then has no partner at that visit."""


def spoil_readings(work: Spoiling) -> None:
    """All mistakes in the sheet of readings."""
    for name, what, where, heading, cell, rule in NO_READING:
        row = work.reading_row(*where)
        work.put(READINGS, row, heading, cell)
        work.note(name, what, Expected(rule, ERROR, READINGS, row, heading), _trial_lacking(row, heading))
    for name, what, where, heading, cell, rule in NO_ROW:
        row, partner = work.reading_row(*where), _partner(work, where)
        work.put(READINGS, row, heading, cell)
        work.note(name, what, Expected(rule, ERROR, READINGS, row, heading), partner)
    _before_enrolment(work)
    _outside_window(work)
    _read_after_a_change(work)
    _merged(work)
    _repeated(work)
    _not_recorded(work)
    _suspicious_values(work)


def _trial_lacking(row: int, heading: str) -> Expected:
    """What is said besides when one trial of a row cannot be used."""
    rule = "trials_missing" if heading == TRIALS[-1] else "trial_numbers_have_a_gap"
    return Expected(rule, SUSPICION, READINGS, row, "trial")


def _partner(work: Spoiling, where: Where) -> Expected:
    """What is said besides when one side of a visit cannot be used: the row of the other side is shown."""
    patient, visit, side, movement = where
    row = work.reading_row(patient, visit, "R" if side == "L" else "L", movement)
    return Expected("side_not_measured", SUSPICION, READINGS, row, "Side")


def _before_enrolment(work: Spoiling) -> None:
    where: Where = ("023", "first", "L", "KE")
    row, partner = work.reading_row(*where), _partner(work, where)
    day = shift(work.cell(READINGS, row, "Date"), -28)
    work.put(READINGS, row, "Date", day)
    found = Expected("measured_before_enrolment", ERROR, READINGS, row, "Date")
    work.note("before_enrolment", "four weeks before the first contact", found, partner)


def _outside_window(work: Spoiling) -> None:
    row = work.reading_row("024", "review", "R", "KE")
    day = shift(work.cell(READINGS, row, "Date"), 18)
    work.suspected("outside_window", "18 days late", READINGS, row, "Date", day, "visit_outside_window")
    row = work.reading_row("028", "discharge", "L", "KE")
    day = shift(work.cell(READINGS, row, "Date"), 365)
    found = "visit_outside_window"
    work.suspected("year_after", "the right day of the wrong year", READINGS, row, "Date", day, found)
    row = work.reading_row("021", "review", "L", "IR")
    planned = shift(work.cell(READINGS, row, "Date"), 0)
    day = planned.replace(month=planned.day, day=planned.month)
    work.suspected("day_and_month_exchanged", "10 April as 4 October", READINGS, row, "Date", day, found)


def _read_after_a_change(work: Spoiling) -> None:
    """Cells that a reader may mend, as long as the log says so."""
    row = work.reading_row("006", "review", "L", "ER")
    work.changed("trailing_space", "a space behind an id", READINGS, row, "Patient no", "006 ", "006")
    row = work.reading_row("006", "review", "R", "ER")
    work.changed("no_break_space", "a no-break space before an id", READINGS, row, "Patient no", "\u00a0006", "006")
    row = work.reading_row("006", "review", "L", "IR")
    work.changed(
        "zeros_only_shown", "an id whose zeros are only shown", READINGS, row, "Patient no", Shown(6, "000"), "006"
    )
    row = work.reading_row("029", "first", "L", "KE")
    work.changed("minus_sign", "the minus sign U+2212", READINGS, row, "Trial 1", "\u22129", "-9")
    row = work.reading_row("033", "first", "R", "KE")
    day = work.cell(READINGS, row, "Date")
    text = day.strftime("%d/%m/%Y") if isinstance(day, dt.date) else ""
    work.changed("date_as_text", "a date as text, day first", READINGS, row, "Date", text, str(day))
    row = work.reading_row("033", "review", "R", "KE")
    word = str(work.cell(READINGS, row, "Warm"))
    after = "yes" if word == "y" else "no"
    work.changed("capital_yes", "a capital letter", READINGS, row, "Warm", word.upper(), after)
    row = work.reading_row("034", "review", "L", "KE")
    work.put(READINGS, row, "Trial 3", "-")
    change = Change(READINGS, row, "Trial 3", "")
    work.note(
        "declared_missing_word", "the word for a missing reading", _trial_lacking(row, "Trial 3"), changes=(change,)
    )


def _merged(work: Spoiling) -> None:
    page = work.sheets[READINGS]
    row = work.reading_row("032", "review", "L", "IR")
    first = page.column("Trial 1")
    page.merged.append((row, first, row, first + 1))
    work.put(READINGS, row, "Trial 2", None)
    both = [Expected("merged_across", ERROR, READINGS, row, heading) for heading in TRIALS[:2]]
    gap = Expected("trial_numbers_have_a_gap", SUSPICION, READINGS, row, "trial")
    work.note("merged_across", "one cell merged over two trials", *both, gap)

    row = work.reading_row("032", "discharge", "L", "IR")
    page.merged.append((row, first, row + 1, first))
    work.put(READINGS, row + 1, "Trial 1", None)
    found = Expected("merged_reading", ERROR, READINGS, row + 1, "Trial 1")
    lacking = _trial_lacking(row + 1, "Trial 1")
    work.note("merged_reading", "one reading merged over two sides; it counts for the upper one", found, lacking)

    row = work.reading_row("036", "first", "L", "ER")
    column = page.column("Patient no")
    page.merged.append((row, column, row + 1, column))
    work.put(READINGS, row + 1, "Patient no", None)
    change = Change(READINGS, row + 1, "Patient no", "036")
    work.note("merged_name", "one id merged over two rows", changes=(change,))


def _repeated(work: Spoiling) -> None:
    page = work.sheets[READINGS]
    row = work.reading_row("036", "review", "R", "IR")
    copy = work.append(READINGS, list(page.rows[row - 2]))
    work.note("row_repeated", "a row copied in full", Expected("row_repeated", ERROR, READINGS, copy, "trial", 3))

    where: Where = ("036", "discharge", "L", "ER")
    row, partner = work.reading_row(*where), _partner(work, where)
    again = list(page.rows[row - 2])
    for heading in TRIALS:
        value = again[page.column(heading)]
        again[page.column(heading)] = value + 4 if isinstance(value, int) else value
    other = work.append(READINGS, again)
    both = [Expected("duplicate_trial", ERROR, READINGS, one, "trial", 3) for one in (row, other)]
    work.note("duplicate_trial", "the same trials with other numbers", *both, partner)


def _not_recorded(work: Spoiling) -> None:
    where: Where = ("034", "first", "R", "KE")
    row, partner = work.reading_row(*where), _partner(work, where)
    for heading in TRIALS:
        work.put(READINGS, row, heading, None)
    work.note("side_not_read", "one side without a reading", partner)

    row = work.reading_row("033", "discharge", "L", "KE")
    work.put(READINGS, row, "Trial 3", None)
    work.note("trial_not_read", "two trials in place of three", _trial_lacking(row, "Trial 3"))

    row = work.reading_row("028", "review", "L", "KE")
    work.put(READINGS, row, "Warm", "n" if work.cell(READINGS, row, "Warm") == "y" else "y")
    first = work.reading_row("028", "first", "L", "KE")
    found = Expected("warm_up_mixed", SUSPICION, READINGS, first, "Warm")
    work.note("warm_up_mixed", "one patient read warmed up and not; shown at the patient's first reading", found)


def _suspicious_values(work: Spoiling) -> None:
    row = work.reading_row("022", "review", "L", "IR")
    value = work.cell(READINGS, row, "Trial 2")
    tenfold = value * 10 if isinstance(value, int) else value
    rule = "value_ten_times_its_neighbours"
    work.suspected("tenfold", "a lost decimal mark", READINGS, row, "Trial 2", tenfold, rule)

    row = work.reading_row("035", "first", "R", "ER")
    value = work.cell(READINGS, row, "Trial 3")
    tenth = value / 10 if isinstance(value, int) else value
    rule = "value_a_tenth_of_its_neighbours"
    work.suspected("tenth", "a decimal mark too far left", READINGS, row, "Trial 3", tenth, rule)

    left, right = (work.reading_row("005", "review", side, "ER") for side in "LR")
    for heading in TRIALS:
        first, second = work.cell(READINGS, left, heading), work.cell(READINGS, right, heading)
        work.put(READINGS, left, heading, second)
        work.put(READINGS, right, heading, first)
    found = Expected("sides_exchanged", SUSPICION, READINGS, left, "Trial 1")
    work.note("sides_exchanged", "left and right exchanged at one visit; shown at the upper of the two rows", found)

    row = work.reading_row("020", "discharge", "L", "IR")
    value = work.cell(READINGS, row, "Trial 2")
    far = value + 37 if isinstance(value, int) else value
    work.put(READINGS, row, "Trial 2", far)
    found = Expected("trials_far_apart", SUSPICION, READINGS, row, "Trial 1")
    work.note("trials_far_apart", "one trial far from the two others", found)

    row = work.reading_row("016", "discharge", "R", "ER")
    for heading in TRIALS:
        value = work.cell(READINGS, row, heading)
        work.put(READINGS, row, heading, value - 60 if isinstance(value, int) else value)
    found = Expected("jump_between_visits", SUSPICION, READINGS, row, "Trial 1")
    work.note("jump_between_visits", "readings of somebody else", found)
