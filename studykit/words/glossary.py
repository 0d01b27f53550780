"""The glossary: a word, its plain meaning, and where the idea comes from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib import resources
from typing import Final

from studykit.errors import CallError

NO_SOURCE: Final = frozenset({"common practice, no source", "the kit's own word"})
FROM_MEMORY: Final = "recalled, not looked up"


@dataclass(frozen=True, slots=True)
class Meaning:
    """One entry.

    Attributes:
        word: as it is usually written; `also`: other forms of it.
        meaning: in plain words.
        source: where the idea was described, or one of `NO_SOURCE`.
    """

    word: str
    also: tuple[str, ...]
    meaning: str
    source: str

    @property
    def source_line(self) -> str:
        """The source with how far it may be trusted."""
        return self.source if self.source in NO_SOURCE else f"{self.source} ({FROM_MEMORY})"


@cache
def glossary() -> tuple[Meaning, ...]:
    """Every entry, in the order of the alphabet."""
    text = resources.files("studykit.words").joinpath("glossary.toml").read_text(encoding="utf-8")
    entries = (
        Meaning(word, tuple(entry.get("also", ())), entry["meaning"], entry["source"])
        for word, entry in tomllib.loads(text).items()
    )
    return tuple(sorted(entries, key=lambda entry: entry.word.casefold()))


def meaning_of(word: str) -> Meaning:
    """The entry of a word or of another form of it; capitals and hyphens do not matter.

    Raises:
        CallError: the word is not there; near words are named.
    """
    forms = _forms()
    found = forms.get(_plain(word))
    if found is not None:
        return found
    close = get_close_matches(_plain(word), forms, n=3, cutoff=0.6)
    near = list(dict.fromkeys(forms[one].word for one in close))
    hint = f" Did you mean {' or '.join(near)}?" if near else " 'studykit words' alone lists all."
    raise CallError(f"{word!r} is not in the glossary.{hint}")


@cache
def _forms() -> dict[str, Meaning]:
    return {_plain(form): entry for entry in glossary() for form in (*entry.also, entry.word)}


def _plain(word: str) -> str:
    return " ".join(word.casefold().replace("-", " ").replace("–", " ").split())
