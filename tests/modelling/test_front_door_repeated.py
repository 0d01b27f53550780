"""What `fit_repeated` says: refusals by sentence, labelled results, and an answer or a sentence for any data."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_up_limbs import study

from studykit.errors import CallError, DataError, DesignError, StudykitError
from studykit.modelling import fit_repeated
from studykit.numerics.mixed.residual_covariance import COVARIANCE_WORDS


class TestRepeatedRefusals:
    def frame(self) -> pd.DataFrame:
        return study().drop_duplicates(["participant_id", "side", "week"])

    def fit(self, frame: pd.DataFrame, **changed: object) -> object:
        call = {
            "outcome": "flexion_deg",
            "fixed": "C(week)*arm",
            "subject": ["participant_id", "side"],
            "visit": "week",
            "covariance": "unstructured",
        }
        return fit_repeated(frame, **{**call, **changed})  # type: ignore[arg-type]

    def test_a_limb_is_a_subject(self) -> None:
        found = fit_repeated(
            self.frame(),
            outcome="flexion_deg",
            fixed="C(week)*arm",
            subject=["participant_id", "side"],
            visit="week",
            covariance="compound-symmetry",
        )
        assert len(found.subjects) == 24
        assert found.subjects[0] == "P00:left"
        assert found.visits == (0, 4, 8, 12)
        assert any("those that share a 'participant_id' are taken as independent" in note for note in found.notes)

    def test_two_rows_at_one_visit(self) -> None:
        with pytest.raises(
            DataError, match=r"Several rows share a subject and a visit, 48 times .*participant_id 'P00'"
        ):
            self.fit(self.frame(), subject="participant_id")

    def test_unknown_covariance(self) -> None:
        with pytest.raises(CallError, match="covariance is 'toeplitz'"):
            self.fit(self.frame(), covariance="toeplitz")

    def test_visits_as_text_have_no_distance(self) -> None:
        frame = self.frame().assign(week=lambda data: "week " + data["week"].astype(str))
        with pytest.raises(DesignError, match="make 'week' an ordered categorical"):
            self.fit(frame, covariance="autoregressive")
        ordered = frame.assign(
            week=pd.Categorical(frame["week"], ["week 0", "week 4", "week 8", "week 12"], ordered=True)
        )
        assert self.fit(ordered, covariance="autoregressive", fixed="week*arm")
        with pytest.raises(DesignError, match="Visit 'week 8' occurs in no complete row"):
            self.fit(ordered[ordered["week"] != "week 8"], covariance="autoregressive", fixed="week*arm")

    def test_subject_and_visit_are_two_things(self) -> None:
        with pytest.raises(DesignError, match="named both as subject and as visit"):
            self.fit(self.frame(), subject="week")

    def test_missing_column(self) -> None:
        with pytest.raises(DataError, match=r"There is no column 'weak' .*Did you mean 'week'\?"):
            self.fit(self.frame(), visit="weak")

    def test_constant_outcome(self) -> None:
        with pytest.raises(DesignError, match="'flexion_deg' is 1 in all 96 rows; without spread"):
            self.fit(self.frame().assign(flexion_deg=1.0))
        exact = self.frame().assign(flexion_deg=lambda data: data["week"] * 2.0)
        with pytest.raises(DesignError, match="leave no variation in the outcome"):
            self.fit(exact)

    def test_labelled_results(self) -> None:
        found = fit_repeated(
            self.frame(),
            outcome="flexion_deg",
            fixed="C(week)*arm",
            subject=["participant_id", "side"],
            visit="week",
            covariance="heterogeneous-compound-symmetry",
        )
        limits = found.variance_intervals(likelihood="reml")
        assert limits["parameter"].tolist() == ["sd 0", "sd 4", "sd 8", "sd 12", "correlation"]
        estimates = [*found.variances()["sd"].dropna(), found.variances()["correlation"].dropna().iloc[0]]
        assert np.all((limits["low"] < estimates) & (estimates < limits["high"]))
        influence = found.influence()
        assert influence["left_out"].tolist() == list(found.subjects)
        assert influence["leverage"].sum() == pytest.approx(8, rel=1e-9)
        residuals = found.residuals()
        assert list(residuals.index) == list(self.frame().index)
        assert any("standard deviations and correlation as its parameters (with the second" in n for n in found.notes)
        with pytest.raises(CallError, match="likelihood is 'wald'"):
            found.variance_intervals(likelihood="wald")


@pytest.mark.parametrize("word", COVARIANCE_WORDS)
def test_whatever_the_data_there_is_an_answer_or_a_sentence(word: str) -> None:
    answered = refused = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        n, t = int(rng.integers(3, 20)), int(rng.integers(1, 6))
        person, visit = np.repeat(np.arange(n), t), np.tile(np.arange(t), n)
        frame = pd.DataFrame({"person": person, "visit": visit, "arm": rng.choice(["a", "b"], n)[person]})
        level = rng.normal(size=n)[person] * rng.choice([0.0, 1.0, 30.0])
        frame["y"] = (level + rng.normal(size=n * t)) * 10.0 ** rng.integers(-4, 5) + 10.0 ** rng.integers(-2, 5)
        if seed % 5 == 0:
            frame["y"] = frame["y"].where(frame["visit"] != 0, 3.0)
        frame = frame[rng.random(n * t) >= rng.choice([0.0, 0.2, 0.5])]
        formula = str(rng.choice(["1", "visit", "C(visit)", "arm*C(visit)", "arm"]))
        try:
            found = fit_repeated(
                frame, outcome="y", fixed=formula, subject="person", visit="visit", covariance=word, method="reml"
            )
            rows = found.coefficients()
        except StudykitError:
            refused += 1
            continue
        answered += 1
        assert found.converged
        assert np.isfinite(rows[["estimate", "std_error", "df", "p"]].to_numpy(dtype=float)).all()
    assert answered > 5
    assert answered + refused == 20
