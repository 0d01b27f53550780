"""The readings of one measure that a model of change uses, with every row left out counted in words."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import pandas as pd

from studykit.change.covariates import Adjusting, adjusting_of_study
from studykit.data.deriving import used_readings
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, listed
from studykit.protocol import Protocol, Visit
from studykit.vocabulary import PARTICIPANTS

EVERYBODY: Final = "all"
"""Key of the one group of an audit without pathways."""
EVERYBODY_LABEL: Final = "All participants"
ONE_SIDE: Final = "one"
FREE: Final = "free"
STRAIGHT_LINE: Final = "straight line"


@dataclass(frozen=True, slots=True)
class ChangeReadings:
    """What enters a model of change.

    Attributes:
        rows: one row an outcome: `participant_id`, `arm` (key), `visit` (key), `side` ("left", "right" or "one"),
            `rater_id`, `value`; sorted, index 0, 1, ...
        measure: key of the measure.
        visits: the visits of the model, the baseline first.
        primary_visit: key of the visit that the question is about.
        arms: arm key -> label, in the order of the protocol; only arms with readings.
        control: key of the control arm, or None.
        outcome_words: what one outcome is, such as "the mean of the trials of one limb at one visit".
        notes: a sentence for everything that was left out, and for missing visits.
        adjusting: covariates and strata of the participants, as the protocol declares them.
        course: how the means run over the visits, `FREE` or `STRAIGHT_LINE`, as the protocol declares it.
    """

    rows: pd.DataFrame
    measure: str
    visits: tuple[Visit, ...]
    primary_visit: str
    arms: dict[str, str]
    control: str | None
    outcome_words: str
    notes: tuple[str, ...]
    adjusting: Adjusting = field(default_factory=Adjusting)
    course: str = FREE

    @property
    def baseline(self) -> str:
        """Key of the first visit."""
        return self.visits[0].key

    @property
    def two_sided(self) -> bool:
        """True when somebody was measured on both sides."""
        return bool((self.rows.groupby("participant_id")["side"].nunique() > 1).any())

    def participants_at(self, arm: str, visit: str) -> int:
        """How many participants of an arm have a reading at a visit."""
        here = self.rows[(self.rows["arm"] == arm) & (self.rows["visit"] == visit)]
        return int(here["participant_id"].nunique())

    def change_of_people(self) -> pd.DataFrame:
        """Each participant's own change: mean over the sides measured at both visits.

        Returns:
            frame with `participant_id`, `arm`, `visit`, `change`; one row a participant and later visit.
        """
        keys = ["participant_id", "arm", "side"]
        wide = self.rows.groupby([*keys, "visit"], sort=True)["value"].mean().unstack("visit")
        later = [visit.key for visit in self.visits[1:] if visit.key in wide.columns]
        if self.baseline not in wide.columns or not later:
            return pd.DataFrame({"participant_id": [], "arm": [], "visit": [], "change": []})
        changed = wide[later].sub(wide[self.baseline], axis="index").stack().rename("change")
        people = changed.groupby(["participant_id", "arm", "visit"], sort=True).mean()
        return people.reset_index()


def readings_for_change(study: Study, measure: str | None = None) -> ChangeReadings:
    """The outcomes of one measure at the visits of the change model.

    Args:
        study: the checked study.
        measure: key of a measure; the primary one when left out.

    Raises:
        DesignError: a graded measure, fewer than two visits with readings, nobody at the baseline or at the primary
            visit, an arm with a single participant, or a covariate that cannot be used.
    """
    protocol = study.protocol
    key = measure or protocol.study.primary_measure
    visits, set_apart = change_visits(protocol)
    if protocol.measures[key].graded:
        raise DesignError(
            f"{protocol.measures[key].name} is graded: a difference of grades is no amount, so no mean change is given."
        )
    if protocol.study.primary_visit is None or len(visits) < 2:
        raise DesignError("Change needs two planned visits and a primary visit; the protocol has fewer.")
    rows, unplaced = _with_arms(_one_row_an_outcome(study, key, visits), study)
    rows, missing = _under_the_missing_rule(rows, visits, protocol)
    readings = ChangeReadings(
        rows=rows,
        measure=key,
        visits=tuple(visit for visit in visits if visit.key in set(rows["visit"])),
        primary_visit=protocol.study.primary_visit,
        arms=_arm_labels(rows, protocol),
        control=protocol.control_arm,
        outcome_words=_outcome_words(protocol, key),
        notes=(*set_apart, *unplaced, *missing),
        course=protocol.analysis.course,
    )
    _check_answerable(readings, visits[0], protocol)
    adjusting = adjusting_of_study(study, rows["participant_id"])
    return replace(readings, adjusting=adjusting, notes=(*readings.notes, *adjusting.notes))


def change_visits(protocol: Protocol) -> tuple[tuple[Visit, ...], tuple[str, ...]]:
    """The visits of the change model, and a sentence about a reliability sitting that is set apart.

    A sitting that the protocol names for reliability and that falls in the week of another visit was held to compare
    raters, often with a part of the participants only; it is no point in time of its own.
    """
    plan = protocol.reliability
    sittings = plan.sittings if plan is not None else ()
    kept, notes = [], []
    for visit in protocol.visits:
        twin = next((other for other in protocol.visits if other.key != visit.key and other.week == visit.week), None)
        set_apart = (
            visit.key in sittings
            and twin is not None
            and visit.key != protocol.study.primary_visit
            and visit.key != protocol.visit_keys[0]
        )
        if set_apart and twin is not None:
            notes.append(f"{visit.label} (same week as {twin.label}) was held to compare raters and is not used here.")
        else:
            kept.append(visit)
    return tuple(kept), tuple(notes)


def _with_arms(rows: pd.DataFrame, study: Study) -> tuple[pd.DataFrame, tuple[str, ...]]:
    people = study.table(PARTICIPANTS)
    arm_of = dict(zip(people["participant_id"], people["arm"], strict=True))
    if not study.protocol.arms:
        return rows.assign(arm=EVERYBODY), ()
    arms = rows["participant_id"].map(arm_of)
    without = rows.loc[arms.isna(), "participant_id"]
    notes: tuple[str, ...] = ()
    if len(without):
        who = counted(without.nunique(), "participant")
        notes = (f"{who} without an arm left out ({counted(len(without), 'outcome')}).",)
    return rows.assign(arm=arms)[arms.notna()].reset_index(drop=True), notes


def _one_row_an_outcome(study: Study, key: str, visits: tuple[Visit, ...]) -> pd.DataFrame:
    """Trials taken as the protocol says, at the visits of the model; in a fixed order, so that answers do not depend
    on the order of the sheet."""
    used = used_readings(study, key)
    used = used[used["visit"].isin([visit.key for visit in visits]) & used["value"].notna()]
    rows = used.assign(side=used["side"].fillna(ONE_SIDE), value=used["value"].astype("float64"))
    order = ["participant_id", "visit", "side", "rater_id", "value"]
    return rows[order].sort_values(order, kind="stable", ignore_index=True)


def _under_the_missing_rule(
    rows: pd.DataFrame, visits: tuple[Visit, ...], protocol: Protocol
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    seen = rows.groupby("participant_id")["visit"].nunique()
    used = {visit.key for visit in visits} & set(rows["visit"])
    complete = seen.index[seen == len(used)]
    total = len(seen)
    if len(complete) == total:
        return rows, (f"All {counted(total, 'participant')} were measured at every visit.",)
    had = f"{len(complete)} of {counted(total, 'participant')} were measured at every visit"
    if protocol.study.missing_visits == "complete participants":
        kept = rows[rows["participant_id"].isin(complete)].reset_index(drop=True)
        return kept, (f"{had}; as the protocol says, only they are used ({total - len(complete)} left out).",)
    return rows, (f"{had}; as the protocol says, all visits that were made are used.",)


def _arm_labels(rows: pd.DataFrame, protocol: Protocol) -> dict[str, str]:
    if not protocol.arms:
        return {EVERYBODY: EVERYBODY_LABEL}
    present = set(rows["arm"])
    return {key: arm.label for key, arm in protocol.arms.items() if key in present}


def _outcome_words(protocol: Protocol, key: str) -> str:
    limb = "one limb" if protocol.measures[key].two_sided else "one participant"
    how = protocol.study.trials_used
    if how == "all":
        return f"a single trial of {limb} at one visit"
    which = "mean" if how == "mean" else "best"
    return f"the {which} of the trials of {limb} at one visit by one rater"


def _check_answerable(readings: ChangeReadings, baseline: Visit, protocol: Protocol) -> None:
    name = protocol.measures[readings.measure].name
    primary = protocol.visit(readings.primary_visit)
    if readings.rows.empty:
        raise DesignError(f"There is no reading of {name} at any visit of the change model.")
    for visit in (baseline, primary):
        if visit.key not in set(readings.rows["visit"]):
            raise DesignError(
                f"Nobody has a reading of {name} at {visit.label}, so there is no change to {primary.label}."
            )
    if readings.rows["value"].nunique() == 1:
        raise DesignError(f"Every reading of {name} is the same number; a change without any spread has no interval.")
    counts = {arm: readings.participants_at(arm, readings.primary_visit) for arm in readings.arms}
    empty = [readings.arms[arm] for arm, count in counts.items() if count == 0]
    if empty:
        raise DesignError(f"Nobody in {listed(empty)} has a reading of {name} at {primary.label}.")
    single = [readings.arms[arm] for arm, count in counts.items() if count == 1]
    if single:
        raise DesignError(
            f"Only one participant in {listed(single)} has a reading of {name} at {primary.label}; one person cannot "
            "show how much people differ."
        )
    if protocol.study.design != "trial":
        unseen = [label for arm, label in readings.arms.items() if readings.participants_at(arm, baseline.key) == 0]
        if unseen:
            raise DesignError(
                f"Nobody in {listed(unseen)} has a reading of {name} at {baseline.label}, so there is no change "
                "from it."
            )
    if protocol.study.design == "trial":
        if readings.control is None:
            raise DesignError("No arm of the protocol has control = true, so there is nothing to compare with.")
        if readings.control not in readings.arms:
            raise DesignError(
                f"Nobody in the control arm has a reading of {name}, so there is nothing to compare with."
            )
        if len(readings.arms) < 2:
            raise DesignError(f"Only the control arm has readings of {name}; a comparison needs another arm.")
