"""The tables of a paper, each made of several answers: reliability, change beside difference, dose.

Sample, missing readings, adverse events, and, where the study can answer, responders and sensitivity analyses are
tables of single answers and come from those.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.errors import DesignError
from studykit.formatting import (
    counted,
    estimate,
    level,
    number,
    percent,
    share_difference,
    share_estimate,
    unit_sign,
)
from studykit.protocol import Protocol
from studykit.report.dose_paper import dose_effects_table
from studykit.report.tables import findings_table, plan_tables, provenance_table, rows_table
from studykit.result import Result
from studykit.table import Column, Table

_RELIABILITY: Final = {"icc": "Correlation", "sem": "SEM", "mdc95": "MDC"}
"""Number of a reliability answer -> heading."""
_COUNTS: Final = {"participants": "Participants", "raters": "Raters", "sessions": "Sessions", "readings": "Readings"}
"""Count of a reliability answer -> heading; a count that no measure has gets no column."""
_LIMITS: Final = (".low", ".high")


def all_tables(checked: Checked, study: Study, sections: Sequence[Section]) -> list[Table]:
    """Every table of a report: those of a paper, of each answer, of the data and of the plan."""
    findings = findings_table(study.findings)
    return [
        *paper_tables(study, sections),
        *(result.table() for section in sections for result in section.results),
        rows_table(checked),
        *([findings] if findings is not None else []),
        *plan_tables(study.protocol),
        provenance_table(study.provenance()),
    ]


def paper_tables(study: Study, sections: Sequence[Section]) -> list[Table]:
    """The tables that join several answers; those that this study can fill."""
    results = {result.key: result for section in sections for result in section.results}
    tables: list[Table | None] = [reliability_table(study.protocol, results)]
    tables += change_tables(study.protocol, results)
    tables += [responders_table(study.protocol, results), dose_effects_table(study.protocol, results)]
    tables.append(dose_table(study.protocol, results))
    return [table for table in tables if table is not None]


def reliability_table(protocol: Protocol, results: Mapping[str, Result]) -> Table | None:
    """One row a measure on a scale: what was counted, correlation, standard error, minimal detectable change."""
    found = {key: results.get(f"reliability.{key}") for key in protocol.measures}
    answers = {key: result for key, result in found.items() if result and set(_RELIABILITY) <= set(result.numbers())}
    counts = [name for name in _COUNTS if any(name in result.numbers() for result in answers.values())]
    rows, notes = [], []
    for key, result in answers.items():
        measure, printed = protocol.measures[key], _printed_numbers(result)
        counted_here = [_count(result.numbers(), name) for name in counts]
        rows.append((measure.name, *counted_here, *(printed[name][1] for name in _RELIABILITY)))
        labels = "; ".join(f"{heading}: {printed[name][0]}" for name, heading in _RELIABILITY.items())
        notes.append(f"{measure.name}. {labels}. {result.methods}")
    if not rows:
        return None
    confidence = level(protocol.study.confidence)
    columns = (
        Column("Measure", "left"),
        *(Column(_COUNTS[name]) for name in counts),
        *(Column(f"{words}, {confidence}") for words in _RELIABILITY.values()),
    )
    meaning = "SEM: standard error of measurement; MDC: minimal detectable change of one person."
    return Table("reliability", "Reliability and measurement error", columns, tuple(rows), (meaning, *notes))


def _count(numbers: Mapping[str, float], name: str) -> str:
    """A count as a whole number, participants with the limbs they brought; one session where days were not compared."""
    if name not in numbers:
        return "1" if name == "sessions" else "not recorded"
    limbs = f" ({counted(int(numbers['limbs']), 'limb')})" if name == "participants" and "limbs" in numbers else ""
    return f"{number(numbers[name], 0)}{limbs}"


def change_tables(protocol: Protocol, results: Mapping[str, Result]) -> list[Table]:
    """For each measure one row an arm and visit: participants, change, and difference from the control arm."""
    tables = []
    for key, measure in protocol.measures.items():
        changed = results.get(f"change.{key}")
        if changed is None:
            continue
        differing = results.get(f"difference.{key}")
        tables.append(_change_table(protocol, key, changed, differing, measure.name, measure.unit))
    return tables


def responders_table(protocol: Protocol, results: Mapping[str, Result]) -> Table | None:
    """One row an arm: how many changed by more than the MDC, difference from control, spread of the responses."""
    key, unit = protocol.study.primary_measure, protocol.primary.unit
    counted_beside = results.get(f"responders.{key}")
    if counted_beside is None:
        return None
    found, spread = counted_beside.numbers(), results.get(f"individual_response.{key}")
    responses = {} if spread is None else spread.numbers()
    better, worse = ("went_up", "went_down") if protocol.primary.better == "neither" else ("improved", "worsened")
    rows = []
    for arm in [name.removesuffix(".people") for name in found if name.endswith(".people")]:
        cells = [_arm(protocol, arm), str(int(found[f"{arm}.people"]))]
        cells += [_count_and_share(found, f"{arm}.{outcome}") for outcome in (better, worse)]
        if spread is not None:
            cells += [_share_difference(found, f"{arm}.{better}"), _response(responses, arm, unit)]
        rows.append(tuple(cells))
    confidence, sign = level(protocol.study.confidence), unit_sign(unit).strip()
    words = [outcome.replace("_", " ").capitalize() for outcome in (better, worse)]
    columns = [Column("Arm" if spread is not None else "Group", "left"), Column("Measured")]
    columns += [Column(f"{word} beyond the MDC, {confidence}") for word in words]
    if spread is not None:
        columns += [Column(f"{words[0]}: difference from control, {confidence}")]
        columns += [Column(f"SD of the individual response ({sign}), {confidence}")]
    methods = (counted_beside.methods, *(() if spread is None else (spread.methods,)))
    notes = (*counted_beside.table().notes, *methods)
    return Table("responders", f"{protocol.primary.name}: single people", tuple(columns), tuple(rows), notes)


def dose_table(protocol: Protocol, results: Mapping[str, Result]) -> Table | None:
    """One row an arm with a dose: what was asked for, minutes a week prescribed and done, adherence, diaries."""
    if not any(arm.dose for arm in protocol.arms.values()):
        return None
    found = results["adherence"].numbers() if "adherence" in results else {}
    rows = []
    for key, arm in protocol.arms.items():
        if arm.dose is None:
            continue
        dose = arm.dose
        asked = (
            f"{number(dose.hold_s, 0)}{unit_sign('s')} × {dose.repetitions}, {dose.sessions_per_day:g} a day, "
            f"{dose.days_per_week:g} days a week, {dose.weeks:g} weeks"
        )
        rows.append((arm.label, asked, number(dose.minutes_per_week, 1), *_done(found, key)))
    return Table(
        "dose",
        "Dose asked for and done",
        (
            Column("Arm", "left"),
            Column("Asked for", "left"),
            Column("Minutes a week asked for"),
            Column("Minutes a week done, mean"),
            Column("Adherence, median (middle half)"),
            Column("Kept a diary"),
        ),
        tuple(rows),
        (
            "Hold × repetitions; minutes are per treated side. Adherence of a person: minutes done over minutes "
            "prescribed in the weeks with a diary.",
            "Who did more was not chosen by chance: doing more and changing more together is an association.",
        ),
    )


def _printed_numbers(result: Result) -> dict[str, tuple[str, str]]:
    """Name of a number -> its label and its print, as the answer's own table has them, in the same order.

    Raises:
        DesignError: the table and the numbers of the answer do not belong together.
    """
    names = [name for name in result.numbers() if not name.endswith(_LIMITS)]
    rows = result.table().rows
    if len(names) < len(rows):
        raise DesignError(f"The table of {result.key} has {counted(len(rows), 'row')}, its numbers {len(names)}.")
    return {name: (row[0], row[-1]) for name, row in zip(names, rows, strict=False)}


def _change_table(
    protocol: Protocol, key: str, changed: Result, differing: Result | None, name: str, unit: str
) -> Table:
    change, difference = changed.to_frame(), None if differing is None else differing.to_frame()
    rows = []
    for row in change.to_dict("records"):
        cells = [_arm(protocol, row["arm"]), protocol.visit(row["visit"]).label, str(row["participants"])]
        cells.append(estimate(row[f"change_{unit}"], row[f"low_{unit}"], row[f"high_{unit}"]))
        if difference is not None:
            cells.append(_difference(difference, row, unit))
        rows.append(tuple(cells))
    sign = unit_sign(unit).strip()
    heading = f" ({sign})" if sign else ""
    confidence = level(protocol.study.confidence)
    columns = [Column("Arm" if differing is not None else "Group", "left"), Column("Visit", "left"), Column("Measured")]
    columns.append(Column(f"Change{heading}, {confidence}"))
    if difference is not None:
        columns.append(Column(f"Difference from control{heading}, {confidence}"))
    notes = (*(differing or changed).table().notes, (differing or changed).methods)
    title = f"{name}: change from the first visit" + (", and difference from control" if differing is not None else "")
    return Table(f"change_by_visit_{key}", title, tuple(columns), tuple(rows), notes)


def _difference(difference: pd.DataFrame, row: Mapping[Any, Any], unit: str) -> str:
    own = difference[(difference["arm"] == row["arm"]) & (difference["visit"] == row["visit"])]
    if own.empty:
        return "control" if row["arm"] in set(difference["control"]) else "not estimable"
    found = own.iloc[0]
    return estimate(found[f"difference_{unit}"], found[f"low_{unit}"], found[f"high_{unit}"])


def _count_and_share(found: Mapping[str, float], start: str) -> str:
    shown = share_estimate(*(found[f"{start}.{name}"] for name in ("share", "low", "high")))
    return f"{int(found[start])}: {shown}"


def _share_difference(found: Mapping[str, float], start: str) -> str:
    names = [f"{start}.{name}" for name in ("difference", "difference_low", "difference_high")]
    return share_difference(*(found[name] for name in names)) if names[0] in found else "control"


def _response(found: Mapping[str, float], arm: str, unit: str) -> str:
    names = [f"{arm}.response_sd{end}" for end in ("", ".low", ".high")]
    if names[0] in found:
        return estimate(*(found[name] for name in names), unit=unit)
    return "control" if f"{arm}.sd_change" in found else "not estimable"


def _arm(protocol: Protocol, key: str) -> str:
    return protocol.arms[key].label if key in protocol.arms else "All participants"


def _done(found: Mapping[str, float], arm: str) -> tuple[str, str, str]:
    if f"{arm}.minutes_done_per_week" not in found:
        return ("not recorded", "not recorded", "not recorded")
    low, high = (percent(found[f"{arm}.adherence_{end}_quarter"]) for end in ("low", "high"))
    return (
        number(found[f"{arm}.minutes_done_per_week"], 1),
        f"{percent(found[f'{arm}.adherence_median'])} ({low} to {high})",
        f"{int(found[f'{arm}.participants_with_diary'])} of {int(found[f'{arm}.participants'])}",
    )
