"""The choices of analysis beyond the primary question, the [analysis] table of study.toml."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

_Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=64)]
_Source = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]


class _Chosen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class ImportantChange(_Chosen):
    """The smallest change of the primary measure that is said to matter to a person, and who says so.

    value: in the unit of the primary measure, positive.
    source: where it comes from; without one the kit shows none.
    """

    value: float = Field(gt=0)
    source: _Source


class AnalysisPart(_Chosen):
    """What was decided about the analysis before the data were seen.

    covariates: columns of the participants table that enter the model of change: numbers with a slope, words with a
        difference for each word, both of their own at every visit and the same in all arms.
    strata: columns by which people were allocated in blocks; they enter the model like covariates.
    multiplicity: what is done about several comparisons with one control at a visit: "each on its own" leaves them as
        they are, "holm" adjusts the p values and leaves the intervals, "together" adjusts the p values and widens the
        intervals so that all of them hold at once.
    course: how the means of an arm run over the visits: "free" gives every visit a mean of its own, "straight line"
        lets each arm change by as much in one week as in another. A line needs visits in three different weeks.
    diary_gaps: a week without any diary row is not known ("missing") or a week without practice ("nothing done").
    enough_adherence: share of the prescribed minutes from which on a participant counts as having done as asked.
    imputations: completed data sets of the multiple imputation.
    seed: start of every random number of the analysis.
    important_change: the smallest change that is said to matter, with its source; none by default.
    """

    covariates: tuple[_Name, ...] = Field(default=(), max_length=20)
    strata: tuple[_Name, ...] = Field(default=(), max_length=5)
    multiplicity: Literal["each on its own", "holm", "together"] = "each on its own"
    course: Literal["free", "straight line"] = "free"
    diary_gaps: Literal["missing", "nothing done"] = "missing"
    enough_adherence: float = Field(default=0.8, gt=0.0, le=1.0)
    imputations: int = Field(default=50, ge=5, le=1000)
    seed: int = Field(default=20250106, ge=0, lt=2**63)
    important_change: ImportantChange | None = None
