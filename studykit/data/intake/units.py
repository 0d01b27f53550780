"""Units that may be declared for a column, and the exact factors by which they are converted."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

_SIZES: Final[dict[str, tuple[str, Decimal]]] = {
    "mm": ("length", Decimal(1)),
    "cm": ("length", Decimal(10)),
    "m": ("length", Decimal(1000)),
    "in": ("length", Decimal("25.4")),
    "ft": ("length", Decimal("304.8")),
    "s": ("time", Decimal(1)),
    "min": ("time", Decimal(60)),
    "kg": ("mass", Decimal(1)),
    "lb": ("mass", Decimal("0.45359237")),
    "deg": ("angle", Decimal(1)),
}
"""Unit -> what it measures, and its size. Inch, foot and pound as defined in 1959: 25.4 mm, 304.8 mm, 0.45359237 kg."""
COLUMN_UNITS: Final = {"height_cm": "cm", "mass_kg": "kg", "hold_s": "s"}
"""Columns with a unit of their own; the unit of "value" is that of the measure."""


def unit_factor(given: str, wanted: str) -> Decimal | None:
    """Factor from one unit to the other; None when they do not measure the same thing.

    >>> unit_factor("in", "cm")
    Decimal('2.54')
    """
    if given == wanted:
        return Decimal(1)
    if given not in _SIZES or wanted not in _SIZES or _SIZES[given][0] != _SIZES[wanted][0]:
        return None
    return _SIZES[given][1] / _SIZES[wanted][1]
