"""The reference data as arrays for the engine: one named case for each fit of the reference files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.numerics.mixed.terms import RandomTerm, intercept_by

REFERENCE = Path(__file__).parents[2] / "reference"


@dataclass
class Case:
    """One reference fit: outcome, fixed-effect columns, random terms, and the reference's own record of it."""

    y: np.ndarray
    x: np.ndarray
    terms: list[RandomTerm]
    expected: dict[str, Any]


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / f"{name}.csv")


def expected(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())
    return content


def codes(*columns: pd.Series) -> np.ndarray:
    joined = columns[0].astype(str)
    for column in columns[1:]:
        joined = joined + "|" + column.astype(str)
    return np.unique(joined.to_numpy(dtype=str), return_inverse=True)[1]


def dummies(column: pd.Series, levels: list[object]) -> np.ndarray:
    """Treatment coding: one column for each level but the first."""
    return np.column_stack([(column == level).to_numpy(dtype=float) for level in levels[1:]])


def _ones(frame: pd.DataFrame) -> np.ndarray:
    return np.ones((len(frame), 1))


def _sleepstudy(kind: str) -> Case:
    d = table("sleepstudy")
    x, by = np.column_stack([_ones(d), d.Days]), codes(d.Subject)
    terms = {
        "random_intercept_slope": [RandomTerm("Subject", by, x)],
        "uncorrelated": [RandomTerm("Subject", by, x[:, :1]), RandomTerm("Subject.1", by, x[:, 1:])],
        "random_intercept": [intercept_by("Subject", by)],
    }
    return Case(d.Reaction.to_numpy(), x, terms[kind], expected("lmm_sleepstudy")[kind])


def _penicillin() -> Case:
    d = table("Penicillin")
    terms = [intercept_by("plate", codes(d["plate"])), intercept_by("sample", codes(d["sample"]))]
    return Case(d.diameter.to_numpy(float), _ones(d), terms, expected("lmm_penicillin_crossed")["crossed"])


def _pastes() -> Case:
    d = table("Pastes")
    terms = [intercept_by("cask:batch", codes(d.cask, d.batch)), intercept_by("batch", codes(d.batch))]
    return Case(d.strength.to_numpy(float), _ones(d), terms, expected("lmm_pastes_nested")["nested"])


def _dyestuff() -> Case:
    d = table("Dyestuff")
    return Case(
        d.Yield.to_numpy(float), _ones(d), [intercept_by("Batch", codes(d.Batch))], expected("lmm_dyestuff")["oneway"]
    )


def _machines(name: str, kind: str) -> Case:
    d = table(name)
    x = np.column_stack([_ones(d), dummies(d.Machine, ["A", "B", "C"])])
    if kind == "unstructured_worker":
        columns = np.column_stack([(d.Machine == level).to_numpy(float) for level in "ABC"])
        terms = [RandomTerm("Worker", codes(d.Worker), columns, column_names=("A", "B", "C"))]
    else:
        terms = [intercept_by("Worker:Machine", codes(d.Worker, d.Machine)), intercept_by("Worker", codes(d.Worker))]
    return Case(d.score.to_numpy(float), x, terms, expected(f"lmm_{name.lower()}")[kind])


def _cake(kind: str) -> Case:
    d = table("cake")
    recipe = dummies(d.recipe, ["A", "B", "C"])
    if kind == "factorial":
        heat = dummies(d.temperature, [175, 185, 195, 205, 215, 225])
        cross = [recipe[:, i] * heat[:, j] for j in range(5) for i in range(2)]
        x = np.column_stack([_ones(d), recipe, heat, *cross])
    else:
        x = np.column_stack([_ones(d), recipe, d.temp])
    terms = [intercept_by("recipe:replicate", codes(d.recipe, d.replicate))]
    return Case(d.angle.to_numpy(float), x, terms, expected("lmm_cake_splitplot")[kind])


def _orthodont(kind: str) -> Case:
    d = table("Orthodont")
    female = (d.Sex == "Female").to_numpy(float)
    age = d.age.to_numpy(float) - (11.0 if kind == "random_slope" else 0.0)
    x = np.column_stack([_ones(d), age, female, age * female])
    columns = x[:, :2] if kind == "random_slope" else x[:, :1]
    return Case(
        d.distance.to_numpy(float),
        x,
        [RandomTerm("Subject", codes(d.Subject), columns)],
        expected("lmm_orthodont")[kind],
    )


def _bodyweight() -> Case:
    d = table("BodyWeight")
    diet, time = dummies(d.Diet, [1, 2, 3]), d.Time.to_numpy(float)
    x = np.column_stack([_ones(d), time, diet, time[:, None] * diet])
    return Case(
        d.weight.to_numpy(float),
        x,
        [RandomTerm("Rat", codes(d.Rat), x[:, :2])],
        expected("lmm_bodyweight")["random_slope"],
    )


