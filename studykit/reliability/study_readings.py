"""The readings of one measure of a study that say how well it is measured: which visit, who rated whom, how often."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, listed
from studykit.protocol import Measure
from studykit.reliability.form import Form, choose_form, form_across_sessions
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
        frame: `participant_id`, `side`, `session`, `rater_id`, `trial`, `value`, `limb`; one row a reading, sorted;
            `session` is the label of the visit, or "".
        target: columns that name a target: a participant, or a participant and a side.
        cluster: "participant_id" where somebody was measured on both sides, else None.
        where: the visit or the sessions in words, "" where the study has none.
        sessions: labels of the visits that are compared as days of unchanged people; empty where one occasion is.
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
    sessions: tuple[str, ...]
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
    rows, where, sessions, notes = _chosen_visits(study, rows, measure.name)
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
    if sessions:
        form = form_across_sessions(several_raters=not nested, generalise_to=generalise_to)
    return StudyReadings(
        key=key,
        measure=measure,
        frame=frame,
        target=target,
        cluster="participant_id" if two_sided else None,
        where=where,
        sessions=sessions,
        design=design,
        form=form,
        generalise_to="random" if generalise_to == "other raters" else "fixed",
        readings=1 if plan is None else plan.readings_averaged,
        confidence=study.protocol.study.confidence,
        notes=(NO_PLAN,) if plan is None else notes,
    )


def _chosen_visits(
    study: Study, rows: pd.DataFrame, name: str
) -> tuple[pd.DataFrame, str, tuple[str, ...], tuple[str, ...]]:
    """Readings of the planned sessions, of the planned visit, or of the first visit that has any; where that is in
    words, the sessions, and what must be said about the choice."""
    plan = study.protocol.reliability
    if plan is not None and plan.sessions:
        return _in_sessions(study, rows, plan.sessions, name)
    keys = [key for key in study.protocol.visit_keys if (rows["visit"] == key).any()]
    if plan is not None and plan.visit is not None:
        label = study.protocol.visit(plan.visit).label
        chosen = rows[rows["visit"] == plan.visit]
        if chosen.empty:
            raise DesignError(
                f"The protocol names the visit {label!r} for reliability, but no reading of it is there. "
                "Add the readings, or name another visit in [reliability]."
            )
        return chosen.assign(session=""), f" at {label}", (), ()
    if not keys:
        return rows.assign(session=""), "", (), ()
    chosen = rows[rows["visit"] == keys[0]]
    return chosen.assign(session=""), f" at {study.protocol.visit(keys[0]).label}", (), ()


def _in_sessions(
    study: Study, rows: pd.DataFrame, planned: tuple[str, ...], name: str
) -> tuple[pd.DataFrame, str, tuple[str, ...], tuple[str, ...]]:
    """Readings of the planned sessions; one session with readings is answered as one occasion, and said so."""
    labels = {key: study.protocol.visit(key).label for key in planned}
    if len(set(labels.values())) < len(labels):
        labels = {key: f"{label} ({key})" for key, label in labels.items()}
    chosen = rows[rows["visit"].isin(planned)]
    present = [key for key in planned if (chosen["visit"] == key).any()]
    if not present:
        raise DesignError(
            f"The protocol names {listed(list(labels.values()))} as sessions for reliability, but no reading of "
            f"{name} is there. Add the readings, or name other visits in [reliability]."
        )
    if len(present) == 1:
        label = labels[present[0]]
        said = f"{name} was read in one session only ({label}): day-to-day error is not in these numbers."
        return chosen.assign(session=""), f" at {label}", (), (said,)
    days = chosen.groupby(["participant_id", chosen["side"].fillna("one")])["visit"].nunique()
    if int((days > 1).sum()) < 2:
        raise DesignError(
            f"{counted(int((days > 1).sum()), 'target')} had {name} read in two of the sessions "
            f"({listed([labels[key] for key in present])}): day-to-day error needs at least 2. Measure the same people "
            "again, or name one visit in [reliability]."
        )
    order = {key: place for place, key in enumerate(planned)}
    chosen = chosen.assign(session=chosen["visit"].map(labels), order=chosen["visit"].map(order))
    named = tuple(labels[key] for key in present)
    return chosen, f" in the sessions {listed(list(named))}", named, ()


def _sorted(rows: pd.DataFrame) -> pd.DataFrame:
    order = rows["order"] if "order" in rows.columns else 0
    frame = rows[["participant_id", "side", "session", "rater_id", "trial", "value"]].assign(order=order)
    frame["side"] = frame["side"].fillna("one").astype(str)
    for column in ("participant_id", "session", "rater_id"):
        frame[column] = frame[column].astype(str)
    frame["limb"] = frame["participant_id"].where(frame["side"] == "one", frame["participant_id"] + " " + frame["side"])
    frame = frame.sort_values(["participant_id", "side", "order", "rater_id", "trial"], kind="stable")
    return frame.drop(columns="order").reset_index(drop=True)


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
