"""REML on ratings with gaps or in several sessions: equal to analysis of variance without gaps, to lme4 with them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DesignError
from studykit.reliability import decision_study, icc, incomplete, inter_and_intra, precision, variance_components

REFERENCE = Path(__file__).parents[1] / "reference"
GONIOMETER = {"target": "subject", "rater": "rater", "value": "angle"}
JUDGES = {"target": "target", "rater": "judge", "value": "rating"}


@pytest.fixture
def goniometer() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / "eliasziw_goniometer_1994.csv")


@pytest.fixture
def judges() -> pd.DataFrame:
    wide = pd.read_csv(REFERENCE / "data" / "shrout_fleiss_1979.csv")
    return wide.melt(id_vars="target", var_name="judge", value_name="rating")


def test_equals_analysis_of_variance_without_gaps(goniometer: pd.DataFrame, judges: pd.DataFrame) -> None:
    """Balanced, no negative component: REML and mean squares are one answer; the optimiser's share is below 1e-7."""
    got = incomplete(goniometer, **GONIOMETER)
    anova, direct = variance_components(goniometer, **GONIOMETER), inter_and_intra(goniometer, **GONIOMETER)
    assert [p.variance for p in got.components.components] == pytest.approx(
        [p.variance for p in anova.components], rel=1e-7
    )
    assert got.agreement.value == pytest.approx(direct.inter.value, rel=1e-7)
    assert got.intra.value == pytest.approx(direct.intra.value, rel=1e-7)
    assert got.sem_agreement.value == pytest.approx(direct.inter.sem, rel=1e-7)
    assert got.sem_intra.value == pytest.approx(direct.intra.sem, rel=1e-7)
    means, pooled = (
        incomplete(goniometer, **GONIOMETER, readings=3),
        inter_and_intra(goniometer, **GONIOMETER, readings=3),
    )
    assert means.agreement.value == pytest.approx(pooled.inter.value, rel=1e-7)
    assert means.intra.value == pytest.approx(pooled.intra.value, rel=1e-7)
    assert means.sem_agreement.value == pytest.approx(pooled.inter.sem, rel=1e-7)
    single = incomplete(judges, **JUDGES)
    assert single.agreement.value == pytest.approx(icc(judges, **JUDGES).value, rel=1e-7)
    assert single.consistency.value == pytest.approx(icc(judges, **JUDGES, form="consistency").value, rel=1e-7)
    assert single.sem_agreement.value == pytest.approx(precision(judges, **JUDGES).sem, rel=1e-7)


def test_intervals_without_gaps_are_those_of_the_published_formulas(
    goniometer: pd.DataFrame, judges: pd.DataFrame
) -> None:
    """One general device against three sets of formulas; REML stops within 1e-7 of the mean squares."""
    for q in (1, 3):
        random, fixed = (incomplete(goniometer, **GONIOMETER, readings=q, fixed_raters=f) for f in (False, True))
        of_random, of_fixed = (
            inter_and_intra(goniometer, **GONIOMETER, readings=q, generalise_to=to) for to in ("random", "fixed")
        )
        for found, part in (
            (random.agreement, of_random.inter),
            (random.intra, of_random.intra),
            (fixed.consistency, of_fixed.inter),
            (fixed.intra, of_fixed.intra),
        ):
            assert found.value == pytest.approx(part.value, rel=1e-7)
            assert found.analytic == pytest.approx((part.low, part.high), rel=1e-6)
        for found, part in (
            (random.sem_agreement, of_random.inter),
            (random.sem_intra, of_random.intra),
            (fixed.sem_consistency, of_fixed.inter),
        ):
            assert found.analytic == pytest.approx((part.sem_low, part.sem_high), rel=1e-6)
    got = incomplete(judges, **JUDGES)
    for form, share, size in (
        ("agreement", got.agreement, got.sem_agreement),
        ("consistency", got.consistency, got.sem_consistency),
    ):
        one, error = icc(judges, **JUDGES, form=form), precision(judges, **JUDGES, form=form)
        assert share.analytic == pytest.approx((one.low, one.high), rel=1e-6)
        assert size.analytic == pytest.approx((error.low, error.high), rel=1e-6)


