"""Whatever a small study looks like, the rooms of people and of conduct answer or say in a sentence why not."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from made_studies import made_audit, made_trial

from studykit.change import MdcBeside, diagnostics_of_study
from studykit.conduct import conduct_of_study
from studykit.data.study import Study
from studykit.errors import StudykitError
from studykit.individuals import for_whom
from studykit.result import Result

MDC = MdcBeside(4.0, math.nan, math.nan, 0.95, "made up")


def answers(study: Study) -> list[Result]:
    """Everything that the study can be asked here; a refusal is one line that ends like a sentence."""
    found: list[Result] = []
    refused: list[str] = []
    for ask in (
        lambda: for_whom(study, mdc=MDC),
        lambda: for_whom(study),
        lambda: conduct_of_study(study, mdc=MDC),
        lambda: [diagnostics_of_study(study)],
    ):
        try:
            found += ask()
        except StudykitError as refusal:
            refused.append(str(refusal))
    assert all(said.endswith(".") and "\n" not in said for said in refused)
    return found


def check(result: Result) -> None:
    figure = result.figure()
    assert result.headline.endswith(".")
    assert "nan" not in result.headline
    assert result.table().rows
    assert not any(math.isinf(value) for value in result.numbers().values())
    assert figure is None or figure.svg().startswith("<svg")


def dated(study: Study, seed: int) -> Study:
    """The same readings on days over half a year, in whole degrees."""
    rows, rng = study.table("measurements"), np.random.default_rng(seed)
    people = rows["participant_id"].unique()
    began = dict(zip(people, rng.integers(0, 120, len(people)), strict=True))
    week = rows["visit"].map({"baseline": 0, "week_6": 6, "week_12": 12}).to_numpy()
    days = rows["participant_id"].map(began).to_numpy() + 7 * week
    rows = rows.assign(measured_on=pd.Timestamp("2024-01-01") + pd.to_timedelta(days, unit="D"))
    return dataclasses.replace(study, tables={**study.tables, "measurements": rows.assign(value=rows["value"].round())})


@settings(max_examples=5)
@given(
    people=st.integers(2, 24),
    missing=st.sampled_from([0.0, 0.3, 0.8]),
    used=st.sampled_from(["mean", "all", "best"]),
    seed=st.integers(0, 10_000),
)
def test_trials(people: int, missing: float, used: str, seed: int) -> None:
    study = made_trial(people, missing=missing, seed=seed, lines=f'trials_used = "{used}"')
    for result in answers(dated(study, seed)):
        check(result)


@settings(max_examples=5)
@given(
    people=st.integers(3, 16),
    visits=st.integers(2, 3),
    sides=st.integers(1, 2),
    steps=st.sampled_from([0.0, 1.0, 5.0]),
    gaps=st.sampled_from([0.0, 0.3, 0.7]),
    seed=st.integers(0, 10_000),
)
def test_audits(people: int, visits: int, sides: int, steps: float, gaps: float, seed: int) -> None:
    """Readings in whole steps, so that ties, constants and exact repeats are common."""
    rng = np.random.default_rng(seed)
    values = 50.0 + steps * rng.integers(0, 3, (people, visits, sides))
    values[rng.random(values.shape) < gaps] = np.nan
    for result in answers(made_audit(values)):
        check(result)