def trial_frame(*, means: bool) -> pd.DataFrame:
    """The simulated trial, each row a trial or the mean of a rater's trials, with the columns of its models."""
    d = table("rom_trial_dev")
    if means:
        keys = ["pid", "arm", "dose_min_per_week", "limb", "week", "rater"]
        d = d.groupby(keys, as_index=False).rom_deg.mean()
    return d


def _trial(kind: str) -> Case:
    d = trial_frame(means=kind[0] not in "FG")
    week, one = d.week.to_numpy(), np.ones(len(d))
    dose = d.dose_min_per_week.to_numpy(float)
    weeks = dummies(d.week, [0, 4, 8, 12])
    arms = [((d.week == w) & (d.arm == arm)).to_numpy(float) for w in (4, 8, 12) for arm in ("mid", "high")]
    fixed = {
        "A": [one, weeks, *arms],
        "B": [one, weeks, *arms],
        "C": [one, weeks, dose * week / 12.0],
        "D": [one, week / 12.0, dose * week / 12.0],
        "E": [one, weeks, dose[:, None] * weeks],
        "F": [one, weeks, *arms],
        "G": [one, weeks, dose * week / 12.0],
    }[kind[0]]
    person = codes(d.pid)
    terms = [intercept_by("pid:limb", codes(d.pid, d.limb)), intercept_by("rater", codes(d.rater))]
    if kind[0] == "D":
        terms.append(RandomTerm("pid", person, np.column_stack([one, week / 12.0])))
    else:
        terms.append(intercept_by("pid", person))
    if kind[0] in "BFG":
        terms.append(intercept_by("pid:limb:week", codes(d.pid, d.limb, d.week)))
    return Case(d.rom_deg.to_numpy(float), np.column_stack(fixed), terms, expected("rom_trial_dev_fits")[kind])


def nearly_singular_slope() -> Case:
    d = table("nearly_singular_slope")
    arm, week = (d.arm == "stretch").to_numpy(float), d.week.to_numpy(float)
    x = np.column_stack([_ones(d), week, arm, week * arm])
    return Case(
        d.rom.to_numpy(float),
        x,
        [RandomTerm("pid", codes(d.pid), x[:, :2], column_names=("intercept", "week"))],
        expected("edge_cases")["nearly_singular_slope"],
    )


def unbalanced_two_arms() -> Case:
    d = table("unbalanced_two_arms")
    x = np.column_stack([_ones(d), d.w, d.g, d.w * d.g])
    return Case(d.y.to_numpy(float), x, [intercept_by("s", codes(d.s))], expected("edge_cases")["unbalanced_two_arms"])


def boundary_case(name: str) -> Case:
    """A fit on the boundary, with the reference's tests there: "nearly_singular_slope" or "zero_rater_variance"."""
    record = expected("mixed_boundary")[name]
    if name == "nearly_singular_slope":
        case = nearly_singular_slope()
        return Case(case.y, case.x, case.terms, record)
    d = table(name)
    terms = [intercept_by("person", d.person.to_numpy()), intercept_by("rater", d.rater.to_numpy())]
    return Case(d.y.to_numpy(float), np.column_stack([_ones(d), d.week, d.arm]), terms, record)


CASES: dict[str, Callable[[], Case]] = {
    "sleepstudy, intercept and slope": lambda: _sleepstudy("random_intercept_slope"),
    "sleepstudy, uncorrelated": lambda: _sleepstudy("uncorrelated"),
    "sleepstudy, intercept": lambda: _sleepstudy("random_intercept"),
    "Penicillin": _penicillin,
    "Pastes": _pastes,
    "Dyestuff": _dyestuff,
    "Machines": lambda: _machines("Machines", "worker_and_interaction"),
    "Machines, three machines by worker": lambda: _machines("Machines", "unstructured_worker"),
    "Machines, unbalanced": lambda: _machines("Machines_unbalanced", "worker_and_interaction"),
    "cake, factorial": lambda: _cake("factorial"),
    "cake, linear": lambda: _cake("linear_temp"),
    "Orthodont, slope": lambda: _orthodont("random_slope"),
    "Orthodont, intercept": lambda: _orthodont("random_intercept"),
    "BodyWeight": _bodyweight,
    "trial A": lambda: _trial("A_cLDA_trial_means"),
    "trial B": lambda: _trial("B_cLDA_trial_means_with_limb_session"),
    "trial C": lambda: _trial("C_dose_slope_trial_means"),
    "trial D": lambda: _trial("D_dose_slope_random_time_slope_trial_means"),
    "trial E": lambda: _trial("E_dose_by_visit_trial_means"),
    "trial F": lambda: _trial("F_cLDA_trial_level_with_limb_session"),
    "trial G": lambda: _trial("G_dose_slope_trial_level_with_limb_session"),
}


def reference_variances(block: dict[str, Any]) -> dict[tuple[str, str, str], float]:
    """(group, effect, effect) -> covariance, the effects in the reference's words."""
    found = {}
    for row in block["varcorr"]:
        first, second = row.get("var1") or "", row.get("var2") or row.get("var1") or ""
        found[row["grp"], first, second] = float(row["vcov"])
    return found
