"""Published and recomputed sample sizes; each entry of the file says where it was seen."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).parents[2] / "reference" / "expected" / "published_planning.json"


def published(identity: str) -> dict[str, Any]:
    """One entry of the reference set."""
    values = json.loads(_FILE.read_text(encoding="utf-8"))["values"]
    found: dict[str, Any] = next(entry for entry in values if entry["id"] == identity)
    return found
