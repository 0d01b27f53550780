"""Dose as randomised: what a little more of it did, what each of its parts did, how the same minutes are best split."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.beside import place_beside
from studykit.change.wording import heading, mdc_sentence
from studykit.dose import wording
from studykit.dose.effects import (
    DIFFERENCE,
    component_contrasts,
    same_minutes,
    straight_line,
    techniques,
)
from studykit.dose.model import DoseTrial, check_doses_differ
from studykit.formatting import counted, estimate, level, p_value
from studykit.numerics.mixed.small_sample import ContrastTest
from studykit.pictures.contrast import contrast_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table

_PLACE_SHORT: Final = {"beyond": "beyond", "within": "within", "includes": "includes it", "no MDC": "no MDC"}


@dataclass(frozen=True, kw_only=True)
class DoseAsRandomised(Result):
    """Slopes and contrasts of the arms' means at the primary visit.

    Attributes:
        trial: the change model that they come from.
        findings: `FINDING_COLUMNS`; kind is "per step" (by so much more of the dose) or "difference" (two levels).
        straight: the test of free means of the arms against a straight line; None where two doses are all there is.
        refused: a sentence for each part of the question that these arms cannot answer.
    """

    trial: DoseTrial = field(repr=False)
    findings: pd.DataFrame = field(repr=False)
    straight: ContrastTest | None
    refused: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a slope or contrast, with interval, p and place beside the MDC (differences only)."""
        unit = self.trial.measure.unit
        named = {name: f"{name}_{unit}" for name in ("estimate", "std_error", "low", "high")}
        places = [
            place_beside(row.low, row.high, self.trial.mdc) if row.kind == DIFFERENCE else ""
            for row in self.findings.itertuples()
        ]
        mdc = self.trial.mdc.value if self.trial.mdc else np.nan
        return self.findings.rename(columns=named).assign(confidence=self.trial.confidence, mdc=mdc, beside_mdc=places)

    def numbers(self) -> dict[str, float]:
        """`<finding>.estimate` and its `.std_error`, `.df`, `.low`, `.high`, `.p`; `lack_of_fit.*`; the MDC."""
        test, mdc = self.straight, self.trial.mdc
        lack = {} if test is None else {"f": test.f, "df1": float(test.df1), "df2": test.df2, "p": test.p}
        return {
            **wording.flat(self.findings),
            **{f"lack_of_fit.{name}": value for name, value in lack.items()},
            **({"mdc": mdc.value} if mdc is not None else {}),
        }

    def table(self) -> Table:
        """One row a slope or contrast."""
        trial = self.trial
        rows = tuple(
            (
                row.label,
                estimate(row.estimate, row.low, row.high),
                p_value(row.p),
                _PLACE_SHORT[place_beside(row.low, row.high, trial.mdc)] if row.kind == DIFFERENCE else "a step only",
            )
            for row in self.findings.itertuples()
        )
        return Table(
            self.key.replace(".", "_"),
            f"{trial.measure.name} at {trial.visit_label}: what more of the dose asked for did",
            (
                Column("More of what", "left"),
                Column(_heading(trial)),
                Column("p"),
                Column("Interval against the MDC"),
            ),
            rows,
            (
                *_straight_notes(self.straight),
                "Every arm counts once in what a component shows, as a mean over the levels of the others.",
                *wording.mdc_notes(trial.mdc, trial.measure.unit),
                *self.refused,
                *trial.readings.notes,
            ),
        )

    def figure(self) -> Drawing:
        """The differences with their intervals, zero and the MDC marked."""
        shown = self.findings[self.findings["kind"] == DIFFERENCE]
        trial = self.trial
        return contrast_picture(
            shown.rename(columns={"estimate": "difference"})[["label", "difference", "low", "high"]],
            measure=trial.measure.name,
            unit=trial.measure.unit,
            confidence=trial.confidence,
            axis=f"Difference at {trial.visit_label}",
            mdc=trial.mdc.value if trial.mdc is not None else None,
            styles=[0] * len(shown),
        )


def _heading(trial: DoseTrial) -> str:
    return heading(f"Difference, {level(trial.confidence)}", trial.measure.unit)


def randomised_of(trial: DoseTrial) -> DoseAsRandomised:
    """Every slope and contrast that the arms allow.

    Raises:
        DesignError: all arms were asked for the same dose.
        FitError: the straight line cannot be fitted.
    """
    check_doses_differ(trial)
    slope, straight = straight_line(trial)
    components, refused = component_contrasts(trial)
    same = same_minutes(trial)
    findings = pd.concat([slope, components, same], ignore_index=True)
    return DoseAsRandomised(
        key="dose.randomised",
        title="Dose as randomised: how much, how long, how often",
        headline=_headline(trial, findings, straight),
        cautions=(
            *wording.beside_cautions(trial.mdc),
            wording.ASKED_NOT_DONE,
            *((wording.ADDS_MINUTES,) if len(components) else ()),
            *((wording.TECHNIQUES,) if techniques(trial) > 1 else ()),
            f"{counted(len(findings), 'estimate')} stand here; each interval stands alone and is not widened for there "
            "being several.",
            *refused,
            *wording.course_cautions(trial.readings),
            *wording.missing_cautions(trial.readings),
            *trial.measure.cautions,
        ),
        methods=_methods(trial, straight is not None, bool(len(components))),
        provenance=trial.study.provenance(),
        trial=trial,
        findings=findings.assign(label=findings["label"].map(_capital)),
        straight=straight,
        refused=refused,
    )


def _headline(trial: DoseTrial, findings: pd.DataFrame, straight: ContrastTest | None) -> str:
    unit, confidence = trial.measure.unit, trial.confidence
    at = findings.set_index("key")
    told = [f"{trial.scale.each} asked for: {wording.found_in_words(at.loc['slope'], unit, confidence)}"]
    if straight is not None:
        told.append(f"a straight line against free means of the arms: p {_equals(straight.p)}")
    told += [
        f"{row.label}: {estimate(row.estimate, row.low, row.high, unit=unit, confidence=confidence)}"
        for row in findings.itertuples()
        if row.key.endswith(".range") or row.key.startswith("same_minutes.")
    ]
    return f"{trial.measure.name} at {trial.visit_label}: {'; '.join(told)}.{mdc_sentence(trial.mdc, unit)}"


def _straight_notes(test: ContrastTest | None) -> tuple[str, ...]:
    if test is None:
        return ("With these arms nothing can be said against a straight line.",)
    return (
        f"Free means of the arms against a straight line over the dose: p {_equals(test.p)} "
        f"(joint F test, {test.df1} numerator degrees of freedom). A large p does not show that the line is straight.",
    )


def _equals(p: float) -> str:
    said = p_value(p)
    return said if said[0] in "<>" else f"= {said}"


def _methods(trial: DoseTrial, tested: bool, components: bool) -> str:
    line = (
        f"The slope over {trial.scale.axis.removesuffix(' asked for')} is that of the constrained-baseline change "
        "model with the arms' means at every later visit on a straight line over the dose asked for; intervals by "
        "Kenward and Roger (1997, Biometrics 53, 983–997)."
    )
    test = " The line was tested against free means of the arms by a joint F test of the same kind." if tested else ""
    parts = (
        " What each component shows, and arms with the same minutes, are contrasts of the free means of the arms at "
        f"{trial.visit_label}."
        if components
        else ""
    )
    return line + test + parts


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
