"""The readings of one measure of a study that say how well it is measured: which visit, who rated whom, how often."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted
from studykit.protocol import Measure
from studykit.reliability.form import Form, choose_form
from studykit.vocabulary import MEASUREMENTS

BOTH: Final = "between and within raters"
BETWEEN: Final = "between raters"
NESTED: Final = "raters nested in targets"
WITHIN: Final = "within a rater"

TRIALS_ONLY: Final = (
    "Each target was read several times by one rater, so that the repeats have no order that matters and whatever "
    "differs between them is error."
)
NO_PLAN: Final = (
    "The protocol has no [reliability] part: the design was read from the readings, and raters were taken to stand for "
    "others."
)


@dataclass(frozen=True, slots=True)
class StudyReadings:
    """Readings of one measure, ready for the front door.

    Attributes:
        key, measure: of the measure.
        frame: `participant_id`, `side`, `rater_id`, `trial`, `value`, `limb`; one row a reading, sorted.
        target: columns that name a target: a participant, or a participant and a side.
        cluster: "participant_id" where somebody was measured on both sides, else None.
        where: the visit in words, "" where the study has none.
        design: one of BOTH, BETWEEN, NESTED, WITHIN.
        form: the form of the correlation that the protocol's plan asks for.
        generalise_to: "random" or "fixed" raters.
        readings: how many readings of one rater are averaged in use.
        confidence: level of the intervals.
        notes: sentences about what was chosen.
    """

    key: str
    measure: Measure
    frame: pd.DataFrame
    target: tuple[str, ...]
    cluster: str | None
    where: str
    design: str
    form: Form
    generalise_to: str
    readings: int
    confidence: float
    notes: tuple[str, ...]

    @property
    def unit(self) -> str:
        """Unit of the measure; nothing for grades."""
        return "" if self.measure.graded else self.measure.unit

    @property
    def name(self) -> str:
        """Name of the measure with a small first letter, for the middle of a sentence."""
        name = self.measure.name
        return name if name[1:2].isupper() else name[0].lower() + name[1:]

    @property
    def targets_word(self) -> str:
        """What the targets are, in the plural."""
        return "limbs" if self.cluster else "participants"

    @property
    def reading_words(self) -> str:
        """What one value is in use."""
        if self.readings == 1:
            return "one reading by one rater"
        return f"the mean of {self.readings} readings by one rater"


def readings_for_reliability(study: Study, key: str) -> StudyReadings:
    """Choose the visit, name targets and say which design these readings are.

    Raises:
        DesignError: no readings, nobody measured twice, or readings that contradict the protocol's plan.
    """
    measure, plan = study.protocol.measures[key], study.protocol.reliability
    rows = study.table(MEASUREMENTS)
    rows = rows[(rows["measure"] == key) & rows["value"].notna()]
    if rows.empty:
        raise DesignError(f"There is no reading of {measure.name}, so that nothing can be said of its reliability.")
    rows, where = _at_one_visit(study, rows)
    frame = _sorted(rows)
    two_sided = bool((frame.groupby("participant_id")["side"].nunique() > 1).any())
    target = ("participant_id", "side") if two_sided else ("participant_id",)
    design = _design(frame, list(target), measure.name, where)
    rated_by = "different raters" if plan is not None and plan.rated_by == "different raters" else "every rater"
    several = frame["rater_id"].nunique() > 1
    if plan is not None and plan.rated_by == "every rater" and design == WITHIN and several:
        raise DesignError(
            f"The protocol says that every rater measured every target, but nobody's {measure.name} was read by two "
            f"raters{where}. Correct [reliability] in study.toml, or name the visit at which raters shared targets."
        )
    if rated_by == "different raters" and design in (BOTH, BETWEEN):
        design = NESTED
    generalise_to = "other raters" if plan is None else plan.generalise_to
    nested = design in (NESTED, WITHIN)
    form = choose_form(
        rated_by="different raters" if nested else "every rater",
        generalise_to="other raters" if nested and design == WITHIN else generalise_to,
    )
    if design == WITHIN:
        form = replace(form, why=TRIALS_ONLY)
    return StudyReadings(
        key=key,
        measure=measure,
        frame=frame,
        target=target,
        cluster="participant_id" if two_sided else None,
        where=where,
        design=design,
        form=form,
        generalise_to="random" if generalise_to == "other raters" else "fixed",
        readings=1 if plan is None else plan.readings_averaged,
        confidence=study.protocol.study.confidence,
        notes=(NO_PLAN,) if plan is None else (),
    )


def _at_one_visit(study: Study, rows: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """The readings of the planned visit, or of the first one that has any."""
    plan = study.protocol.reliability
    keys = [key for key in study.protocol.visit_keys if (rows["visit"] == key).any()]
    if plan is not None and plan.visit is not None:
        label = study.protocol.visit(plan.visit).label
        chosen = rows[rows["visit"] == plan.visit]
        if chosen.empty:
            raise DesignError(
                f"The protocol names the visit {label!r} for reliability, but no reading of it is there. "
                "Add the readings, or name another visit in [reliability]."
            )
        return chosen, f" at {label}"
    if not keys:
        return rows, ""
    return rows[rows["visit"] == keys[0]], f" at {study.protocol.visit(keys[0]).label}"


def _sorted(rows: pd.DataFrame) -> pd.DataFrame:
    frame = rows[["participant_id", "side", "rater_id", "trial", "value"]].copy()
    frame["side"] = frame["side"].fillna("one").astype(str)
    frame["participant_id"] = frame["participant_id"].astype(str)
    frame["rater_id"] = frame["rater_id"].astype(str)
    frame["limb"] = frame["participant_id"].where(frame["side"] == "one", frame["participant_id"] + " " + frame["side"])
    return frame.sort_values(["participant_id", "side", "rater_id", "trial"], kind="stable").reset_index(drop=True)


def _design(frame: pd.DataFrame, target: list[str], name: str, where: str) -> str:
    cells = frame.groupby([*target, "rater_id"], observed=True).size()
    raters = cells.groupby(level=list(range(len(target)))).size()
    shared, repeated = int(raters.max()) > 1, int(cells.max()) > 1
    if shared and repeated:
        most = cells.groupby(level=-1).max()
        return BOTH if int(most.min()) > 1 else BETWEEN
    if shared:
        return BETWEEN
    if repeated:
        return WITHIN
    raise DesignError(
        f"Nobody's {name} was read twice{where} ({counted(len(frame), 'reading')} of as many targets): reliability "
        "needs repeated readings. Let two raters, or one rater twice, measure the same people."
    )
