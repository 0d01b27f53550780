"""A study.toml that cannot be read at all: one sentence with the place, whatever the file holds."""

from __future__ import annotations

import re

import pytest

from studykit.errors import ProtocolError
from studykit.protocol import load_protocol, parse_protocol
from studykit.protocol.loading import MOST_LISTED
from studykit.protocol.syntax import MOST_BYTES
from studykit.starting import protocol_template

SOUND = protocol_template("trial")
TITLE = 'title = "Hamstring stretching in the staff of a town library"'

SYNTAX = [
    ("x = ", "the value cannot be read"),
    ("x = week", 'text must stand between straight quotation marks: "week"'),
    ("x = 6,5", "write a decimal point"),
    ("x = “a”", "is not a straight quotation mark"),
    ("x = 1\nx = 2", "already given above"),
    ("[a]\n[a]", "was already written above; put both parts"),
    ("a = {}\n[a.b]", "or one around it, was already written above"),
    ("a = { b = 1, b = 2 }", "stands twice between these curly brackets"),
    ("x = [1, 2", "has no closing ]"),
    ("x = { a = 1", "has no closing }"),
    ('x = "abc', "no closing quotation mark"),
    ("x = '''abc", "is not closed"),
    ('x = "\\q"', "must be doubled"),
    ('x = "\\u12"', "is incomplete"),
    ('x = "\\ud800"', "is no character"),
    ("x = 2024-02-30", "does not exist"),
    ("x y", "followed by = and its value"),
    ("= 1", "a line is a key = value"),
    ("x. = 1", "a key may hold only letters"),
    ("[study", "must end with ]"),
    ("[[visits", "must end with ]]"),
    ("x = 1 y = 2", "write one key = value on a line"),
    ("x = 'a\x00'", "cannot stand in the file"),
    ("x = " + "9" * 5000, "too many digits"),
    ("x = " + "[" * 100, "deep inside each other"),
    (".".join("a" * 5000) + " = 1", "deep inside each other"),
]


@pytest.mark.parametrize(("slip", "words"), SYNTAX)
def test_a_text_that_is_not_toml_is_told_with_its_line(slip, words):
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(f"# remark\n{slip}", name="plan.toml")
    head, line = str(caught.value).split("\n")
    assert head == "plan.toml cannot be read:"
    assert re.fullmatch(r"line \d+: .+\.", line)
    assert line.startswith(f"line {2 + slip.count(chr(10))}: ")
    assert words in line


def test_a_text_of_more_than_a_megabyte_is_refused(tmp_path):
    long = SOUND + "#" * MOST_BYTES
    with pytest.raises(ProtocolError, match="larger than 1,000 kB"):
        parse_protocol(long)
    (tmp_path / "study.toml").write_text(long, encoding="utf-8")
    with pytest.raises(ProtocolError, match="larger than 1,000 kB"):
        load_protocol(tmp_path / "study.toml")
    filled = SOUND + "#" * (MOST_BYTES - len(SOUND.encode()))
    assert parse_protocol(filled) == parse_protocol(SOUND)


def test_a_flood_of_problems_is_cut_and_counted():
    text = SOUND + "\n" + "".join(f"key_{number} = 1\n" for number in range(MOST_LISTED + 5))
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(text)
    head, *lines, last = str(caught.value).split("\n")
    assert head == f"study.toml has {MOST_LISTED + 5} problems:"
    assert len(lines) == MOST_LISTED
    assert last == "5 more problems are not listed; mend these first."


FLOODS = {
    "visits": "[[visits]]\n" * 80_000,
    "headings": "[intake.tables.raters.headings]\n" + "".join(f"h{number} = 'x'\n" for number in range(60_000)),
    "raters": "raters = [" + "'R1'," * 150_000 + "]\n",
    "dotted keys": "".join(f"a.b.c.d.e.f.g.h.i.j.k{number} = 1\n" for number in range(30_000)),
}


@pytest.mark.parametrize("flood", FLOODS)
def test_a_hostile_text_is_refused_in_a_short_message(flood):
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(FLOODS[flood])
    head, line = str(caught.value).split("\n")
    assert head == "study.toml cannot be read:"
    assert re.fullmatch(r"line \d+: the text holds more than 20,000 entries; a protocol has hundreds\.", line)


def test_the_largest_text_that_is_read_still_gives_a_short_message():
    text = "k" * 500_000 + " = 1\n" + "[[visits]]\n" * 9_000
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(text)
    assert max(len(line) for line in str(caught.value).split("\n")) < 500


def test_a_file_that_cannot_be_opened_or_is_not_utf_8_is_told(tmp_path):
    with pytest.raises(ProtocolError, match="does not exist; `studykit start` makes"):
        load_protocol(tmp_path / "study.toml")
    with pytest.raises(ProtocolError, match="is a folder"):
        load_protocol(tmp_path)
    with pytest.raises(ProtocolError, match="cannot be opened"):
        load_protocol(tmp_path / "a\0b")
    path = tmp_path / "study.toml"
    path.write_bytes(SOUND.encode("utf-16"))
    with pytest.raises(ProtocolError, match="saved as UTF-16"):
        load_protocol(path)
    path.write_bytes(SOUND.replace(TITLE, 'title = "Übung"').replace("–", "-").encode("windows-1252"))
    with pytest.raises(ProtocolError, match="line 14: a sign here is not UTF-8"):
        load_protocol(path)


def test_a_byte_order_mark_and_windows_line_ends_are_no_mistake(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND.replace("\n", "\r\n").encode())
    assert load_protocol(path) == parse_protocol(SOUND)
    assert parse_protocol("\ufeff" + SOUND) == parse_protocol(SOUND)
