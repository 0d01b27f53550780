"""Two thousand damaged protocols: each becomes a Protocol or a ProtocolError made of sentences, never anything else."""

from __future__ import annotations

import copy
import datetime
import re
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_line_toml import statements

from studykit.errors import ProtocolError
from studykit.protocol import Protocol, parse_protocol, protocol_sha256
from studykit.starting import protocol_template
from studykit.vocabulary import DESIGNS

TEXTS = [protocol_template(design) for design in DESIGNS]
TOKEN = re.compile(r'"[^"\n]*"|[A-Za-z0-9_.-]+|[^\sA-Za-z0-9]|\n')


def with_examples(text: str) -> str:
    """A template in which every example at its end is used."""
    plan, remark, examples = text.partition("# More that a protocol can say")
    assert remark
    kept = (line for line in examples.split("\n")[1:] if not line.startswith("# Example"))
    used = "\n".join(line.removeprefix("#").removeprefix(" ") for line in kept)
    if "[[visits]]" in used:  # the example says that [reliability] above then names its visits
        plan = plan.replace("# sessions =", "sessions =")
    return plan + used


SCRAPS = [
    *("[", "]", "[[", "]]", "{", "}", "=", ",", ".", "#", '"', "'", '"""', "\\", "\n", " ", "\t", "\0", "\ufeff", "–"),
    *("true", "false", "nan", "-inf", "0", "-1", "3.5", "1e400", "9" * 400, "0x" + "f" * 300, "1979-05-27", "07:32:00"),
    *('""', '"\\ud800"', '"week_0"', '"reliability"', '"straight_leg_raise"', '"R1"', "[]", "{}", "[1, [2]]"),
    *("study", "visits", "measures.hip_flexion", "[[visits]]", "[study]", "control = true", "week = 5", "unit = 'cm'"),
    *('wide = [{ heading = "x" }]', "[measures.own]", "levels = ['a']", "\ud800", "ℵ", "é", "a.b.c", "\r"),
]
NOT_ENGLISH = re.compile(
    r"pydantic|https?:|Traceback|Input should|type=|\bctx\b|\bloc\b|<class|\bNone\b|Error\b|validat", re.IGNORECASE
)
TOLD = re.compile(r"line [1-9]\d*: \S.{8,}[.?]")
HEADS = re.compile(r"study\.toml (has (1 problem|[1-9]\d* problems)|cannot be read):")


JUNK: list[Any] = [
    *(
        True,
        False,
        0,
        -1,
        1,
        5,
        3.5,
        0.95,
        1e308,
        float("nan"),
        float("-inf"),
        10**30,
        "",
        " ",
        "x",
        "week_0",
        "R1",
        "r1",
    ),
    *("straight_leg_raise", "half_kneeling_lunge", "trial", "audit", "reliability", "grade", "left", "participant_id"),
    *(
        "a b",
        "../x",
        "ℵ",
        "long " * 600,
        [],
        [1],
        ["a", "a"],
        [[{}]],
        {},
        {"a": 1},
        {"key": "k", "label": "L", "week": 6},
    ),
    *(datetime.date(2026, 1, 31), datetime.time(7, 32), {"unit": "cm"}, {"label": "L", "control": True}),
]
KEYS = ["week", "key", "label", "control", "unit", "colour", "", "a.b", "ℵ", "measures", "hip_flexion", "file", "weeek"]


def inner_tables(content: Any) -> list[Any]:
    """Every table and list inside a content, the content itself first."""
    entries = content.values() if isinstance(content, dict) else content if isinstance(content, list) else ()
    own = [content] if isinstance(content, (dict, list)) else []
    return [*own, *(table for entry in entries for table in inner_tables(entry))]


