"""What the others let one expect: against the dense formula, by hand in a small case, and where nothing can be said."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import CallError
from studykit.numerics.mixed.from_others import expected_from_others
from studykit.numerics.mixed.terms import RandomTerm, intercept_by


def made_rows(seed: int = 5) -> dict[str, np.ndarray]:
    """Fifteen people, three visits, two limbs, four readers, some rows missing."""
    rng = np.random.default_rng(seed)
    people, visits, sides = (grid.ravel() for grid in np.meshgrid(range(15), range(3), range(2), indexing="ij"))
    reader_of_visit = rng.integers(0, 4, (15, 3))
    kept = rng.random(people.size) > 0.15
    people, visits, sides = people[kept], visits[kept], sides[kept]
    x = np.column_stack([np.ones(people.size), visits == 1, visits == 2, (people % 2) * visits]).astype(float)
    y = 40.0 + 3.0 * visits + rng.normal(0, 6, 15)[people] + rng.normal(0, 2, people.size)
    return {
        "y": y,
        "x": x,
        "people": people,
        "readers": reader_of_visit[people, visits],
        "limbs": 2 * people + sides,
        "visits": visits,
    }


def terms_of(rows: dict[str, np.ndarray]) -> tuple[list[RandomTerm], list[np.ndarray]]:
    slope = np.column_stack([np.ones(len(rows["y"])), rows["visits"]])
    terms = [
        RandomTerm("participant", rows["people"], slope, column_names=("intercept", "slope")),
        intercept_by("limb", rows["limbs"]),
    ]
    return terms, [np.array([[36.0, 1.0], [1.0, 2.0]]), np.array([[4.0]])]


def by_the_whole_matrix(rows: dict[str, np.ndarray], reader: int) -> np.ndarray:
    """The same from one dense covariance of all rows, by inverses."""
    terms, covariances = terms_of(rows)
    whole = 3.0 * np.eye(len(rows["y"]))
    for term, covariance in zip(terms, covariances, strict=True):
        same = term.codes[:, None] == term.codes[None, :]
        whole += same * (term.columns @ covariance @ term.columns.T)
    own = rows["readers"] == reader
    inverse = np.linalg.inv(whole[np.ix_(~own, ~own)])
    x, y = rows["x"][~own], rows["y"][~own]
    beta = np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse @ y
    return rows["x"][own] @ beta + whole[np.ix_(own, ~own)] @ inverse @ (y - x @ beta)


def test_person_by_person_equals_the_whole_matrix() -> None:
    rows = made_rows()
    terms, covariances = terms_of(rows)
    found = expected_from_others(rows["y"], rows["x"], rows["people"], rows["readers"], terms, covariances, 3.0)
    for reader in range(4):
        own = rows["readers"] == reader
        # Two factorisations of matrices with condition numbers below 1e3.
        assert found[own] == pytest.approx(by_the_whole_matrix(rows, reader), rel=1e-9)


def test_own_readings_never_enter() -> None:
    """A reader who reads ten degrees too high is expected at the same values as before."""
    rows = made_rows()
    terms, covariances = terms_of(rows)
    rest = (rows["x"], rows["people"], rows["readers"], terms, covariances, 3.0)
    high = rows["y"] + 10.0 * (rows["readers"] == 2)
    own = rows["readers"] == 2
    before, after = expected_from_others(rows["y"], *rest), expected_from_others(high, *rest)
    assert after[own] == pytest.approx(before[own], rel=1e-12)
    assert np.abs(after[~own] - before[~own]).max() > 1.0


def test_two_readers_two_people_by_hand() -> None:
    """One mean, person variance 3, residual 1: the first reader's row of a person draws on the second reader's.

    Of reader 1 the others read 10 (person 0) and 16 (person 1); their mean is 13, so that 13 + 3/4 (10 - 13) = 10.75
    and 13 + 3/4 (16 - 13) = 15.25 are expected.
    """
    people, readers = np.array([0, 0, 1, 1]), np.array([1, 2, 1, 2])
    y = np.array([99.0, 10.0, -99.0, 16.0])
    term = intercept_by("participant", people)
    found = expected_from_others(y, np.ones((4, 1)), people, readers, [term], [np.array([[3.0]])], 1.0)
    assert found[[0, 2]] == pytest.approx([10.75, 15.25], rel=1e-12)


def test_what_only_one_reader_saw_has_no_expectation() -> None:
    people, readers = np.array([0, 0, 1, 1]), np.array([1, 2, 1, 2])
    x = np.column_stack([np.ones(4), [0.0, 0.0, 1.0, 0.0]])
    term = intercept_by("participant", people)
    found = expected_from_others(np.arange(4.0), x, people, readers, [term], [np.array([[3.0]])], 1.0)
    assert np.isnan(found).tolist() == [False, False, True, False]
    alone = expected_from_others(np.arange(4.0), x, people, np.ones(4), [term], [np.array([[3.0]])], 1.0)
    assert np.isnan(alone).all()


def test_shapes_and_variances_are_checked() -> None:
    term = intercept_by("participant", np.array([0, 1]))
    with pytest.raises(CallError, match="one entry a row"):
        expected_from_others(np.zeros(2), np.ones((3, 1)), np.zeros(2), np.zeros(2), [term], [np.eye(1)], 1.0)
    with pytest.raises(CallError, match="must be above 0"):
        expected_from_others(np.zeros(2), np.ones((2, 1)), np.zeros(2), np.zeros(2), [term], [np.eye(1)], 0.0)
