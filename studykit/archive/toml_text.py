"""A protocol as TOML in one canonical form: every choice written out, nothing left to a default or to a catalogue."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from studykit.protocol import Protocol

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def canonical_protocol(protocol: Protocol) -> str:
    """The text of a study.toml that decides what this protocol decides, whatever a later version takes as default.

    Measures are written out with all that the catalogue said about them. How the original sheets were read ([intake])
    is left out: the sealed tables are in the plain form of the kit.
    """
    content = _without_nothing(protocol.model_dump(mode="json", exclude={"intake"}))
    lines = _lines(content, ())
    return "# The protocol as it was sealed, with every default and every measure written out.\n\n" + (
        "\n".join(lines).strip() + "\n"
    )


def _without_nothing(value: Any) -> Any:
    """The same content without None, which TOML cannot say, and without empty tables."""
    if isinstance(value, dict):
        inner = {key: _without_nothing(entry) for key, entry in value.items() if entry is not None}
        return {key: entry for key, entry in inner.items() if entry != {}}
    if isinstance(value, list):
        return [_without_nothing(entry) for entry in value]
    return value


def _lines(content: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    lines = [f"{_key(key)} = {_value(entry)}" for key, entry in content.items() if not _has_heading(entry)]
    for key, entry in content.items():
        if not _has_heading(entry):
            continue
        place = (*path, key)
        name = ".".join(_key(part) for part in place)
        if isinstance(entry, Mapping):
            bare = all(_has_heading(inner) for inner in entry.values())
            lines += [*([] if bare else ["", f"[{name}]"]), *_lines(entry, place)]
        else:
            for one in entry:
                lines += ["", f"[[{name}]]", *_lines(one, place)]
    return lines


def _has_heading(entry: Any) -> bool:
    is_list = isinstance(entry, list) and bool(entry) and all(isinstance(one, Mapping) for one in entry)
    return isinstance(entry, Mapping) or is_list


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _value(entry: Any) -> str:
    if isinstance(entry, bool):
        return "true" if entry else "false"
    if isinstance(entry, str):
        return _text(entry)
    if isinstance(entry, list):
        return "[" + ", ".join(_value(one) for one in entry) + "]"
    return repr(entry)


def _text(text: str) -> str:
    """A basic string: JSON's escapes are TOML's, but for the delete character, which JSON leaves bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
