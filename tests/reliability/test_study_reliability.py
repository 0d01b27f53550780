"""A study answers about its reliability: the published goniometer study, gaps, limbs, grades, contradicted plans."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.data import Study, open_study
from studykit.errors import DesignError
from studykit.protocol import parse_protocol
from studykit.reliability import ReliabilityResult, mdc_for_change, mdc_of_both_limbs, reliability_of_study
from studykit.result import Result
from studykit.vocabulary import COLUMNS, FINDING_COLUMNS, MEASUREMENTS, NUMBER_COLUMNS

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "tests" / "reference" / "expected" / "goniometer_eliasziw_1994.json"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
PLAN = '[reliability]\nrated_by = "every rater"\ngeneralise_to = "{to}"\nreadings_averaged = {q}\n'


def made_study(rows: pd.DataFrame, *, measure: str = "knee_flexion_prone", plan: str = "", lines: str = "") -> Study:
    """A reliability study of plain rows: participant_id, side, rater_id, trial, value."""
    text = (
        "raters = ['r1', 'r2', 'r3']\n[study]\ntitle = 'Agreement of made-up raters'\nquestion = 'Do they agree?'\n"
        f"design = 'reliability'\nprimary_measure = '{measure}'\n{lines}\n[measures.{measure}]\n{plan}"
    )
    tables = {
        name: pd.DataFrame({c: pd.Series(dtype="float64" if c in NUMBER_COLUMNS else "str") for c in columns})
        for name, columns in COLUMNS.items()
    }
    full = rows.assign(measure=measure).reindex(columns=list(COLUMNS[MEASUREMENTS]))
    for column in ("measured_on",):
        full[column] = pd.to_datetime(full[column])
    for column in ("warmed_up", "blinded"):
        full[column] = full[column].astype("boolean")
    tables[MEASUREMENTS] = full
    return Study(parse_protocol(text), tables, pd.DataFrame(columns=list(FINDING_COLUMNS)))


def angles(people: int = 16, sides: int = 1, raters: int = 3, trials: int = 2, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    person, limb = rng.normal(130, 7, people), rng.normal(0, 3, (people, sides))
    bias, cell = rng.normal(0, 1.5, raters), rng.normal(0, 1, (people, sides, raters))
    rows = []
    for p, s, r, t in product(range(people), range(sides), range(raters), range(trials)):
        value = person[p] + limb[p, s] + bias[r] + cell[p, s, r] + rng.normal(0, 2)
        side = ["left", "right"][s] if sides > 1 else None
        rows.append((f"P{p:02d}", side, f"r{r + 1}", t + 1, value))
    return pd.DataFrame(rows, columns=["participant_id", "side", "rater_id", "trial", "value"])


def apart(rows: pd.DataFrame) -> pd.DataFrame:
    """The same readings, every other person by another rater."""
    odd = rows["participant_id"].str[1:].astype(int) % 2 == 1
    return rows.assign(rater_id=rows["rater_id"].where(odd, "r2"))


def by_key(results: list[Result]) -> dict[str, ReliabilityResult]:
    return {result.key: result for result in results if isinstance(result, ReliabilityResult)}


def check_every_part(results: list[Result]) -> None:
    """What every Result owes: a sentence, a frame, a table, finite or explained numbers, a picture without faults."""
    for result in results:
        assert result.headline.endswith(".")
        assert "nan" not in result.headline
        assert not result.to_frame().empty
        assert result.table().rows
        assert result.methods
        assert result.cautions
        assert all(np.isfinite(value) for value in result.numbers().values())
        picture = result.figure()
        if picture is not None:
            assert picture.clipped_texts() == []
            assert picture.overlapping_texts() == []


@pytest.fixture(scope="module")
def knee() -> Study:
    return open_study(ROOT / "synthetic_data" / "knee_goniometer")


def test_published_goniometer_study_gives_its_published_numbers(knee: Study) -> None:
    expected = json.loads(REFERENCE.read_text())
    formulas, lower = expected["eliasziw_formulas"], expected["irr_relInterIntra"]["lowvalue"]
    results = reliability_of_study(knee)
    check_every_part(results)
    named = by_key(results)
    main = named["reliability.knee_extension_passive"].numbers()
    for key, value in (
        ("icc", formulas["random_raters"]["rho_inter"]),
        ("icc_within", formulas["random_raters"]["rho_intra"]),
        ("icc.at_least", lower["lowinter.random"]),
        ("icc_within.at_least", lower["lowintra"]),
        ("sem", formulas["random_raters"]["SEM_inter"]),
        ("sem_within", formulas["SEM_intra"]),
        ("mdc95", formulas["MDC95_inter_random"]),
        ("mdc95_within", formulas["MDC95_intra"]),
    ):
        assert main[key] == pytest.approx(value, rel=FORMULA), key
    limits = named["reliability.knee_extension_passive.limits"].numbers()
    repeats = expected["bland_altman_repeated_unlinked"]
    assert limits["goniometer_1-goniometer_2.upper"] == pytest.approx(repeats["loa_1_96"]["upper"], rel=FORMULA)
    decision = named["reliability.knee_extension_passive.decision"].numbers()
    assert decision["mdc.1x1x1"] == pytest.approx(main["mdc95"], rel=FORMULA)
    headline = results[0].headline
    assert "1.7°" in headline
    assert "4.8°" in headline
    assert "29 participants and 2 raters" in headline


def test_reporting_items_are_all_there_and_say_what_is_missing(knee: Study) -> None:
    last = reliability_of_study(knee)[-1]
    frame = last.to_frame()
    assert frame["item"].tolist() == list(range(1, 16))
    answered = dict(zip(frame["item"], frame["answered"], strict=True))
    assert answered[5] == "to be written"
    assert "2 raters, 29 participants, up to 3 readings" in answered[11]
    assert "universal goniometer" in answered[2]


def test_mdc_for_change_is_that_of_the_mean_of_trials(knee: Study) -> None:
    """Three trials are averaged: the published SEM of trial means times z sqrt(2)."""
    reference = json.loads(REFERENCE.read_text())["between_raters_on_trial_means"]["anova_formulas"]
    got = mdc_for_change(knee)
    assert got.value == pytest.approx(reference["mdc95"]["mdc_agreement"], rel=FORMULA)
    assert got.low < got.value < got.high
    assert got.words == "MDC at 95% between raters, for means of 3 readings, from readings of this study"


def test_limbs_are_clustered_and_gaps_go_to_the_mixed_model() -> None:
    full = angles(people=14, sides=2)
    plan = PLAN.format(to="other raters", q=2)
    complete = reliability_of_study(made_study(full, plan=plan))
    check_every_part(complete)
    gappy = reliability_of_study(made_study(full.drop(index=[0, 9, 30]), plan=plan))
    check_every_part(gappy)
    before, after = complete[0], gappy[0]
    assert "28 limbs of 14 participants" in before.headline
    assert any("never counted as two people" in text for text in before.cautions)
    assert any("25 of 28 targets were complete" in text for text in after.cautions)
    assert after.provenance.seed is None  # intervals come from mean squares: chance plays no part
    assert after.numbers()["sem"] == pytest.approx(before.numbers()["sem"], rel=0.1)  # 3 of 168 readings are missing
    assert "icc_complete" in after.numbers()
    names = by_key(gappy)["reliability.knee_flexion_prone.components"].to_frame()["name"].tolist()
    assert names == ["participants", "limbs within participants", "raters", "limb by rater", "trials (rest)"]


def test_fixed_raters_get_the_consistency_form() -> None:
    got = reliability_of_study(made_study(angles(), plan=PLAN.format(to="these raters", q=1)))
    check_every_part(got)
    assert got[0].headline.count("ICC(C,1)") == 1
    assert any("constant differences between them are known" in text for text in got[0].cautions)
    pairs = by_key(got)["reliability.knee_flexion_prone.limits"].to_frame()
    assert len(pairs) == 9  # three pairs of three raters, bias and two limits each


def test_one_reading_each_gives_the_two_way_forms_and_warns_about_averages() -> None:
    got = reliability_of_study(made_study(angles(trials=1), plan=PLAN.format(to="other raters", q=3)))
    check_every_part(got)
    assert any("each rater read once" in text for text in got[0].cautions)


def test_trials_of_one_rater_give_the_error_within_a_rater() -> None:
    rows = angles(raters=1, trials=3)
    plan = PLAN.format(to="other raters", q=1)
    got = reliability_of_study(made_study(rows, plan=plan))
    check_every_part(got)
    table = rows["value"].to_numpy().reshape(16, 3)
    assert got[0].numbers()["sem"] == pytest.approx(float(np.sqrt(table.var(axis=1, ddof=1).mean())), rel=1e-12)
    assert any("differences between raters and between days" in text for text in got[0].cautions)
    unequal = reliability_of_study(made_study(rows.drop(index=[4, 20]), plan=plan))
    check_every_part(unequal)
    # REML's residual is not the pooled variance within, but near it
    assert unequal[0].numbers()["sem"] == pytest.approx(got[0].numbers()["sem"], rel=0.15)


def test_different_raters_for_every_person_give_the_one_way_form() -> None:
    rows = angles(people=18, raters=3, trials=1)
    keep = [(i + place) % 3 != 0 for i, place in product(range(18), range(3))]
    plan = '[reliability]\nrated_by = "different raters"\n'
    got = reliability_of_study(made_study(rows[keep], plan=plan))
    check_every_part(got)
    assert "ICC(1) between and within raters" in got[0].headline


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (apart(angles(raters=1, trials=2)), "nobody's .* was read by two raters"),
        (angles(raters=1, trials=1), "was read twice"),
        (angles().iloc[:0], "no reading of"),
        (angles(people=1), "spread between targets needs at least 2"),
        (angles().assign(value=120.0), r"All 96 readings of Knee flexion lying face down are the same \(120°\)"),
    ],
)
def test_what_the_readings_cannot_answer_is_refused_in_a_sentence(rows: pd.DataFrame, words: str) -> None:
    with pytest.raises(DesignError, match=words):
        reliability_of_study(made_study(rows, plan=PLAN.format(to="other raters", q=1)))


def test_an_audit_without_a_plan_is_answered_from_its_first_visit() -> None:
    audit = open_study(ROOT / "synthetic_data" / "clinic_audit")
    results = reliability_of_study(audit)
    check_every_part(results)
    assert any("no [reliability] part" in text for text in results[0].cautions)
    assert "SEM within a rater" in results[0].table().rows[1][0]
    assert len({result.key.split(".")[1] for result in results}) == 3  # three measures were read
    assert mdc_for_change(audit).words.endswith("from readings at First visit")


def grades(people: int, sides: int, raters: int) -> pd.DataFrame:
    rng = np.random.default_rng(9)
    rows = []
    for p, s in product(range(people), range(sides)):
        truth = rng.integers(0, 4)
        for r in range(raters):
            value = truth if rng.random() < 0.75 else rng.integers(0, 4)
            rows.append((f"P{p:02d}", ["left", "right"][s] if sides > 1 else None, f"r{r + 1}", 1, float(value)))
    return pd.DataFrame(rows, columns=["participant_id", "side", "rater_id", "trial", "value"])


@pytest.mark.parametrize(("sides", "raters"), [(1, 2), (1, 3), (2, 2)])
def test_a_graded_measure_gets_agreement_and_no_error_in_degrees(sides: int, raters: int) -> None:
    study = made_study(
        grades(30, sides, raters), measure="half_kneeling_lunge", plan=PLAN.format(to="other raters", q=1)
    )
    results = reliability_of_study(study)
    check_every_part(results)
    keys = results[0].numbers()
    assert "percent_agreement" in keys
    assert ("kappa_quadratic_weights" in keys) == (raters == 2)
    assert ("fleiss_kappa" in keys) == (raters > 2)
    assert "°" not in results[0].headline
    assert any("no minimal detectable change" in text for text in results[0].cautions)
    with pytest.raises(DesignError, match="grades have no minimal detectable change"):
        mdc_for_change(study)


def test_agreement_to_the_last_digit_is_explained() -> None:
    rows = angles(raters=2, trials=1).assign(value=lambda d: d.groupby("participant_id")["value"].transform("first"))
    got = reliability_of_study(made_study(rows, plan=PLAN.format(to="other raters", q=1)))
    assert "SEM between raters" in got[0].table().rows[1][0]
    assert any("agree to the last digit" in note for note in got[0].table().notes)
    keys = by_key(got)
    assert "no error of knee flexion" in keys["reliability.knee_flexion_prone.components"].headline
    assert "reliability.knee_flexion_prone.decision" not in keys
    with pytest.raises(DesignError, match="no error can be seen"):
        mdc_for_change(made_study(rows, plan=PLAN.format(to="other raters", q=1)))


def test_mdc_of_both_limbs_is_that_of_means_made_by_hand() -> None:
    """Second route: a study whose one reading is the mean of the two limbs."""
    rows = angles(people=18, sides=2)
    plan = PLAN.format(to="other raters", q=2)
    means = rows.groupby(["participant_id", "rater_id", "trial"])["value"].mean().reset_index()
    got = mdc_of_both_limbs(made_study(rows, plan=plan))
    by_hand = mdc_for_change(made_study(means.assign(side=None), plan=plan))
    assert (got.value, got.low, got.high) == pytest.approx((by_hand.value, by_hand.low, by_hand.high), rel=FORMULA)
    assert "of the mean of both limbs" in got.words
    # Raters are shared by both limbs and do not average out; the rest does.
    one = mdc_for_change(made_study(rows, plan=plan)).value
    assert one / np.sqrt(2.0) < got.value < one


def test_mdc_of_both_limbs_leaves_out_who_was_measured_on_one_side() -> None:
    rows = angles(people=18, sides=2)
    plan = PLAN.format(to="other raters", q=2)
    alone = angles(people=3, sides=1, seed=5).assign(side="left", participant_id=lambda d: "Q" + d["participant_id"])
    both = mdc_of_both_limbs(made_study(pd.concat([rows, alone]), plan=plan))
    assert both.value == pytest.approx(mdc_of_both_limbs(made_study(rows, plan=plan)).value, rel=FORMULA)
    with pytest.raises(DesignError, match="was measured on both sides"):
        mdc_of_both_limbs(made_study(angles(), plan=plan))
