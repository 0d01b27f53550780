"""Tables of the report that belong to no single answer: rows used, findings, the plan, provenance."""

from __future__ import annotations

from typing import Final

import pandas as pd

from studykit.data import Checked
from studykit.formatting import number, unit_sign
from studykit.protocol import Protocol
from studykit.provenance import Provenance
from studykit.table import Column, Table
from studykit.vocabulary import ERROR

LEFT: Final = "left"


def rows_table(checked: Checked) -> Table:
    """Rows in, used and set aside, one line a table that has rows."""
    rows = tuple(
        (
            name,
            str(checked.rows_in[name]),
            str(checked.rows_used[name]),
            str(checked.rows_set_aside[name]),
        )
        for name in checked.rows_in
        if checked.rows_in[name]
    )
    columns = (Column("Table", LEFT), Column("Rows in"), Column("Rows used"), Column("Rows set aside"))
    note = "Rows in = rows used + rows set aside, counted on every run. A wide sheet gives one row for each reading."
    return Table("rows_used", "Rows of each table", columns, rows, (note,))


def findings_table(findings: pd.DataFrame) -> Table | None:
    """How often each rule was met, without a value from the data; None when nothing was found."""
    if findings.empty:
        return None
    counts = findings.groupby(["severity", "table", "rule"], sort=True).size().reset_index(name="count")
    rows = tuple(
        (str(line.rule).replace("_", " "), str(line.table), str(line.severity), str(line.count_))
        for line in counts.rename(columns={"count": "count_"}).itertuples()
    )
    columns = (Column("Finding", LEFT), Column("Table", LEFT), Column("Kind", LEFT), Column("How many"))
    notes = (
        f"A row with an {ERROR} is set aside until it is mended. "
        "A suspicion removes nothing and asks somebody to look.",
    )
    return Table("findings", "What the check found", columns, rows, notes)


def plan_tables(protocol: Protocol) -> list[Table]:
    """The measures, the arms with their dose and the visits, as planned."""
    tables = [_measures(protocol)]
    if protocol.arms:
        tables.append(_arms(protocol))
    if protocol.visits:
        tables.append(_visits(protocol))
    return tables


def _measures(protocol: Protocol) -> Table:
    rows = tuple(
        (
            measure.name,
            measure.instrument,
            measure.zero_and_sign,
            str(measure.trials_per_visit),
        )
        for measure in protocol.measures.values()
    )
    columns = (
        Column("Measure", LEFT),
        Column("Instrument", LEFT),
        Column("Zero and sign", LEFT),
        Column("Trials a visit"),
    )
    cautions = tuple(
        f"{measure.name}: {caution}" for measure in protocol.measures.values() for caution in measure.cautions
    )
    return Table("planned_measures", "Measures", columns, rows, cautions)


def _arms(protocol: Protocol) -> Table:
    def line(key: str) -> tuple[str, ...]:
        arm = protocol.arms[key]
        name = f"{arm.label} (control)" if arm.control else arm.label
        if arm.dose is None:
            return (name, "none", "", "", "", "", "")
        dose = arm.dose
        return (
            name,
            f"{number(dose.hold_s, 0)}{unit_sign('s')}",
            str(dose.repetitions),
            f"{dose.sessions_per_day:g}",
            f"{dose.days_per_week:g}",
            f"{dose.weeks:g}",
            number(dose.minutes_per_week, 1),
        )

    columns = (
        Column("Arm", LEFT),
        Column("Hold"),
        Column("Repetitions"),
        Column("Sessions a day"),
        Column("Days a week"),
        Column("Weeks"),
        Column("Minutes a week"),
    )
    note = (
        "Minutes a week for each treated side = hold x repetitions x sessions a day x days a week / 60. "
        "Common practice, no source: at least 60 s, 4 to 6 days a week, about 12 weeks; "
        "published trials disagree with parts of it."
    )
    return Table("planned_dose", "Arms and their dose", columns, tuple(line(key) for key in protocol.arms), (note,))


def _visits(protocol: Protocol) -> Table:
    rows = tuple(
        (visit.label, f"{visit.week:g}", f"{visit.earliest_day:g} to {visit.latest_day:g}") for visit in protocol.visits
    )
    columns = (Column("Visit", LEFT), Column("Week"), Column("Window (study days)"))
    return Table("planned_visits", "Visits", columns, rows, ("Study days are counted from the day of enrolment.",))


def provenance_table(provenance: Provenance) -> Table:
    """Hashes and versions, for somebody who repeats the analysis."""
    rows = [("Data (SHA-256)", provenance.data_sha256)] if provenance.data_sha256 else []
    rows.append(("Protocol (SHA-256)", provenance.protocol_sha256))
    rows += [(name, version) for name, version in provenance.versions]
    if provenance.seed is not None:
        rows.append(("Seed of random numbers", str(provenance.seed)))
    return Table(
        "provenance", "Data, protocol and software", (Column("What", LEFT), Column("Value", LEFT)), tuple(rows)
    )
