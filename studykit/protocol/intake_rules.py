"""Rules for the [intake] of a protocol: it may speak only of columns, measures, visits and arms that the study has."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from studykit.protocol.intake_model import TableIntake
from studykit.protocol.lines import Place
from studykit.protocol.outline import Outline
from studykit.protocol.problems import Problem, meant, quoted
from studykit.vocabulary import COLUMNS, MEASUREMENTS, NUMBER_COLUMNS, PARTICIPANTS, SEXES, SIDES, WHOLE_NUMBER_COLUMNS


def problems_of_intake(outline: Outline) -> Iterator[Problem]:
    """Every problem between [intake] and the rest of the protocol, table by table."""
    for table, intake in outline.intake.items():
        if intake is None or table not in COLUMNS:
            continue
        place: Place = ("intake", "tables", table)
        columns = [*COLUMNS[table], *(outline.covariates if table == PARTICIPANTS else ())]
        yield from _columns(place, intake, columns)
        yield from _units(place, intake)
        yield from _words(place, intake, _allowed_words(outline))
        yield from _wide(place, intake, outline, table)


def _columns(place: Place, intake: TableIntake, columns: list[str]) -> Iterator[Problem]:
    """A declared column is a column of the table, and is declared once."""
    source: dict[str, str] = {}
    for heading, column in intake.headings.items():
        where = (*place, "headings", heading)
        if column not in columns:
            yield Problem(
                where, f"heading {quoted(heading)} leads to {quoted(column)}, no column{meant(column, columns)}"
            )
        elif column in source:
            yield Problem(
                where, f"headings {quoted(source[column])} and {quoted(heading)} both lead to column {quoted(column)}."
            )
        if heading in intake.ignore:
            yield Problem(where, f"heading {quoted(heading)} is both used and ignored; decide for one.")
        source.setdefault(column, heading)
    for part, named_columns in (("fixed", intake.fixed), ("units", intake.units), ("codes", intake.codes)):
        for column in named_columns:
            if column not in columns:
                yield Problem(
                    (*place, part, column), f"{quoted(column)} under {part} is not a column{meant(column, columns)}"
                )
    for column in intake.fixed:
        if column in source:
            yield Problem(
                (*place, "fixed", column),
                f"column {quoted(column)} is fixed to one word and also read from heading {quoted(source[column])}.",
            )


_LENGTHS: Final = frozenset({"in", "ft", "m", "cm", "mm"})
_UNITS_OF: Final[dict[str, frozenset[str]]] = {
    "height_cm": _LENGTHS,
    "mass_kg": frozenset({"lb", "kg"}),
    "hold_s": frozenset({"min", "s"}),
    "value": _LENGTHS | {"deg"},
}


def _units(place: Place, intake: TableIntake) -> Iterator[Problem]:
    for column, unit in intake.units.items():
        if column not in NUMBER_COLUMNS | WHOLE_NUMBER_COLUMNS:
            continue
        allowed = _UNITS_OF.get(column)
        if allowed is None:
            yield Problem(
                (*place, "units", column), f"column {quoted(column)} has no other unit than the one in its name."
            )
        elif unit not in allowed:
            yield Problem(
                (*place, "units", column),
                f"column {quoted(column)} cannot be given in {quoted(unit)}{meant(unit, sorted(allowed))}",
            )


def _allowed_words(outline: Outline) -> dict[str, list[str]]:
    """Words that may stand in a column, for the columns whose words the protocol decides."""
    words = {"side": list(SIDES), "sex": list(SEXES), "measure": list(outline.measures), "arm": list(outline.arms)}
    if outline.every_visit_named:
        words["visit"] = outline.visit_keys
    if outline.raters:
        words["rater_id"] = list(outline.raters)
    return {column: known for column, known in words.items() if known}


def _words(place: Place, intake: TableIntake, allowed: dict[str, list[str]]) -> Iterator[Problem]:
    for column, word in intake.fixed.items():
        if column in allowed:
            yield from _unknown_word((*place, "fixed", column), column, word, allowed[column])
    for column, codes in intake.codes.items():
        if column in allowed:
            for written, word in codes.items():
                yield from _unknown_word((*place, "codes", column, written), column, word, allowed[column])


def _wide(place: Place, intake: TableIntake, outline: Outline, table: str) -> Iterator[Problem]:
    if not intake.wide:
        return
    if table != MEASUREMENTS:
        yield Problem((*place, "wide"), "only the measurements table can have one column per reading (wide).")
        return
    allowed = _allowed_words(outline)
    seen: set[str] = set()
    for position, column in enumerate(intake.wide):
        where = (*place, "wide", position)
        for name, word in (("measure", column.measure), ("visit", column.visit), ("rater_id", column.rater_id)):
            if word is not None and name in allowed:
                yield from _unknown_word((*where, name), name, word, allowed[name])
        if column.heading in seen:
            yield Problem((*where, "heading"), f"heading {quoted(column.heading)} is declared wide more than once.")
        if column.heading in intake.headings or column.heading in intake.ignore:
            yield Problem(
                (*where, "heading"),
                f"heading {quoted(column.heading)} is declared wide and also under headings or ignore; decide for one.",
            )
        seen.add(column.heading)


def _unknown_word(place: Place, column: str, word: str, known: Iterable[str]) -> Iterator[Problem]:
    words = list(known)
    if word not in words:
        yield Problem(place, f"{quoted(word)} cannot stand in column {quoted(column)}{meant(word, words)}")
