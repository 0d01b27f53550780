"""Decimal mark and language are a value that is handed on: nothing global, digits untouched, unknown words stay."""

from __future__ import annotations

import re
import tomllib
from importlib import resources

import pytest
from golden import golden_tables

from studykit.errors import CallError
from studykit.formatting import NO_BREAK, with_decimal_mark
from studykit.report.print_style import ENGLISH, languages, print_style
from studykit.table import Column, Table

GERMAN = print_style(decimal_mark=",", language="de")


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("6.1 (4.0 to 8.2)", "6,1 (4,0 to 8,2)"),
        ("−0.4°", "−0,4°"),
        (f"<{NO_BREAK}0.001", f"<{NO_BREAK}0,001"),
        ("12.5%", "12,5%"),
        ("Python 3.11.2", "Python 3.11.2"),
        ("in 2010. 13 people", "in 2010. 13 people"),
        ("95% of pairs. No.", "95% of pairs. No."),
        ("v1.2", "v1.2"),
    ],
)
def test_the_decimal_mark_is_exchanged_in_numbers_only(text: str, printed: str) -> None:
    assert with_decimal_mark(text, ",") == printed
    assert with_decimal_mark(text, ".") == text


def test_another_mark_is_refused() -> None:
    with pytest.raises(ValueError, match="decimal mark"):
        with_decimal_mark("1.5", ";")
    with pytest.raises(CallError, match=r"decimal_mark is ';'; allowed are '\.', ','"):
        print_style(decimal_mark=";")
    with pytest.raises(CallError, match="language is 'xx'"):
        print_style(language="xx")


def test_english_changes_nothing() -> None:
    for table in golden_tables():
        assert ENGLISH.of_table(table) == table


def test_digits_are_the_same_in_every_language() -> None:
    for table in golden_tables():
        printed = GERMAN.of_table(table)
        for row, other in zip(table.rows, printed.rows, strict=True):
            assert [re.findall(r"\d+", cell) for cell in row] == [re.findall(r"\d+", cell) for cell in other]


def test_words_behind_numbers_and_whole_phrases_are_translated() -> None:
    assert GERMAN.of_text("2.1 (0.7 to 3.5)") == "2,1 (0,7 bis 3,5)"
    assert GERMAN.of_text(f"Change (°), 95%{NO_BREAK}CI") == f"Veränderung (°), 95%{NO_BREAK}KI"
    assert GERMAN.of_text("Site: north") == "Ort: north"
    assert GERMAN.of_text("1 of 6") == "1 von 6"


def test_words_of_the_study_stay_as_they_were_written() -> None:
    assert GERMAN.of_text("Back to work, out of pain") == "Back to work, out of pain"


def test_names_and_versions_stay() -> None:
    table = Table("provenance", "Software", (Column("What"), Column("Value")), (("thing", "1.5"),))
    assert GERMAN.of_table(table).rows == table.rows


def test_every_heading_and_title_of_the_paper_tables_has_a_german_word() -> None:
    mine = [table for table in golden_tables() if table.key != "hard"]
    own_words = re.compile(r"Waiting|Holding")  # arms of the study, which stay as they were written
    for table in mine:
        heads = [column.heading for column in table.columns if not own_words.search(column.heading)]
        for text in [table.title, *heads]:
            assert text in {"SEM", "MDC"} or GERMAN.of_text(text) != text, text


def test_every_language_file_keeps_the_blanks_of_its_phrases() -> None:
    assert languages() == ("en", "de")
    source = resources.files("studykit.report").joinpath("languages", "de.toml").read_text(encoding="utf-8")
    for english, other in tomllib.loads(source)["phrases"].items():
        assert english.count("{}") == other.count("{}"), english
