"""A study becomes one that may be shared: study days for dates, keyed pseudonyms, bands, columns left out.

Every step takes a study and gives a new one, in the exact form of a checked study, so that everything that computes
from a study computes from this one too.
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from hashlib import sha256
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.sharing.privacy import (
    DAYS,
    IDENTIFIERS,
    LEFT_OUT,
    SMALL,
    concerns_of,
    known_columns,
    people_standing_out,
)
from studykit.data.study import Study
from studykit.errors import CallError, DataError, check_choice
from studykit.protocol.cells import allowed_range
from studykit.protocol.intake_model import Intake
from studykit.vocabulary import COLUMNS, DATE_COLUMNS, NUMBER_COLUMNS, PARTICIPANTS, REQUIRED

CALENDAR: Final = "calendar"
STUDY_DAYS: Final = "study days"
DAY_ZERO: Final = date(2000, 1, 1)
"""Inside the kit a study day is written as this date plus the day, so that the rest of the kit need not know."""
FEWEST_KEY_BYTES: Final = 16
_LETTERS: Final = "bcdfghjkmnpqrstvwxz"
_PSEUDONYM_LETTERS: Final = 12
_NEVER_LEFT_OUT: Final = frozenset({"arm", "visit", "side", "stage", "enrolled_on"})
BANDS: Final[Mapping[str, tuple[float, ...]]] = {
    f"{PARTICIPANTS}.age_years": (10.0, 20.0),
    f"{PARTICIPANTS}.height_cm": (10.0, 20.0),
    f"{PARTICIPANTS}.mass_kg": (10.0, 20.0),
}
"""Widths of bands that are offered."""


@dataclass(frozen=True, slots=True)
class Sharing:
    """What is done to a study before it is shared.

    Attributes:
        dates: "calendar" leaves dates as they are; "study days" counts them from each participant's enrolment.
        key: secret for pseudonyms of participants and raters (HMAC-SHA256); None keeps the codes.
        leave_out: "table.column" of columns that are emptied.
        coarsen: "table.column" -> width of the bands; a number becomes the middle of its band.
        looked_at: "table.column" of columns in which a person has looked for identifiers and found none.
    """

    dates: str = CALENDAR
    key: bytes | None = field(default=None, repr=False)
    leave_out: tuple[str, ...] = ()
    coarsen: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    looked_at: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_choice(self.dates, (CALENDAR, STUDY_DAYS), "dates")
        if self.key is not None and len(self.key) < FEWEST_KEY_BYTES:
            raise CallError(
                f"The key for pseudonyms has {len(self.key)} bytes; it needs at least {FEWEST_KEY_BYTES} random ones."
            )


def shareable(study: Study, sharing: Sharing) -> Study:
    """The study with everything done to it that `sharing` asks for; rows keep their order unless codes are replaced.

    Raises:
        CallError: a column is unknown, or cannot be left out or made into bands.
        DataError: two codes would get one pseudonym.
    """
    tables = {name: study.table(name) for name in COLUMNS}
    for name in (*sharing.looked_at, *sharing.leave_out, *sharing.coarsen):
        _check_known(name, tables)
    for name in sharing.leave_out:
        _leave_out(name, tables)
    for name, width in sharing.coarsen.items():
        _coarsen(name, width, tables, study)
    if sharing.dates == STUDY_DAYS:
        _count_days(tables)
    protocol = study.protocol.model_copy(update={"intake": Intake()})
    if sharing.key is not None:
        raters = tuple(pseudonym(code, kind="rater_id", key=sharing.key) for code in protocol.raters)
        protocol = protocol.model_copy(update={"raters": raters})
        tables = {name: _with_pseudonyms(frame, sharing.key) for name, frame in tables.items()}
    return Study(protocol, tables, study.findings.iloc[:0], study.rows_in, study.rows_set_aside)


def pseudonym(code: str, *, kind: str, key: bytes) -> str:
    """The pseudonym of a code: HMAC-SHA256 over kind and code, as twelve letters behind "p1_".

    Nobody without the key can make or check a pseudonym, however few codes there are to try. 19^12 = 2e15 pseudonyms:
    among 10,000 people two share one with a probability of 2e-8, and that is checked.

    Source: Krawczyk H, Bellare M, Canetti R (1997), RFC 2104, from memory.
    """
    number = int.from_bytes(hmac.new(key, f"{kind}\0{code}".encode(), sha256).digest(), "big")
    letters = []
    for _ in range(_PSEUDONYM_LETTERS):
        number, place = divmod(number, len(_LETTERS))
        letters.append(_LETTERS[place])
    return "p1_" + "".join(letters)


def one_way_out(study: Study, sharing: Sharing) -> Sharing:
    """A sharing, as close to the given one as this search finds, against which no concern is left but for codes.

    Dates become study days, columns with identifiers or free text are left out, and of what is known of people as much
    is kept as leaves nobody in a small group, in bands where these are enough. Codes that look like names need a key,
    which only a person can keep; the caller asks for it.
    """
    looked = frozenset(sharing.looked_at)
    found = concerns_of(shareable(study, sharing), calendar=sharing.dates == CALENDAR, looked_at=looked)
    if any(concern.kind == DAYS for concern in found):
        sharing = replace(sharing, dates=STUDY_DAYS)
    columns = [c.place for c in found if c.kind not in (DAYS, SMALL) and not set(c.columns) & IDENTIFIERS]
    sharing = replace(sharing, leave_out=tuple(dict.fromkeys([*sharing.leave_out, *columns])))
    return _without_small_groups(study, sharing) if any(c.kind == SMALL for c in found) else sharing


def _without_small_groups(study: Study, sharing: Sharing) -> Sharing:
    """Begin with nothing that is known of people, and take back each column that makes nobody stand out."""
    names = [f"{PARTICIPANTS}.{column}" for column in _most_useful_first(study)]
    names = [name for name in names if name not in sharing.leave_out]
    chosen = replace(
        sharing,
        leave_out=(*sharing.leave_out, *names),
        coarsen={name: width for name, width in sharing.coarsen.items() if name not in names},
    )
    for name in names:
        for width in _widths(name, sharing):
            bands = chosen.coarsen if width is None else {**chosen.coarsen, name: width}
            kept = tuple(other for other in chosen.leave_out if other != name)
            choice = replace(chosen, leave_out=kept, coarsen=bands)
            if people_standing_out(shareable(study, choice)) == 0:
                chosen = choice
                break
    return chosen


def _most_useful_first(study: Study) -> list[str]:
    """Columns known of people that hold anything, those that readers of a study ask for first in front."""
    people = study.tables[PARTICIPANTS]
    order = ["age_years", "sex", *(name for name in known_columns(study.protocol) if name not in ("age_years", "sex"))]
    return [name for name in order if people[name].notna().any()]


def _widths(name: str, sharing: Sharing) -> list[float | None]:
    """Widths of bands to try for a column, narrowest first; None is the column as it is."""
    if name in sharing.coarsen:
        return [sharing.coarsen[name], *(width for width in BANDS.get(name, ()) if width > sharing.coarsen[name])]
    return [None, *BANDS.get(name, ())]


def _check_known(name: str, tables: Mapping[str, pd.DataFrame]) -> None:
    table, _, column = name.partition(".")
    if table not in tables:
        raise CallError(f"There is no table in {name!r}; write table.column, such as measurements.note.")
    if column not in tables[table].columns:
        raise CallError(f"The table {table} has no column {column!r}; it has {', '.join(tables[table].columns)}.")


def _leave_out(name: str, tables: dict[str, pd.DataFrame]) -> None:
    table, _, column = name.partition(".")
    frame = tables[table]
    if column in _NEVER_LEFT_OUT or (column in REQUIRED[table] and column != "description"):
        raise CallError(f"{name} cannot be left out: the answers of the study are computed from it.")
    if column == "description":
        frame[column] = frame[column].where(frame[column].isna(), LEFT_OUT)
    else:
        frame[column] = pd.Series(index=frame.index, dtype=frame[column].dtype)


def _coarsen(name: str, width: float, tables: dict[str, pd.DataFrame], study: Study) -> None:
    table, _, column = name.partition(".")
    covariate = study.protocol.covariates.get(column)
    is_number = column in NUMBER_COLUMNS or (covariate is not None and covariate.kind == "number")
    if table != PARTICIPANTS or not is_number:
        raise CallError(f"{name} cannot be made into bands; only numbers of the table participants can.")
    if not (np.isfinite(width) and width > 0):
        raise CallError(f"Bands of {name} are {width!r} wide; give a number above 0, such as 10.")
    bounds = allowed_range(table, column, study.protocol)
    middle = np.floor(tables[table][column] / width) * width + width / 2.0
    tables[table][column] = middle if bounds is None else middle.clip(bounds.low, bounds.high)


def _count_days(tables: dict[str, pd.DataFrame]) -> None:
    """Count every date from its participant's enrolment, or from the first date known where there is no enrolment."""
    dated = [(table, column) for table in tables for column in COLUMNS[table] if column in DATE_COLUMNS]
    both = [
        pd.DataFrame({"who": tables[table]["participant_id"], "day": tables[table][column]}) for table, column in dated
    ]
    first = pd.concat(both, ignore_index=True).dropna().groupby("who")["day"].min()
    people = tables[PARTICIPANTS].dropna(subset=["participant_id"]).drop_duplicates("participant_id")
    enrolled = people.set_index("participant_id")["enrolled_on"].dropna()
    zero = pd.concat([enrolled, first[~first.index.isin(enrolled.index)]])
    for table, column in dated:
        frame = tables[table]
        days = frame[column] - zero.reindex(frame["participant_id"]).set_axis(frame.index)
        frame[column] = (pd.Timestamp(DAY_ZERO) + days).astype("datetime64[us]")


def _with_pseudonyms(frame: pd.DataFrame, key: bytes) -> pd.DataFrame:
    """Codes replaced, and rows in the order of the new codes: the old order would tell who came first."""
    columns = [column for column in frame.columns if column in IDENTIFIERS]
    for column in columns:
        codes = frame[column].dropna().unique()
        names = {code: pseudonym(str(code), kind=str(column), key=key) for code in codes}
        if len(set(names.values())) < len(names):
            raise DataError(f"Two codes in {column} got the same pseudonym; use another key.")
        frame[column] = frame[column].map(names).astype("str")
    return frame.sort_values(columns[0], kind="stable", ignore_index=True) if columns else frame
