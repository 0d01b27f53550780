"""Lines of places in TOML text: checked against the standard parser, which knows content but no lines."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from one_line_toml import statements

from studykit.protocol.lines import DEEPEST, Place, line_index
from studykit.starting import protocol_template
from studykit.vocabulary import DESIGNS

EVERY_FORM = """\
# a remark with [brackets] and = signs
top = 1
"quoted.key" = 'literal # no remark'
dotted.inner."last one" = true

[table]
list = [
    "a", # [not] a heading
    "b]",
    { key = "inline", deep = [1, 2] },
]
text = \"\"\"
[fake]
key = "not a key"
\"\"\"
after = 2

[table.sub]
literal = '''
x = 1
''''' # two quotation marks end this text
escaped = "a \\" b" # remark

[[rows]]
name = "first"
cells = [[1, 2], [3]]
[rows.more]
note = 1979-05-27T07:32:00Z
[[rows]]
name = "second"
[rows.more]
note = 1979-05-27
[[rows.inner]]
x = 1
[[rows.inner]]
x = 2

[ spaced . "heading" ]
end = inf
"""


def leaves(content: Any, place: Place = ()) -> Iterator[Place]:
    """Every place that holds neither a table nor a list."""
    if isinstance(content, dict):
        for key, value in content.items():
            yield from leaves(value, (*place, key))
    elif isinstance(content, list):
        for position, value in enumerate(content):
            yield from leaves(value, (*place, position))
    else:
        yield place


@pytest.mark.parametrize("text", [EVERY_FORM, *(protocol_template(design) for design in DESIGNS)])
def test_every_value_has_a_line_and_that_line_names_it(text):
    index = line_index(text)
    lines = text.split("\n")
    for place in leaves(tomllib.loads(text)):
        assert index.has(place), place
        key = [step for step in place if isinstance(step, str)][-1]
        if isinstance(place[-1], str):
            assert key in lines[index.line(place) - 1], place


def test_every_form_of_toml_has_the_lines_that_an_eye_finds():
    index = line_index(EVERY_FORM)
    lines = EVERY_FORM.split("\n")
    expected = {
        ("top",): "top = 1",
        ("quoted.key",): '"quoted.key"',
        ("dotted", "inner", "last one"): "dotted.inner",
        ("table",): "[table]",
        ("table", "list", 0): '"a"',
        ("table", "list", 1): '"b]"',
        ("table", "list", 2, "deep", 1): "inline",
        ("table", "text"): 'text = """',
        ("table", "after"): "after = 2",
        ("table", "sub", "literal"): "literal",
        ("table", "sub", "escaped"): "escaped",
        ("rows", 0, "name"): '"first"',
        ("rows", 0, "cells", 1, 0): "cells",
        ("rows", 0, "more", "note"): "07:32",
        ("rows", 1): "[[rows]]",
        ("rows", 1, "name"): '"second"',
        ("rows", 1, "more", "note"): "note = 1979-05-27",
        ("rows", 1, "inner", 0, "x"): "x = 1",
        ("rows", 1, "inner", 1, "x"): "x = 2",
        ("spaced", "heading", "end"): "end = inf",
    }
    for place, sign in expected.items():
        assert sign in lines[index.line(place) - 1], place
    assert index.line(("rows", 1)) > index.line(("rows", 0, "more"))
    assert index.line(("rows", 1, "more", "note")) > index.line(("rows", 1))
    assert ("table", "key") not in index.lines  # inside a text
    assert ("fake",) not in index.lines


def test_what_is_absent_is_told_at_the_nearest_thing_around_it():
    index = line_index("[arms.a]\nlabel = 'A'\n\n[[visits]]\nkey = 'v'\n\n\n")
    assert index.line(("arms", "a", "dose", "weeks")) == 1
    assert index.line(("visits", 0, "week")) == 4
    assert index.line(("study",)) == 5  # the last line that is not empty
    assert line_index("").line(("study",)) == 1


def test_windows_line_ends_count_once():
    assert line_index("a = 1\r\n\r\n[b]\r\nc = 2\r\n").line(("b", "c")) == 4


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 200, "a = " + "{b = " * 200, ".".join("a" * 200) + " = 1", "[" + ".".join("a" * 200) + "]"],
)
def test_deep_nesting_is_noticed_on_its_line(text):
    assert line_index("x = 1\n" + text).too_deep == 2
    assert line_index("a = " + "[" * (DEEPEST - 1) + "]" * (DEEPEST - 1)).too_deep is None


TOKENS = ["[", "]", "[[", "]]", "{", "}", '"', "'", '"""', "'''", "\\", "=", ".", ",", "#", "\n", "\r\n", " ", "a", "1"]


@given(st.lists(st.sampled_from(TOKENS), max_size=40).map("".join))
def test_no_text_makes_the_scan_fail_and_every_line_exists(text):
    index = line_index(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in index.lines.values())
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert all(index.has(place) for place in leaves(content))


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=6)
SCALARS = st.one_of(st.integers(-9, 9), st.booleans(), st.text(st.sampled_from("ab#[]{}=.,'\"\n\\"), max_size=8))
TABLES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3), max_leaves=12
)


@given(st.dictionaries(NAMES, TABLES, min_size=1, max_size=6))
def test_one_statement_a_line_gives_the_line_of_its_place_in_order(content):
    text = statements(content)
    assert tomllib.loads(text) == content
    index = line_index(text)
    for number, (key, value) in enumerate(content.items(), start=1):
        assert index.line((key,)) == number
        assert all(index.lines[(key, *place)] == number for place in leaves(value))
