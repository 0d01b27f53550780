"""The words of the kit: tables, their columns and the codes allowed in them.

Every other room takes these names from here, so that a column is spelt once.
"""

from __future__ import annotations

from typing import Final

PARTICIPANTS: Final = "participants"
RATERS: Final = "raters"
MEASUREMENTS: Final = "measurements"
PRESCRIPTIONS: Final = "prescriptions"
DIARY: Final = "diary"
EVENTS: Final = "events"
FLOW: Final = "flow"

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    PARTICIPANTS: (
        "participant_id",
        "arm",
        "site",
        "sex",
        "age_years",
        "height_cm",
        "mass_kg",
        "enrolled_on",
    ),
    RATERS: ("rater_id", "profession", "experience_years"),
    MEASUREMENTS: (
        "participant_id",
        "visit",
        "measured_on",
        "side",
        "measure",
        "rater_id",
        "instrument",
        "trial",
        "value",
        "warmed_up",
        "blinded",
        "note",
    ),
    PRESCRIPTIONS: (
        "participant_id",
        "arm",
        "technique",
        "side",
        "hold_s",
        "repetitions",
        "sessions_per_day",
        "days_per_week",
        "weeks",
        "intensity_0_10",
    ),
    DIARY: (
        "participant_id",
        "done_on",
        "technique",
        "side",
        "hold_s",
        "repetitions",
        "discomfort_0_10",
    ),
    EVENTS: ("participant_id", "happened_on", "description", "severity", "related"),
    FLOW: ("participant_id", "stage", "happened_on", "reason"),
}
"""Columns of each table, in the order in which they are written."""

REQUIRED: Final[dict[str, tuple[str, ...]]] = {
    PARTICIPANTS: ("participant_id",),
    RATERS: ("rater_id",),
    MEASUREMENTS: ("participant_id", "measure", "rater_id", "trial", "value"),
    PRESCRIPTIONS: ("technique", "hold_s", "repetitions", "sessions_per_day", "days_per_week", "weeks"),
    DIARY: ("participant_id", "done_on", "hold_s", "repetitions"),
    EVENTS: ("participant_id", "happened_on", "description"),
    FLOW: ("participant_id", "stage"),
}
"""Columns without which a table cannot be read; the protocol may require more."""

TEXT_COLUMNS: Final = frozenset(
    {
        "participant_id",
        "arm",
        "site",
        "sex",
        "rater_id",
        "profession",
        "visit",
        "side",
        "measure",
        "instrument",
        "note",
        "technique",
        "description",
        "severity",
        "related",
        "stage",
        "reason",
    }
)
DATE_COLUMNS: Final = frozenset({"enrolled_on", "measured_on", "done_on", "happened_on"})
YES_NO_COLUMNS: Final = frozenset({"warmed_up", "blinded"})
WHOLE_NUMBER_COLUMNS: Final = frozenset({"trial", "repetitions"})
NUMBER_COLUMNS: Final = frozenset(
    {
        "age_years",
        "height_cm",
        "mass_kg",
        "experience_years",
        "value",
        "hold_s",
        "sessions_per_day",
        "days_per_week",
        "weeks",
        "intensity_0_10",
        "discomfort_0_10",
    }
)

LEFT: Final = "left"
RIGHT: Final = "right"
SIDES: Final = (LEFT, RIGHT)
SEXES: Final = ("female", "male", "other")
SEVERITIES: Final = ("mild", "moderate", "severe")
RELATED: Final = ("yes", "no", "unclear")
STAGES: Final = ("assessed", "excluded", "randomised", "received", "lost", "analysed")

DESIGNS: Final = ("trial", "audit", "reliability")

ERROR: Final = "error"
SUSPICION: Final = "suspicion"
FINDING_COLUMNS: Final = (
    "table",
    "file",
    "sheet",
    "row",
    "column",
    "value",
    "rule",
    "severity",
    "message",
    "what_to_do",
)
"""Columns of the findings frame; `row` is the row as a person sees it, the headings being row 1."""
LOG_COLUMNS: Final = ("table", "file", "sheet", "row", "column", "before", "after", "why")
"""Columns of the import log: one line for every cell whose content was changed on the way in."""