def test_intervals_of_components_without_gaps_are_those_of_williams(goniometer: pd.DataFrame) -> None:
    reml = incomplete(goniometer, **GONIOMETER).components
    anova = variance_components(goniometer, **GONIOMETER)
    for one, other in zip(reml.components, anova.components, strict=True):
        assert (one.low, one.high) == pytest.approx((other.low, other.high), rel=1e-6)


def test_two_missing_cells_equal_the_reference(judges: pd.DataFrame) -> None:
    expected = json.loads((REFERENCE / "expected" / "icc_shrout_fleiss_1979.json").read_text())["two_cells_missing"]
    gaps = pd.DataFrame(expected["missing_cells"], columns=["target", "judge"])
    keys = set(zip(gaps["target"], "J" + gaps["judge"].astype(str), strict=True))
    gappy = judges[[key not in keys for key in zip(judges["target"], judges["judge"], strict=True)]]
    got = incomplete(gappy, **JUDGES)
    # lme4 stops at about 1e-8 of a variance
    assert got.agreement.value == pytest.approx(expected["ICC_2_1"], rel=1e-6)
    assert got.consistency.value == pytest.approx(expected["ICC_3_1"], rel=1e-6)
    components = [part.variance for part in got.components.components]
    assert components == pytest.approx(list(expected["REML_varcomp"].values()), rel=1e-6)
    assert (got.targets, got.complete_targets, got.ratings) == (6, 4, 22)
    assert got.complete_case is not None
    assert got.complete_case.targets == 4
    assert got.complete_case.value == pytest.approx(icc(gappy, **JUDGES, complete=True).value, rel=1e-12)
    assert "4 of 6 targets were complete" in got.cautions[0]


def test_intervals_enclose_the_estimate_and_agree_roughly(goniometer: pd.DataFrame) -> None:
    gappy = goniometer.drop(index=[3, 40, 41, 100, 150])
    got = incomplete(gappy, **GONIOMETER, resamples=200, rng=np.random.default_rng(1))
    for found in (got.agreement, got.consistency, got.intra, got.sem_agreement, got.sem_intra):
        assert found.analytic[0] < found.value < found.analytic[1]
        assert found.bootstrap[0] < found.value < found.bootstrap[1]
    widths = [b - a for a, b in (got.sem_intra.analytic, got.sem_intra.bootstrap)]
    # 113 degrees of freedom: the delta method is nearly exact; 200 resamples leave about 8 % noise in a width
    assert widths[0] == pytest.approx(widths[1], rel=0.25)


def test_limbs_are_nested_in_persons() -> None:
    rng = np.random.default_rng(4)
    people, raters = 40, 3
    person, limb = rng.normal(0, 6, (people, 1, 1)), rng.normal(0, 3, (people, 2, 1))
    values = person + limb + rng.normal(0, 1, (1, 1, raters)) + rng.normal(0, 2, (people, 2, raters))
    index = pd.MultiIndex.from_product([range(people), ["left", "right"], list("abc")], names=["who", "side", "rater"])
    frame = pd.Series(values.ravel(), index=index, name="angle").reset_index().drop(index=[5, 17])
    got = incomplete(frame, target=["who", "side"], rater="rater", value="angle", cluster="who")
    assert [part.name for part in got.components.components] == [
        "participants",
        "limbs within participants",
        "raters",
        "trials (rest)",
    ]
    assert (got.targets, got.people, got.complete_targets) == (80, 40, 78)
    sds = [part.sd for part in got.components.components]
    assert sds[0] == pytest.approx(6.0, rel=0.35)  # 40 persons: an SD is known to about 12 %, three of these
    assert sds[3] == pytest.approx(2.0, rel=0.2)
    designs = decision_study(got.components, raters=[1], trials=[1]).designs
    assert designs["icc"][0] == pytest.approx(got.agreement.value, rel=1e-12)
    assert designs["sem"][0] == pytest.approx(got.sem_agreement.value, rel=1e-12)


