"""The participant-flow diagram: boxes and arrows from a frame of counts that must add up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from studykit.errors import DataError
from studykit.formatting import NO_BREAK, counted, listed
from studykit.pictures.lettering import broken_to_fit, lines_height_mm, text_width_mm
from studykit.pictures.theme import (
    BAND,
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    PAPER,
    Drawing,
    arms_style,
    drawing_style,
    new_sheet,
)

FLOW_COLUMNS: Final = ("stage", "arm", "reason", "count")
_INSIDE_MM: Final = 2.0
_EDGE_MM: Final = 1.0
_BETWEEN_MM: Final = 4.0
_DOWN_MM: Final = 7.0
_TRUNK_MM: Final = 62.0


@dataclass(frozen=True, slots=True)
class Box:
    """One box: its left and top edge and size in millimetres, its lines of text, the first `bold_lines` in bold."""

    left: float
    top: float
    width: float
    height: float
    lines: tuple[str, ...]
    bold_lines: int
    style: int | None = None

    @property
    def middle(self) -> float:
        """Horizontal middle."""
        return self.left + self.width / 2

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.top + self.height


@dataclass(frozen=True, slots=True)
class Diagram:
    """Boxes and the straight lines between them: (x, y) corners; a line with `True` ends in an arrow head."""

    boxes: tuple[Box, ...]
    lines: tuple[tuple[tuple[tuple[float, float], ...], bool], ...]
    height_mm: float


def check_flow(counts: pd.DataFrame) -> None:
    """Refuse counts that do not add up.

    Assessed = excluded + enrolled; enrolled = the sum over arms; in each arm nobody is received, lost or analysed who
    was not allocated.

    Raises:
        DataError: a column is missing, no arm has a row, or a sum does not hold; the sentence gives both sides.
    """
    missing = [column for column in FLOW_COLUMNS if column not in counts.columns]
    if missing:
        raise DataError(f"The frame of counts lacks the column {missing[0]!r}; it needs {', '.join(FLOW_COLUMNS)}.")
    total = _total(counts)
    allocated = counts[counts["stage"] == "allocated"]
    if allocated.empty:
        raise DataError("The frame of counts has no row of stage 'allocated', so there is no arm to draw.")
    enrolled = int(allocated["count"].sum())
    if "randomised" in total and total["randomised"] != enrolled:
        raise DataError(f"{total['randomised']} were randomised, but the arms hold {enrolled}; correct the flow table.")
    if "assessed" in total and total["assessed"] != total.get("excluded", 0) + enrolled:
        raise DataError(
            f"{total['assessed']} were assessed, but {total.get('excluded', 0)} excluded and {enrolled} enrolled make "
            f"{total.get('excluded', 0) + enrolled}; correct the flow table."
        )
    for arm in allocated["arm"]:
        own = _total(counts[counts["arm"] == arm])
        for stage in ("received", "lost", "analysed"):
            if own.get(stage, 0) > own["allocated"]:
                raise DataError(
                    f"Arm {arm!r} has {own[stage]} {stage}, but only {own['allocated']} allocated; "
                    "correct the flow table."
                )


def flow_picture(counts: pd.DataFrame, *, title: str = "Participant flow") -> Drawing:
    """Draw who was assessed, excluded, enrolled, lost and analysed.

    Args:
        counts: `stage` ("assessed", "excluded", "randomised", "allocated", "received", "lost", "analysed"), `arm` (its
            label; empty for the stages before the arms), `reason` (empty, or one row a reason for excluded and lost),
            `count`. Arms stand in the order of their "allocated" rows. Stages without a row are left out.
        title: first words of the caption.

    Raises:
        DataError: see `check_flow`.
    """
    check_flow(counts)
    diagram = flow_diagram(counts, PAGE_WIDTH_MM)
    with drawing_style():
        figure, axes = new_sheet(PAGE_WIDTH_MM, diagram.height_mm)
        for corners, headed in diagram.lines:
            _draw_line(axes, corners, headed)
        for box in diagram.boxes:
            _draw_box(axes, box)
    return Drawing(figure, _in_words(counts), f"{title}. n: number of participants.")


def flow_diagram(counts: pd.DataFrame, width_mm: float) -> Diagram:
    """Where every box and line stands; no drawing yet."""
    total = _total(counts)
    arms = counts.loc[counts["stage"] == "allocated", "arm"].astype(str).tolist()
    centre = width_mm / 2 if "excluded" not in total else width_mm * 0.36
    top = _EDGE_MM
    boxes: list[Box] = []
    lines: list[tuple[tuple[tuple[float, float], ...], bool]] = []
    trunk: Box | None = None
    if "assessed" in total:
        trunk = _box(centre - _TRUNK_MM / 2, top, _TRUNK_MM, f"Assessed for eligibility\n{_n(total['assessed'])}")
        boxes.append(trunk)
        top = trunk.bottom + _DOWN_MM
        if "excluded" in total:
            left = centre + 9.0
            side = _box(left, top, width_mm - _EDGE_MM - left, _with_reasons(counts, "excluded", "Excluded"))
            needed = max(text_width_mm(line, NOTES_PT, bold=True) for line in side.lines) + 2 * _INSIDE_MM
            side = replace(side, width=min(side.width, needed))
            boxes.append(side)
            level = side.top + side.height / 2
            lines.append((((centre, level), (side.left, level)), True))
            top = side.bottom + _DOWN_MM
    if "randomised" in total:
        box = _box(centre - _TRUNK_MM / 2, top, _TRUNK_MM, f"Randomised\n{_n(total['randomised'])}")
        boxes.append(box)
        if trunk is not None:
            lines.append((((centre, trunk.bottom), (centre, box.top)), True))
        trunk, top = box, box.bottom + _DOWN_MM
    columns = _arm_columns(counts, arms, width_mm)
    bus = top
    top += 0.6 * _DOWN_MM if trunk is not None else 0.0
    above: list[Box | None] = [None] * len(arms)
    for row in columns:
        height = max(box.height for box in row)
        placed = [replace(box, top=top, height=height) for box in row]
        for position, (box, upper) in enumerate(zip(placed, above, strict=True)):
            if upper is not None:
                lines.append((((upper.middle, upper.bottom), (box.middle, box.top)), True))
            elif trunk is not None:
                start = (trunk.middle, trunk.bottom)
                corners = (start, (trunk.middle, bus), (box.middle, bus), (box.middle, box.top))
                lines.append((corners, True))
            above[position] = box
        boxes += placed
        top += height + _DOWN_MM
    return Diagram(tuple(boxes), tuple(lines), top - _DOWN_MM + _EDGE_MM)


def _arm_columns(counts: pd.DataFrame, arms: list[str], width_mm: float) -> list[list[Box]]:
    """The rows of boxes below the arms' branching, tops not yet set."""
    width = min(70.0, (width_mm - 2 * _EDGE_MM - _BETWEEN_MM * (len(arms) - 1)) / len(arms))
    left = (width_mm - width * len(arms) - _BETWEEN_MM * (len(arms) - 1)) / 2
    present = set(counts["stage"])
    rows: list[list[Box]] = [[], [], []]
    for position, arm in enumerate(arms):
        own = counts[counts["arm"] == arm]
        total = _total(own)
        place = left + position * (width + _BETWEEN_MM)
        first = f"{arm}\n{_n(total['allocated'])}"
        if "received" in present:
            first += f"\nbegan as planned: {_n(total.get('received', 0))}"
        rows[0].append(_box(place, 0.0, width, first, position))
        if "lost" in present:
            rows[1].append(_box(place, 0.0, width, _with_reasons(own, "lost", "Lost"), position))
        if "analysed" in present:
            text = "Read by another measure"
            if "analysed" in total:
                text = f"Analysed\n{_n(total['analysed'])}\nnot analysed: {_n(total['allocated'] - total['analysed'])}"
            rows[2].append(_box(place, 0.0, width, text, position))
    return [row for row in rows if row]


