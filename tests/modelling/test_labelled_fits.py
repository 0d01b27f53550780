"""What the front door says: refusals by sentence, notes, and data left as they were."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_limbs import study

from studykit.errors import CallError, DataError, DesignError
from studykit.modelling import MixedFit, Varies, fit_mixed

LIMBS = [Varies("participant_id"), Varies("participant_id", "side"), Varies("rater_id")]


def fit(frame: pd.DataFrame, fixed: str = "week*arm", random: list[Varies] | None = None) -> MixedFit:
    return fit_mixed(frame, outcome="flexion_deg", fixed=fixed, random=LIMBS if random is None else random)


class TestNotes:
    def test_missing_values_are_counted_by_column_and_the_data_kept(self) -> None:
        frame = study()
        frame.loc[[3, 5], "flexion_deg"] = np.nan
        frame.loc[5, "week"] = np.nan
        before = frame.copy()
        found = fit(frame)
        pd.testing.assert_frame_equal(frame, before)
        assert found.n_rows == len(frame) - 2
        assert found.notes[0] == (
            "2 of 192 rows were left out because a value is missing ('flexion_deg' in 2, 'week' in 1; first: row 3)."
        )
        assert 3 not in found.residuals().index

    def test_reference_levels(self) -> None:
        notes = fit(study()).notes
        assert any("The reference level of 'arm' is 'control' (first in alphabetical order" in note for note in notes)
        frame = study()
        frame["arm"] = pd.Categorical(frame["arm"], ["stretch", "control"])
        found = fit(frame)
        assert any("'arm' is 'stretch' (its first category)" in note for note in found.notes)
        assert "arm[T.control]" in found.design.columns

    def test_unused_levels(self) -> None:
        frame = study()
        frame["arm"] = pd.Categorical(frame["arm"], ["control", "stretch", "massage"])
        found = fit(frame)
        assert any(note == "'arm' has levels without a row that is used: 'massage'." for note in found.notes)
        frame["arm"] = frame["arm"].astype(str)
        frame.loc[0, ["arm", "flexion_deg"]] = ["massage", np.nan]
        assert any(note == "'arm' has levels only in rows that were left out: 'massage'." for note in fit(frame).notes)

    def test_a_recurring_label_is_read_aloud(self) -> None:
        notes = fit(study()).notes
        assert any(
            note.startswith("participant_id:side: the labels of 'side' recur in 12 groups of 'participant_id'")
            for note in notes
        )

    def test_a_boundary_is_said_in_words(self) -> None:
        frame = study()
        frame["batch"] = np.tile(np.arange(8), len(frame) // 8 + 1)[: len(frame)].astype(str)
        frame["flexion_deg"] -= frame.groupby("batch")["flexion_deg"].transform("mean")
        found = fit(frame, "1", [Varies("participant_id"), Varies("batch")])
        assert found.boundary
        assert "The variance of intercept by batch is zero." in found.notes
        assert found.variances().set_index("group").loc["batch", "variance"] == 0.0
        assert np.isfinite(found.coefficients()[["df", "p"]].to_numpy()).all()

    def test_conventions(self) -> None:
        assert any("expected information" in note for note in fit(study()).notes)
        found = fit_mixed(study(), outcome="flexion_deg", fixed="week", random=LIMBS, method="ml")
        assert any("maximum likelihood" in note for note in found.notes)


class TestRefusals:
    def test_missing_columns_with_a_guess(self) -> None:
        with pytest.raises(DataError, match=r"There is no column 'flexion_dg' .* Did you mean 'flexion_deg'\?"):
            fit_mixed(study(), outcome="flexion_dg", fixed="week", random=LIMBS)
        with pytest.raises(DataError, match=r"There is no column 'weeks' .* Did you mean 'week'\?"):
            fit(study(), "weeks*arm")
        with pytest.raises(DataError, match="There is no column 'participant'"):
            fit(study(), random=[Varies("participant")])

    def test_a_variable_of_the_caller_is_not_taken(self) -> None:
        dose = np.arange(192)  # noqa: F841 - it must not be found
        with pytest.raises(DataError, match="There is no column 'dose'"):
            fit(study(), "week + dose")

    def test_rank_deficient_fixed_effects(self) -> None:
        frame = study().assign(months=lambda data: data["week"] / 4)
        with pytest.raises(
            DesignError, match=r"'months' is a combination of 'week'|'week' is a combination of 'months'"
        ):
            fit(frame, "week + months")
        frame["follow_up"] = frame["week"] > 0
        frame.loc[frame["arm"] == "control", "follow_up"] = False
        with pytest.raises(DesignError, match=r"is a combination of|is zero in every row"):
            fit(frame, "arm*follow_up")

    def test_an_empty_cell(self) -> None:
        frame = study()
        frame = frame[~((frame["arm"] == "stretch") & (frame["week"] == 12))]
        with pytest.raises(
            DesignError, match=r"'C\(week\)\[T.12\]:arm\[T.stretch\]' is zero in every row, as no row has"
        ):
            fit(frame, "C(week)*arm")

    def test_one_group(self) -> None:
        frame = study()
        with pytest.raises(DesignError, match="has one group only"):
            fit(frame[frame["participant_id"] == "P00"], "week", [Varies("participant_id")])

    def test_one_row_a_group(self) -> None:
        frame = study().drop_duplicates("participant_id")
        with pytest.raises(DesignError, match="one row in each of its 12 groups"):
            fit(frame, "arm", [Varies("participant_id")])

    def test_constant_outcome(self) -> None:
        for value in (90.0, 0.0):
            with pytest.raises(
                DesignError, match=f"'flexion_deg' is {value:g} in all 192 rows; without spread there is"
            ):
                fit(study().assign(flexion_deg=value))

    def test_an_outcome_that_is_no_number(self) -> None:
        with pytest.raises(DataError, match="The outcome 'arm' is text, not numbers"):
            fit_mixed(study(), outcome="arm", fixed="week", random=LIMBS)
        frame = study()
        frame.loc[[1, 2], "flexion_deg"] = np.inf
        with pytest.raises(DataError, match="'flexion_deg' holds 2 infinite values"):
            fit(frame)

    def test_slopes(self) -> None:
        frame = study().assign(one=1.0)
        with pytest.raises(DesignError, match="'one' is 1 in every row; leave the slope out"):
            fit(frame, "week", [Varies("participant_id", slope="one")])
        with pytest.raises(DesignError, match="'age_years' does not change within any group of 'participant_id'"):
            fit(frame, "week", [Varies("participant_id", slope="age_years")])
        with pytest.raises(DataError, match="There is no column 'month'"):
            fit(frame, "week", [Varies("participant_id", slope="month")])

    def test_dates(self) -> None:
        frame = study()
        frame["measured_on"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(frame["week"] * 7, unit="D")
        with pytest.raises(DataError, match="'measured_on' holds dates or times; give days or weeks as a number"):
            fit(frame, "measured_on")
        with pytest.raises(DataError, match="'measured_on' holds dates"):
            fit(frame, "week", [Varies("participant_id", slope="measured_on")])

    def test_a_crossed_rater_written_as_nested(self) -> None:
        with pytest.raises(DesignError, match=r"'rater_id' is crossed. Add Varies\('rater_id'\)"):
            fit(study(), random=[Varies("participant_id"), Varies("participant_id", "rater_id")])
        for also in ([Varies("rater_id")], []):
            fixed = "week*arm" if also else "week*arm + rater_id"
            found = fit(study(), fixed, [Varies("participant_id"), *also, Varies("participant_id", "rater_id")])
            assert found.converged

    def test_a_rater_who_sees_only_their_own_people_is_nested(self) -> None:
        frame = study()
        frame["rater_id"] = "R" + frame["participant_id"].str[1:] + frame["rater_id"]
        found = fit(frame, random=[Varies("participant_id"), Varies("participant_id", "rater_id")])
        assert found.converged

    def test_a_side_alone(self) -> None:
        with pytest.raises(DesignError, match=r"Write Varies\('participant_id', 'side'\)"):
            fit(study(), random=[Varies("participant_id"), Varies("side")])

    def test_terms_that_split_alike(self) -> None:
        frame = study().assign(person=lambda data: data["participant_id"].str.lower())
        with pytest.raises(DesignError, match="split the rows in the same way"):
            fit(frame, random=[Varies("participant_id"), Varies("person")])
        with pytest.raises(DesignError, match="Two random terms give each 'participant_id' a level of its own"):
            fit(frame, random=[Varies("participant_id"), Varies("participant_id", slope="week")])
        alone = fit(frame, random=[Varies("participant_id"), Varies("participant_id", slope="week", intercept=False)])
        both = fit(frame, random=[Varies("participant_id", slope="week", correlated=False)])
        assert alone.log_likelihood == pytest.approx(both.log_likelihood, rel=1e-10)

    def test_random_is_a_list_of_varies(self) -> None:
        for wrong in (Varies("participant_id"), ["participant_id"]):
            with pytest.raises(CallError, match=r"`random` is a list of Varies"):
                fit(study(), random=wrong)  # type: ignore[arg-type]
        with pytest.raises(CallError, match="`random` is empty"):
            fit(study(), random=[])

    def test_words(self) -> None:
        found = fit(study())
        with pytest.raises(CallError, match="small_sample is 'kr'; allowed are 'kenward-roger'"):
            found.coefficients("kr")
        with pytest.raises(CallError, match="confidence is 95"):
            found.coefficients(confidence=95)
        with pytest.raises(CallError, match="information is 'average'"):
            found.coefficients(information="average")
        with pytest.raises(CallError, match="method is 'REML'"):
            fit_mixed(study(), outcome="flexion_deg", fixed="week", random=LIMBS, method="REML")
        with pytest.raises(CallError, match="There is no term 'dose' in the formula; there are '1', 'week', 'arm'"):
            found.joint_test("dose")
        with pytest.raises(CallError, match="one column for each of the 4 fixed effects"):
            found.joint_test(np.ones((1, 3)))
        with pytest.raises(CallError, match="There is no fixed effect 'dose'"):
            found.joint_test(pd.DataFrame({"dose": [1.0]}))

    def test_new_rows(self) -> None:
        found = fit(study())
        with pytest.raises(DataError, match="The fit has not seen 'massage' in 'arm'; it knows 'control', 'stretch'"):
            found.predict(pd.DataFrame({"week": [4], "arm": ["massage"]}))
        with pytest.raises(DataError, match="There is no column 'arm'"):
            found.predict(pd.DataFrame({"week": [4]}))
        with pytest.raises(DataError, match="'week' is missing in 1 row of 2"):
            found.predict(pd.DataFrame({"week": [4, np.nan], "arm": ["control"] * 2}))


class TestLabelledResults:
    def test_a_fit_says_itself_in_a_line(self) -> None:
        found = fit(study())
        assert repr(found).startswith("<MixedFit flexion_deg ~ week*arm, 192 rows, reml, log-likelihood -")
        assert "\n" not in repr(found)

    def test_random_effects_are_named(self) -> None:
        found = fit(study()).random_effects()
        limbs = found[found["group"] == "participant_id:side"]
        assert limbs["level"].tolist()[:2] == ["P00:left", "P00:right"]
        assert set(found["group"]) == {"participant_id", "participant_id:side", "rater_id"}

    def test_influence_by_participant_and_by_refitting(self) -> None:
        frame = study()
        strange = frame["participant_id"] == "P03"
        frame.loc[strange, "flexion_deg"] += 1.2 * frame.loc[strange, "week"]
        found = fit(frame)
        held, refitted = found.influence(), found.influence(refit=True)
        assert held["left_out"].tolist() == [f"P{i:02d}" for i in range(12)]
        for influence in (held, refitted):
            assert influence.loc[influence["cooks_distance"].idxmax(), "left_out"] == "P03"
        by_limb = found.influence(["participant_id", "side"])
        assert len(by_limb) == 24
        without = fit(frame[~strange]).coefficients().set_index("term")["estimate"]
        change = found.coefficients().set_index("term")["estimate"] - without
        mine = refitted.set_index("left_out").loc["P03", list(without.index)].astype(float)
        np.testing.assert_allclose(mine, change, rtol=1e-6, atol=1e-9)  # the same fit reached twice

    def test_residuals_add_up(self) -> None:
        found = fit(study()).residuals()
        np.testing.assert_allclose(found["fitted_marginal"] + found["residual_marginal"], found["outcome"], rtol=1e-12)
        np.testing.assert_allclose(
            found["fitted_conditional"] + found["residual_conditional"], found["outcome"], rtol=1e-12
        )
        assert found["leverage_fixed"].sum() == pytest.approx(4, rel=1e-9)

    def test_interval_and_p_agree(self) -> None:
        rows = fit(study()).coefficients()
        assert (((rows["low"] > 0) | (rows["high"] < 0)) == (rows["p"] < 0.05)).all()
        narrow, wide = fit(study()).coefficients(confidence=0.5), fit(study()).coefficients(confidence=0.99)
        assert ((wide["high"] - wide["low"]) > (narrow["high"] - narrow["low"])).all()

    def test_joint_test_forms_agree(self) -> None:
        found = fit(study(), "C(week)*arm")
        term = found.joint_test("arm:C(week)")
        columns = [name for name in found.design.columns if ":" in name]
        by_name = found.joint_test(columns)
        frame = pd.DataFrame(np.eye(3), columns=columns)
        matrix = np.eye(8)[[found.design.columns.index(name) for name in columns]]
        for other in (by_name, found.joint_test(frame), found.joint_test(matrix)):
            assert (other.f, other.df1, other.df2, other.p) == (term.f, 3, term.df2, term.p)
        shifted = found.joint_test("arm", null=found.coefficients().set_index("term").loc["arm[T.stretch]", "estimate"])
        assert shifted.f == pytest.approx(0, abs=1e-12)


def numbers(found: MixedFit) -> np.ndarray:
    rows = found.coefficients()
    return rows[["estimate", "std_error", "df"]].to_numpy(dtype=float).ravel()


class TestMovingTheData:
    """1e-7 is what one optimum reached from two orders of summation holds."""

    @settings(max_examples=8)
    @given(seed=st.integers(0, 500))
    def test_row_order_and_labels(self, seed: int) -> None:
        frame = study(seed)
        rng = np.random.default_rng(seed)
        names = dict(zip(frame["participant_id"].unique(), rng.permutation([f"X{i}" for i in range(12)]), strict=True))
        other = frame.sample(frac=1, random_state=seed).assign(participant_id=lambda d: d["participant_id"].map(names))
        a, b = fit(frame), fit(other)
        assert b.log_likelihood == pytest.approx(a.log_likelihood, rel=1e-10)
        np.testing.assert_allclose(numbers(b), numbers(a), rtol=1e-7)

    @settings(max_examples=8)
    @given(seed=st.integers(0, 500), shift=st.floats(-1e4, 1e4), scale=st.floats(0.01, 100))
    def test_units(self, seed: int, shift: float, scale: float) -> None:
        frame = study(seed)
        other = frame.assign(flexion_deg=scale * frame["flexion_deg"] + shift, week=frame["week"] / 52)
        a = fit(frame).coefficients().set_index("term")
        b = fit(other).coefficients().set_index("term")
        held = 1e-7 * (1 + abs(shift) / scale)  # digits that the shift leaves of the outcome
        assert b.loc["week", "estimate"] == pytest.approx(52 * scale * a.loc["week", "estimate"], rel=held, abs=held)
        np.testing.assert_allclose(b["df"], a["df"], rtol=1e-6)
        np.testing.assert_allclose(b["p"].iloc[1:], a["p"].iloc[1:], rtol=1e-4 + held, atol=1e-12)

    def test_another_reference_level_changes_names_and_not_answers(self) -> None:
        frame = study()
        frame["arm"] = pd.Categorical(frame["arm"], ["stretch", "control"])
        a, b = fit(study(), "C(week)*arm"), fit(frame, "C(week)*arm")
        first = a.contrasts("arm", "pairwise", within="week")
        second = b.contrasts("arm", "pairwise", within="week")
        np.testing.assert_allclose(first["estimate"], -second["estimate"], rtol=1e-8)
        np.testing.assert_allclose(first[["std_error", "df", "p"]], second[["std_error", "df", "p"]], rtol=1e-6)