def sessions_frame(raters: int) -> pd.DataFrame:
    rng = np.random.default_rng(6)
    people, days, trials = 50, 3, 2
    values = (
        rng.normal(100, 7, (people, 1, 1, 1))
        + rng.normal(0, 1.5, (1, raters, 1, 1))
        + rng.normal(0, 2, (people, 1, days, 1))
        + rng.normal(0, 1, (1, raters, days, 1))
        + rng.normal(0, 1, (1, 1, days, 1))
        + rng.normal(0, 1.5, (people, raters, days, trials))
    )
    index = pd.MultiIndex.from_product(
        [range(people), range(raters), range(days), range(trials)], names=["subject", "rater", "day", "trial"]
    )
    return pd.Series(values.ravel(), index=index, name="angle").reset_index()


def test_sessions_of_one_rater_equal_the_mean_squares_of_participants_by_days() -> None:
    """With one rater the days stand where raters stood: the crossed analysis of variance is the second route."""
    frame = sessions_frame(1)
    got = incomplete(frame, **GONIOMETER, session="day", sessions="shared")
    names = [part.name for part in got.components.components]
    assert names == ["participants", "sessions", "participant by session", "trials (rest)"]
    anova = variance_components(frame, target="subject", rater="day", value="angle")
    assert [part.variance for part in got.components.components] == pytest.approx(
        [part.variance for part in anova.components], rel=1e-6
    )


def test_more_sessions_lower_the_day_to_day_error() -> None:
    got = incomplete(sessions_frame(3), **GONIOMETER, session="day", sessions="shared")
    variances = got.components.variances()
    assert set(variances) == {
        ("participant",),
        ("rater",),
        ("participant", "rater"),
        ("session",),
        ("participant", "session"),
        ("rater", "session"),
        ("participant", "rater", "session"),
        ("participant", "rater", "session", "trial"),
    }
    assert variances["participant", "session"] == pytest.approx(4.0, rel=0.4)  # 100 df: an SD of 14 %, three of these
    designs = decision_study(got.components, raters=[1], trials=[1], sessions=[1, 2]).designs
    one, two = designs["sem"].to_numpy() ** 2
    halved = sum(value for facets, value in variances.items() if "session" in facets) / 2
    assert one - two == pytest.approx(halved, rel=1e-9)
    assert one == pytest.approx(got.sem_agreement.value**2, rel=1e-9)


def own_days_by_mean_squares(table: np.ndarray) -> dict[tuple[str, ...], float]:
    """Components of people by days (within people) by raters by trials, from expected mean squares, by hand."""
    n, s, t, m = table.shape
    cell, by_day, by_rater = table.mean(axis=3), table.mean(axis=(2, 3)), table.mean(axis=(1, 3))
    person, rater, grand = table.mean(axis=(1, 2, 3)), table.mean(axis=(0, 1, 3)), table.mean()
    both = by_rater - person[:, None] - rater[None, :] + grand
    rest = cell - by_day[:, :, None] - by_rater[:, None, :] + person[:, None, None]
    people = m * t * s * ((person - grand) ** 2).sum() / (n - 1)
    days = m * t * ((by_day - person[:, None]) ** 2).sum() / (n * (s - 1))
    raters = m * s * n * ((rater - grand) ** 2).sum() / (t - 1)
    crossed = m * s * (both**2).sum() / ((n - 1) * (t - 1))
    cells = m * (rest**2).sum() / (n * (s - 1) * (t - 1))
    error = ((table - cell[..., None]) ** 2).sum() / (n * s * t * (m - 1))
    return {
        ("participant",): (people - days - crossed + cells) / (m * t * s),
        ("rater",): (raters - crossed) / (m * s * n),
        ("participant", "rater"): (crossed - cells) / (m * s),
        ("participant", "session"): (days - cells) / (m * t),
        ("participant", "rater", "session"): (cells - error) / m,
        ("participant", "rater", "session", "trial"): error,
    }


