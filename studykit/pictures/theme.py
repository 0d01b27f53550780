"""One look for every picture of the kit, and the frozen drawing that a picture becomes.

Choices, and why:

* **Colour.** Six inks of our own, made as a ladder of lightness (L* about 16, 26, 35, 44, 53, 61 in CIELAB), so that a
  grey copy keeps at least eight steps of L* between any two, and none is fainter than 3 : 1 against white paper. Their
  order is not the order of the ladder: neighbours in a legend lie far apart. Hues were picked so that the
  dichromat simulations of Machado, Oliveira and Fernandes (2009, IEEE Trans. Vis. Comput. Graph. 15, 1291–1298) leave
  all pairs apart. A test holds these figures.
* **Never colour alone.** Each ink has a marker and a line pattern of its own.
* **Paper.** White ground, hairlines across, no box: a drawing stands in a page of a report and in print alike.
* **Letters.** 8.5 points for words, 7.5 for ticks and notes, in the font that ships with matplotlib, so that a
  drawing is the same on every machine. In SVG letters are outlines: the page needs no font and nothing can be
  clipped by a wider one; what the picture says is carried for a screen reader by its title and description.
* **Same bytes on every run.** Fixed hash salt, no date, no name of the writing program.
* **No global settings.** All drawing happens within `drawing_style()`, which starts from matplotlib's own defaults,
  whatever the caller's settings are, and leaves them as they were.
"""

from __future__ import annotations

import hashlib
import io
import re
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from html import escape
from typing import Final

from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

MM_PER_INCH: Final = 25.4
PAGE_WIDTH_MM: Final = 160.0
"""Width of the text on a page of A4: the usual width of a picture."""

INK: Final = "#1c2329"
"""Words, axes and arrows."""
QUIET: Final = "#5c6670"
"""Notes and reference lines; 5.9 : 1 on white."""
HAIRLINE: Final = "#d5d9dd"
BAND: Final = "#e9ebee"
"""Ground of a reference band, hatched with `BAND_HATCH`."""
BAND_HATCH: Final = "#aab2ba"
PAPER: Final = "#ffffff"

WORDS_PT: Final = 8.5
NOTES_PT: Final = 7.5

Dash = tuple[float, tuple[float, ...]]


@dataclass(frozen=True, slots=True)
class ArmStyle:
    """How one arm is drawn everywhere: colour, marker and dash pattern (offset, on and off in points)."""

    colour: str
    marker: str
    dash: Dash


ARM_STYLES: Final = (
    ArmStyle("#0b2a3f", "o", (0, ())),
    ArmStyle("#db7c26", "s", (0, (5.0, 1.6))),
    ArmStyle("#17746a", "^", (0, (1.4, 1.4))),
    ArmStyle("#632465", "D", (0, (6.0, 1.6, 1.4, 1.6))),
    ArmStyle("#4b80c6", "v", (0, (3.0, 1.2))),
    ArmStyle("#8f3415", "P", (0, (6.0, 1.4, 1.4, 1.4, 1.4, 1.4))),
)

_STYLE: Final[dict[str, object]] = {
    "axes.axisbelow": True,
    "axes.edgecolor": INK,
    "axes.facecolor": "none",
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.labelcolor": INK,
    "axes.labelpad": 5.0,
    "axes.labelsize": WORDS_PT,
    "axes.linewidth": 0.7,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlecolor": INK,
    "axes.titlelocation": "left",
    "axes.titlesize": WORDS_PT,
    "axes.titleweight": "bold",
    "axes.unicode_minus": True,
    "figure.facecolor": PAPER,
    "figure.constrained_layout.h_pad": 0.06,
    "figure.constrained_layout.w_pad": 0.06,
    "font.family": "DejaVu Sans",
    "font.size": WORDS_PT,
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.6,
    "legend.fontsize": WORDS_PT,
    "legend.frameon": False,
    "legend.handlelength": 3.4,
    "lines.linewidth": 1.5,
    "lines.markersize": 5.0,
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "studykit",
    "text.color": INK,
    "xtick.color": INK,
    "xtick.labelsize": NOTES_PT,
    "xtick.major.size": 3.0,
    "xtick.major.width": 0.7,
    "ytick.color": INK,
    "ytick.labelsize": NOTES_PT,
    "ytick.major.size": 0.0,
}


def drawing_style() -> AbstractContextManager[None]:
    """The look of the kit for the length of a with-block; every artist of a picture is made inside one."""
    return style.context([_STYLE], after_reset=True)


def arms_style(position: int) -> ArmStyle:
    """The style of the arm at a position of the protocol, counted from 0; after six the styles repeat."""
    return ARM_STYLES[position % len(ARM_STYLES)]


