"""What a protocol declares about its sheets: where each table lies and how its cells are to be read.

Nothing here is guessed from the data: a heading, a unit, a decimal comma or a date order that differs from the
plain form must be declared.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator


def _inside_data(name: str) -> str:
    if not name.strip() or name in {".", ".."} or any(sign in name for sign in "/\\:"):
        raise ValueError("give the name of a file in data/, without a folder")
    return name


FileName = Annotated[str, AfterValidator(_inside_data)]
"""Name of a file in the data folder: never a path, so that a protocol cannot reach outside its study."""
TableName = Literal["participants", "raters", "measurements", "prescriptions", "diary", "events", "flow"]


class _Declared(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class WideColumn(_Declared):
    """One column of readings in a wide sheet, and what all its readings have in common."""

    heading: str = Field(min_length=1)
    measure: str | None = None
    side: Literal["left", "right"] | None = None
    trial: int | None = Field(default=None, ge=1)
    rater_id: str | None = None
    visit: str | None = None
    measured_on: str | None = Field(default=None, description="heading of the column that holds the date")


class TableIntake(_Declared):
    """How one table is read.

    file: file name in data/, when it is not the table's own name; sheet: sheet of a workbook, likewise.
    heading_row: the row that holds the headings, counted from 1; unsaid, it is row 1, or in the common workbook that
        workbook's `workbook_heading_row`.
    headings: heading in the sheet -> column of the table.
    fixed: column of the table -> one word that holds for every row.
    units: column -> unit in which the sheet gives it ("in" for inches, "cm", "mm", "deg", "min", "lb", "ft"); only
        length, time and mass are converted, by their exact factors.
    codes: column -> {word in the sheet -> code of the kit}, for example sex = {w = "female"}.
    ignore: headings that are left out on purpose.
    ignore_rows_with: first-column words that mark a row as no data (such as an example row), besides those that
        [intake] names for every table.
    wide: one entry per column of readings in a wide measurements sheet.
    """

    file: FileName | None = None
    sheet: str | None = None
    heading_row: int | None = Field(default=None, ge=1, le=1000)
    headings: dict[str, str] = Field(default_factory=dict)
    fixed: dict[str, str] = Field(default_factory=dict)
    units: dict[str, Literal["in", "ft", "m", "cm", "mm", "deg", "min", "s", "lb", "kg"]] = Field(default_factory=dict)
    codes: dict[str, dict[str, str]] = Field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    ignore_rows_with: tuple[str, ...] = ()
    wide: tuple[WideColumn, ...] = ()


class Intake(_Declared):
    """How the files of this study are read, the [intake] table of study.toml.

    decimal_mark: the sign between units and tenths in text cells.
    date_order: how text dates are written; "year-month-day" is the plain form.
    missing_words: cells that mean "not recorded"; an empty cell always does.
    yes_words, no_words: words for true and false in yes/no columns.
    encoding, delimiter: of .csv files; None lets the file say it by its byte-order mark and its heading line.
    workbook: the one .xlsx file that holds the tables, when its name must be said. A sheet of it without any reading
        gives way to a file that bears the table's name.
    workbook_heading_row: the row of the headings in the sheets of that workbook.
    ignore_rows_with: first-column words that mark a row as no data, in every table.
    ignore_sheets: sheets of a workbook that hold no data, such as a page of explanations.
    read_hidden: what to do with hidden rows, columns and sheets.
    """

    decimal_mark: Literal[".", ","] = "."
    date_order: Literal["year-month-day", "day-month-year", "month-day-year"] = "year-month-day"
    missing_words: tuple[str, ...] = ()
    yes_words: tuple[str, ...] = ("yes",)
    no_words: tuple[str, ...] = ("no",)
    encoding: Literal["utf-8", "utf-16", "windows-1252"] | None = None
    delimiter: Literal[",", ";", "tab"] | None = None
    workbook: FileName | None = None
    workbook_heading_row: int = Field(default=1, ge=1, le=1000)
    ignore_rows_with: tuple[str, ...] = ()
    ignore_sheets: tuple[str, ...] = ()
    read_hidden: Literal["refuse", "use", "leave out"] = "refuse"
    tables: dict[TableName, TableIntake] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        if self.decimal_mark == "," and self.delimiter == ",":
            raise ValueError("decimal_mark and delimiter cannot both be a comma")
        return self

    def table(self, name: TableName) -> TableIntake:
        """What is declared for a table; the plain form when nothing is."""
        declared = self.tables.get(name, TableIntake())
        if not self.ignore_rows_with:
            return declared
        marks = dict.fromkeys((*self.ignore_rows_with, *declared.ignore_rows_with))
        return declared.model_copy(update={"ignore_rows_with": tuple(marks)})
