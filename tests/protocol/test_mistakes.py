"""Each kind of mistake in study.toml: all of them in one message, each with its line and a plain sentence.

In the texts below a line that holds a mistake ends with `#!` and words of its sentence; several are parted by `|`.
"""

from __future__ import annotations

import re

import pytest

from studykit.errors import ProtocolError
from studykit.protocol import parse_protocol

SOUND = """\
raters = ["R1", "R2"]
[study]
title = "Title"
question = "Question?"
design = "trial"
primary_measure = "straight_leg_raise"
primary_visit = "week_12"
[arms.stretch]
label = "Stretch"
dose = { hold_s = 60, repetitions = 2, sessions_per_day = 1, days_per_week = 5, weeks = 12 }
[arms.none]
label = "None"
control = true
[[visits]]
key = "week_0"
label = "Baseline"
week = 0
[[visits]]
key = "week_12"
label = "Week 12"
week = 12
[measures.straight_leg_raise]
[reliability]
rated_by = "every rater"
visit = "week_0"
[intake.tables.participants]
headings = { Code = "participant_id" }
[intake.tables.measurements]
headings = { Code = "participant_id" }
wide = [{ heading = "left 1", measure = "straight_leg_raise", side = "left", trial = 1 }]
"""


def told(text: str) -> list[tuple[int, str]]:
    """The problems of a text as (line, sentence); the message must have no other shape."""
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(text)
    head, *lines = str(caught.value).split("\n")
    assert re.fullmatch(r"study\.toml has (1 problem|\d+ problems):", head)
    found = [re.fullmatch(r"line (\d+): (.+[.?])", line) for line in lines]
    assert all(found)
    assert head.split()[2] == str(len(lines))
    return [(int(match.group(1)), match.group(2)) for match in found if match]


def marked(text: str) -> list[tuple[int, str]]:
    """What the `#!` marks of a text announce, as (line, words)."""
    return [
        (number, words.strip())
        for number, line in enumerate(text.split("\n"), start=1)
        if "#!" in line
        for words in line.partition("#!")[2].split("|")
    ]


def changed(old: str, new: str) -> str:
    assert SOUND.count(old) == 1, old
    return SOUND.replace(old, new)


def test_the_sound_text_is_a_protocol():
    protocol = parse_protocol(SOUND)
    assert protocol.visit_keys == ("week_0", "week_12")
    assert protocol.control_arm == "none"
    assert protocol.primary.unit == "deg"
    assert protocol.arms["stretch"].dose is not None
    assert protocol.arms["stretch"].dose.minutes_per_week == 10.0


