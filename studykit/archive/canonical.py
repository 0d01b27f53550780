"""A protocol as TOML in one canonical form: every choice written out, nothing left to a default or to a catalogue."""

from __future__ import annotations

from typing import Any

from studykit.protocol import Protocol
from studykit.toml_text import toml_text


def canonical_protocol(protocol: Protocol) -> str:
    """The text of a study.toml that decides what this protocol decides, whatever a later version takes as default.

    Measures are written out with all that the catalogue said about them. How the original sheets were read ([intake])
    is left out: the sealed tables are in the plain form of the kit.
    """
    content = _without_nothing(protocol.model_dump(mode="json", exclude={"intake"}))
    return "# The protocol as it was sealed, with every default and every measure written out.\n\n" + toml_text(content)


def _without_nothing(value: Any) -> Any:
    """The same content without None, which TOML cannot say, and without empty tables."""
    if isinstance(value, dict):
        inner = {key: _without_nothing(entry) for key, entry in value.items() if entry is not None}
        return {key: entry for key, entry in inner.items() if entry != {}}
    if isinstance(value, list):
        return [_without_nothing(entry) for entry in value]
    return value
