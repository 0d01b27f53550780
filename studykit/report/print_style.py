"""How finished tables and sentences are printed: decimal mark and language, a value that is handed on.

Every word is made in English and every number with a point; here they are exchanged once, on the way to paper. What a
language file does not know stays English. Nothing is rounded here.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib import resources
from types import MappingProxyType
from typing import Final

from studykit.errors import check_choice
from studykit.formatting import DECIMAL_MARKS, NO_BREAK, with_decimal_mark
from studykit.table import Table

EXACT_KEYS: Final = frozenset({"provenance"})
"""Tables whose cells and notes are names and versions, which stay as they are."""
_BLANK: Final = "{}"


@dataclass(frozen=True)
class PrintStyle:
    """Decimal mark and words of print.

    Attributes:
        decimal_mark: "." or ",".
        language: code of the language, such as "en".
        phrases: English phrase -> phrase, for whole headings, titles, cells and lines; `{}` stands for what may vary.
        between: English words behind a number ("to", "of", "CI") -> words.
    """

    decimal_mark: str = "."
    language: str = "en"
    phrases: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    between: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    def of_table(self, table: Table) -> Table:
        """The same table in this style."""
        exact = table.key in EXACT_KEYS
        return replace(
            table,
            title=self.of_text(table.title),
            columns=tuple(replace(column, heading=self.of_text(column.heading)) for column in table.columns),
            rows=table.rows if exact else tuple(tuple(self.of_text(cell) for cell in row) for row in table.rows),
            notes=table.notes if exact else tuple(self.of_text(note) for note in table.notes),
        )

    def of_text(self, text: str) -> str:
        """One line of print in this style."""
        if not self.phrases and self.decimal_mark == ".":
            return text
        said = self._phrase(text)
        for word, other in self.between.items():
            said = re.sub(rf"(?<=[\d%°)][ {NO_BREAK}]){re.escape(word)}(?=[\s.,;)]|$)", other, said)
        return with_decimal_mark(said, self.decimal_mark)

    def _phrase(self, text: str) -> str:
        if text in self.phrases:
            return self.phrases[text]
        for pattern, phrase in self._patterns:
            found = pattern.fullmatch(text)
            if found:
                return phrase.format(*(self._phrase(part) for part in found.groups()))
        return text

    @cached_property
    def _patterns(self) -> tuple[tuple[re.Pattern[str], str], ...]:
        """Phrases with blanks, those with the most fixed letters first."""
        blank = [(english, other) for english, other in self.phrases.items() if _BLANK in english]
        blank.sort(key=lambda pair: -len(pair[0].replace(_BLANK, "")))
        return tuple(
            (re.compile("(.+?)".join(re.escape(part) for part in english.split(_BLANK)), re.DOTALL), other)
            for english, other in blank
        )


ENGLISH: Final = PrintStyle()


def languages() -> tuple[str, ...]:
    """Codes of the languages that words can be printed in."""
    files = resources.files("studykit.report").joinpath("languages").iterdir()
    return ("en", *sorted(file.name.removesuffix(".toml") for file in files if file.name.endswith(".toml")))


def print_style(*, decimal_mark: str = ".", language: str = "en") -> PrintStyle:
    """The style for a decimal mark and a language.

    Raises:
        CallError: a mark or a language that is not there.
    """
    check_choice(decimal_mark, DECIMAL_MARKS, "decimal_mark")
    check_choice(language, languages(), "language")
    if language == "en":
        return PrintStyle(decimal_mark)
    source = resources.files("studykit.report").joinpath("languages", f"{language}.toml")
    words = tomllib.loads(source.read_text(encoding="utf-8"))
    return PrintStyle(
        decimal_mark, language, MappingProxyType(dict(words["phrases"])), MappingProxyType(dict(words["between"]))
    )
