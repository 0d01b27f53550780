"""Shares by month and therapist: by hand, by statsmodels, and hidden where few people stand behind them."""

from __future__ import annotations

import pandas as pd
import pytest
from audit_cases import audit, small_audit
from statsmodels.stats.proportion import proportion_confint
from test_planned import ENROLLED, four_people

from studykit.audit.completeness import completeness_of_study
from studykit.audit.planned import planned_visits
from studykit.audit.timeliness import timeliness_of_study
from studykit.data.study import Study
from studykit.errors import DesignError


def completeness(study: Study) -> pd.DataFrame:
    return completeness_of_study(study, planned_visits(study)).to_frame()


def test_four_people_by_hand() -> None:
    """Seven visits due and held; six with both sides, five with all trials; six inside their window."""
    study = small_audit(four_people(), ENROLLED)
    found = completeness_of_study(study, planned_visits(study))
    at = found.to_frame().query("by == 'all'").set_index("kind")
    counts = {kind: (int(at.loc[kind, "done"]), int(at.loc[kind, "of"])) for kind in at.index}
    assert counts == {
        "visits": (7, 7), "sides": (6, 7), "trials": (5, 7), "fields": (7, 7), "window": (6, 7), "start": (4, 4)
    }  # fmt: skip
    assert (found.readings_planned, found.readings_done) == (42, 38)
    assert "7 of 7 visits that were due took place: 100%" in found.headline


def test_intervals_are_those_of_statsmodels() -> None:
    rows = completeness(audit(keep=0.8))
    assert {"all", "month", "therapist"} == set(rows["by"])
    for row in rows.itertuples():
        low, high = proportion_confint(row.done, row.of, alpha=0.05, method="wilson")
        # Both evaluate one closed formula; at 0 and at all of them statsmodels leaves rounding of 1e-17.
        assert (row.low, row.high) == pytest.approx((low, high), abs=1e-12)


def test_months_and_therapists_add_up_to_all() -> None:
    rows = completeness(audit(keep=0.8))
    at = rows.groupby(["by", "kind"])[["done", "of"]].sum()
    for kind in ("sides", "trials", "fields", "window"):
        for by in ("month", "therapist"):
            assert at.loc[(by, kind)].tolist() == at.loc[("all", kind)].tolist()
    assert at.loc[("month", "visits")].tolist() == at.loc[("all", "visits")].tolist()
    assert at.loc[("all", "visits"), "done"] < at.loc[("all", "visits"), "of"]
    assert ("therapist", "visits") not in at.index


def test_no_group_of_few_people_is_shown() -> None:
    rows = completeness(audit(people=14, keep=0.7))
    assert len(rows[rows["by"] == "month"])
    assert rows.loc[rows["by"] != "all", "people"].min() >= 5


def test_diary_weeks_count_for_those_who_kept_one() -> None:
    """One person wrote in two of the six prescribed weeks; the record ends after the sixth."""
    study = small_audit(
        four_people(),
        ENROLLED,
        smallest=2,
        more="",
    )
    diary = pd.DataFrame(
        {
            "participant_id": ["A", "A", "A"],
            "done_on": pd.to_datetime(["2025-01-07", "2025-01-08", "2025-01-21"]),
            "hold_s": 60.0,
            "repetitions": pd.array([3, 3, 3], dtype="Int64"),
        }
    ).reindex(columns=study.table("diary").columns)
    asked = pd.DataFrame(
        {
            "participant_id": ["A", "B"],
            "technique": "stretch",
            "hold_s": 60.0,
            "repetitions": pd.array([3, 3], dtype="Int64"),
            "sessions_per_day": 1.0,
            "days_per_week": 5.0,
            "weeks": 12.0,
        }
    ).reindex(columns=study.table("prescriptions").columns)
    tables = {**study.tables, "diary": diary, "prescriptions": asked}
    rows = completeness(Study(study.protocol, tables, study.findings)).set_index(["by", "kind"])
    assert rows.loc[("all", "diary_weeks"), ["done", "of", "people"]].tolist() == [2, 6, 1]
    assert ("month", "diary_weeks") not in rows.index


def test_rows_set_aside_are_said_to_count_as_missing() -> None:
    study = small_audit(four_people(), ENROLLED)
    aside = Study(study.protocol, study.tables, study.findings, rows_set_aside={"measurements": 3})
    said = completeness_of_study(aside, planned_visits(aside)).cautions[0]
    assert said.startswith("3 readings set aside by the check count as missing")


def test_days_off_by_hand_and_by_group() -> None:
    study = small_audit(four_people(), ENROLLED)
    found = timeliness_of_study(study, planned_visits(study))
    row = found.to_frame().query("by == 'all'").iloc[0]
    # Days off of the seven visits: 0, 0, 2, 1, 0, 20, 0.
    assert (row["visits"], row["inside"], row["days_median"]) == (7, 6, 0.0)
    assert (row["days_low_quarter"], row["days_high_quarter"]) == (0.0, 1.5)
    assert "6 of 7 visits with a date lay inside their window: 86%" in found.headline
    visits = found.to_frame().query("by == 'visit'").set_index("group")
    assert visits["visits"].to_dict() == {"baseline": 4, "week_6": 3}


def test_without_a_date_nothing_is_said_of_days() -> None:
    rows = [(*row[:2], None, *row[3:]) for row in four_people()]
    study = small_audit(rows, ENROLLED)
    with pytest.raises(DesignError, match="No visit has both a date"):
        timeliness_of_study(study, planned_visits(study))