@st.composite
def damaged_content(draw: st.DrawFn) -> str:
    """A template in which one to five values were taken out, doubled, renamed, moved or replaced."""
    content = tomllib.loads(draw(st.sampled_from([*TEXTS, *map(with_examples, TEXTS)])))
    for _ in range(draw(st.integers(1, 5))):
        table, other = (draw(st.sampled_from(inner_tables(content))) for _ in range(2))
        junk = copy.deepcopy(draw(st.sampled_from(JUNK)))
        spot = draw(st.sampled_from([*table, None])) if isinstance(table, dict) else draw(st.integers(0, len(table)))
        present = spot in table if isinstance(table, dict) else spot < len(table)
        action = draw(st.sampled_from(["remove", "rename", "replace", "double"]))
        if isinstance(table, list) and not present:
            table.append(junk)
        elif not present:
            table[draw(st.sampled_from(KEYS))] = junk
        elif action == "replace":
            table[spot] = junk
        elif action == "remove":
            del table[spot]
        elif isinstance(table, list):
            table.append(table[spot])
        else:
            goal = other if action == "double" and isinstance(other, dict) else table
            goal[draw(st.sampled_from([*KEYS, spot[1:]]))] = copy.deepcopy(table.pop(spot))
    return statements(content)


@st.composite
def damaged_text(draw: st.DrawFn) -> str:
    """A template with one to three tokens or lines taken out, doubled, swapped or replaced."""
    text = draw(st.sampled_from([*TEXTS, *map(with_examples, TEXTS)]))
    for _ in range(draw(st.integers(1, 3))):
        spans = _spans(text, whole_lines=draw(st.booleans()))
        if not spans:
            break
        start, stop = draw(st.sampled_from(spans))
        other_start, other_stop = draw(st.sampled_from(spans))
        scrap = draw(st.sampled_from(SCRAPS))
        piece, other = text[start:stop], text[other_start:other_stop]
        new = draw(st.sampled_from(["", piece * 2, other, scrap, piece + scrap, scrap + piece, piece[1:], piece[:-1]]))
        text = text[:start] + new + text[stop:]
    return text


def _spans(text: str, *, whole_lines: bool) -> list[tuple[int, int]]:
    """Where the lines or the tokens of a text begin and end; remarks are left out, since nothing reads them."""
    spans = []
    for line in re.finditer(r"[^\n]*\n?", text):
        if line.group().lstrip().startswith("#") or not line.group().strip():
            continue
        if whole_lines:
            spans.append(line.span())
        else:
            spans += [
                (line.start() + found.start(), line.start() + found.end()) for found in TOKEN.finditer(line.group())
            ]
    return spans


def outcome(text: str) -> Protocol | list[str]:
    """The protocol, or the lines of the refusal."""
    try:
        return parse_protocol(text)
    except ProtocolError as error:
        return str(error).split("\n")


@settings(max_examples=2000)
@given(damaged_text() | damaged_content() | damaged_content())
def test_a_damaged_protocol_is_read_or_refused_in_sentences(text):
    result = outcome(text)
    if isinstance(result, Protocol):
        assert len(protocol_sha256(result)) == 64
        assert result.study.primary_measure in result.measures
        return
    head, *told = result
    assert HEADS.fullmatch(head)
    assert told
    lines = []
    for sentence in told:
        assert TOLD.fullmatch(sentence), sentence
        assert not NOT_ENGLISH.search(re.sub(r'"[^"]*"', "", sentence)), sentence
        assert sentence.isprintable()
        lines.append(int(sentence.split()[1].rstrip(":")))
    assert lines == sorted(lines)
    assert lines[-1] <= text.count("\n") + 1


@pytest.mark.parametrize("text", TEXTS, ids=DESIGNS)
def test_the_templates_are_valid_with_and_without_their_examples(text):
    assert isinstance(outcome(text), Protocol)
    assert isinstance(outcome(with_examples(text)), Protocol), outcome(with_examples(text))
    assert protocol_sha256(parse_protocol(text)) != protocol_sha256(parse_protocol(with_examples(text)))
