"""Who took part: every recorded characteristic by arm at the start. No test compares the arms.

A test of whether arms that were made by chance differ at the start asks a question whose answer is known (Senn 1994,
Statistics in Medicine 13, 1715-1726; from memory); what counts is how large a difference is, and that is for a reader.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from studykit.data.deriving import mean_of_trials, used_readings
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import NO_BREAK, counted, decimals_for_width, listed, number, percent, unit_sign
from studykit.result import Result
from studykit.sample.groups import EVERYBODY, NO_LIST, NOT_LISTED, groups_of, has_list
from studykit.table import Column, Table
from studykit.vocabulary import PARTICIPANTS, SEXES

COLUMNS: Final = (
    "characteristic",
    "label",
    "unit",
    "level",
    "group",
    "participants",
    "known",
    "count",
    "mean",
    "sd",
    "median",
    "low_quarter",
    "high_quarter",
)
NUMBERS: Final = ("known", "mean", "sd", "median", "low_quarter", "high_quarter")
OWN_NUMBERS: Final = {"age_years": ("Age", "years"), "height_cm": ("Height", "cm"), "mass_kg": ("Body mass", "kg")}
OTHER_LEVELS: Final = "other"


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One thing that is known of people.

    Attributes:
        key, label, unit: its names.
        value: participant_id -> number or word; only those who are known.
        levels: words in print order; empty for numbers.
    """

    key: str
    label: str
    unit: str
    value: pd.Series
    levels: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Baseline(Result):
    """Characteristics at the start.

    Attributes:
        described: one row a characteristic (or level of one) and group; `COLUMNS`.
        labels: group -> its heading.
        smallest_group: fewer people than these are not summarised.
    """

    described: pd.DataFrame
    labels: dict[str, str]
    smallest_group: int

    def to_frame(self) -> pd.DataFrame:
        """One row a characteristic, level and group."""
        return self.described.copy()

    def numbers(self) -> dict[str, float]:
        """`<group>.<characteristic>.known`, `.mean`, `.sd`, `.median`, quarters; `<group>.<characteristic>.<level>`."""
        named = {}
        for row in self.described.to_dict("records"):
            start = f"{row['group']}.{row['characteristic']}"
            if row["level"]:
                named[f"{start}.{'_'.join(str(row['level']).split())}"] = float(row["count"])
                named[f"{start}.known"] = float(row["known"])
                continue
            named.update({f"{start}.{name}": float(row[name]) for name in NUMBERS})
        sizes = self.described.drop_duplicates("group")
        return {**named, **{f"{row.group}.participants": float(row.participants) for row in sizes.itertuples()}}

    def table(self) -> Table:
        """Characteristics down, groups across; counts with percentages, numbers as mean (SD)."""
        sizes = self.described.drop_duplicates("group").set_index("group")["participants"]
        columns = [
            Column(f"{label} (n{NO_BREAK}={NO_BREAK}{int(sizes[group])})") for group, label in self.labels.items()
        ]
        rows = [
            (heading, *(cells[group] for group in self.labels))
            for heading, cells in _printed(self.described, self.smallest_group)
        ]
        notes = (
            "Numbers: mean (standard deviation). Words: participants (% of those known). Where fewer are known than "
            "took part, their number stands behind.",
            "No test compares the arms at the start: arms made by chance differ by chance.",
        )
        return Table(
            "sample", "Sample at the start by arm", (Column("Characteristic", "left"), *columns), tuple(rows), notes
        )


def baseline_of_study(study: Study) -> Baseline:
    """Describe age, height, mass, sex, site, declared covariates and the first readings of every measure, by arm.

    Words that anybody may write (sites, covariates without a list) are named only where at least `smallest_group`
    people share them; the others are counted together. Numbers of fewer people are not summarised. So no word and no
    number of a single person is printed.

    Raises:
        DesignError: nothing is recorded.
    """
    found = list(_characteristics(study))
    if not found:
        raise DesignError("Nothing is recorded about the participants (no age, sex, height, mass or covariate).")
    groups = groups_of(study)
    smallest = study.protocol.privacy.smallest_group
    rows = [
        row for one in found for group, (_, people) in groups.items() for row in _rows(one, group, people, smallest)
    ]
    described = pd.DataFrame(rows, columns=list(COLUMNS))
    everybody = described[described["group"] == EVERYBODY]
    return Baseline(
        key="sample",
        title="Sample at the start",
        headline=_headline(everybody, found, has_list(study)),
        cautions=_cautions(everybody) if has_list(study) else (*_cautions(everybody), NO_LIST),
        methods=(
            "Characteristics at the start are described as mean (standard deviation) or number (%); arms were not "
            "compared by tests."
        ),
        provenance=study.provenance(),
        described=described,
        labels={group: label for group, (label, _) in groups.items()},
        smallest_group=smallest,
    )


