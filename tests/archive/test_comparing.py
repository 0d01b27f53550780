"""Digits in common, tolerance and release notes, against cases worked out by hand."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit import __version__
from studykit.archive.comparing import ABSOLUTE_TOLERANCE, RELATIVE_TOLERANCE, compared, digits_in_common
from studykit.archive.release_notes import explained, release_notes, version_order
from studykit.errors import DataError

DIGITS = {
    (1.0, 1.0): 17,
    (0.0, 0.0): 17,
    (1.0, 1.5): 0,
    (1.0, -1.0): 0,
    (1.0, 0.0): 0,
    (100.0, 99.0): 2,  # apart by 1 in 100
    (1000.0, 998.0): 2,  # apart by 2 in 1000
    (1.0, 1.0 + 2.0**-20): 6,  # 2^-20 = 9.5e-7
    (1.0, 1.0 + 2.0**-52): 15,
    (5e-324, 1e-323): 0,
    (1e308, -1e308): 0,
    (math.inf, 1.0): 0,
}


@pytest.mark.parametrize(("pair", "digits"), DIGITS.items())
def test_digits_in_common_of_cases_worked_out_by_hand(pair: tuple[float, float], digits: int) -> None:
    assert digits_in_common(*pair) == digits
    assert digits_in_common(*reversed(pair)) == digits


@given(st.floats(0.001, 1e9), st.integers(1, 12))
def test_digits_in_common_by_exact_decimals(value: float, digits: int) -> None:
    """Second route: the relative distance in exact decimal arithmetic."""
    other = value * (1 + 3 * 10.0**-digits)
    exact = abs(Decimal(other) - Decimal(value)) / max(Decimal(other), Decimal(value))
    expected = max(0, int(-exact.log10().to_integral_value(rounding="ROUND_CEILING")))
    assert digits_in_common(value, other) in (expected, expected - 1 if float(exact.log10()).is_integer() else expected)


def results(**numbers: float | None) -> dict[str, object]:
    return {"provenance": {}, "rows": {}, "answers": {"a": {"numbers": numbers}}}


@pytest.mark.parametrize(
    ("sealed", "now", "verdict"),
    [
        (1.0, 1.0, "same"),
        (1.0, 1.0 + RELATIVE_TOLERANCE / 2, "agrees"),
        (1.0, 1.0 + RELATIVE_TOLERANCE * 2, "differs"),
        (0.0, ABSOLUTE_TOLERANCE / 2, "agrees"),
        (0.0, ABSOLUTE_TOLERANCE * 2, "differs"),
        (None, None, "same"),
        (None, 1.0, "differs"),
        (1.0, None, "differs"),
    ],
)
def test_verdicts_at_the_edges_of_the_tolerance(sealed: float | None, now: float | None, verdict: str) -> None:
    frame = compared(results(x=sealed), results(x=now))
    assert list(frame["verdict"]) == [verdict]
    assert list(frame["key"]) == ["answers.a.x"]


def test_numbers_on_one_side_only_are_named() -> None:
    frame = compared(results(x=1.0), results(y=2.0))
    assert dict(zip(frame["key"], frame["verdict"], strict=True)) == {
        "answers.a.x": "only in the seal",
        "answers.a.y": "only computed now",
    }
    assert frame["digits_in_common"].isna().all()


@pytest.mark.parametrize(
    "document",
    [
        {},
        {"answers": {}, "rows": {}},
        {"answers": [], "rows": {}, "provenance": {}},
        results(x="1"),  # type: ignore[arg-type]
        results(x=True),
        {"answers": {"a": 1}, "rows": {}, "provenance": {}},
        {"answers": {}, "rows": {"participants": 3}, "provenance": {}},
        {"answers": {}, "rows": {}, "provenance": 3},
    ],
)
def test_a_document_of_another_form_is_refused(document: dict[str, object]) -> None:
    with pytest.raises(DataError, match="form"):
        compared(document, results(x=1.0))


NOTES = {
    "0.1.0": {"moved": [{"numbers": "*", "why": "first"}]},
    "0.2.0": {"moved": [{"numbers": "answers.reliability.*.mdc_*", "why": "second"}]},
    "0.10.0": {"moved": [{"numbers": "answers.reliability.*", "why": "third"}]},
}


def test_notes_of_the_releases_between_two_versions_explain() -> None:
    keys = ["answers.reliability.knee.mdc_95", "answers.change.knee.difference"]
    told = explained(keys, sealed_by="0.1.0", installed="0.10.0", notes=NOTES)
    assert told == {keys[0]: "0.2.0: second 0.10.0: third"}  # 0.10 comes after 0.2
    assert explained(keys, sealed_by="0.1.0", installed="0.2.0", notes=NOTES) == {keys[0]: "0.2.0: second"}


@pytest.mark.parametrize("sealed_by", ["0.10.0", "1.0.0", "soon", ""])
def test_nothing_is_explained_unless_the_seal_is_older(sealed_by: str) -> None:
    assert explained(["answers.reliability.x"], sealed_by=sealed_by, installed="0.10.0", notes=NOTES) == {}


def test_shipped_notes_speak_of_this_version_and_have_their_form() -> None:
    notes = release_notes()
    assert __version__ in notes
    for version, note in notes.items():
        assert version_order(version) is not None
        assert note["said"]
        for moved in note["moved"]:
            assert moved["numbers"]
            assert moved["why"].endswith(".")
