"""TOML text reads back as what was written, and a table of tables has no empty heading."""

from __future__ import annotations

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from studykit.toml_text import toml_text

WORDS = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=8)
VALUES = (
    st.integers(-(2**53), 2**53)
    | st.booleans()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=20)
)


@given(st.dictionaries(WORDS, VALUES, max_size=4), st.lists(st.dictionaries(WORDS, VALUES, max_size=3), max_size=3))
def test_toml_comes_back_as_it_was(plain: dict[str, object], tables: list[dict[str, object]]) -> None:
    nested = [{"own": 1, "deeper": [entry, entry]} for entry in tables]
    content = {"plain": plain, "outer": {"inner": plain}, **({"several": nested} if nested else {})}
    assert tomllib.loads(toml_text(content)) == content


def test_a_table_of_tables_has_no_heading_of_its_own() -> None:
    assert toml_text({"a": {"b": {"c": 1}}, "d": {}, "e": [{"f": "\x7f"}]}) == (
        '[a.b]\nc = 1\n\n[d]\n\n[[e]]\nf = "\\u007f"\n'
    )