ONE_MISTAKE = [
    ('title = "Title"', 'title = ""  #! must not be empty'),
    ('title = "Title"', "title = 5  #! must be text between straight quotation marks"),
    ('title = "Title"', f'title = "{"x" * 2001}"  #! at most 2000 characters'),
    ('design = "trial"', 'design = "trail"  #! is "trail"; it must be one of "trial", "audit" or "reliability"'),
    ('title = "Title"', 'title = "T"\ntitel = "T"  #! titel in [study] is not a key that the protocol knows'),
    ('title = "Title"', 'title = "T"\nconfidense = 0.9  #! did you mean "confidence"?'),
    ('title = "Title"', "title = 'T'\nconfidence = 95  #! confidence in [study] is 95; it must be less than 1"),
    ('title = "Title"', "title = 'T'\nconfidence = nan  #! must be an ordinary number"),
    ('title = "Title"', "title = 'T'\nconfidence = true  #! confidence in [study] is true; it must be a number"),
    ('title = "Title"', "title = 'T'\nmade_up = 'yes'  #! must be true or false"),
    ('title = "Title"', "title = 'T'\nraters = ['R1']  #! it belongs at the top of the file"),
    ('title = "Title"', "title = 'T'\nsmallest_group = 5  #! it belongs in [privacy]"),
    (
        'title = "Title"',
        "title = 'T'\nmissing_visits = 'guess'  #! \"all observed visits\" or \"complete participants\"",
    ),
    ('raters = ["R1", "R2"]', 'raters = ["R1", "R2"]\ndesign = "trial"  #! it belongs in [study]'),
    ('raters = ["R1", "R2"]', 'raters = "R1"  #! must be a list in square brackets'),
    ('raters = ["R1", "R2"]', 'raters = ["R1", 2]  #! raters, item 2 is 2; it must be text'),
    ('raters = ["R1", "R2"]', 'raters = ["R1", "R 2"]  #! raters, item 2 is "R 2"; it cannot be used as a code'),
    ('raters = ["R1", "R2"]', 'raters = ["R1", "R1"]  #! "R1" is already among the raters'),
    (
        'raters = ["R1", "R2"]',
        'raters = ["R1", "r1"]  #! "R1" and "r1" among the raters differ only in capital letters',
    ),
    (
        'primary_measure = "straight_leg_raise"',
        'primary_measure = "straight_leg"  #! did you mean "straight_leg_raise"?',
    ),
    (
        'primary_measure = "straight_leg_raise"',
        'primary_measure = "hip_flexion"  #! add one that says [measures.hip_flexion]',
    ),
    ('primary_visit = "week_12"\n', 'primary_visit = "week12"  #! is not a planned visit; did you mean "week_12"?\n'),
    ('primary_visit = "week_12"\n', 'primary_visit = "week_0"  #! is the first visit, the baseline\n'),
    ('question = "Question?"\n', ""),
    ('primary_visit = "week_12"\n', ""),
    ('label = "Stretch"\n', 'label = "Stretch"\ncolour = "red"  #! known are "label", "control" and "dose"\n'),
    ('label = "Stretch"\n', 'label = "Stretch"\ncontrol = true  #!\n'),
    ("hold_s = 60, ", 'hold_s = "60", '),
    ("[arms.none]", '[arms."no arm"]  #! "no arm" in [arms] cannot be used as a code'),
    ("control = true\n", "control = false\n"),
    ("week = 12\n", "week = 11  #!\n"),
    ("week = 12\n", "week = -1  #! week in [[visits]] number 2 is -1; it must be 0 or more\n"),
    ("week = 12\n", "week = 600  #! it must be 520 or less\n"),
    ("week = 12\n", "week = 12\ndays_after = 3.5  #! must be a whole number\n"),
    ("week = 0\n", "week = 13  #!\n"),
    (
        "week = 12\n",
        'week = 12\n[[visits]]\nkey = "week_0"  #! "week_0" is already among the visits\nlabel = "L"\nweek = 12\n',
    ),
    (
        "[measures.straight_leg_raise]\n",
        '[measures.straight_leg_raise]\nunit = \'kg\'  #! "deg", "cm", "mm" or "grade"\n',
    ),
    ("[measures.straight_leg_raise]\n", "[measures.straight_leg_raise]\nunit = 'cm'  #! must also say\n"),
    ("[measures.straight_leg_raise]\n", "[measures.straight_leg_raise]  #! must be below\nplausible_low = 500\n"),
    (
        "[measures.straight_leg_raise]\n",
        '[measures.straight_leg_raise]\n[measures.sit_and_reech]  #! did you mean "sit_and_reach"? A measure\n',
    ),
    (
        "[measures.straight_leg_raise]\n",
        "[measures.straight_leg_raise]\ncautions = []  #! must have at least 1 entry\n",
    ),
    ('rated_by = "every rater"', 'rated_by = "all"  #! "every rater" or "different raters"'),
    ('visit = "week_0"', 'visit = "week_1"  #! is not planned; did you mean "week_12"?'),
    (
        '[reliability]\nrated_by = "every rater"\nvisit = "week_0"',
        '[reliability]  #! must say at which visit\nrated_by = "every rater"',
    ),
    ('visit = "week_0"', 'sessions = "week_0"  #! must be a list in square brackets'),
    ('visit = "week_0"', 'sessions = ["week_0"]  #! "week_0" alone, and a spread between days needs two'),
    ('visit = "week_0"', 'sessions = ["week_0", "week_0"]  #! "week_0" is already among the sessions'),
    ('visit = "week_0"', 'sessions = ["week_0", "week_1"]  #! session "week_1" in [reliability] is not planned'),
    ('visit = "week_0"', 'sessions = ["week_0", "week_12"]  #! is the primary visit: what changed by then'),
    (
        'visit = "week_0"',
        'visit = "week_0"\nwanted_mdc = 0  #! wanted_mdc in [reliability] is 0; it must be more',
    ),
    ('visit = "week_0"', 'visit = "week_0"\ncost = 3  #! must be a table of its own'),
    ('visit = "week_0"', 'visit = "week_0"\ncost = { session = -1 }  #! must be 0 or more'),
    ('visit = "week_0"', 'visit = "week_0"\ncost = { reading = 0 }  #! otherwise no design is cheapest'),
    ("[intake.tables.participants]", '[intake.tables.participant]  #! did you mean "participants"?'),
    (
        "[intake.tables.participants]",
        '[intake]\ndecimal_mark = ";"  #! must be one of "." or ","\n[intake.tables.participants]',
    ),
    ("[intake.tables.participants]", "[intake.tables.participants]\nfile = '../secret.csv'  #! without a folder"),
    (
        "[intake.tables.participants]",
        "[intake.tables.participants]\nunits = { height_cm = 'lb' }  #! cannot be given in \"lb\"",
    ),
    (
        "[intake.tables.participants]",
        "[intake.tables.participants]\nunits = { age_years = 'm' }  #! no other unit than the one in its name",
    ),
    (
        "[intake.tables.participants]",
        '[intake.tables.participants]\nfixed = { sex = \'woman\' }  #! "woman" cannot stand in column "sex"',
    ),
    (
        "[intake.tables.participants]",
        "[intake.tables.participants]\ncodes = { arm = { A = 'strech' } }  #! did you mean \"stretch\"?",
    ),
    (
        "[intake.tables.participants]",
        "[intake.tables.participants]\nfixed = { participant_id = 'P1' }  #! also read from heading \"Code\"",
    ),
    ("[intake.tables.participants]", "[intake.tables.participants]\nignore = ['Code']"),
    (
        "[intake.tables.participants]",
        "[intake.tables.participants]\nwide = [{ heading = 'x' }]  #! only the measurements table",
    ),
    ('side = "left", trial = 1', 'side = "l", trial = 1'),
    ('heading = "left 1", measure = "straight_leg_raise"', 'heading = "left 1", measure = "straight_leg"'),
]
"""(old, new) changes of the sound text; where `new` has no mark, `MARKS_ELSEWHERE` says line and words."""

