"""Categories from a plain frame: published tables through labels, limbs, gaps, and input that is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.errors import CallError, DataError, DesignError
from studykit.reliability import agreement
from studykit.reliability.categories import AC1, AC2_QUADRATIC, FLEISS, KAPPA, LINEAR, PERCENT, QUADRATIC

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
NAMES = {"target": "participant_id", "rater": "rater_id", "value": "finding"}


def pairs_frame(table: np.ndarray, levels: list[str]) -> pd.DataFrame:
    """One row a rating from a table of counts."""
    rows, person = [], 0
    for i, first in enumerate(levels):
        for j, second in enumerate(levels):
            for _ in range(int(table[i, j])):
                rows += [(f"P{person:03d}", "A", first), (f"P{person:03d}", "B", second)]
                person += 1
    return pd.DataFrame(rows, columns=["participant_id", "rater_id", "finding"])


def test_ordered_grades_give_the_reference_kappas() -> None:
    reference = json.loads((REFERENCE / "expected" / "kappa_sexualfun.json").read_text())["formulas"]
    levels = ["none", "slight", "clear", "strong"]
    frame = pairs_frame(np.array(reference["table"]), levels).sample(frac=1.0, random_state=3)
    got = agreement(frame, **NAMES, levels=levels, ordered=True, raters=["A", "B"])
    for name, part in ((KAPPA, "unweighted"), (LINEAR, "linear_weights"), (QUADRATIC, "quadratic_weights")):
        found = got.coefficient(name)
        assert found.value == pytest.approx(reference[part]["kappa"], rel=FORMULA)
        assert (found.low, found.high) == pytest.approx(tuple(reference[part]["ci95"].values()), rel=FORMULA)
    assert got.coefficient(PERCENT).value == pytest.approx(reference["unweighted"]["po"], rel=FORMULA)
    assert got.table is not None
    assert got.table.to_numpy().tolist() == reference["table"]
    assert got.coefficient(AC2_QUADRATIC).value > got.coefficient(AC1).value


def test_six_raters_give_fleiss_kappa() -> None:
    reference = json.loads((REFERENCE / "expected" / "fleiss_kappa_1971.json").read_text())["result"]
    wide = pd.read_csv(REFERENCE / "data" / "fleiss_1971_diagnoses.csv")
    frame = wide.melt(id_vars="subject", var_name="rater_id", value_name="finding")
    got = agreement(
        frame, target="subject", rater="rater_id", value="finding", levels=reference["categories"], ordered=False
    )
    assert got.coefficient(FLEISS).value == pytest.approx(reference["kappa"], rel=FORMULA)
    assert got.table is None
    with pytest.raises(CallError, match="There is no 'kappa' here"):
        got.coefficient(KAPPA)


def test_high_prevalence_is_said_and_gwet_survives_it() -> None:
    frame = pairs_frame(np.array([[46, 2], [2, 0]]), ["positive", "negative"])
    got = agreement(frame, **NAMES, levels=["positive", "negative"], ordered=False)
    assert got.coefficient(KAPPA).value < 0.0
    assert got.coefficient(AC1).value > 0.9
    assert got.prevalence == pytest.approx(0.92)
    assert any("prevalence" in text for text in got.cautions)


def test_one_category_and_perfect_agreement_carry_reasons() -> None:
    levels = ["positive", "negative"]
    single = agreement(pairs_frame(np.array([[12, 0], [0, 0]]), levels), **NAMES, levels=levels, ordered=False)
    assert np.isnan(single.coefficient(KAPPA).value)
    assert "0/0" in single.coefficient(KAPPA).reason
    perfect = agreement(pairs_frame(np.array([[7, 0], [0, 5]]), levels), **NAMES, levels=levels, ordered=False)
    assert perfect.coefficient(KAPPA).value == 1.0
    assert "no width" in perfect.coefficient(KAPPA).reason
    assert perfect.coefficient(PERCENT).low < 1.0  # the score interval does not collapse


def test_limbs_are_resampled_with_their_person() -> None:
    """Copies of a limb add nothing: intervals are those of persons, not of twice as many."""
    frame = pairs_frame(np.array([[20, 4], [5, 16]]), ["positive", "negative"])
    limbs = pd.concat([frame.assign(side="left"), frame.assign(side="right")])
    names = {**NAMES, "target": ["participant_id", "side"]}
    levels = ["positive", "negative"]
    whole = agreement(limbs, **names, levels=levels, ordered=False, cluster="participant_id")
    apart = agreement(limbs, **names, levels=levels, ordered=False)
    alone = agreement(frame, **NAMES, levels=levels, ordered=False)
    width = [got.coefficient(KAPPA).high - got.coefficient(KAPPA).low for got in (whole, apart, alone)]
    assert (whole.targets, whole.people) == (90, 45)
    assert width[0] == pytest.approx(width[2], rel=0.15)  # bootstrap against large-sample interval at 45 persons
    assert width[1] < 0.8 * width[0]


def test_a_target_rated_once_helps_the_shares_only() -> None:
    levels = ["positive", "negative"]
    frame = pairs_frame(np.array([[20, 4], [5, 16]]), levels)
    got = agreement(frame.iloc[1:], **NAMES, levels=levels, ordered=False)
    assert got.targets == 44
    assert any("rated by one rater only" in text for text in got.cautions)


def test_refusals() -> None:
    levels = ["positive", "negative"]
    frame = pairs_frame(np.array([[3, 1], [1, 3]]), levels)
    with pytest.raises(DataError, match=r"1 value .* not among the levels \(first in row 1: 'maybe'\)"):
        agreement(frame.assign(finding=["maybe", *frame["finding"][1:]]), **NAMES, levels=levels, ordered=False)
    with pytest.raises(DesignError, match="at least 2 different"):
        agreement(frame, **NAMES, levels=["positive", "positive"], ordered=False)
    with pytest.raises(DesignError, match=r"There is one rater \(A\)"):
        agreement(frame[frame["rater_id"] == "A"], **NAMES, levels=levels, ordered=False)
    with pytest.raises(DesignError, match=r"8 targets rated more than once by one rater \(first: P000 by A\)"):
        agreement(pd.concat([frame, frame]), **NAMES, levels=levels, ordered=False)
    with pytest.raises(CallError, match="no column 'grade'"):
        agreement(frame, **{**NAMES, "value": "grade"}, levels=levels, ordered=False)
