"""What a rule is given: the protocol, the rows under check and where each row came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.data.findings import found, no_findings
from studykit.data.gathered import Gathered
from studykit.protocol import Protocol


@dataclass(frozen=True, slots=True)
class Given:
    """Tables as a rule sees them.

    Attributes:
        protocol: what was planned.
        gathered: all rows as they were read, with their places and texts.
        tables: table name -> rows under check; the index is the position in the gathered table. The table that a rule
            of severity "error" speaks about is whole; the other tables hold only rows that no error has set aside.
    """

    protocol: Protocol
    gathered: Gathered
    tables: Mapping[str, pd.DataFrame]

    def has(self, table: str) -> bool:
        """True when the study brought this table."""
        return table in self.gathered.present

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
            heading = [str(name) for name in places["value_heading"].iloc[positions]]
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
        return ["" if pd.isna(cell) else str(cell) for cell in frame[column].iloc[positions]]

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


def looked_up(keys: pd.Series, by_key: pd.Series) -> np.ndarray:
    """The number that belongs to each key, nan for a key that is not listed."""
    codes, names = pd.factorize(keys)
    by_code: np.ndarray = np.append(by_key.reindex(names).to_numpy(dtype=np.float64), np.nan)
    return np.asarray(by_code[codes])


def date_text(day: float) -> str:
    """A day as year-month-day."""
    return str(np.datetime64(int(day), "D"))
