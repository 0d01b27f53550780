"""Does the answer hold under other choices? One row an analysis, the planned one first."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.change import ChangeByArm, change_of_study
from studykit.change.beside import MdcBeside, place_beside
from studykit.change.wording import ANGLE, MDC_IS_FOR_ONE, heading, mdc_sentence
from studykit.data.study import Study
from studykit.errors import DesignError, FitError
from studykit.formatting import counted, decimals_for_width, estimate, interval, level, listed, with_unit
from studykit.missing_visits import filled_in_of_study, people_by_visit
from studykit.missing_visits.filled_in import FilledIn
from studykit.pictures.sensitivity import sensitivity_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.sensitivity.analyses import PER_PROTOCOL, all_analyses
from studykit.sensitivity.rows import PRIMARY, Planned
from studykit.table import Column, Table


@dataclass(frozen=True, kw_only=True)
class OtherChoices(Result):
    """The answer to the question under other choices of analysis.

    Attributes:
        study: what it was computed from.
        planned: the planned analysis.
        rows: one row an analysis and arm (`rows.ROW_COLUMNS`), the planned one first; nan where not computed, with the
            reason in `note`.
        mdc: the MDC beside it, or None.
    """

    study: Study = field(repr=False)
    planned: Planned = field(repr=False)
    rows: pd.DataFrame = field(repr=False)
    mdc: MdcBeside | None

    @property
    def unit(self) -> str:
        """Unit of the measure."""
        return self.study.protocol.measures[self.planned.measure].unit

    @property
    def what(self) -> str:
        """What each row is: a difference from control or a change."""
        return "Difference from control" if self.planned.trial else "Change"

    @property
    def _when(self) -> str:
        visit = self.study.protocol.visit(self.planned.readings.primary_visit).label
        return f"at {visit}" if self.planned.trial else f"to {visit}"

    def to_frame(self) -> pd.DataFrame:
        """One row an analysis and arm: estimate, standard error, df, limits, participants, place beside the MDC."""
        places = [
            place_beside(low, high, self.mdc) if np.isfinite(low) else ""
            for low, high in zip(self.rows["low"], self.rows["high"], strict=True)
        ]
        named = {name: f"{name}_{self.unit}" for name in ("estimate", "std_error", "low", "high")}
        return self.rows.rename(columns=named).assign(
            confidence=self.planned.confidence, mdc=self.mdc.value if self.mdc else np.nan, beside_mdc=places
        )

    def numbers(self) -> dict[str, float]:
        """`<analysis>.<arm>.estimate`, `.std_error`, `.df`, `.low`, `.high`, `.participants` of what was computed.

        Over the analyses other than the planned one, `<arm>.lowest` and `.highest` estimate and `.other_analyses`, how
        many.
        """
        found = {}
        for row in self.rows[self.rows["estimate"].notna()].to_dict("records"):
            for name in ("estimate", "std_error", "df", "low", "high", "participants"):
                found[f"{row['analysis']}.{row['arm']}.{name}"] = float(row[name])
        for arm in self.planned.arms:
            others = self.rows[(self.rows["arm"] == arm) & (self.rows["analysis"] != PRIMARY)]["estimate"].dropna()
            if len(others):
                found[f"{arm}.lowest"], found[f"{arm}.highest"] = float(others.min()), float(others.max())
                found[f"{arm}.other_analyses"] = float(len(others))
        return found | ({"mdc": self.mdc.value} if self.mdc is not None else {})

    def table(self) -> Table:
        """Analyses down, arms across: estimate with its interval; a note where there is none."""
        arms = self.planned.arms
        at = self.rows.set_index(["analysis", "arm"])
        lines, notes = [], []
        for analysis in self.rows["analysis"].unique():
            found = [at.loc[(analysis, arm)] for arm in arms]
            label = str(found[0]["label"])
            cells = [
                estimate(f["estimate"], f["low"], f["high"]) if f["note"] == "" or np.isfinite(f["estimate"]) else "–"
                for f in found
            ]
            lines.append((label, *cells))
            notes += self._notes(label, {arm: str(f["note"]) for arm, f in zip(arms, found, strict=True)})
        labels = self.planned.readings.arms
        sign = heading("", self.unit).strip()
        name = self.study.protocol.measures[self.planned.measure].name
        return Table(
            self.key.replace(".", "_"),
            f"{name}: {self.what[0].lower()}{self.what[1:]} {self._when} under other choices {sign}, "
            f"{level(self.planned.confidence)}",
            (Column("Analysis", "left"), *(Column(labels[arm]) for arm in arms)),
            tuple(lines),
            (
                *notes,
                *((f"MDC of one person: {self.mdc.in_words(self.unit)}; {self.mdc.words}.",) if self.mdc else ()),
                *_several_note(self.planned),
            ),
        )

    def _notes(self, label: str, of_arm: dict[str, str]) -> list[str]:
        """Notes of one analysis, each said once, with the arms it is about where it is not about all of them."""
        labels = self.planned.readings.arms
        said = []
        for note in dict.fromkeys(of_arm.values()):
            own = [f"“{labels[arm]}”" for arm, other in of_arm.items() if other == note]
            where = "" if len(own) == len(of_arm) else f", {listed(own, most=len(own))}"
            said += [f"{label}{where}: {note}"] if note else []
        return said

    def figure(self) -> Drawing:
        """Every analysis with its interval, one panel an arm, the planned interval as a band."""
        labels = self.planned.readings.arms
        order = list(self.study.protocol.arms) or ["all"]
        computed = self.rows.groupby("analysis")["estimate"].transform("count") > 0
        return sensitivity_picture(
            self.rows[computed].assign(arm=self.rows["arm"].map(labels)),
            measure=self.study.protocol.measures[self.planned.measure].name,
            unit=self.unit,
            confidence=self.planned.confidence,
            outcome=f"{self.what} {self._when}",
            styles=[order.index(arm) for arm in self.planned.arms],
        )


def other_choices_of_study(
    study: Study,
    *,
    mdc: MdcBeside | None = None,
    change: ChangeByArm | None = None,
    filled: FilledIn | None = None,
) -> OtherChoices:
    """Answer the question of the study again under other choices.

    Args:
        study: the checked study, a trial or an audit.
        mdc: the MDC of the primary measure.
        change: the planned answer (`change_of_study(study)[0]`), where it is at hand.
        filled: the answer with missing visits filled in, where it is at hand.

    Raises:
        DesignError: the planned answer cannot be computed. Another analysis that cannot be is a row with its reason.
        FitError: no fit that may be trusted was found for the planned answer.
    """
    planned_answer = change if change is not None else change_of_study(study, mdc=mdc)[0]
    if not isinstance(planned_answer, ChangeByArm):
        raise DesignError("The first answer about change is not about a measure on a scale.")
    planned = Planned(study, planned_answer.readings, planned_answer.model)
    people = people_by_visit(study)
    why_not = ""
    if filled is None:
        try:
            filled = filled_in_of_study(study, mdc=mdc, people=people)
        except (DesignError, FitError) as refusal:
            why_not = str(refusal)
    rows = all_analyses(planned, people, filled, why_not)
    return OtherChoices(
        key=f"sensitivity.{planned.measure}",
        title="The answer under other choices",
        headline=_headline(planned, rows, mdc),
        cautions=_cautions(planned, rows),
        methods=_methods(planned, rows),
        provenance=study.provenance(seed=study.protocol.analysis.seed),
        study=study,
        planned=planned,
        rows=rows,
        mdc=mdc,
    )


def _headline(planned: Planned, rows: pd.DataFrame, mdc: MdcBeside | None) -> str:
    """For each arm the planned answer and the range of the others, and which of them say something else about zero."""
    measure = planned.study.protocol.measures[planned.measure]
    visit = planned.study.protocol.visit(planned.readings.primary_visit).label
    parts, differing = [], []
    for arm in planned.arms:
        own = rows[(rows["arm"] == arm) & rows["estimate"].notna()]
        first, others = own.iloc[0], own[own["analysis"] != PRIMARY]
        number = estimate(
            first["estimate"], first["low"], first["high"], unit=measure.unit, confidence=planned.confidence
        )
        label = f"“{planned.readings.arms[arm]}”"
        decimals = decimals_for_width(float(first["high"] - first["low"]))
        span = interval(float(others["estimate"].min()), float(others["estimate"].max()), decimals, measure.unit)
        parts.append(f"{label}: {number} as planned, {span} otherwise" if len(others) else f"{label}: {number}")
        said = np.sign(own["low"]) + np.sign(own["high"])
        other = own.loc[said != said.iloc[0], "label"].tolist()
        if other:
            differing.append(f"{label} ({listed([f'{name[0].lower()}{name[1:]}' for name in other], most=4)})")
    count = rows.loc[rows["estimate"].notna() & (rows["analysis"] != PRIMARY), "analysis"].nunique()
    what = f"difference from control at {visit}" if planned.trial else f"change to {visit}"
    verdict = (
        f"Whether the interval holds zero is another answer for {listed(differing, most=len(differing))}."
        if differing
        else "Whether the interval holds zero is the same answer in all of them."
    )
    return (
        f"{measure.name}, {what}, in {counted(count, 'other analysis', 'other analyses')}. "
        f"{'; '.join(parts)}. {verdict}{mdc_sentence(mdc, measure.unit)}"
    )


def _cautions(planned: Planned, rows: pd.DataFrame) -> tuple[str, ...]:
    broken = (
        (
            "Per protocol and while on treatment compare people who were not chosen by chance: who does as asked, and "
            "who goes on, may differ in much else. These rows are no effects of the allocation.",
        )
        if planned.trial
        else ()
    )
    return (
        "These rows are not independent of each other: they are the same people and mostly the same readings. That "
        "they agree does not make the planned answer more certain.",
        "The planned analysis is the answer; a row is not to be chosen afterwards because it says more.",
        *broken,
        *_beyond_planned(planned, rows),
        "An analysis of fewer people or readings has a wider interval whether or not the answer is another.",
        MDC_IS_FOR_ONE,
        ANGLE,
    )


def _beyond_planned(planned: Planned, rows: pd.DataFrame) -> tuple[str, ...]:
    """A sentence where those who did as asked differ more from the planned answer than its interval."""
    unit = planned.study.protocol.measures[planned.measure].unit
    at = rows.set_index(["analysis", "arm"])
    said = []
    for arm in planned.arms:
        first = at.loc[(PRIMARY, arm)]
        chosen = at.loc[(PER_PROTOCOL, arm)] if (PER_PROTOCOL, arm) in at.index else first
        # An estimate that was not computed is outside of nothing.
        if chosen["estimate"] < first["low"] or chosen["estimate"] > first["high"]:
            decimals = decimals_for_width(float(first["high"] - first["low"]))
            here, there = (with_unit(one["estimate"], decimals, unit) for one in (chosen, first))
            said.append(f"“{planned.readings.arms[arm]}” ({here}, planned {there})")
    if not said:
        return ()
    return (
        f"Per protocol lies outside the planned interval for {listed(said, most=len(said))}. That is a choice of "
        "people and no better answer: those who do as asked practise more than their arm as a whole, and they may be "
        "people who would change more without practice too. The row holds both, and nothing here tells them apart.",
    )


def _methods(planned: Planned, rows: pd.DataFrame) -> str:
    done = set(rows.loc[rows["estimate"].notna(), "analysis"])
    said = ["The planned analysis was repeated with one choice otherwise at a time; intervals are each on their own."]
    if "robust" in done:
        said.append(
            "Robust: generalised least squares with the planned covariance of a participant's readings as working "
            "covariance, raters as fixed effects, and standard errors by participant of kind CR2 with Satterthwaite "
            "degrees of freedom (Bell and McCaffrey 2002, Survey Methodology 28, 169–181)."
        )
    if "ancova" in done and planned.trial:
        said.append(
            "Analysis of covariance: the mean over the limbs at the primary visit by arm, baseline and covariates, "
            "people measured at both."
        )
    if "per_protocol" in done:
        said.append(
            "Per protocol: people of whom enough of the prescribed minutes is known to be done until the primary "
            "visit, and everybody to whom nothing was prescribed."
        )
    if "while_on_treatment" in done:
        said.append(
            "While on treatment: each person's last reading with practice written down in the two weeks before the "
            f"planned week of the visit{', by analysis of covariance' if planned.trial else ''}."
        )
    return " ".join(said)


def _several_note(planned: Planned) -> tuple[str, ...]:
    if planned.model.multiplicity == "together":
        return ("Intervals of this table stand alone, also in the planned row, and are not widened for several arms.",)
    return ()