def _characteristics(study: Study) -> Iterator[Characteristic]:
    """Everything of which at least one value is known, in the order of print."""
    people = study.table(PARTICIPANTS).set_index("participant_id")
    for name, (label, unit) in OWN_NUMBERS.items():
        if people[name].notna().any():
            yield Characteristic(name, label, unit, people[name].dropna())
    if people["sex"].notna().any():
        present = set(people["sex"].dropna())
        yield Characteristic("sex", "Sex", "", people["sex"].dropna(), tuple(s for s in SEXES if s in present))
    if people["site"].notna().any():
        yield _free_words("site", "Site", people["site"].dropna(), study)
    for name, covariate in study.protocol.covariates.items():
        known = people[name].dropna()
        if known.empty:
            continue
        if covariate.kind == "number":
            yield Characteristic(name, covariate.label, covariate.unit, known.astype(float))
        elif covariate.allowed:
            present = set(known)
            levels = tuple(word for word in covariate.allowed if word in present)
            yield Characteristic(name, covariate.label, "", known, levels)
        else:
            yield _free_words(name, covariate.label, known, study)
    yield from _first_readings(study)


def _free_words(key: str, label: str, known: pd.Series, study: Study) -> Characteristic:
    counts = known.value_counts().sort_index()
    named = [str(word) for word, count in counts.items() if count >= study.protocol.privacy.smallest_group]
    words = known.where(known.isin(named), OTHER_LEVELS)
    rest = [OTHER_LEVELS] if bool((words == OTHER_LEVELS).any()) else []
    return Characteristic(key, label, "", words, tuple(dict.fromkeys([*named, *rest])))


def _first_readings(study: Study) -> Iterator[Characteristic]:
    """The mean over sides and raters of a person's readings at the first visit, trials as the protocol takes them."""
    protocol = study.protocol
    if not protocol.visits:
        return
    first = protocol.visits[0]
    for key, measure in protocol.measures.items():
        if measure.graded:
            continue
        label = f"{measure.name} at {first.label}"
        if protocol.study.trials_used == "best" and measure.better == "neither":
            used, label = mean_of_trials(study), f"{label}, mean of trials (no direction is better)"
            used = used[used["measure"] == key]
        else:
            used = used_readings(study, key)
        own = used[(used["visit"] == first.key) & used["value"].notna()]
        if not own.empty:
            yield Characteristic(key, label, measure.unit, own.groupby("participant_id")["value"].mean())


def _rows(one: Characteristic, group: str, people: frozenset[str], smallest: int) -> list[tuple[object, ...]]:
    own = one.value[one.value.index.isin(people)]
    start = (one.key, one.label, one.unit)
    nothing = (float("nan"),) * 5
    if one.levels:
        return [
            (*start, level, group, len(people), len(own), int((own == level).sum()), *nothing) for level in one.levels
        ]
    if len(own) < smallest:
        return [(*start, "", group, len(people), len(own), float("nan"), *nothing)]
    value = own.astype(float)
    quarters = (value.median(), value.quantile(0.25), value.quantile(0.75))
    return [(*start, "", group, len(people), len(own), float("nan"), value.mean(), value.std(ddof=1), *quarters)]


def _printed(described: pd.DataFrame, smallest: int) -> Iterator[tuple[str, dict[str, str]]]:
    for (_, level), rows in described.groupby(["characteristic", "level"], sort=False):
        label, unit = rows["label"].iloc[0], rows["unit"].iloc[0]
        sign = unit_sign(unit).strip()
        heading = f"{label}: {level}" if level else (f"{label} ({sign})" if sign else label)
        decimals = decimals_for_width(float(rows["sd"].min()))
        yield heading, {row["group"]: _cell(row, decimals, smallest) for row in rows.to_dict("records")}


def _cell(row: dict[Hashable, Any], decimals: int, smallest: int) -> str:
    """One group's entry; all groups of a row have the decimals that the smallest of their spreads deserves."""
    known, behind = row["known"], ""
    if known == 0:
        return "not recorded"
    if known < row["participants"]:
        behind = f"; {known} known"
    if row["level"]:
        return f"{number(row['count'], 0)} ({percent(row['count'] / known)}){behind}"
    if known < smallest:
        return f"fewer than {smallest} known"
    return f"{number(row['mean'], decimals)} ({number(row['sd'], decimals)}){behind}"


def _headline(everybody: pd.DataFrame, found: list[Characteristic], is_listed: bool) -> str:
    count = int(everybody["participants"].iloc[0])
    people = f"{counted(count, 'participant')} took part"
    if not is_listed:
        people = f"{counted(count, 'person', 'people')} in the readings ({NOT_LISTED})"
    parts = []
    for row in everybody.to_dict("records"):
        if row["characteristic"] == "age_years" and row["sd"] > 0.0:
            decimals = decimals_for_width(row["sd"])
            parts.append(f"mean age {number(row['mean'], decimals)} years (SD {number(row['sd'], decimals)})")
        if row["characteristic"] == "sex":
            parts.append(f"{int(row['count'])} {row['level']} ({percent(row['count'] / row['known'])})")
    said = f": {listed(parts)}" if parts else ""
    return f"{people}{said}; {counted(len(found), 'characteristic')} recorded at the start."


def _cautions(everybody: pd.DataFrame) -> tuple[str, ...]:
    short = everybody[everybody["known"] < everybody["participants"]].drop_duplicates("characteristic")
    gaps = [f"{row.label} ({row.participants - row.known})" for row in short.itertuples()]
    missing = (f"Not recorded for everybody (number missing): {listed(gaps, most=len(gaps))}.",) if gaps else ()
    return (*missing, "These numbers describe those who took part; who they stand for is a question of its own.")
