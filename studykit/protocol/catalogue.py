"""The catalogue of measures that ships with the kit (measures.toml beside this file)."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

from studykit.protocol.measure import Measure


@cache
def shipped_measures() -> dict[str, Measure]:
    """Every measure of the catalogue under its key, in the order of the file."""
    text = resources.files("studykit.protocol").joinpath("measures.toml").read_text(encoding="utf-8")
    return {key: Measure.model_validate(entry) for key, entry in tomllib.loads(text).items()}