def _with_reasons(counts: pd.DataFrame, stage: str, name: str) -> str:
    rows = counts[counts["stage"] == stage]
    reasons = rows[rows["reason"].fillna("").astype(str) != ""]
    lines = [f"{reason}: {_n(count)}" for reason, count in zip(reasons["reason"], reasons["count"], strict=True)]
    return "\n".join([name, f"{_n(int(rows['count'].sum()))}", *lines])


def _n(count: int) -> str:
    return f"n{NO_BREAK}={NO_BREAK}{count}"


def _box(left: float, top: float, width: float, text: str, style: int | None = None) -> Box:
    """A box as high as its text, whose first line is a heading."""
    head, *rest = text.split("\n")
    room = width - 2 * _INSIDE_MM - (1.2 if style is not None else 0.0)
    bold = broken_to_fit(head, room, NOTES_PT, bold=True)
    plain = [line for part in rest for line in broken_to_fit(part, room, NOTES_PT)]
    height = lines_height_mm(len(bold) + len(plain), NOTES_PT) + 2 * _INSIDE_MM
    return Box(left, top, width, height, (*bold, *plain), len(bold), style)


def _draw_box(axes: Axes, box: Box) -> None:
    axes.add_patch(
        Rectangle(
            (box.left, box.top),
            box.width,
            box.height,
            facecolor=PAPER if box.style is not None else BAND,
            edgecolor=INK,
            linewidth=0.8,
            zorder=2.0,
        )
    )
    inset = _INSIDE_MM
    if box.style is not None:
        colour = arms_style(box.style).colour
        axes.add_patch(Rectangle((box.left, box.top), 1.2, box.height, facecolor=colour, linewidth=0.0, zorder=2.5))
        inset += 1.2
    for number, line in enumerate(box.lines):
        down = box.top + _INSIDE_MM + lines_height_mm(number, NOTES_PT)
        axes.text(
            box.left + inset,
            down,
            line,
            fontsize=NOTES_PT,
            va="top",
            zorder=3.0,
            fontweight="bold" if number < box.bold_lines else "normal",
        )


def _draw_line(axes: Axes, corners: tuple[tuple[float, float], ...], headed: bool) -> None:
    across, down = zip(*corners, strict=True)
    axes.plot(across, down, color=INK, linewidth=0.8, zorder=1.0, solid_joinstyle="miter")
    if headed:
        axes.annotate(
            "",
            corners[-1],
            corners[-2],
            zorder=1.5,
            arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0},
        )


def _total(counts: pd.DataFrame) -> dict[str, int]:
    """Sum of the counts of each stage that has a row."""
    sums = counts.groupby("stage", sort=False)["count"].sum()
    return {str(stage): int(count) for stage, count in sums.items()}


def _in_words(counts: pd.DataFrame) -> str:
    total = _total(counts)
    before = [
        f"{total[stage]} {word}"
        for stage, word in (("assessed", "assessed"), ("excluded", "excluded"), ("randomised", "randomised"))
        if stage in total
    ]
    sentences = [f"{listed(before)}." if before else ""]
    for arm in counts.loc[counts["stage"] == "allocated", "arm"].astype(str):
        own = _total(counts[counts["arm"] == arm])
        parts = [counted(own["allocated"], "participant")]
        parts += [f"{own[stage]} {stage}" for stage in ("lost", "analysed") if stage in own]
        sentences.append(f"{arm}: {listed(parts)}.")
    return f"Diagram of participant flow. {' '.join(sentence for sentence in sentences if sentence)}"
