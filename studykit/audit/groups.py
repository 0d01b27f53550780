"""Months and therapists as groups that are large enough to be shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
OTHERS: Final = "others"


@dataclass(frozen=True, slots=True)
class Grouping:
    """Groups of at least the smallest size.

    Attributes:
        of: what is grouped -> key of its group.
        labels: key -> words, in the order of print.
        joined: how many were joined with others because fewer people than the smallest group stood behind them.
    """

    of: dict[str, str]
    labels: dict[str, str]
    joined: int


def knows_calendar(enrolled_on: pd.Series) -> bool:
    """False where all people were enrolled on one day, as in data whose dates are days of the study."""
    return bool(enrolled_on.nunique() != 1)


def months_of(visits: pd.DataFrame, smallest: int) -> Grouping:
    """Months in which visits were planned; months with few people are joined with the month that follows.

    Args:
        visits: `planned_on`, `participant_id`, `visit`, `held`; people count where a visit of theirs took place.
        smallest: people below which a month is not shown alone.

    Returns:
        `of` maps "2025-02" to the first month of its group; visits without a planned day are in no group, and no visit
        is where each visit was planned on one day for all (`knows_calendar`).
    """
    if not any(knows_calendar(own) for _, own in visits.groupby("visit")["planned_on"]):
        return Grouping({}, {}, 0)
    month = visits["planned_on"].dt.strftime("%Y-%m")
    names = sorted(month.dropna().unique())
    came = {name: set(visits.loc[(month == name) & visits["held"], "participant_id"]) for name in names}
    spans: list[list[str]] = []
    for name in names:
        if spans and len(set().union(*(came[one] for one in spans[-1]))) < smallest:
            spans[-1].append(name)
        else:
            spans.append([name])
    if len(spans) > 1 and len(set().union(*(came[one] for one in spans[-1]))) < smallest:
        last = spans.pop()
        spans[-1] += last
    return Grouping(
        of={name: span[0] for span in spans for name in span},
        labels={span[0]: _span_words(span[0], span[-1]) for span in spans},
        joined=sum(len(span) for span in spans if len(span) > 1),
    )


def therapists_of(held: pd.DataFrame, smallest: int) -> Grouping:
    """Therapists in the order of their codes; those with few people are joined as "others", never one alone.

    Args:
        held: visits that took place: `rater_id`, `participant_id`.
        smallest: people below whom a therapist is not shown alone.
    """
    people = held.groupby("rater_id")["participant_id"].agg(set)
    codes = sorted(str(code) for code in people.index)
    by_size = sorted(codes, key=lambda code: (len(people[code]), code))
    few = [code for code in by_size if len(people[code]) < smallest]
    rest = [code for code in by_size if code not in few]
    while few and rest and (len(few) == 1 or len(set().union(*(people[code] for code in few))) < smallest):
        few.append(rest.pop(0))
    alone = [code for code in codes if code not in few]
    labels = {code: code for code in alone}
    if few:
        labels[OTHERS] = f"{OTHERS} ({len(few)})"
    return Grouping({code: code if code in alone else OTHERS for code in codes}, labels, len(few))


def _span_words(first: str, last: str) -> str:
    """Feb 2025; Feb to Apr 2025; Nov 2024 to Jan 2025."""
    (year, month), (last_year, last_month) = first.split("-"), last.split("-")
    start, end = MONTHS[int(month) - 1], f"{MONTHS[int(last_month) - 1]} {last_year}"
    if first == last:
        return end
    return f"{start} to {end}" if year == last_year else f"{start} {year} to {end}"
