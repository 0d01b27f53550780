"""Plain values -> TOML text: one form for the same content, whoever writes it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def toml_text(content: Mapping[str, Any]) -> str:
    """TOML of nested mappings of text, numbers, yes/no, lists of those, and lists of mappings.

    A table gets a heading of its own unless it holds nothing but tables. None cannot be said in TOML and must be left
    out by the caller.
    """
    return "\n".join(_lines(content, ())).strip() + "\n"


def _lines(content: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    lines = [f"{_key(key)} = {_value(entry)}" for key, entry in content.items() if not _has_heading(entry)]
    for key, entry in content.items():
        if not _has_heading(entry):
            continue
        place = (*path, key)
        name = ".".join(_key(part) for part in place)
        if isinstance(entry, Mapping):
            bare = bool(entry) and all(_has_heading(inner) for inner in entry.values())
            lines += [*([] if bare else ["", f"[{name}]"]), *_lines(entry, place)]
        else:
            for one in entry:
                lines += ["", f"[[{name}]]", *_lines(one, place)]
    return lines


def _has_heading(entry: Any) -> bool:
    is_list = isinstance(entry, (list, tuple)) and bool(entry) and all(isinstance(one, Mapping) for one in entry)
    return isinstance(entry, Mapping) or is_list


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _value(entry: Any) -> str:
    if isinstance(entry, bool):
        return "true" if entry else "false"
    if isinstance(entry, str):
        return _text(entry)
    if isinstance(entry, (list, tuple)):
        return "[" + ", ".join(_value(one) for one in entry) + "]"
    return repr(entry)


def _text(text: str) -> str:
    """A basic string: JSON's escapes are TOML's, but for the delete character, which JSON leaves bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
