"""A small made-up trial with numbers that can be checked by hand, and answers with fixed numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from studykit.answers import Section
from studykit.data import Checked, Study, check_study
from studykit.result import Result
from studykit.sample import sample_of_study
from studykit.table import Column, Table

MEASURE = "knee_extension_passive"
PROTOCOL = """
raters = ["R1"]

[study]
title = "A small trial of <holding> & waiting"
question = "Does holding change the knee?"
design = "trial"
primary_measure = "knee_extension_passive"
primary_visit = "last"
source = "Made up for tests."
made_up = true

[arms.wait]
label = "Waiting & 100% rest"
control = true

[arms.hold]
label = "Holding"
dose = { technique = "heel_prop", hold_s = 90, repetitions = 3, sessions_per_day = 1, days_per_week = 5, weeks = 6 }

[[visits]]
key = "first"
label = "First visit"
week = 0

[[visits]]
key = "last"
label = "Last visit"
week = 6

[measures.knee_extension_passive]
"""
PEOPLE = 12
ARMS = ("wait", "hold")
SEX = ("female", "male", "male")
FIRST_DEG = -12.0
"""Reading of the first participant at the first visit; each further participant half a degree more."""


def small_trial(folder: Path) -> Checked:
    """Twelve people, two arms; the last one was not seen at the last visit; the third had an event."""
    data = folder / "data"
    data.mkdir(parents=True)
    (folder / "study.toml").write_text(PROTOCOL, encoding="utf-8")
    people = ["participant_id,arm,site,sex,age_years,height_cm,mass_kg,enrolled_on"]
    readings = ["participant_id,visit,measured_on,side,measure,rater_id,trial,value"]
    for number in range(PEOPLE):
        code, arm = f"P{number + 1:02d}", ARMS[number % 2]
        site = "north" if number < 10 else f"house_{number}"
        people.append(f"{code},{arm},{site},{SEX[number % 3]},{30 + number},{160 + 2 * number},,2024-01-08")
        for visit, day, gain in (("first", "2024-01-08", 0.0), ("last", "2024-02-19", 1.0 + 4.0 * (number % 2))):
            if visit == "last" and number == PEOPLE - 1:
                continue
            value = FIRST_DEG + number / 2 + gain + (0.5 if visit == "last" and number % 3 == 0 else 0.0)
            readings.append(f"{code},{visit},{day},left,{MEASURE},R1,1,{value}")
    events = ["participant_id,happened_on,description,severity,related", "P03,2024-01-20,Anna Canary fell,mild,no"]
    diary = ["participant_id,done_on,technique,side,hold_s,repetitions,discomfort_0_10"]
    diary += [f"P02,2024-01-{day:02d},heel_prop,left,90,3,2" for day in (9, 10, 11)]
    for name, lines in {
        "participants": people,
        "measurements": readings,
        "events": events,
        "diary": diary,
        "raters": ["rater_id,profession", "R1,physiotherapist"],
    }.items():
        (data / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return check_study(folder)


def study_of(checked: Checked) -> Study:
    """The study of a check that found one."""
    assert checked.study is not None, checked.findings.to_string()
    return checked.study


@dataclass(frozen=True, kw_only=True)
class Fixed(Result):
    """An answer whose numbers are written down here."""

    frame: pd.DataFrame = field(compare=False)
    named: dict[str, float]
    printed: Table

    def to_frame(self) -> pd.DataFrame:
        return self.frame

    def numbers(self) -> dict[str, float]:
        return self.named

    def table(self) -> Table:
        return self.printed


def fixed_sections(study: Study) -> tuple[Section, ...]:
    """Answers about reliability, change and what was done with fixed numbers; the sample is computed."""
    return (
        Section("sample", "Who were they?", tuple(sample_of_study(study)), ()),
        Section("change", "How much changed?", (_difference(study), _change(study)), ()),
        Section("dose_done", "What was done?", (_adherence(study),), ()),
        Section("reliability", "How well is it measured?", (_reliability(study),), ()),
    )


def _fixed(study: Study, key: str, frame: pd.DataFrame, named: dict[str, float], printed: Table) -> Fixed:
    return Fixed(
        key=key,
        title=f"Title of {key}",
        headline=f"Headline of {key}: 4.1° (2.0 to 6.2°).",
        cautions=(f"Caution of {key}.",),
        methods=f"Methods of {key} after Kenward and Roger (1997).",
        provenance=study.provenance(),
        frame=frame,
        named=named,
        printed=printed,
    )


def _reliability(study: Study) -> Fixed:
    named = {
        **{"icc": 0.91, "icc.low": 0.80, "icc.high": 0.96},
        **{"sem": 1.72, "sem.low": 1.31, "sem.high": 2.54},
        **{"mdc95": 4.77, "mdc95.low": 3.63, "mdc95.high": 7.04},
        **{"participants": 12.0, "limbs": 24.0, "raters": 2.0, "readings": 96.0},
    }
    rows = (
        ("ICC(A,1) between raters", "0.91 (0.80 to 0.96)"),
        ("SEM between raters", "1.7° (1.3 to 2.5°)"),
        ("MDC at 95% between raters", "4.8° (3.6 to 7.0°)"),
    )
    printed = Table(f"reliability_{MEASURE}", "Reliability", (Column("Statistic", "left"), Column("Estimate")), rows)
    return _fixed(study, f"reliability.{MEASURE}", pd.DataFrame(), named, printed)


def _estimates(kind: str, values: dict[str, tuple[float, float, float]]) -> tuple[pd.DataFrame, dict[str, float]]:
    rows, named = [], {}
    for arm, (value, low, high) in values.items():
        rows.append(("last", arm, 5, value, low, high, "wait"))
        named.update({f"last.{arm}.{kind}": value, f"last.{arm}.low": low, f"last.{arm}.high": high})
        named[f"last.{arm}.p"] = 0.0004
    columns = ["visit", "arm", "participants", f"{kind}_deg", "low_deg", "high_deg", "control"]
    return pd.DataFrame(rows, columns=columns), {**named, "mdc": 4.77}


def _change(study: Study) -> Fixed:
    frame, named = _estimates("change", {"wait": (1.25, -0.75, 3.25), "hold": (5.35, 3.15, 7.55)})
    printed = Table(f"change_{MEASURE}", "Change", (Column("Arm", "left"),), ())
    return _fixed(study, f"change.{MEASURE}", frame, named, printed)


def _difference(study: Study) -> Fixed:
    frame, named = _estimates("difference", {"hold": (4.1, 2.0, 6.2)})
    notes = ("MDC of one person: 4.8° (95% CI 3.6 to 7.0°).",)
    printed = Table(f"difference_{MEASURE}", "Difference", (Column("Arm", "left"),), (), notes)
    return _fixed(study, f"difference.{MEASURE}", frame, named, printed)


def _adherence(study: Study) -> Fixed:
    named = {
        "hold.participants": 6.0,
        "hold.participants_with_diary": 1.0,
        "hold.minutes_prescribed_per_week": 22.5,
        "hold.minutes_done_per_week": 13.5,
        "hold.adherence_low_quarter": 0.55,
        "hold.adherence_median": 0.6,
        "hold.adherence_high_quarter": 0.65,
    }
    printed = Table("adherence", "Done", (Column("Arm", "left"),), ())
    return _fixed(study, "adherence", pd.DataFrame(), named, printed)


HARD = Table(
    "hard",
    "Words & <signs> 100% _ | #1 of {all}",
    (Column("Arm", "left"), Column("n"), Column("Difference (°), 95%\N{NO-BREAK SPACE}CI"), Column("p")),
    (
        ("=SUM(A1)", "25", "2.1 (0.7 to 3.5)", "0.003"),
        ("+cmd|' /C calc'!A0", "24", "−3.4 (−4.8 to −2.1)", "<\N{NO-BREAK SPACE}0.001"),
        ('@x_y ~ ^ $5 \\ "q" “curly”', "-3.5", "not estimable", "not estimable"),
        ("-2 & more", "+4", "1.0", " =1+1"),
        ("[a] *b* `c` <b>&amp;", "1", "√2 × 3 ± ∞", "≤ 1"),
    ),
    ("Notes: 5% of a_b & <c>; # 1.", "- a dash begins this line; 3.11.2 is a version."),
)
"""A table with everything that means something to some format."""