MARKS_ELSEWHERE = {
    "": (2, "in [study] is missing"),
    'hold_s = "60", ': (10, 'hold_s in [arms.stretch.dose] is "60"; it must be a number without quotation marks'),
    "control = false\n": (8, "a trial needs one arm that the others are set against"),
    "week = 11  #!\n": (10, "runs for 12 weeks, but the last visit is in week 11"),
    "week = 13  #!\n": (21, 'visit "week_12" (week 12) is written after visit "week_0" (week 13)'),
    'label = "Stretch"\ncontrol = true  #!\n': (14, 'only one arm can be the control, and "stretch" already is'),
    "[intake.tables.participants]\nignore = ['Code']": (28, 'heading "Code" is both used and ignored'),
    'side = "l", trial = 1': (30, 'side in [[intake.tables.measurements.wide]] number 1 is "l"'),
    'heading = "left 1", measure = "straight_leg"': (30, 'did you mean "straight_leg_raise"?'),
}


@pytest.mark.parametrize(("old", "new"), ONE_MISTAKE)
def test_one_mistake_is_told_once_with_its_line(old, new):
    text = changed(old, new)
    expected = [MARKS_ELSEWHERE[new]] if new in MARKS_ELSEWHERE else marked(text)
    found = told(text)
    assert [line for line, _ in found] == [line for line, _ in expected]
    for (_, sentence), (_, words) in zip(found, expected, strict=True):
        assert words in sentence


MANY = """\
# remarks and
raters = [
    "R1",
    "R1",  #! "R1" is already among the raters
    "R 3",  #! raters, item 3 is "R 3"
]
[study]
title = "Title"
question = "Question?"
design = "trial"
primary_measure = "straight_leg_rise"  #! did you mean "straight_leg_raise"?
primary_visit = "week12"  #! did you mean "week_12"?
confidense = 0.9  #! did you mean "confidence"?

[arms.stretch]
label = '''
a label on
three lines'''
colour = "red"  #! colour in [arms.stretch] is not a key
[arms.stretch.dose]
hold_s = "60"  #! must be a number
repetitions = 2.5  #! must be a whole number
sessions_per_day = 0  #! must be more than 0
days_per_week = 8  #! must be 7 or less
weeks = 12
[arms.none]  #! label in [arms.none] is missing

[[visits]]
key = "week_0"
label = "Baseline"
week = -3  #! must be 0 or more
[[visits]]  #! week in [[visits]] number 2 is missing
key = "week_12"
label = "Week 12"
wek = 12  #! did you mean "week"?

[measures.straight_leg_raise]
better = "more"  #! "higher", "lower" or "neither"
[measures.straight_leg_raize]  #! did you mean "straight_leg_raise"? A measure of your own needs
[measures.arm_span]  #! is not in the catalogue of measures. A measure of your own also needs "joint"
name = "Arm span"
unit = "feet"  #! "deg", "cm", "mm" or "grade"

[reliability]
rated_by = "every rater"
visit = "week_1"  #! is not planned

[privacy]
smallest_group = 1  #! must be 2 or more

[covariates.age_years]  #! is a column that every study has
label = "Age"
kind = "number"
[covariates.sport]  #! low and high belong to a covariate of kind "number"
label = "Sport"
kind = "words"
low = 1

[intake]
date_order = "dmy"  #! "day-month-year"
[intake.tables.measurements]
headings = { Code = "participant_idd" }  #! did you mean "participant_id"?
sheat = "x"  #! did you mean "sheet"?
[[intake.tables.measurements.wide]]
heading = "left 1"
visit = "week_1"  #! "week_1" cannot stand in column "visit"
"""


