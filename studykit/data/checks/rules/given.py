"""What a rule is given: the protocol, the rows under check and where each row came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.data.findings import found, no_findings
from studykit.data.intake.gathered import Gathered
from studykit.protocol import Protocol


@dataclass(frozen=True, slots=True)
class CodedColumns:
    """Columns of the gathered tables as numbers; each is worked out when a rule first asks for it and then kept."""

    gathered: Gathered
    words: dict[tuple[str, str], tuple[np.ndarray, pd.Index]] = field(default_factory=dict)
    days: dict[tuple[str, str], np.ndarray] = field(default_factory=dict)

    def words_of(self, table: str, column: str) -> tuple[np.ndarray, pd.Index]:
        """(n,) codes, -1 where empty, and the words that they stand for, in order of first appearance."""
        key = (table, column)
        if key not in self.words:
            codes, names = pd.factorize(self.gathered.tables[table][column])
            self.words[key] = codes, pd.Index(names)
        return self.words[key]

    def days_of(self, table: str, column: str) -> np.ndarray:
        """(n,) days since 1970-01-01, nan where empty."""
        key = (table, column)
        if key not in self.days:
            self.days[key] = as_days(self.gathered.tables[table][column])
        return self.days[key]


@dataclass(frozen=True, slots=True)
class Given:
    """Tables as a rule sees them.

    Attributes:
        protocol: what was planned.
        gathered: all rows as they were read, with their places and texts.
        tables: table name -> rows under check; the index is the position in the gathered table. The table that a rule
            of severity "error" speaks about is whole; the other tables hold only rows that no error has set aside.
        coded_columns: the words and days of whole columns as numbers, worked out once for all rules.
    """

    protocol: Protocol
    gathered: Gathered
    tables: Mapping[str, pd.DataFrame]
    coded_columns: CodedColumns

    def has(self, table: str) -> bool:
        """True when the study brought this table."""
        return table in self.gathered.present

    def filled(self, table: str) -> bool:
        """True when a table has any row as it was read; a sheet that nobody began says nothing about anybody."""
        return not self.gathered.tables[table].empty

    def report(
        self,
        table: str,
        positions: np.ndarray,
        *,
        column: str,
        rule: str,
        severity: str,
        message: str | Sequence[str],
        what_to_do: str,
    ) -> pd.DataFrame:
        """Findings about rows of one table: heading and cell as the person sees them."""
        positions = np.asarray(positions, dtype=np.int64)
        if not len(positions):
            return no_findings()
        places = self.gathered.places[table]
        heading: str | list[str] = self.gathered.headings[table].get(column, column)
        if column == "value" and "value_heading" in places:
            heading = [str(name) for name in places["value_heading"].iloc[positions].to_numpy(dtype=object)]
        return found(
            places,
            positions,
            table=table,
            column=heading,
            values=self.written(table, column, positions),
            rule=rule,
            severity=severity,
            message=message,
            what_to_do=what_to_do,
        )

    def written(self, table: str, column: str, positions: np.ndarray) -> list[str]:
        """The cells as they were read."""
        texts = self.gathered.texts[table]
        frame = texts if column in texts else self.gathered.tables[table]
        return ["" if pd.isna(cell) else str(cell) for cell in frame[column].iloc[positions].to_numpy(dtype=object)]

    def words(self, table: str, column: str) -> tuple[np.ndarray, pd.Index]:
        """Codes of the rows under check, -1 where empty, and the words of the whole column."""
        codes, names = self.coded_columns.words_of(table, column)
        return self._under_check(table, codes), names

    def days(self, table: str, column: str) -> np.ndarray:
        """Days since 1970-01-01 of the rows under check, nan where empty."""
        return self._under_check(table, self.coded_columns.days_of(table, column))

    def looked_up(self, table: str, column: str, by_word: pd.Series) -> np.ndarray:
        """The number that belongs to each row's word, nan for a word that is not listed."""
        codes, names = self.words(table, column)
        by_code: np.ndarray = np.append(by_word.reindex(names).to_numpy(dtype=np.float64), np.nan)
        return np.asarray(by_code[codes])

    def _under_check(self, table: str, whole: np.ndarray) -> np.ndarray:
        rows = self.tables[table]
        return whole if len(rows) == len(whole) else whole[rows.index.to_numpy()]

    def enrolled_day(self) -> pd.Series:
        """participant_id -> days since 1970 of enrolment, nan when not recorded; ids named twice are left out."""
        people = self.tables["participants"]
        people = people[people["participant_id"].notna()].drop_duplicates("participant_id", keep=False)
        return pd.Series(as_days(people["enrolled_on"]), index=people["participant_id"].to_numpy())

    def lost_day(self) -> pd.Series:
        """participant_id -> day on which the participant left the study, for those who did and whose day is known."""
        flow = self.tables["flow"]
        lost = flow[(flow["stage"] == "lost") & flow["happened_on"].notna() & flow["participant_id"].notna()]
        lost = lost.drop_duplicates("participant_id", keep=False)
        return pd.Series(as_days(lost["happened_on"]), index=lost["participant_id"].to_numpy())


def as_days(dates: pd.Series) -> np.ndarray:
    """Days since 1970-01-01 as float, nan where no date is given."""
    stamps = dates.to_numpy().astype("datetime64[D]")
    days: np.ndarray = stamps.astype(np.float64)
    days[np.isnat(stamps)] = np.nan
    return days


def date_text(day: float) -> str:
    """A day as year-month-day."""
    return str(np.datetime64(int(day), "D"))
