"""Whatever a small study looks like, the room answers or says in a sentence why not; never a traceback."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from made_studies import made_audit, made_trial

from studykit.change import MdcBeside, change_of_study, flow_of_study
from studykit.data.study import Study
from studykit.errors import StudykitError
from studykit.result import Result

MDC = MdcBeside(4.0, math.nan, math.nan, 0.95, "made up")


def answers(study: Study) -> list[Result]:
    said = "."
    found: list[Result] = []
    try:
        found = [flow_of_study(study), *change_of_study(study, mdc=MDC)]
    except StudykitError as refusal:
        said = str(refusal)
    assert said.endswith(".")
    assert "\n" not in said
    return found


@settings(max_examples=20)
@given(
    people=st.integers(2, 9),
    missing=st.sampled_from([0.0, 0.2, 0.6, 0.95]),
    rule=st.sampled_from(["all observed visits", "complete participants"]),
    used=st.sampled_from(["mean", "all", "best"]),
    seed=st.integers(0, 10_000),
)
def test_trials(people: int, missing: float, rule: str, used: str, seed: int) -> None:
    lines = f'missing_visits = "{rule}"\ntrials_used = "{used}"'
    for result in answers(made_trial(people, missing=missing, seed=seed, lines=lines)):
        assert all(math.isfinite(value) for value in result.numbers().values())
        assert result.table().rows
        assert result.headline.endswith(".")


@settings(max_examples=20)
@given(
    people=st.integers(2, 7),
    visits=st.integers(2, 3),
    sides=st.integers(1, 2),
    steps=st.sampled_from([0.0, 1.0, 5.0]),
    gaps=st.floats(0, 0.8),
    seed=st.integers(0, 10_000),
)
def test_audits(people: int, visits: int, sides: int, steps: float, gaps: float, seed: int) -> None:
    """Readings in whole steps, so that ties, constants and exact repeats are common."""
    rng = np.random.default_rng(seed)
    values = 50.0 + steps * rng.integers(0, 3, (people, visits, sides))
    values[rng.random(values.shape) < gaps] = np.nan
    for result in answers(made_audit(values)):
        for name, value in result.numbers().items():
            assert math.isfinite(value) or name.endswith((".df", ".low", ".high", ".p")), name
        assert result.headline.endswith(".")