@pytest.fixture
def two_sessions() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / "two_sessions.csv")


SESSIONS = {"rater": "rater_id", "value": "value", "session": "visit"}


def test_own_days_equal_the_mean_squares_and_the_reference(two_sessions: pd.DataFrame) -> None:
    """Balanced and without a negative component: exact analysis of variance, and lme4 (which stopped at 2e-6)."""
    left = two_sessions[two_sessions["side"] == "left"]
    table = left["value"].to_numpy().reshape(14, 2, 3, 2)
    expected = json.loads((REFERENCE / "expected" / "two_sessions.json").read_text())["left_limb"]["variances"]
    got = incomplete(left, target="participant_id", **SESSIONS)
    found, exact = got.components.variances(), own_days_by_mean_squares(table)
    assert set(found) == set(exact)
    for facets, value in exact.items():
        assert found[facets] == pytest.approx(value, rel=1e-6), facets
    lme4 = {
        ("participant",): "person",
        ("rater",): "rater",
        ("participant", "rater"): "limb_rater",
        ("participant", "session"): "day",
        ("participant", "rater", "session"): "cell",
        ("participant", "rater", "session", "trial"): "Residual",
    }
    for facets, name in lme4.items():
        assert found[facets] == pytest.approx(expected[name], rel=1e-5), name
    days = got.across_sessions
    assert days is not None
    shared = exact["participant",] + exact["rater",] + exact["participant", "rater"]
    from_day = exact["participant", "session"] + exact["participant", "rater", "session"]
    error = exact["participant", "rater", "session", "trial"]
    total = shared + from_day + error
    assert days.retest.value == pytest.approx(shared / total, rel=1e-6)
    assert days.sem_retest.value == pytest.approx((from_day + error) ** 0.5, rel=1e-6)
    assert days.one_session.value == pytest.approx(
        (exact["participant",] + exact["participant", "session"]) / total, rel=1e-6
    )
    assert got.agreement.value == pytest.approx(exact["participant",] / total, rel=1e-6)
    assert got.sem_agreement.value == pytest.approx((total - exact["participant",]) ** 0.5, rel=1e-6)
    assert got.sem_intra.value == pytest.approx(error**0.5, rel=1e-6)
    means = incomplete(left, target="participant_id", **SESSIONS, readings=2)
    assert means.across_sessions is not None
    assert means.across_sessions.sem_retest.value == pytest.approx((from_day + error / 2) ** 0.5, rel=1e-6)
    fixed = incomplete(left, target="participant_id", **SESSIONS, fixed_raters=True).across_sessions
    assert fixed is not None
    assert fixed.retest.value == pytest.approx((shared - exact["rater",]) / (total - exact["rater",]), rel=1e-6)


def test_retest_interval_of_one_rater_is_the_exact_one_way_interval(two_sessions: pd.DataFrame) -> None:
    """One rater, one reading a day: days within people are the one-way layout, whose intervals are exact."""
    one = two_sessions[(two_sessions["side"] == "left") & (two_sessions["rater_id"] == "r1")]
    one = one[one["trial"] == 1]
    got = incomplete(one, target="participant_id", **SESSIONS).across_sessions
    assert got is not None
    names = {"target": "participant_id", "rater": "visit", "value": "value"}
    exact, error = icc(one, **names, form="one-way"), precision(one, **names, form="one-way")
    assert got.retest.value == pytest.approx(exact.value, rel=1e-7)
    assert got.retest.analytic == pytest.approx((exact.low, exact.high), rel=1e-6)
    assert got.sem_retest.analytic == pytest.approx((error.low, error.high), rel=1e-6)


