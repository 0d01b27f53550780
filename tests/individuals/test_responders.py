"""Shares beyond the MDC: counts by hand, intervals by another library, and the important change of a protocol."""

from __future__ import annotations

import numpy as np
import pytest
from people_cases import ARMS, IMPORTANT, MDC, MDC_BOTH, one_limb_study, trial
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from studykit.individuals import Responders, for_whom

STUDY = trial(more=IMPORTANT)


def answered(study: object = STUDY) -> Responders:
    found = for_whom(study, mdc=MDC, mdc_both_limbs=MDC_BOTH)[0]  # type: ignore[arg-type]
    assert isinstance(found, Responders)
    return found


RESULT = answered()


def counts_by_hand(arm: str) -> tuple[int, int, int]:
    """People of an arm with both readings, and how many went up or down by more than 4.2 degrees."""
    rows = STUDY.table("measurements").merge(STUDY.table("participants")[["participant_id", "arm"]])
    rows = rows[rows["arm"] == arm]
    means = rows.groupby(["participant_id", "side", "visit"])["value"].mean().unstack()
    change = (means["week_12"] - means["baseline"]).groupby("participant_id").mean().dropna()
    return len(change), int((change > 4.2).sum()), int((change < -4.2).sum())


@pytest.mark.parametrize("arm", list(ARMS))
def test_counts_are_those_made_by_hand(arm: str) -> None:
    numbers = RESULT.numbers()
    people, up, down = counts_by_hand(arm)
    assert (numbers[f"{arm}.people"], numbers[f"{arm}.improved"], numbers[f"{arm}.worsened"]) == (people, up, down)
    assert numbers[f"{arm}.within"] == people - up - down


@pytest.mark.parametrize("arm", list(ARMS))
def test_intervals_are_those_of_another_library(arm: str) -> None:
    """statsmodels 0.15: Wilson for a share, Newcombe for a difference; the same formulas written by others."""
    numbers = RESULT.numbers()
    for outcome in ("improved", "within", "worsened"):
        count, people = numbers[f"{arm}.{outcome}"], numbers[f"{arm}.people"]
        low, high = proportion_confint(count, people, method="wilson")
        assert numbers[f"{arm}.{outcome}.low"] == pytest.approx(low, abs=1e-12)
        assert numbers[f"{arm}.{outcome}.high"] == pytest.approx(high, abs=1e-12)
        if arm != "usual":
            other = (numbers[f"usual.{outcome}"], numbers["usual.people"])
            limits = confint_proportions_2indep(count, people, *other, method="newcomb", compare="diff")
            found = (numbers[f"{arm}.{outcome}.difference_low"], numbers[f"{arm}.{outcome}.difference_high"])
            assert found == pytest.approx(limits, abs=1e-12)


def test_frame_table_headline_and_numbers_are_one_answer() -> None:
    frame = RESULT.to_frame().set_index(["arm", "outcome"])
    row = frame.loc[("hold_60", "improved")]
    count, people = int(row["count"]), int(row["people"])
    (cells,) = [cells for cells in RESULT.table().rows if cells[0] == "60 s hold"]
    assert cells[2].startswith(f"{count}: {100 * count / people:.0f}% (")
    assert f"{count} of {people} in “60 s hold” (" in RESULT.headline
    assert "difference from control" in RESULT.headline
    assert cells[-1].startswith(f"{100 * row['difference']:.0f} points (")


def test_the_important_change_stands_with_its_source_only_where_the_protocol_gives_one() -> None:
    assert any(column.heading.startswith("Improved by 6.0° or more") for column in RESULT.table().columns)
    assert any("Made up for tests." in note for note in RESULT.table().notes)
    assert "hold_60.important.share" in RESULT.numbers()
    plain = answered(trial())
    assert not any("important" in name for name in plain.numbers())
    assert any("names no smallest change that matters" in note for note in plain.table().notes)


def test_the_important_change_is_counted_on_the_better_side() -> None:
    numbers, frame = RESULT.numbers(), for_whom(STUDY, mdc=MDC, mdc_both_limbs=MDC_BOTH)[1].to_frame()
    own = frame[frame["arm"] == "hold_60"]
    assert numbers["hold_60.important"] == (own["change_deg"] >= 6.0).sum()


def test_how_many_error_alone_puts_beyond_the_mdc_is_said() -> None:
    """Unchanged people: error variances of the made-up trial are known; the expected share is close to that."""
    error = 2.0**2 + 1.0**2 / 2 + 1.5**2 / (2 * 2)
    rng = np.random.default_rng(1)
    seen = np.mean(np.abs(rng.normal(0.0, np.sqrt(2.0 * error), 200_000)) > 4.2)
    # Variances come from 60 people, within about a tenth; the share moves by half of that at most.
    assert RESULT.numbers()["beyond_by_error_alone"] == pytest.approx(seen, abs=0.06)
    assert any("not 5%" in caution for caution in RESULT.cautions)


def test_two_visits_say_nothing_of_error_alone() -> None:
    arms = ["c", "a"] * 15
    values = np.random.default_rng(2).normal(50, 4, (30, 2))
    result = answered(one_limb_study(values, design="trial", arms=arms))
    assert np.isnan(result.numbers()["beyond_by_error_alone"])
    assert not any("error between visits" in note for note in result.table().notes)
    assert "mdc.one_limb" in result.numbers()
