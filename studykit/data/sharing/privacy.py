"""What must not be shared: direct identifiers, free text, calendar dates and people who stand out.

A finding here says which table and columns, what was seen and how often, and never repeats a value. The patterns are
made to refuse too much rather than too little: a name in a sentence cannot be recognised by any pattern, so every
column of free text is refused until a person has looked at it or has left it out.

Not looked for: groups among raters (staff are few by nature; keyed pseudonyms cover their codes), the arm (how many
people an arm has is in every report), and study days, which lead to nobody without the dates they were counted from.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.formatting import counted, listed
from studykit.protocol import Protocol
from studykit.vocabulary import COLUMNS, DATE_COLUMNS, PARTICIPANTS, RATERS

FREE_TEXT: Final = frozenset({"note", "description", "reason"})
IDENTIFIERS: Final = frozenset({"participant_id", "rater_id"})
"""Columns of codes for people; keyed pseudonyms replace them."""
WORDS: Final = frozenset({"site", "profession", "instrument", "technique"})
"""Columns of words that the protocol does not list one by one."""
KNOWN_OF_A_PERSON: Final = ("site", "sex", "age_years", "height_cm", "mass_kg")
"""What somebody may know of a participant without having seen the study; declared covariates count as well."""

LEFT_OUT: Final = "left_out"
"""Stands in a column of words that may not be empty and was left out; it identifies nobody."""

NAME: Final = "looks like names"
TEXT: Final = "free text"
HEADING: Final = "heading of an identifier"
EMAIL: Final = "e-mail address"
DATE: Final = "date in a text, perhaps of birth"
NUMBER: Final = "telephone or record number"
SMALL: Final = "groups that are too small"
DAYS: Final = "calendar dates"
A_PERSON_MAY_CLEAR: Final = frozenset({NAME, TEXT, HEADING})
"""Kinds that somebody may clear after looking; an e-mail address or a record number stays one."""

_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec|mär|mai|okt|dez"
_PATTERNS: Final[Mapping[str, re.Pattern[str]]] = {
    EMAIL: re.compile(r"[^\s@]+@[^\s@]+\.[A-Za-z]{2,}"),
    DATE: re.compile(
        rf"\d{{1,4}}[./-]\d{{1,2}}[./-]\d{{1,4}}|\d{{1,2}}\.? ?(?:{_MONTHS})[a-zä]*\.?,? ?\d{{2,4}}", re.IGNORECASE
    ),
    NUMBER: re.compile(r"(?:\d[ ()/.-]{0,2}){6,}"),
}
_CAPITALISED = r"[^\W\d_a-zß-ÿ][\w'’-]*[^\W\d_]"
_TWO_NAMES = re.compile(rf"{_CAPITALISED}(?:, ?| )(?:[^\W\d_]\. ?)*{_CAPITALISED}")
_TITLE = re.compile(r"\b(?:Mr|Mrs|Ms|Miss|Dr|Prof|Herr|Frau|Mme)\b\.? *[^\W\d_]")
_ANY_NAME = re.compile(f"{_TWO_NAMES.pattern}|{_TITLE.pattern}")
_QUOTED = re.compile("'([^']*)'|[\"“]([^\"”]*)[\"”]")
_FIRST_CAPITAL = re.compile(r"[^\W\d_a-zß-ÿ][a-zß-ÿ]{2,}")
_ONE_NAME = re.compile(r"[^\W\d_]{4,}")
_WORDS_OF_IDENTIFIERS: Final = frozenset(
    {
        "name",
        "names",
        "surname",
        "forename",
        "firstname",
        "lastname",
        "initials",
        "birth",
        "birthday",
        "born",
        "dob",
        "geburt",
        "geboren",
        "geb",
        "email",
        "mail",
        "phone",
        "telephone",
        "tel",
        "mobile",
        "fax",
        "address",
        "street",
        "postcode",
        "zip",
        "mrn",
        "nhs",
        "ssn",
        "insurance",
        "passport",
        "record",
        "hospital_no",
    }
)
_LARGEST_PLAIN_NUMBER = 100_000.0
"""A covariate with a value of six digits or more is a number that was given to somebody, not measured."""


@dataclass(frozen=True, slots=True)
class Concern:
    """One reason why a study must not be shared as it stands.

    Attributes:
        table, columns: where.
        kind: one of the kinds above.
        count: cells, days or groups concerned.
        sentence: what was seen and how often, without a value.
        way_out: what to do about it.
    """

    table: str
    columns: tuple[str, ...]
    kind: str
    count: int
    sentence: str
    way_out: str

    @property
    def place(self) -> str:
        """Such as "participants.site"; several columns are joined by " + "."""
        return " + ".join(f"{self.table}.{column}" for column in self.columns)


def concerns_of(study: Study, *, calendar: bool = True, looked_at: Collection[str] = ()) -> tuple[Concern, ...]:
    """Everything that stands against sharing these tables.

    Args:
        study: the study as it would be shared.
        calendar: True when its dates are days of the calendar, False when they are study days.
        looked_at: "table.column" of columns in which a person has looked for identifiers and found none.
    """
    found = [*_identifiers(study), *_small_groups(study)]
    if calendar:
        found += _dates(study)
    return tuple(
        concern
        for concern in found
        if not (concern.kind in A_PERSON_MAY_CLEAR and {concern.place} <= frozenset(looked_at))
    )


def concerns_frame(concerns: Collection[Concern]) -> pd.DataFrame:
    """Concerns as a frame: `where, kind, count, what, way_out`."""
    rows = [(each.place, each.kind, each.count, each.sentence, each.way_out) for each in concerns]
    return pd.DataFrame(rows, columns=["where", "kind", "count", "what", "way_out"])


def identifying_cells(study: Study, table: str, column: str) -> pd.Series:
    """True for each cell of a column of words or codes that looks like something that identifies a person.

    In free text a name may stand anywhere in the sentence; what follows no pattern is not seen. A code of one word
    counts when it is written like a name, with one capital letter in front.
    """
    cells = study.tables[table][column]
    if column not in FREE_TEXT | IDENTIFIERS | WORDS and not _of_words(study.protocol, column):
        return pd.Series(False, index=cells.index)
    filled = cells.dropna().astype("str")
    if column in IDENTIFIERS:
        seen = filled.str.fullmatch(_TWO_NAMES) | filled.str.contains(_TITLE) | filled.str.fullmatch(_FIRST_CAPITAL)
    elif column in FREE_TEXT:
        seen = filled.str.contains(_ANY_NAME)
    else:
        seen = _name_like(study, table, column, filled)
    for pattern in _PATTERNS.values():
        seen = seen | filled.str.contains(pattern)
    return seen.reindex(cells.index, fill_value=False).astype(bool)


def quotes_an_identifier(sentence: str) -> bool:
    """Whether something between quotation marks in a sentence looks like what identifies a person."""
    quoted = [text for pair in _QUOTED.findall(sentence) for text in pair if text]
    return any(_ANY_NAME.search(text) or any(each.search(text) for each in _PATTERNS.values()) for text in quoted)


def known_columns(protocol: Protocol) -> tuple[str, ...]:
    """Columns of the participants table by which somebody could be recognised."""
    return (*KNOWN_OF_A_PERSON, *protocol.covariates)


def _identifiers(study: Study) -> Iterator[Concern]:
    for table in COLUMNS:
        frame = study.tables[table]
        for column in frame.columns:
            cells = frame[column].dropna()
            if cells.empty:
                continue
            yield from _in_heading(study.protocol, table, str(column), len(cells))
            if str(column) in FREE_TEXT | IDENTIFIERS | WORDS or _of_words(study.protocol, column):
                yield from _in_words(study, table, str(column))
            elif column in study.protocol.covariates:
                yield from _in_numbers(table, str(column), cells)


def _of_words(protocol: Protocol, column: str) -> bool:
    return column in protocol.covariates and protocol.covariates[column].kind == "words"


def _in_heading(protocol: Protocol, table: str, column: str, cells: int) -> Iterator[Concern]:
    if table != PARTICIPANTS or column not in protocol.covariates:
        return
    said = f"{column} {protocol.covariates[column].label}".lower()
    if _WORDS_OF_IDENTIFIERS & {*re.split(r"[^a-zäöüß]+", said), column.lower()}:
        sentence = f"the heading names something that identifies a person; {counted(cells, 'cell')} filled"
        yield Concern(table, (column,), HEADING, cells, sentence, _leave_out(table, column))


def _in_words(study: Study, table: str, column: str) -> Iterator[Concern]:
    cells = study.tables[table][column].dropna().astype("str")
    for kind, pattern in _PATTERNS.items():
        count = int(cells.str.contains(pattern).sum())
        if count:
            yield _seen(table, column, kind, count)
    if column in FREE_TEXT:
        cells = cells[cells != LEFT_OUT]
        if cells.empty:
            return
        sentence = f"free text in {counted(len(cells), 'cell')}; no pattern can tell whether it names somebody"
        look = f"{_leave_out(table, column)}; or read it all and name the column among those looked at"
        yield Concern(table, (column,), TEXT, len(cells), sentence, look)
        return
    names = int(_name_like(study, table, column, cells).sum())
    if names:
        yield _seen(table, column, NAME, names)


def _name_like(study: Study, table: str, column: str, cells: pd.Series) -> pd.Series:
    """Cells that read like a name; a word that k people share, or that the protocol allows by name, does not."""
    like = cells.str.fullmatch(_TWO_NAMES) | cells.str.contains(_TITLE)
    if column in IDENTIFIERS:
        return like | cells.str.fullmatch(_ONE_NAME)
    covariate = study.protocol.covariates.get(column)
    if covariate is not None and covariate.allowed:
        return pd.Series(False, index=cells.index)
    who = "rater_id" if table == RATERS else "participant_id"
    people = study.tables[table][who].loc[cells.index]
    shared = cells.map(people.groupby(cells).nunique())
    return like & (shared < study.protocol.privacy.smallest_group)


def _seen(table: str, column: str, kind: str, count: int) -> Concern:
    what = kind if kind == NAME else f"a {kind}" if kind != EMAIL else f"an {kind}"
    sentence = f"{counted(count, 'cell')} {'with ' if kind != NAME else ''}{what}".replace("cells looks", "cells look")
    out = "use keyed pseudonyms" if column in IDENTIFIERS else _leave_out(table, column)
    if kind == NAME:
        out += "; or look at the cells and name the column among those looked at"
    return Concern(table, (column,), kind, count, sentence, out)


def _in_numbers(table: str, column: str, cells: pd.Series) -> Iterator[Concern]:
    count = int((np.abs(cells.to_numpy(dtype=float)) >= _LARGEST_PLAIN_NUMBER).sum())
    if count:
        yield _seen(table, column, NUMBER, count)


def _leave_out(table: str, column: str) -> str:
    return f"leave out {table}.{column}"


def _small_groups(study: Study) -> Iterator[Concern]:
    """Groups by each column, and by all together, that hold fewer people than the protocol allows."""
    people = study.tables[PARTICIPANTS]
    smallest = study.protocol.privacy.smallest_group
    filled = [column for column in known_columns(study.protocol) if people[column].notna().any()]
    sets = [(column,) for column in filled] + ([tuple(filled)] if len(filled) > 1 else [])
    for columns in sets:
        sizes = people.groupby(list(columns), dropna=False).size()
        few = sizes[sizes < smallest]
        if len(few):
            sentence = (
                f"{counted(len(few), 'group')} of fewer than {smallest} people by {listed(list(columns), most=9)}: "
                f"{int(few.sum())} of {counted(len(people), 'participant')} stand out"
            )
            yield Concern(PARTICIPANTS, columns, SMALL, len(few), sentence, "widen into bands or leave out")


def people_standing_out(study: Study) -> int:
    """Participants in a group that is too small by all columns together."""
    people = study.tables[PARTICIPANTS]
    filled = [column for column in known_columns(study.protocol) if people[column].notna().any()]
    if not filled:
        return 0
    sizes = people.groupby(filled, dropna=False).size()
    return int(sizes[sizes < study.protocol.privacy.smallest_group].sum())


def _dates(study: Study) -> Iterator[Concern]:
    smallest = study.protocol.privacy.smallest_group
    for table, columns in COLUMNS.items():
        for column in columns:
            if column not in DATE_COLUMNS:
                continue
            rows = study.tables[table][["participant_id", column]].dropna(subset=[column])
            people = rows.groupby(column)["participant_id"].nunique()
            few = int((people < smallest).sum())
            if few:
                sentence = f"{few} of {counted(len(people), 'day')} are days of fewer than {smallest} people"
                yield Concern(table, (column,), DAYS, few, sentence, "share study days in place of dates")