def test_shift_scale_order_and_names_do_not_matter(two_sessions: pd.DataFrame) -> None:
    """Inches for centimetres, other names, rows in another order: REML stops within 1e-7 of the same optimum."""
    rows = two_sessions.drop(index=[3, 50, 51, 200])
    names = {"target": ["participant_id", "side"], "cluster": "participant_id"}
    other = rows.sample(frac=1.0, random_state=2)
    other = other.assign(
        value=other["value"] / 2.54 + 10.0, rater_id=other["rater_id"].map({"r1": "zoe", "r2": "ann", "r3": "bo"})
    )
    one, two = (incomplete(frame, **names, **SESSIONS) for frame in (rows, other))
    for name in ("agreement", "consistency", "intra"):
        first, second = getattr(one, name), getattr(two, name)
        assert second.value == pytest.approx(first.value, rel=1e-6)
        assert second.analytic == pytest.approx(first.analytic, rel=1e-6)
    assert 2.54 * two.sem_agreement.value == pytest.approx(one.sem_agreement.value, rel=1e-6)
    assert one.across_sessions is not None
    assert two.across_sessions is not None
    low, high = one.across_sessions.sem_retest.analytic
    assert two.across_sessions.sem_retest.analytic == pytest.approx((low / 2.54, high / 2.54), rel=1e-6)


@pytest.mark.parametrize(("case", "gaps"), [("both_limbs", False), ("both_limbs_with_gaps", True)])
def test_days_of_both_limbs_equal_the_reference(two_sessions: pd.DataFrame, case: str, gaps: bool) -> None:
    reference = json.loads((REFERENCE / "expected" / "two_sessions.json").read_text())
    rows = two_sessions.drop(index=reference["rows_left_out_counted_from_0"]) if gaps else two_sessions
    got = incomplete(rows, target=["participant_id", "side"], cluster="participant_id", **SESSIONS)
    lme4 = ("person", "limb", "rater", "limb_rater", "day", "limb_day", "cell", "Residual")
    expected = [reference[case]["variances"][name] for name in lme4]
    assert [part.variance for part in got.components.components] == pytest.approx(expected, rel=1e-5)
    assert (got.people, got.targets, got.ratings) == (14, 28, 296 if gaps else 336)
    assert got.complete_targets < 28 if gaps else got.complete_targets == 28
    assert got.components.trials == 2
    for found in (got.agreement, got.sem_agreement, got.intra, got.sem_intra):
        assert found.analytic[0] < found.value < found.analytic[1]


def test_one_session_cannot_show_day_to_day_error(goniometer: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match="There is one session"):
        incomplete(goniometer.assign(day=1), **GONIOMETER, session="day")


def test_a_component_on_its_boundary_says_so() -> None:
    table = np.array([[40.0, 41.0, 42.5], [50.0, 49.0, 51.0], [61.0, 61.0, 58.0], [47.0, 48.5, 46.0], [55, 53, 54.5]])
    frame = pd.DataFrame({"target": np.repeat(list("abcde"), 3), "judge": list("xyz") * 5, "rating": table.ravel()})
    got = incomplete(frame, **JUDGES)
    rater = got.components.components[1]
    assert rater.variance == 0.0
    assert "boundary" in rater.reason
    assert rater.low == 0.0
    assert rater.high > 0.0
    assert any(text.startswith("Estimated as 0") and "raters" in text for text in got.cautions)


def test_nothing_to_compare_is_refused() -> None:
    frame = pd.DataFrame({"target": list("abc"), "judge": ["x"] * 3, "rating": [1.0, 2.0, 3.0]})
    with pytest.raises(DesignError, match="No target was rated twice"):
        incomplete(frame, **JUDGES)