def test_many_mistakes_are_all_told_in_one_message_in_order():
    expected, found = marked(MANY), told(MANY)
    assert [line for line, _ in found] == [line for line, _ in expected]
    for (line, sentence), (_, words) in zip(found, expected, strict=True):
        assert words in sentence, line


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["[study] is missing", "[measures] is missing"]),
        (
            "study = 3\nmeasures = [1]\nvisits = 'x'",
            ["[study] is 3; it must be a table", "[measures] is a list", "list"],
        ),
        ("[measures]\n[study]", ["title", "question", "design", "primary_measure"]),
    ],
)
def test_a_file_without_its_parts_says_which_are_missing(text, words):
    sentences = [sentence for _, sentence in told(text)]
    assert len(sentences) == len(words)
    assert all(word in sentence for word, sentence in zip(words, sentences, strict=True))


def test_a_mistake_inside_a_part_does_not_hide_its_mistakes_with_other_parts():
    text = changed('label = "Stretch"\n', 'label = "Stretch"\ncolour = "red"\n').replace("week = 12\n", "week = 11\n")
    assert [(line, words.split()[0]) for line, words in told(text)] == [(10, "colour"), (11, "the")]
    text = changed('measure = "straight_leg_raise", side = "left"', 'measure = "straight_leg", side = "l"')
    assert [(line, words.split()[0]) for line, words in told(text)] == [(30, "side"), (30, '"straight_leg"')]


def test_a_blank_at_the_edge_of_a_code_is_told():
    sentences = dict(told(changed("[arms.none]", '[arms."none "]')))
    assert sentences[11] == '"none " among the arms has a blank at its edge; take it away.'
    assert "is already among" in dict(told(changed('["R1", "R2"]', '["R1", " R1"]')))[1]


def test_designs_ask_for_what_they_need():
    audit = SOUND.replace('"trial"', '"audit"').replace('primary_visit = "week_12"\n', "")
    assert [sentence for _, sentence in told(audit)] == [
        'primary_visit in [study] is missing; a study of design "audit" needs one.'
    ]
    reliability = SOUND.replace('"trial"', '"reliability"').partition("[reliability]")[0]
    (problem,) = told(reliability)
    assert problem[1].startswith('a study of design "reliability" needs a [reliability] table')
    lone = SOUND.replace("[arms.none]", "[covariates.none]").replace("control = true", 'kind = "words"')
    assert told(lone) == [(8, "a trial needs at least two arms; the file has 1.")]


def test_a_graded_measure_cannot_be_the_one_by_which_change_is_judged():
    graded = SOUND.replace("straight_leg_raise", "half_kneeling_lunge")
    (problem,) = told(graded)
    assert problem[0] == 6
    assert "grades have no mean" in problem[1]
    best = changed("[measures.straight_leg_raise]", '[measures.straight_leg_raise]\nbetter = "neither"')
    (problem,) = told(best.replace('title = "Title"', 'title = "T"\ntrials_used = "best"'))
    assert problem == (
        4,
        'trials_used is "best", but no direction of "straight_leg_raise" is better; choose "mean" or "all".',
    )


def test_numbers_that_no_machine_can_hold_are_told_like_any_other():
    huge = changed("week = 12\n", "week = 0x" + "f" * 5000 + "\n")
    assert told(huge)[-1][0] == 21
    text = changed("repetitions = 2,", "repetitions = " + "1" * 300 + ",")
    assert told(text)[0][0] == 10


def test_sessions_and_a_visit_exclude_each_other_and_grades_have_no_wanted_mdc():
    again = '[[visits]]\nkey = "week_1"\nlabel = "Again"\nweek = 1\n'
    three = changed('[[visits]]\nkey = "week_12"', again + '[[visits]]\nkey = "week_12"')
    both = three.replace('visit = "week_0"\n[intake', 'visit = "week_0"\nsessions = ["week_0", "week_1"]\n[intake')
    (problem,) = told(both)
    assert problem[1].startswith("[reliability] names a visit and sessions; keep visit for readings of one occasion")
    sessions = parse_protocol(three.replace('visit = "week_0"\n[intake', 'sessions = ["week_0", "week_1"]\n[intake'))
    assert sessions.reliability is not None
    assert sessions.reliability.sittings == ("week_0", "week_1")
    misspelt = told(changed('visit = "week_0"\n[intake', 'session = ["week_0"]\n[intake'))
    assert 'did you mean "sessions"?' in " ".join(sentence for _, sentence in misspelt)
    graded = changed('visit = "week_0"\n[intake', 'visit = "week_0"\nwanted_mdc = 5\n[intake')
    graded = graded.replace("straight_leg_raise", "half_kneeling_lunge").replace('"trial"', '"reliability"', 1)
    assert any("grades have no minimal detectable change; take wanted_mdc away." in text for _, text in told(graded))