def new_figure(width_mm: float = PAGE_WIDTH_MM, height_mm: float = 90.0) -> tuple[Figure, Axes]:
    """An empty figure of this size with one pair of axes. Call it, and draw, within `drawing_style()`."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")
    return figure, figure.add_subplot()


def reference_band(axes: Axes, low: float, high: float, label: str, *, across: str = "y") -> None:
    """Shade and hatch the values from low to high on the axis `across` ("x" or "y"); `label` names it in a legend."""
    span = axes.axhspan if across == "y" else axes.axvspan
    span(low, high, facecolor=BAND, edgecolor=BAND_HATCH, hatch="////", linewidth=0.0, zorder=0.5, label=label)


def legend_below(figure: Figure, axes: Axes, *, columns: int = 3) -> None:
    """The legend of `axes` under the picture, outside the data, when there is anything to name."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        figure.legend(handles, labels, loc="outside lower left", ncols=columns, columnspacing=1.8)


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished picture.

    Attributes:
        figure: the matplotlib figure; it belongs to the drawing. Its layout is settled once and then held, so that the
            picture is the same in every format and in whichever order they are written.
        alt: what the picture shows, for somebody who cannot see it; its first sentence becomes the title in SVG.
        caption: the line printed below the picture.
    """

    figure: Figure = field(repr=False, compare=False)
    alt: str
    caption: str

    def __post_init__(self) -> None:
        with drawing_style():
            self.figure.draw_without_rendering()
            self.figure.set_layout_engine("none")

    @property
    def width_mm(self) -> float:
        """Width in millimetres."""
        return float(self.figure.get_figwidth()) * MM_PER_INCH

    @property
    def height_mm(self) -> float:
        """Height in millimetres."""
        return float(self.figure.get_figheight()) * MM_PER_INCH

    def svg(self) -> str:
        """The picture as an SVG element with title and description, ready to stand in a page among others.

        All ids begin with a hash of the picture, so that several pictures in one page do not refer to each other, and
        there is no style sheet inside that would reach the page around it.
        """
        buffer = io.BytesIO()
        with drawing_style():
            self.figure.savefig(buffer, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Type", "Format")))
        drawn = buffer.getvalue().decode("utf-8")
        prefix = "d" + hashlib.sha256((self.alt + drawn).encode()).hexdigest()[:10]
        opening = re.search(r'<svg[^>]*viewBox="([^"]+)"[^>]*>', drawn)
        if opening is None:
            raise RuntimeError("matplotlib wrote an SVG without a viewBox")
        inner = re.sub(r"<style[^>]*>[^<]*</style>", "", drawn[opening.end() :], count=1).strip()
        inner = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{prefix}-", inner)
        title, _, description = self.alt.partition(". ")
        names = f"{prefix}-title" + (f" {prefix}-desc" if description else "")
        said = f'<title id="{prefix}-title">{escape(title)}</title>'
        said += f'<desc id="{prefix}-desc">{escape(description)}</desc>' if description else ""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" role="img" '
            f'aria-labelledby="{names}" width="{self.width_mm:.6g}mm" height="{self.height_mm:.6g}mm" '
            f'viewBox="{opening.group(1)}" stroke-linejoin="round" stroke-linecap="butt">{said}\n{inner}\n'
        )

    def png(self, dpi: int = 300) -> bytes:
        """The picture as PNG, with no trace of the program or the day."""
        buffer = io.BytesIO()
        with drawing_style():
            self.figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
        return buffer.getvalue()

    def pdf(self) -> bytes:
        """The picture as PDF with its fonts inside."""
        buffer = io.BytesIO()
        empty = {"CreationDate": None, "Creator": None, "Producer": None}
        with drawing_style():
            self.figure.savefig(buffer, format="pdf", metadata=empty)
        return buffer.getvalue()

    def clipped_texts(self) -> list[str]:
        """Every visible text that reaches over the edge of the picture; a drawing that is fit for print has none."""
        with drawing_style():
            self.figure.draw_without_rendering()
            edge = self.figure.bbox
            beyond = _labels_beyond_axes(self.figure)
            over = []
            for text in self.figure.findobj(Text):
                if not isinstance(text, Text) or id(text) in beyond or not text.get_text().strip():
                    continue
                box = text.get_window_extent()
                inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= edge.width and box.y1 <= edge.height
                if text.get_visible() and not inside:
                    over.append(text.get_text())
        return over


def _labels_beyond_axes(figure: Figure) -> set[int]:
    """Identities of tick labels whose tick lies beyond its axis: they exist but are never drawn."""
    beyond: set[int] = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-9 * (high - low)
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not low - slack <= tick.get_loc() <= high + slack:
                    beyond.update((id(tick.label1), id(tick.label2)))
    return beyond
