"""What is found about rows and cells while a sheet becomes a table: refused, uneven, hidden or doubtful ones."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from studykit.data.findings import found, found_in_file
from studykit.data.intake.sheet_columns import SheetColumn
from studykit.data.reading.sheet import NUMBER, TEXT, Sheet
from studykit.vocabulary import ERROR, SUSPICION

_LONGEST_QUOTE = 60
_IDENTIFIERS = ("participant_id", "rater_id")


@dataclass(frozen=True, slots=True)
class Spot:
    """Where rows of a sheet went: its table, the places of the table's rows, and (n, w) row of the table or -1."""

    table: str
    sheet: Sheet
    places: pd.DataFrame
    row_of: npt.NDArray[np.int64]

    def rows(self, positions: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """All rows of the table that come from these positions of the sheet."""
        rows = self.row_of[positions].ravel()
        return rows[rows >= 0]


def refused_cells(spot: Spot, one: SheetColumn) -> pd.DataFrame:
    """An error for each cell that could not be read, at every row of the table that it belongs to."""
    refused = one.converted.refused
    letter = spot.sheet.address(one.number)
    words = one.cells.iloc[refused].to_numpy(dtype=object)
    problems = one.converted.problems
    messages = [
        f"{f'cell {letter}{row}: ' if letter else ''}{_quoted(word)} {problem.message}"
        for row, word, problem in zip(spot.sheet.rows[refused], words, problems, strict=True)
    ]
    kinds = [(problem.rule, problem.what_to_do) for problem in problems]
    rows = spot.row_of[refused] if one.readings is None else spot.row_of[refused][:, list(one.readings)]
    return _for_cells(spot, one, refused, rows, words, messages, kinds)


def _for_cells(
    spot: Spot,
    one: SheetColumn,
    refused: npt.NDArray[np.int64],
    rows: npt.NDArray[np.int64],
    words: npt.NDArray[np.object_],
    messages: list[str],
    kinds: list[tuple[str, str]],
) -> pd.DataFrame:
    frames = []
    numbers = {kind: number for number, kind in enumerate(dict.fromkeys(kinds))}
    kind_of = np.array([numbers[kind] for kind in kinds], dtype=np.int64)
    for (rule, what_to_do), number in numbers.items():
        own = np.flatnonzero(kind_of == number)
        at, _ = np.nonzero(rows[own] >= 0)
        cells = own[at]
        frames.append(
            found(
                spot.places,
                rows[own][rows[own] >= 0],
                table=spot.table,
                column=one.heading,
                values=words[cells].tolist(),
                rule=rule,
                severity=ERROR,
                message=[messages[cell] for cell in cells],
                what_to_do=what_to_do,
            )
        )
        frames += [
            found_in_file(
                table=spot.table,
                file=spot.sheet.file,
                sheet=spot.sheet.sheet,
                row=int(spot.sheet.rows[refused[cell]]),
                column=one.heading,
                value=str(words[cell]),
                rule=rule,
                severity=ERROR,
                message=messages[cell],
                what_to_do=what_to_do,
            )
            for cell in own[(rows[own] < 0).all(axis=1)]
        ]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def uneven_rows(spot: Spot) -> Iterator[pd.DataFrame]:
    """An error for each row with more or fewer cells than there are headings."""
    width = len(spot.sheet.headings)
    positions = np.array(list(spot.sheet.uneven), dtype=np.int64)
    counts = np.array(list(spot.sheet.uneven.values()), dtype=np.int64)
    what_to_do = "Look for a delimiter, a line break or a decimal comma without quotation marks, and correct the row."
    for count in np.unique(counts).tolist():
        own = positions[counts == count]
        rule = "too_many_cells" if count > width else "too_few_cells"
        message = f"the row has {count} cells, but there are {width} headings"
        rows = spot.rows(own)
        yield found(
            spot.places,
            rows,
            table=spot.table,
            column="",
            values=[""] * len(rows),
            rule=rule,
            severity=ERROR,
            message=message,
            what_to_do=what_to_do,
        )
        for at in own[(spot.row_of[own] < 0).all(axis=1)].tolist():
            yield found_in_file(
                table=spot.table,
                file=spot.sheet.file,
                row=int(spot.sheet.rows[at]),
                rule=rule,
                severity=ERROR,
                message=message,
                what_to_do=what_to_do,
            )


def hidden_rows(spot: Spot, read_hidden: str) -> Iterator[pd.DataFrame]:
    """Hidden rows: an error each when the protocol does not say what to do with them, else one suspicion."""
    hidden = spot.sheet.hidden_rows
    if hidden is None or not hidden.any():
        return
    if read_hidden == "use":
        yield found_in_file(
            table=spot.table,
            file=spot.sheet.file,
            sheet=spot.sheet.sheet,
            rule="hidden_rows",
            severity=SUSPICION,
            message=f"{int(hidden.sum())} hidden rows are used: {in_runs(spot.sheet.rows[hidden])}",
            what_to_do="Show the rows and look whether they are meant.",
        )
        return
    rows = spot.rows(np.flatnonzero(hidden))
    yield found(
        spot.places,
        rows,
        table=spot.table,
        column="",
        values=[""] * len(rows),
        rule="hidden_row",
        severity=ERROR,
        message="the row is hidden in the sheet",
        what_to_do="Show or delete the row, or declare read_hidden as 'use' or 'leave out'.",
    )


def doubtful_identifiers(spot: Spot, one: SheetColumn) -> Iterator[pd.DataFrame]:
    """Suspicions about identifiers: typed as numbers, or alike to the eye."""
    if one.column not in _IDENTIFIERS:
        return
    yield from _typed_as_numbers(spot, one)
    yield from _nearly_alike(spot, one)


def _typed_as_numbers(spot: Spot, one: SheetColumn) -> Iterator[pd.DataFrame]:
    if one.kinds is None:
        return
    numbers = np.flatnonzero(one.kinds == NUMBER)
    if not len(numbers):
        return
    what_to_do = "Give the column the format 'text' and write the identifiers as they are on paper."
    if not ((one.kinds == TEXT) & (one.cells != "").to_numpy()).any():
        yield found_in_file(
            table=spot.table,
            file=spot.sheet.file,
            sheet=spot.sheet.sheet,
            column=one.heading,
            value=str(one.cells.iloc[numbers[0]]),
            rule="identifier_is_number",
            severity=SUSPICION,
            message=f"all {len(numbers)} identifiers are numbers; zeros in front may have been lost",
            what_to_do=what_to_do,
        )
        return
    rows = [(row, at) for at in numbers for row in spot.rows(np.array([at]))]
    words = [str(one.cells.iloc[at]) for _, at in rows]
    yield found(
        spot.places,
        np.array([row for row, _ in rows], dtype=np.int64),
        table=spot.table,
        column=one.heading,
        values=words,
        rule="identifier_is_number",
        severity=SUSPICION,
        message=[
            f"{_quoted(word)} is a number among identifiers of text; zeros in front may be lost" for word in words
        ],
        what_to_do=what_to_do,
    )


def _nearly_alike(spot: Spot, one: SheetColumn) -> Iterator[pd.DataFrame]:
    counts = one.converted.values.value_counts()
    spellings: dict[str, list[str]] = {}
    for name in counts.index:
        alike = unicodedata.normalize("NFKC", re.sub(r"(?<![0-9])0+(?=[0-9])", "", str(name))).casefold()
        spellings.setdefault(alike, []).append(str(name))
    for usual, *others in spellings.values():
        for other in others:
            at = np.flatnonzero((one.converted.values == other).to_numpy(dtype=bool))
            rows = spot.rows(at)[:1]
            yield found(
                spot.places,
                rows,
                table=spot.table,
                column=one.heading,
                values=[other] * len(rows),
                rule="identifiers_nearly_alike",
                severity=SUSPICION,
                message=f"{_quoted(other)} ({counts[other]} times) and {_quoted(usual)} ({counts[usual]} times) "
                "differ only in zeros, capitals or the way a letter is stored; they are kept as two",
                what_to_do="Use one spelling if they mean the same.",
            )


def in_runs(rows: npt.NDArray[np.int64]) -> str:
    """Rows as a person writes them: 5, 7-9."""
    breaks = np.flatnonzero(np.diff(rows) != 1) + 1
    runs = [(run[0], run[-1]) for run in np.split(rows, breaks)]
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


def _quoted(word: object) -> str:
    text = str(word)
    return repr(text if len(text) <= _LONGEST_QUOTE else text[:_LONGEST_QUOTE] + "...")
