"""Mistakes in the workbook itself: what surrounds the tables, and headings for which a check refuses the study."""

from __future__ import annotations

from studykit.simulate.answer_key import Change, Expected, Spoiling
from studykit.simulate.audit import DIARY, HOMEWORK, INCIDENTS, PATIENTS, READINGS
from studykit.simulate.cells import Cell, SheetOfCells
from studykit.vocabulary import ERROR, SUSPICION

NO_ROW = 0


def spoil_surroundings(work: Spoiling) -> None:
    """Sheets, columns and rows beside the data; none of them keeps a study from being read."""
    _add_column(work, DIARY, "Mood", ["good", "fair", "good"])
    found = Expected("unknown_heading", SUSPICION, DIARY, NO_ROW, "Mood")
    work.note("column_nobody_asked_for", "a column that the protocol does not know", found)

    _add_column(work, INCIDENTS, "", [None, "see letter"])
    found = Expected("no_heading", SUSPICION, INCIDENTS, NO_ROW, "")
    work.note("column_without_heading", "a remark in a column without a heading", found)

    row = work.row_of(DIARY, Patient_no="029") + 3
    work.sheets[DIARY].hidden_rows.append(row)
    work.note("hidden_row", "a hidden row of the diary", Expected("hidden_row", ERROR, DIARY, row, ""))

    blank = work.append(HOMEWORK, [None] * 7)
    work.note("blank_row", "an empty row between two others", changes=(Change(HOMEWORK, blank, "", ""),))
    total = work.append(HOMEWORK, ["Total", None, 42.5, 108, None, None, None])
    change = Change(HOMEWORK, total, "Patient no", "")
    work.note("total_row", "a row of totals, declared to be no data", changes=(change,))

    work.sheets["To do"] = SheetOfCells(["Call back"], [["the printer"], ["room 3"]])
    found = Expected("sheet_not_read", SUSPICION, "To do", NO_ROW, "")
    work.note("sheet_beside", "a sheet that is no table", found)
    work.sheets["Old list"] = SheetOfCells(["Patient no"], [["001"], ["002"]], hidden=True)
    found = Expected("sheet_not_read", SUSPICION, "Old list", NO_ROW, "")
    work.note("hidden_sheet_beside", "a hidden sheet that is no table", found)


def spoil_headings(work: Spoiling) -> None:
    """Headings and sheets for which a check refuses the whole study."""
    _rename(work, DIARY, "Discomfort", "Disconfort")
    work.note(
        "misspelt_declared_heading",
        "a misspelt heading that the protocol declares",
        *_renamed("Discomfort", "Disconfort"),
    )

    _rename(work, DIARY, "Repeats", "How often")
    missing = Expected("missing_column", ERROR, DIARY, NO_ROW, "repetitions")
    work.note("needed_column_renamed", "a needed column renamed", missing, *_renamed("Repeats", "How often"))

    _add_column(work, READINGS, "Instrumnet", ["goniometer"])
    found = Expected("misspelt_heading", ERROR, READINGS, NO_ROW, "Instrumnet")
    work.note("misspelt_heading", "a misspelt heading of the kit's own", found)

    _add_column(work, READINGS, "Remark", ["tired"])
    found = Expected("heading_repeated", ERROR, READINGS, NO_ROW, "Remark")
    work.note("heading_twice", "one heading over two columns", found)

    _add_column(work, PATIENTS, "age_years", [43])
    found = Expected("column_given_twice", ERROR, PATIENTS, NO_ROW, "age_years")
    work.note("two_columns_for_one", "two columns that mean the same", found)

    work.sheets[PATIENTS].hidden_columns.append(work.sheets[PATIENTS].column("Height"))
    work.note("hidden_column", "a hidden column", Expected("hidden_columns", ERROR, PATIENTS, NO_ROW, ""))

    work.sheets[INCIDENTS].hidden = True
    work.note("hidden_sheet", "a hidden sheet", Expected("hidden_sheet", ERROR, INCIDENTS, NO_ROW, ""))

    work.sheets["Homewrok"] = work.sheets.pop(HOMEWORK)
    unreadable = Expected("unreadable", ERROR, HOMEWORK, NO_ROW, "")
    beside = Expected("sheet_not_read", SUSPICION, "Homewrok", NO_ROW, "")
    work.note("misspelt_sheet", "a misspelt sheet", unreadable, beside)


def _add_column(work: Spoiling, sheet: str, heading: str, cells: list[Cell]) -> None:
    page = work.sheets[sheet]
    page.headings.append(heading)
    for number, row in enumerate(page.rows):
        row.append(cells[number] if number < len(cells) else None)


def _rename(work: Spoiling, sheet: str, heading: str, new: str) -> None:
    page = work.sheets[sheet]
    page.headings[page.column(heading)] = new


def _renamed(heading: str, new: str) -> tuple[Expected, Expected]:
    """A declared heading of the diary is not there, and another one is that nobody declared."""
    return (
        Expected("declared_heading_missing", ERROR, DIARY, NO_ROW, heading),
        Expected("unknown_heading", SUSPICION, DIARY, NO_ROW, new),
    )
