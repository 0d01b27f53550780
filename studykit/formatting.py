"""The only room that rounds: numbers become text here and nowhere else.

A number is shown to as many decimals as its interval deserves: the width of the interval keeps two significant
digits, so an angle known to within four degrees is printed to a tenth of a degree and not to a thousandth.
"""

from __future__ import annotations

import math
import re
from typing import Final

MINUS = "\N{MINUS SIGN}"
NO_BREAK = "\N{NO-BREAK SPACE}"
MOST_DECIMALS = 6
UNIT_SIGNS = {
    "deg": "°",
    "cm": f"{NO_BREAK}cm",
    "mm": f"{NO_BREAK}mm",
    "s": f"{NO_BREAK}s",
    "grade": "",
    "": "",
}


def decimals_for_width(width: float) -> int:
    """Decimals that leave two significant digits of an interval's width.

    Args:
        width: upper limit minus lower limit, in the unit of the number. A width that is zero or not finite gives 2.
    """
    if not math.isfinite(width) or width <= 0.0:
        return 2
    return min(MOST_DECIMALS, max(0, 1 - math.floor(math.log10(width))))


def number(value: float, decimals: int) -> str:
    """A number with a fixed count of decimals and a true minus sign; "not estimable" when there is none."""
    if math.isnan(value):
        return "not estimable"
    if math.isinf(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    text = f"{abs(value):.{decimals}f}"
    negative = value < 0 and float(text) != 0.0
    return f"{MINUS}{text}" if negative else text


def unit_sign(unit: str) -> str:
    """How a unit is written behind a number: the degree sign closes up, other units stand off."""
    return UNIT_SIGNS.get(unit, f"{NO_BREAK}{unit}")


def with_unit(value: float, decimals: int, unit: str) -> str:
    """A number with its unit, such as 6.1°; no unit when there is no number."""
    return number(value, decimals) if math.isnan(value) else f"{number(value, decimals)}{unit_sign(unit)}"


def percent(share: float, decimals: int = 0) -> str:
    """A share of one as a percentage."""
    return number(share, decimals) if math.isnan(share) else f"{number(100.0 * share, decimals)}%"


def level(confidence: float) -> str:
    """A confidence level as it is written before an interval, such as 95% CI."""
    return f"{100.0 * confidence:g}%{NO_BREAK}CI"


def interval(low: float, high: float, decimals: int, unit: str = "") -> str:
    """Both limits of an interval joined by "to"; the unit stands once, behind the upper limit.

    Without any limit: "interval not estimable".
    """
    if math.isnan(low) and math.isnan(high):
        return "interval not estimable"
    return f"{number(low, decimals)} to {with_unit(high, decimals, unit)}"


def estimate(value: float, low: float, high: float, *, unit: str = "", confidence: float | None = None) -> str:
    """An estimate with its interval, rounded by the interval's width.

    Args:
        value, low, high: the estimate and its limits, in `unit`.
        unit: "deg", "cm", "mm", ... or nothing.
        confidence: when given, the level is named inside the brackets.

    Returns:
        such as "6.1° (95% CI 4.0 to 8.2°)"; "not estimable" alone when there is no estimate.
    """
    if math.isnan(value):
        return number(value, 0)
    decimals = decimals_for_width(high - low)
    named = f"{level(confidence)} " if confidence is not None else ""
    return f"{with_unit(value, decimals, unit)} ({named}{interval(low, high, decimals, unit)})"


def share_estimate(share: float, low: float, high: float, *, confidence: float | None = None) -> str:
    """A share of one with its interval, in per cent: "58% (39 to 76%)"; "not estimable" when there is none."""
    if math.isnan(share):
        return number(share, 0)
    named = f"{level(confidence)} " if confidence is not None else ""
    return f"{percent(share)} ({named}{number(100.0 * low, 0)} to {percent(high)})"


def share_difference(difference: float, low: float, high: float, *, confidence: float | None = None) -> str:
    """A difference of two shares of one in percentage points: "29 points (3 to 50)"."""
    if math.isnan(difference):
        return number(difference, 0)
    named = f"{level(confidence)} " if confidence is not None else ""
    points = number(100.0 * difference, 0)
    noun = "point" if points in ("1", f"{MINUS}1") else "points"
    return f"{points} {noun} ({named}{number(100.0 * low, 0)} to {number(100.0 * high, 0)})"


def p_value(p: float) -> str:
    """A p value: three decimals, "< 0.001" below that, never 0 and never 1.000."""
    if math.isnan(p):
        return "not estimable"
    if p < 0.001:
        return f"<{NO_BREAK}0.001"
    if p > 0.999:
        return f">{NO_BREAK}0.999"
    return f"{p:.3f}"


def counted(count: int, singular: str, plural: str | None = None) -> str:
    """A count with its noun in the right number: 1 row, 2 rows."""
    noun = singular if count == 1 else (plural or f"{singular}s")
    return f"{count:,}".replace(",", NO_BREAK) + f" {noun}"


def listed(words: list[str], most: int = 5) -> str:
    """Words joined for a sentence; beyond `most` the rest is counted."""
    if len(words) > most:
        return f"{', '.join(words[:most])} and {len(words) - most} more"
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


DECIMAL_MARKS: Final = (".", ",")
_DECIMAL_NUMBER: Final = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?!\.?\w)")


def with_decimal_mark(text: str, mark: str) -> str:
    """Finished text with another decimal mark, digits as they are: "6.1 (4.0 to 8.2)" becomes "6,1 (4,0 to 8,2)".

    A number with two points, such as the version 3.11.2, is no decimal number and stays.

    Args:
        text: text made by this room.
        mark: one of `DECIMAL_MARKS`.

    Raises:
        ValueError: another mark.
    """
    if mark not in DECIMAL_MARKS:
        raise ValueError(f"the decimal mark is {mark!r}; allowed are {DECIMAL_MARKS}")
    return text if mark == "." else _DECIMAL_NUMBER.sub(rf"\g<1>{mark}\g<2>", text)
