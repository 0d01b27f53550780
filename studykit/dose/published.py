"""Common practice as a reference line, marked so, beside the published trials that do not bear it out."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Final

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from studykit.data.study import Study
from studykit.dose.asked import in_words
from studykit.errors import DesignError
from studykit.formatting import counted, listed
from studykit.protocol import Dose
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import DIARY

NO_SOURCE: Final = "common practice, no source"
SECONDS_A_MINUTE: Final = 60.0


class _Read(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class CommonPractice(_Read):
    """What is usually asked for, without a source.

    hold_s_least: shortest hold; days_per_week_least, days_per_week_most: days; weeks: about how many.
    """

    hold_s_least: float = Field(gt=0)
    days_per_week_least: float = Field(gt=0)
    days_per_week_most: float = Field(gt=0)
    weeks: float = Field(gt=0)
    asked: str
    found: str
    seen: str

    def met_by(self, dose: Dose) -> bool:
        """Whether a dose is at least that, on no fewer and no more days."""
        return (
            dose.hold_s >= self.hold_s_least
            and self.days_per_week_least <= dose.days_per_week <= self.days_per_week_most
            and dose.weeks >= self.weeks
        )

    @property
    def minutes_per_week(self) -> tuple[float, float]:
        """Minutes a week of a single hold a day, on the fewest and on the most days."""
        minutes = self.hold_s_least / SECONDS_A_MINUTE
        return minutes * self.days_per_week_least, minutes * self.days_per_week_most


class Published(_Read):
    """One published finding about dose, and how far it was looked at.

    levels_off_minutes_per_week: where gains are said to level off; None where nothing is said.
    """

    key: str
    short: str
    source: str
    asked: str
    found: str
    against: str
    seen: str
    levels_off_minutes_per_week: float | None = None


class PublishedDoses(_Read):
    """The file published_doses.toml."""

    common_practice: CommonPractice
    published: tuple[Published, ...]


@cache
def published_doses() -> PublishedDoses:
    """The findings that ship with the kit."""
    text = resources.files("studykit.dose").joinpath("published_doses.toml").read_text(encoding="utf-8")
    return PublishedDoses.model_validate(tomllib.loads(text))


@dataclass(frozen=True, kw_only=True)
class DoseBesidePublished(Result):
    """The doses of this study beside common practice and published findings.

    Attributes:
        known: common practice and the findings.
        meets: label of each arm with a dose -> whether it meets common practice; asked: the dose in words.
        keys: label -> key of the arm.
    """

    known: PublishedDoses = field(repr=False)
    meets: dict[str, bool]
    asked: dict[str, str]
    keys: dict[str, str]

    def to_frame(self) -> pd.DataFrame:
        """One row a source: what was asked, what was found, what it speaks against, how far it was looked at."""
        practice = self.known.common_practice
        first = ("common_practice", "", practice.asked, practice.found, "", practice.seen)
        rows = [(one.key, one.source, one.asked, one.found, one.against, one.seen) for one in self.known.published]
        return pd.DataFrame([first, *rows], columns=["key", "source", "asked", "found", "against", "seen"])

    def numbers(self) -> dict[str, float]:
        """The numbers of common practice; `<arm>.meets_common_practice`, 1 or 0."""
        practice = self.known.common_practice
        low, high = practice.minutes_per_week
        return {
            "common_practice.hold_s_least": practice.hold_s_least,
            "common_practice.days_per_week_least": practice.days_per_week_least,
            "common_practice.days_per_week_most": practice.days_per_week_most,
            "common_practice.weeks": practice.weeks,
            "common_practice.minutes_per_week_least": low,
            "common_practice.minutes_per_week_most": high,
            **{f"{self.keys[label]}.meets_common_practice": float(met) for label, met in self.meets.items()},
        }

    def table(self) -> Table:
        """Common practice first, then each finding."""
        practice = self.known.common_practice
        rows = [("Common practice", practice.asked, practice.found, "", practice.seen)]
        rows += [(one.short, one.asked, one.found, one.against, one.seen) for one in self.known.published]
        arms = [
            f"{label}: {self.asked[label]}; {'meets' if met else 'does not meet'} common practice."
            for label, met in self.meets.items()
        ]
        return Table(
            self.key.replace(".", "_"),
            "Dose: common practice beside published findings",
            (
                Column("Source", "left"),
                Column("Dose", "left"),
                Column("Finding", "left"),
                Column("Speaks against", "left"),
                Column("How far looked at", "left"),
            ),
            tuple(rows),
            (*[f"{one.short}: {one.source}." for one in self.known.published], *arms),
        )


def published_of_study(study: Study) -> DoseBesidePublished:
    """The doses of this study beside common practice and published findings.

    Raises:
        DesignError: the study has no dose at all.
    """
    doses = {key: arm.dose for key, arm in study.protocol.arms.items() if arm.dose is not None}
    if not doses and study.table(DIARY).empty:
        raise DesignError("No dose was asked for and no diary was kept, so there is none to set beside others.")
    known = published_doses()
    practice = known.common_practice
    labels = {key: study.protocol.arms[key].label for key in doses}
    meets = {labels[key]: practice.met_by(dose) for key, dose in doses.items()}
    return DoseBesidePublished(
        key="dose.published",
        title="Common practice and published doses",
        headline=_headline(known, meets),
        cautions=(
            "Common practice has no source here: it is a line to look at and no standard. Published findings were seen "
            "as abstracts or summaries only, in people and muscles of their own.",
            "What was found elsewhere about hamstrings need not hold for another muscle, and a dose is no advice for a "
            "person.",
        ),
        methods=(
            "Nothing is computed here. The findings are those noted in the kit (published_doses.toml), each with how "
            "far anybody looked at it; an arm meets common practice when its hold, days and weeks all do."
        ),
        provenance=study.provenance(),
        known=known,
        meets=meets,
        asked={labels[key]: in_words(dose) for key, dose in doses.items()},
        keys={label: key for key, label in labels.items()},
    )


def _headline(known: PublishedDoses, meets: dict[str, bool]) -> str:
    against = [one.short for one in known.published if one.against]
    met = [f"“{label}”" for label, is_met in meets.items() if is_met]
    arms = ""
    if meets:
        arms = f" In this study {listed(met, most=len(met)) if met else 'no arm'} was asked for that."
    practice = known.common_practice
    return (
        f"Common practice, without a source, is to {practice.asked}; {len(against)} of "
        f"{counted(len(known.published), 'published finding')} here do not bear all of it out "
        f"({listed(against, most=len(against))}).{arms}"
    )
