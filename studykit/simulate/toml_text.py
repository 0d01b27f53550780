"""Plain values -> TOML text, for the few shapes that this room writes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_scalar(entry) for entry in value) + "]"
    return repr(value)


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping)


def _is_list_of_tables(value: Any) -> bool:
    return isinstance(value, (list, tuple)) and bool(value) and all(isinstance(entry, Mapping) for entry in value)


def toml_text(content: Mapping[str, Any]) -> str:
    """TOML of nested mappings of text, numbers, yes/no, lists of those, and lists of mappings; keys are plain words."""
    return "\n".join(_lines(content, "")).strip() + "\n"


def _lines(content: Mapping[str, Any], name: str) -> list[str]:
    plain = {key: value for key, value in content.items() if not _is_table(value) and not _is_list_of_tables(value)}
    lines = [f"{key} = {_scalar(value)}" for key, value in plain.items()]
    for key, value in content.items():
        full = f"{name}.{key}" if name else key
        if _is_table(value):
            lines += ["", f"[{full}]", *_lines(value, full)]
        elif _is_list_of_tables(value):
            for entry in value:
                lines += ["", f"[[{full}]]", *_lines(entry, full)]
    return lines
