"""What a plan supposes, as a table: everything that [planning] says, in words."""

from __future__ import annotations

from typing import Final

from studykit.formatting import listed, percent, unit_sign
from studykit.protocol import Protocol
from studykit.protocol.planning_model import PlanningPart, ReliabilityWishes
from studykit.table import Column, Table

_SPREADS: Final = {
    "participant": "between people",
    "limb": "between the limbs of one person",
    "participant_visit": "of a person from visit to visit",
    "limb_visit": "of a limb from visit to visit",
    "rater": "between raters",
    "participant_rater": "of a rater's way with a person",
    "trial": "from trial to trial",
    "slope_per_week": "of people's change in a week",
    "slope_correlation": "correlation of change with the level at the baseline",
    "further_slope_per_week": "of change in a week, further in treated arms",
}
_SHARES: Final = ("lost", "share_positive", "error_width")
_IN_UNITS: Final = ("difference_sd", "limit_width")
_WISHES: Final = {
    "targets": "targets planned",
    "readings": "readings of each target",
    "icc": "ICC expected",
    "icc_to_beat": "ICC to be shown higher than",
    "icc_width": "width of the interval of the ICC",
    "rater_share": "share of raters' differences in the error",
    "error_width": "width of the interval of SEM and MDC, as a share of them",
    "difference_sd": "SD of the differences of two readings",
    "limit_width": "width of the interval of a limit of agreement",
    "kappa": "kappa expected",
    "kappa_to_beat": "kappa to be shown higher than",
    "kappa_width": "width of the interval of kappa",
    "share_positive": "share of positive findings",
    "lost": "targets lost",
}


def supposed_table(protocol: Protocol) -> Table:
    """Everything that [planning] says, one line each."""
    part = protocol.planning or PlanningPart()
    rows = [("Power wished for", percent(part.power))]
    notes = []
    if part.participants is not None:
        rows += _trial(protocol, part)
        notes.append(f"Spreads are standard deviations of one reading of {protocol.primary.name}.")
    if part.reliability is not None:
        rows += _reliability(part.reliability, unit_sign(protocol.primary.unit))
    return Table(
        "planning_supposed",
        "[planning] in study.toml",
        (Column("Supposed", "left"), Column("Value")),
        tuple(rows),
        tuple(notes),
    )


def _trial(protocol: Protocol, part: PlanningPart) -> list[tuple[str, str]]:
    unit = unit_sign(protocol.primary.unit)
    visits = {visit.key: visit.label for visit in protocol.visits}
    arms = {key: arm.label for key, arm in protocol.arms.items()}
    several = protocol.analysis.multiplicity
    rows = [
        ("Participants, all arms together", str(part.participants)),
        ("Smallest difference that matters", f"{part.smallest_difference:g}{unit}"),
    ]
    if part.arm_with is not None:
        rows.append(("The one arm that is supposed to differ", arms.get(part.arm_with, part.arm_with)))
    if part.ratio:
        named = [f"{arms.get(key, key)} {ratio}" for key, ratio in part.ratio.items()]
        rows.append(("Participants of an arm for one of another", listed(named, most=50)))
    for arm, changes in part.change.items():
        named = [f"{value:g}{unit} by {visits.get(key, key)}" for key, value in changes.items()]
        rows.append((f"Mean change, {arms.get(arm, arm)}", listed(named, most=50)))
    if len(arms) > 2:
        rows.append(("Several comparisons with the control arm", several))
    rows.append(("Limbs of each participant", str(part.limbs)))
    rows.append(("Trials of a limb at a visit", str(part.trials)))
    raters = f"{part.raters} out of {part.raters_in_all}" if part.raters_in_all else str(part.raters)
    rows.append(("Raters of a limb at a visit", raters))
    for name, value in part.spread or ():
        if value:
            sign = "" if name == "slope_correlation" else unit
            rows.append((f"Spread {_SPREADS[name]}", f"{value:g}{sign}"))
    rows += [(f"Lost by {visits.get(key, key)}", percent(share)) for key, share in part.lost_by.items()]
    return rows


def _reliability(asked: ReliabilityWishes, unit: str) -> list[tuple[str, str]]:
    rows = []
    for name, value in asked:
        if value is None or (name == "share_positive" and asked.kappa is None):
            continue
        shown = percent(value) if name in _SHARES else f"{value:g}{unit if name in _IN_UNITS else ''}"
        rows.append((f"Reliability: {_WISHES[name]}", shown))
    return rows
