"""A small TOML writer for the tests: every value on the line of its key."""

from __future__ import annotations

import datetime
from typing import Any

_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def written(value: Any) -> str:
    """TOML of a value, on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{written(str(key))} = {written(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(written(entry) for entry in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    return '"' + "".join(_ESCAPES.get(sign, sign) for sign in value) + '"'


def statements(content: dict[str, Any]) -> str:
    """TOML of a table, one key a line, each followed by a remark."""
    return "".join(f"{written(key)} = {written(value)} # remark\n" for key, value in content.items())
