"""Every rule that looks beyond one cell, in the order in which it is asked.

An error rule speaks about rows that are there, never about rows that are missing: leaving out a row of its own table
never makes it find more. What may be missing is a suspicion. So the rows that a check accepts pass a second check
without an error.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pandas as pd

from studykit.data.checks.rules import course, dates, identities, people, prescribed, references, trials
from studykit.data.checks.rules.given import CodedColumns, Given
from studykit.data.checks.rules.suspicions import suspicions
from studykit.vocabulary import DIARY, EVENTS, FLOW, MEASUREMENTS, PARTICIPANTS, PRESCRIPTIONS, RATERS

ErrorRule = Callable[[Given], pd.DataFrame]

ERROR_RULES: dict[str, tuple[ErrorRule, ...]] = {
    PARTICIPANTS: (
        partial(identities.duplicate_ids, table=PARTICIPANTS),
        partial(identities.similar_ids, table=PARTICIPANTS),
        people.needed_in_a_trial,
    ),
    RATERS: (
        partial(identities.duplicate_ids, table=RATERS),
        partial(identities.similar_ids, table=RATERS),
    ),
    FLOW: (
        partial(references.unknown_participant, table=FLOW),
        course.duplicate_stage,
        course.stages_out_of_order,
        course.excluded_and_randomised,
    ),
    PRESCRIPTIONS: (
        partial(references.unknown_participant, table=PRESCRIPTIONS),
        prescribed.prescribed_to_nobody,
        prescribed.two_arms,
        prescribed.arms_disagree_among_prescriptions,
        prescribed.duplicate_prescription,
    ),
    EVENTS: (partial(references.unknown_participant, table=EVENTS),),
    MEASUREMENTS: (
        partial(references.unknown_participant, table=MEASUREMENTS),
        references.unknown_rater,
        trials.duplicate_trial,
        partial(dates.before_enrolment, table=MEASUREMENTS),
        partial(dates.long_after_the_study, table=MEASUREMENTS),
        partial(dates.after_loss, table=MEASUREMENTS),
    ),
    DIARY: (
        partial(references.unknown_participant, table=DIARY),
        partial(dates.before_enrolment, table=DIARY),
        partial(dates.long_after_the_study, table=DIARY),
        partial(dates.after_loss, table=DIARY),
    ),
}
"""Table -> the rules whose findings set a row of that table aside."""

TABLES_OTHERS_LEAN_ON = (PARTICIPANTS, RATERS, FLOW, PRESCRIPTIONS)
"""Small tables: a row set aside in one may set aside rows of another, so they are checked until nothing changes."""
TABLES_NOBODY_LEANS_ON = (EVENTS, MEASUREMENTS, DIARY)
"""Checked once, after the others."""

__all__ = [
    "ERROR_RULES",
    "TABLES_NOBODY_LEANS_ON",
    "TABLES_OTHERS_LEAN_ON",
    "CodedColumns",
    "ErrorRule",
    "Given",
    "suspicions",
]
