"""The catalogue of measures that ships with the kit (measures.toml beside this file)."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from studykit.protocol.measure import Measure


@cache
def shipped_measures() -> Mapping[str, Measure]:
    """Every measure of the catalogue under its key, in the order of the file."""
    text = resources.files("studykit.protocol").joinpath("measures.toml").read_text(encoding="utf-8")
    return MappingProxyType({key: Measure.model_validate(entry) for key, entry in tomllib.loads(text).items()})


def completed_measures(written: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Measures as a protocol writes them, with every field that it leaves out taken from the catalogue.

    A key that the catalogue does not know is left as it is. Where a protocol changes the unit, the catalogue's
    reference values are left out, because they are in the other unit.
    """
    return {key: _completed(key, entry) for key, entry in written.items()}


def _completed(key: str, entry: Mapping[str, Any]) -> dict[str, Any]:
    shipped = shipped_measures().get(key)
    if shipped is None:
        return dict(entry)
    fields = shipped.model_dump()
    if entry.get("unit", shipped.unit) != shipped.unit:
        fields["reference_values"] = ()
    return {**fields, **entry}
