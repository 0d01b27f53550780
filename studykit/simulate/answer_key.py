"""What was spoilt on purpose and what a check should say about it: the answers that lie beside the workbook."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, field

from studykit.simulate.cells import Cell, SheetOfCells
from studykit.toml_text import toml_text
from studykit.vocabulary import ERROR, SUSPICION

FIRST_ROW = 2
HEADER = """\
# Every mistake in data/clinic.xlsx, class by class. `what` says what was done to the workbook. Each finding is a line
# that a check should report, `count` times (`row` as a spreadsheet shows it; 0 where a finding is about no single row),
# each change is a cell that is read all the same, with a line in the log. Nothing else should be reported, but for a
# suspicion about a cell that an error names already. `refusals` are the mistakes in refused_clinic.xlsx, for which a
# check refuses the whole study.

"""


@dataclass(frozen=True, slots=True)
class Expected:
    """A line that a check should report, `count` times: what is wrong with a trial number is said of each trial."""

    rule: str
    severity: str
    sheet: str
    row: int
    column: str
    count: int = 1


@dataclass(frozen=True, slots=True)
class Change:
    """One cell that is read after a change which the log should show."""

    sheet: str
    row: int
    column: str
    after: str


@dataclass(frozen=True, slots=True)
class Mistake:
    """One class of mistakes as it was seeded."""

    name: str
    what: str
    findings: tuple[Expected, ...] = ()
    changes: tuple[Change, ...] = ()


@dataclass(slots=True)
class Spoiling:
    """Sheets that are being spoilt, and the answers so far."""

    sheets: dict[str, SheetOfCells]
    mistakes: list[Mistake] = field(default_factory=list)

    def row_of(self, sheet: str, **cells: Cell) -> int:
        """The row, as a person sees it, of the first row with these cells; spaces in headings are written as _."""
        page = self.sheets[sheet]
        wanted = {page.column(heading.replace("_", " ")): cell for heading, cell in cells.items()}
        for number, row in enumerate(page.rows, start=FIRST_ROW):
            if all(row[column] == cell for column, cell in wanted.items()):
                return number
        raise LookupError(f"no row of {sheet} holds {cells}")

    def reading_row(self, patient: str, visit: str, side: str, movement: str) -> int:
        """A row of the readings."""
        return self.row_of("Readings", Patient_no=patient, Visit=visit, Side=side, Movement=movement)

    def cell(self, sheet: str, row: int, heading: str) -> Cell:
        """What stands in a cell."""
        page = self.sheets[sheet]
        return page.rows[row - FIRST_ROW][page.column(heading)]

    def put(self, sheet: str, row: int, heading: str, cell: Cell) -> None:
        """Write a cell."""
        page = self.sheets[sheet]
        page.rows[row - FIRST_ROW][page.column(heading)] = cell

    def append(self, sheet: str, cells: list[Cell]) -> int:
        """Add a row at the end; the row as a person sees it."""
        self.sheets[sheet].rows.append(cells)
        return len(self.sheets[sheet].rows) + FIRST_ROW - 1

    def note(self, name: str, what: str, *findings: Expected, changes: tuple[Change, ...] = ()) -> None:
        """Record a class of mistakes."""
        self.mistakes.append(Mistake(name, what, findings, changes))

    def refused(self, name: str, what: str, sheet: str, row: int, heading: str, cell: Cell, rule: str) -> None:
        """Write a cell that an error should name."""
        self.put(sheet, row, heading, cell)
        self.note(name, what, Expected(rule, ERROR, sheet, row, heading))

    def suspected(self, name: str, what: str, sheet: str, row: int, heading: str, cell: Cell, rule: str) -> None:
        """Write a cell that a suspicion should name."""
        self.put(sheet, row, heading, cell)
        self.note(name, what, Expected(rule, SUSPICION, sheet, row, heading))

    def changed(self, name: str, what: str, sheet: str, row: int, heading: str, cell: Cell, after: str) -> None:
        """Write a cell that is read after a change in the log."""
        self.put(sheet, row, heading, cell)
        self.note(name, what, changes=(Change(sheet, row, heading, after),))


def shift(day: Cell, days: int) -> dt.date:
    """A date cell moved by some days."""
    if not isinstance(day, dt.date):
        raise TypeError(f"{day!r} is no date")
    return day + dt.timedelta(days=days)


def answers_text(mistakes: list[Mistake], refusals: list[Mistake]) -> str:
    """The text of answers.toml."""
    return HEADER + toml_text({"mistakes": _entries(mistakes), "refusals": _entries(refusals)})


def _entries(mistakes: list[Mistake]) -> list[dict[str, object]]:
    entries = [
        {
            "class": mistake.name,
            "what": mistake.what,
            "findings": [asdict(found) for found in mistake.findings],
            "changes": [asdict(change) for change in mistake.changes],
        }
        for mistake in mistakes
    ]
    return [{key: value for key, value in entry.items() if value} for entry in entries]
