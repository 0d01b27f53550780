"""The hash of a protocol: the same for what decides the same, another for anything else."""

from __future__ import annotations

import hashlib
import json

import pytest

from studykit.protocol import parse_protocol, protocol_sha256

PLAIN = """\
raters = ["R1", "R2"]
[study]
title = "Title"
question = "Question?"
design = "trial"
primary_measure = "reach"
primary_visit = "week_6"
[arms.stretch]
label = "Stretch"
[arms.stretch.dose]
hold_s = 60
repetitions = 2
sessions_per_day = 1
days_per_week = 5
weeks = 6
[arms.none]
label = "None"
control = true
[[visits]]
key = "week_0"
label = "Baseline"
week = 0
[[visits]]
key = "week_6"
label = "Week 6"
week = 6
[measures.reach]
name = "Reach"
joint = "trunk"
motion = "forward bend"
position = "standing"
instrument = "ruler"
unit = "cm"
better = "higher"
zero_and_sign = "0 at the floor; positive below it"
plausible_low = -60
plausible_high = 40
cautions = ["Stop at pain."]
"""
CONTENT = {
    "arms": {
        "none": {"control": True, "label": "None"},
        "stretch": {
            "dose": {
                "days_per_week": 5.0,
                "hold_s": 60.0,
                "repetitions": 2,
                "sessions_per_day": 1.0,
                "weeks": 6.0,
            },
            "label": "Stretch",
        },
    },
    "measures": {
        "reach": {
            "better": "higher",
            "cautions": ["Stop at pain."],
            "instrument": "ruler",
            "joint": "trunk",
            "motion": "forward bend",
            "name": "Reach",
            "plausible_high": 40.0,
            "plausible_low": -60.0,
            "position": "standing",
            "unit": "cm",
            "zero_and_sign": "0 at the floor; positive below it",
        }
    },
    "raters": ["R1", "R2"],
    "study": {
        "design": "trial",
        "primary_measure": "reach",
        "primary_visit": "week_6",
        "question": "Question?",
        "title": "Title",
    },
    "visits": [
        {"key": "week_0", "label": "Baseline", "week": 0.0},
        {"key": "week_6", "label": "Week 6", "week": 6.0},
    ],
}
"""The content of PLAIN, written out by hand: the second route to its hash."""


def sha(text: str) -> str:
    return protocol_sha256(parse_protocol(text))


def changed(old: str, new: str) -> str:
    assert PLAIN.count(old) == 1, old
    return PLAIN.replace(old, new)


def moved_to_the_end(first: str, last: str) -> str:
    """The text with its lines from `first` up to, not with, `last` put at the end."""
    start, stop = PLAIN.index(first), PLAIN.index(last)
    return PLAIN[:start] + PLAIN[stop:] + PLAIN[start:stop]


def test_the_hash_is_that_of_the_content_as_sorted_json():
    text = json.dumps(CONTENT, sort_keys=True, separators=(",", ":"))
    assert sha(PLAIN) == hashlib.sha256(text.encode()).hexdigest()


SAME = {
    "remarks and empty lines": PLAIN.replace("\n", "  # remark\n\n"),
    "windows line ends": PLAIN.replace("\n", "\r\n"),
    "order of keys": changed('title = "Title"\nquestion = "Question?"', 'question = "Question?"\ntitle = "Title"'),
    "order of arms": moved_to_the_end("[arms.stretch]", "[arms.none]"),
    "order of tables": moved_to_the_end("[study]", "[arms.stretch]"),
    "another form of a table": changed(
        "[arms.stretch.dose]\nhold_s = 60\nrepetitions = 2\nsessions_per_day = 1\ndays_per_week = 5\nweeks = 6\n",
        "dose = { hold_s = 60, repetitions = 2, sessions_per_day = 1, days_per_week = 5, weeks = 6 }\n",
    ),
    "another form of a text": changed('"Question?"', "'''\nQuestion?'''"),
    "6.0 for 6": changed("weeks = 6\n", "weeks = 6.0\n"),
    "6e1 for 60": changed("hold_s = 60", "hold_s = 6e1"),
    "-0.0 for 0": changed("week = 0\n", "week = -0.0\n"),
    "blanks around a text": changed('"Title"', '"  Title "'),
    "a default written out": changed('design = "trial"', 'design = "trial"\nconfidence = 0.95\ntrials_used = "mean"'),
    "a default table": PLAIN + "[privacy]\nsmallest_group = 5\n[intake]\ndecimal_mark = '.'\n",
}


@pytest.mark.parametrize("change", SAME)
def test_what_decides_the_same_has_the_same_hash(change):
    assert SAME[change] != PLAIN
    assert sha(SAME[change]) == sha(PLAIN)


OTHER = {
    "title": changed('"Title"', '"Other title"'),
    "confidence": changed('design = "trial"', 'design = "trial"\nconfidence = 0.9'),
    "hold time": changed("hold_s = 60", "hold_s = 60.5"),
    "name of an arm": changed("[arms.none]", "[arms.nothing]"),
    "order of raters": changed('["R1", "R2"]', '["R2", "R1"]'),
    "window of a visit": PLAIN.replace("week = 6\n[measures", "week = 6\ndays_after = 14\n[measures"),
    "range of a measure": changed("plausible_low = -60", "plausible_low = -61"),
    "a further measure": PLAIN + "[measures.straight_leg_raise]\n",
    "a further caution": changed('["Stop at pain."]', '["Stop at pain.", "Stand still."]'),
    "intake": PLAIN + "[intake]\ndecimal_mark = ','\n",
    "privacy": PLAIN + "[privacy]\nsmallest_group = 6\n",
}


@pytest.mark.parametrize("change", OTHER)
def test_what_decides_otherwise_has_another_hash(change):
    assert OTHER[change] != PLAIN
    assert sha(OTHER[change]) != sha(PLAIN)


def test_an_override_of_the_catalogue_is_part_of_the_hash_and_repeating_the_catalogue_is_not():
    shipped = PLAIN + "[measures.straight_leg_raise]\n"
    repeated = shipped + "plausible_high = 150\n"
    overridden = shipped + "plausible_high = 130\n"
    assert sha(repeated) == sha(shipped)
    assert sha(overridden) != sha(shipped)


def test_order_of_visits_of_one_week_counts():
    extra = '[[visits]]\nkey = "{}"\nlabel = "L"\nweek = 6\n'
    one, two = extra.format("a"), extra.format("b")
    assert sha(PLAIN + one + two) != sha(PLAIN + two + one)
