"""Rules between the [analysis] table and the rest of the protocol."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from studykit.formatting import counted
from studykit.protocol.outline import Outline
from studykit.protocol.problems import Problem, meant, quoted

KNOWN_COVARIATES: Final = ("age_years", "height_cm", "mass_kg", "sex", "site")
"""Columns that every participants table has and that say something about a person before the first visit."""

FEWEST_WEEKS_FOR_A_LINE: Final = 3
"""Different weeks from which a straight line can be told from a mean of its own at every visit."""


def problems_of_analysis(outline: Outline) -> Iterator[Problem]:
    """Columns that the analysis names and nobody declared, or names twice; a line over too few weeks."""
    yield from _line_over_too_few_weeks(outline)
    seen: dict[str, str] = {}
    known = (*KNOWN_COVARIATES, *outline.covariates)
    for part in ("covariates", "strata"):
        for position, column in enumerate(outline.analysis_columns[part]):
            place = ("analysis", part, position)
            if column not in known:
                yield Problem(
                    place, f"{quoted(column)} in {part} of [analysis] is not a declared column{meant(column, known)}"
                )
            elif column in seen:
                yield Problem(
                    place, f"{quoted(column)} is already among the {seen[column]} of [analysis]; name it once."
                )
            elif part == "strata" and column in known and column not in outline.columns_of_words:
                yield Problem(
                    place,
                    f"{quoted(column)} holds numbers, and people are allocated within groups; name a column of words as"
                    " a stratum, or make this one a covariate.",
                )
            seen.setdefault(column, part)


def _line_over_too_few_weeks(outline: Outline) -> Iterator[Problem]:
    weeks = {visit.week for visit in outline.visits}
    if outline.course == "straight line" and None not in weeks and len(weeks) < FEWEST_WEEKS_FOR_A_LINE:
        yield Problem(
            ("analysis", "course"),
            f'course in [analysis] is "straight line", but the visits are in {counted(len(weeks), "different week")}; '
            f"a line through fewer than {FEWEST_WEEKS_FOR_A_LINE} weeks always fits and says no more than free means, "
            "so remove it or plan another visit.",
        )
