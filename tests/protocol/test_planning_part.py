"""The [planning] table: what it says when little is written, and every mistake in it with its line."""

from __future__ import annotations

import pytest

from studykit.protocol import parse_protocol, protocol_sha256
from studykit.starting import protocol_template
from tests.protocol.test_mistakes import SOUND, told

TRIAL = "[planning]\nparticipants = 40\nsmallest_difference = 5\nspread = { participant = 6, trial = 1.5 }\n"


def test_without_the_table_nothing_is_planned_and_the_hash_is_as_before() -> None:
    protocol = parse_protocol(SOUND)
    assert protocol.planning is None
    assert protocol_sha256(parse_protocol(SOUND + TRIAL)) != protocol_sha256(protocol)


def test_a_short_plan_has_the_documented_defaults() -> None:
    plan = parse_protocol(SOUND + TRIAL).planning
    assert plan is not None
    assert (plan.power, plan.limbs, plan.trials, plan.raters) == (0.8, 1, 1, 1)
    assert plan.spread is not None
    assert plan.spread.limb == 0.0


@pytest.mark.parametrize("design", ["trial", "reliability"])
def test_the_example_in_the_template_can_be_used(design: str) -> None:
    lines = protocol_template(design).split("\n")
    start = next(place for place, line in enumerate(lines) if line.startswith("# [planning"))
    for place in range(start, len(lines)):
        if not lines[place]:
            break
        if "=" in lines[place] or lines[place].startswith("# ["):
            lines[place] = lines[place].removeprefix("# ")
    assert parse_protocol("\n".join(lines)).planning is not None


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        ("[planning]\npower = 1.0", "power", "power in [planning] is 1; it must be less than 1"),
        ("[planning]\nsmallest_difference = 0.0", "[planning]", "no study can find a difference of nothing"),
        ("[planning]\nparticipants = 40", "[planning]", "participants is given but smallest_difference is not"),
        ("[planning.reliability]\nicc_width = -0.1", "icc_width", "it must be more than 0"),
        ("[planning.reliability]\nicc_width = 0.1", "[planning.reliability]", "icc_width needs icc"),
        ("[planning.reliability]\nicc = 0.7\nicc_to_beat = 0.8", "[planning.reliability]", "must be below icc (0.7)"),
        ("[planning.reliability]\nlimit_width = 3", "[planning.reliability]", "go together"),
        (TRIAL + "raters = 3\nraters_in_all = 2", "[planning]", "no fewer than raters (3)"),
        (TRIAL + 'arm_with = "strech"', "arm_with", 'did you mean "stretch"?'),
        (TRIAL + 'arm_with = "none"', "arm_with", '"none" is the control arm'),
        (
            TRIAL + "lost_by = { week_12 = 0.1, week_13 = 0.2 }",
            "lost_by",
            '"week_13" in lost_by is not a planned visit',
        ),
        (TRIAL + "lost_by = { week_0 = 0.1 }", "lost_by", "nobody can have left before"),
        (TRIAL + "[planning.change.stretch]\nweek_0 = 1.0", "week_0", "is not a visit after the baseline"),
        (TRIAL + '[planning.compare]\nvisits = [["week_0"]]', "visits", 'lacks "week_12"'),
        (TRIAL + "[planning.simulation]\nhalf_width = 0", "half_width", "half_width"),
        (TRIAL + "[planning.allocation]\nblock_sizes = [4, 5]", "block_sizes", "a block of 5 cannot hold the arms"),
        (TRIAL + '[planning.allocation.strata]\nsight = ["a", "b"]', "sight", 'did you mean "site"?'),
        (TRIAL + '[planning.allocation.strata]\nsite = ["a"]', "site", "must have at least 2 entries"),
        (TRIAL + '[planning.allocation]\nmethod = "coin"', "method", 'must be one of "blocks" or "minimisation"'),
        ("[planning]\nparticipant = 3", "participant", 'did you mean "participants"?'),
    ],
)
def test_a_mistake_is_one_sentence_with_its_line(lines: str, line: str, words: str) -> None:
    text = SOUND + lines + "\n"
    problems = told(text)
    assert len(problems) == 1, problems
    number, sentence = problems[0]
    assert words in sentence
    assert text.split("\n")[number - 1].startswith(line)


def test_shares_that_fall_are_refused() -> None:
    text = SOUND + '[[visits]]\nkey = "week_20"\nlabel = "Late"\nweek = 20\n' + TRIAL
    problems = told(text + "lost_by = { week_12 = 0.2, week_20 = 0.1 }\n")
    assert ["do not come back" in sentence for _, sentence in problems] == [True]


def test_a_difference_of_arms_is_refused_in_an_audit() -> None:
    problems = told(SOUND.replace('design = "trial"', 'design = "audit"') + TRIAL)
    assert ['of design "audit"' in sentence for _, sentence in problems] == [True]
