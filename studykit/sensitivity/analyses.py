"""The list of further analyses, each one thing otherwise than planned, in the order in which they are shown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, percent
from studykit.missing_visits import FilledIn, PeopleByVisit
from studykit.sensitivity.by_person import ancova_rows, filled_in_rows, while_on_treatment_rows
from studykit.sensitivity.practice import adherent_people
from studykit.sensitivity.robust import robust_rows
from studykit.sensitivity.rows import PRIMARY, ROW_COLUMNS, Planned, Rows, not_computed, of_model, refitted
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

PER_PROTOCOL: Final = "per_protocol"
MOST_RATERS: Final = 8
"""Raters beyond whom the study is not analysed again without each."""


def all_analyses(planned: Planned, people: PeopleByVisit, filled: FilledIn | None, why_not: str) -> pd.DataFrame:
    """Every analysis: one row an analysis and arm, `ROW_COLUMNS`, the planned one first.

    Args:
        planned: the planned analysis.
        people: everybody who was allocated, by visit.
        filled: the answer with missing visits filled in; None where there is none, and why.
    """
    rows: Rows = of_model(planned, PRIMARY, "As planned", planned.readings, planned.model, "")
    rows += robust_rows(planned)
    ancova = "Analysis of covariance at the primary visit" if planned.trial else "Mean of people's own changes"
    rows += ancova_rows(planned, people, "ancova", ancova)
    rows += filled_in_rows(planned, filled, why_not)
    for found in (_other_rule(planned), _covariates(planned), _trials(planned), _suspicions(planned)):
        rows += found
    for part in (*_sides(planned), *_raters(planned), *per_protocol(planned)):
        rows += part
    rows += while_on_treatment_rows(planned, people)
    frame = pd.DataFrame(rows, columns=list(ROW_COLUMNS))
    numbers = ["estimate", "std_error", "df", "low", "high"]
    return frame.astype(dict.fromkeys(numbers, "float64")).astype({"participants": "int64"})


def _other_rule(planned: Planned) -> Rows:
    """The other rule for missing visits."""
    rule = planned.study.protocol.study.missing_visits
    if rule == "all observed visits":
        key, label, other = "complete", "Only people measured at every visit", "complete participants"
        seen = planned.readings.rows.groupby("participant_id")["visit"].nunique()
        if bool((seen == len(planned.readings.visits)).all()):
            return not_computed(planned, key, label, "Everybody was measured at every visit.")
    else:
        key, label, other = "all_visits", "All visits that were made", "all observed visits"
    return refitted(planned, key, label, _with_plan(planned.study, missing_visits=other))


def _covariates(planned: Planned) -> Rows:
    """Without the covariates that the protocol declares."""
    if not planned.readings.adjusting.named:
        return []
    bare = planned.study.protocol.analysis.model_copy(update={"covariates": (), "strata": ()})
    study = replace(planned.study, protocol=planned.study.protocol.model_copy(update={"analysis": bare}))
    return refitted(planned, "without_covariates", "Without covariates and strata", study)


def _trials(planned: Planned) -> Rows:
    """Every trial on its own, or the mean of the trials where the plan takes them singly."""
    if planned.study.protocol.study.trials_used == "all":
        return refitted(planned, "trial_means", "Means of trials", _with_plan(planned.study, trials_used="mean"))
    key, label = "single_trials", "Every trial on its own"
    rows = planned.study.tables[MEASUREMENTS]
    own = rows[rows["measure"] == planned.measure]
    if not own.duplicated(["participant_id", "visit", "side", "rater_id"]).any():
        return not_computed(planned, key, label, "Every limb was read once at a visit.")
    return refitted(planned, key, label, _with_plan(planned.study, trials_used="all"))


def _suspicions(planned: Planned) -> Rows:
    """Without readings that the check of the data put under suspicion."""
    key, label = "without_suspicions", "Without readings under suspicion"
    rows = planned.study.tables[MEASUREMENTS]
    doubted = np.zeros(len(rows), dtype=bool)
    doubted[list(planned.study.suspicious.get(MEASUREMENTS, ()))] = True
    doubted &= (rows["measure"] == planned.measure).to_numpy()
    if not doubted.any():
        return not_computed(planned, key, label, "No reading of this measure is under suspicion.")
    count = counted(int(doubted.sum()), "reading")
    return refitted(planned, key, label, _keeping(planned.study, ~doubted), f"{count} left out.")


def _sides(planned: Planned) -> Iterator[Rows]:
    """Each side alone, where both were measured."""
    if not planned.readings.two_sided:
        return
    side = planned.study.tables[MEASUREMENTS]["side"]
    for name in ("left", "right"):
        kept = _keeping(planned.study, (side == name).to_numpy(dtype=bool, na_value=False))
        yield refitted(planned, f"{name}_limbs", f"{name.capitalize()} limbs only", kept)


def _raters(planned: Planned) -> Iterator[Rows]:
    """Without each rater in turn."""
    raters = sorted(planned.readings.rows["rater_id"].dropna().unique())
    if len(raters) < 2:
        yield not_computed(planned, "without_a_rater", "Without one rater", "One rater took every reading.")
        return
    if len(raters) > MOST_RATERS:
        why = f"{len(raters)} raters; at most {MOST_RATERS} are left out in turn."
        yield not_computed(planned, "without_a_rater", "Without one rater", why)
        return
    of_row = planned.study.tables[MEASUREMENTS]["rater_id"]
    for rater in raters:
        kept = _keeping(planned.study, (of_row != rater).to_numpy(dtype=bool, na_value=True))
        yield refitted(planned, f"without_rater_{rater}", f"Without rater {rater}", kept)


def per_protocol(planned: Planned) -> Iterator[Rows]:
    """Only people who did as asked, with gaps in the diary as declared and in the other way."""
    declared = planned.study.protocol.analysis.diary_gaps
    enough = percent(planned.study.protocol.analysis.enough_adherence)
    gaps_as = {"missing": "gaps in the diary as not known", "nothing done": "gaps in the diary as nothing done"}
    other = "nothing done" if declared == "missing" else "missing"
    before: set[str] | None = None
    for key, gaps in ((PER_PROTOCOL, declared), ("per_protocol_other_gaps", other)):
        label = f"Per protocol ({enough} of the minutes)" if gaps == declared else f"The same, {gaps_as[gaps]}"
        try:
            people = adherent_people(planned.study, gaps)
        except DesignError as refusal:
            if before is None and key == PER_PROTOCOL:
                yield not_computed(planned, key, label, str(refusal))
            return
        if people == before:
            yield not_computed(planned, key, label, "The same people as in the row before.")
            return
        before = people
        measured = set(planned.readings.rows["participant_id"])
        out = len(measured - people)
        if not measured & people:
            yield not_computed(planned, key, label, "Nobody measured did as asked.")
            continue
        if out == 0:
            yield not_computed(planned, key, label, "Everybody measured did as asked.")
            continue
        left_out = f"{counted(out, 'participant')} left out"
        rows = refitted(planned, key, label, _with_people(planned.study, people), left_out)
        arms = planned.readings.rows.drop_duplicates("participant_id").groupby("arm")["participant_id"].agg(set)
        for one in rows:
            if one["note"] == left_out:
                own = arms[one["arm"]]
                one["note"] = f"{left_out}; of this arm {len(own & people)} of {len(own)} did as asked."
        yield rows


def _with_plan(study: Study, **changed: Any) -> Study:
    plan = study.protocol.study.model_copy(update=changed)
    return replace(study, protocol=study.protocol.model_copy(update={"study": plan}))


def _keeping(study: Study, kept: np.ndarray) -> Study:
    """The study with these readings only."""
    rows = study.tables[MEASUREMENTS][kept].reset_index(drop=True)
    return replace(study, tables={**study.tables, MEASUREMENTS: rows})


def _with_people(study: Study, people: set[str]) -> Study:
    """The study with these participants only."""
    tables = dict(study.tables)
    for name in (PARTICIPANTS, MEASUREMENTS):
        tables[name] = tables[name][tables[name]["participant_id"].isin(people)].reset_index(drop=True)
    return replace(study, tables=tables)
