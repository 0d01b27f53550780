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
* **True widths.** The layout is settled at 300 dots per inch without hinting; at screen resolution hinted letters come
  out up to a tenth narrower or wider than in print, and a label that fits in one format would be clipped in another.
* **Same bytes on every run.** Fixed hash salt, no date, no name of the writing program.
* **No global settings.** All drawing happens within `drawing_style()`, which starts from matplotlib's own defaults,
  whatever the caller's settings are, and leaves them as they were.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import escape
from itertools import combinations
from typing import Final

from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import BboxBase

from studykit.formatting import decimals_for_width, with_unit
from studykit.pictures.lettering import FONT, broken_to_fit, missing_letters_as_boxes, text_width_mm

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

_LEGEND_MARGIN_MM: Final = 6.0
_LEGEND_HANDLE_MM: Final = 14.0
_LEGEND_GAP_MM: Final = 6.0

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
    "figure.dpi": 300.0,
    "figure.facecolor": PAPER,
    "figure.constrained_layout.h_pad": 0.06,
    "figure.constrained_layout.w_pad": 0.06,
    "font.family": FONT,
    "font.size": WORDS_PT,
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.6,
    "legend.fontsize": WORDS_PT,
    "legend.frameon": False,
    "legend.columnspacing": 1.8,
    "legend.handlelength": 3.4,
    "lines.linewidth": 1.5,
    "lines.markersize": 5.0,
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "studykit",
    "text.color": INK,
    "text.hinting": "no_hinting",
    "text.parse_math": False,
    "xtick.color": INK,
    "xtick.labelsize": NOTES_PT,
    "xtick.major.size": 3.0,
    "xtick.major.width": 0.7,
    "ytick.color": INK,
    "ytick.labelsize": NOTES_PT,
    "ytick.major.size": 0.0,
}


@contextmanager
def drawing_style() -> Iterator[None]:
    """The look of the kit for the length of a with-block; every artist of a picture is made inside one."""
    with style.context([_STYLE], after_reset=True), missing_letters_as_boxes():
        yield


def arms_style(position: int) -> ArmStyle:
    """The style of the arm at a position of the protocol, counted from 0; after six the styles repeat."""
    return ARM_STYLES[position % len(ARM_STYLES)]


def new_figure(width_mm: float = PAGE_WIDTH_MM, height_mm: float = 90.0) -> tuple[Figure, Axes]:
    """An empty figure of this size with one pair of axes. Call it, and draw, within `drawing_style()`."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")
    return figure, figure.add_subplot()


def new_panels(
    width_mm: float, height_mm: float, rows: int, columns: int, *, shared: bool = True
) -> tuple[Figure, list[Axes]]:
    """A figure with rows x columns pairs of axes in reading order, on common scales or (not shared) each on its own."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")
    axes = figure.subplots(rows, columns, sharex=shared, sharey=shared, squeeze=False)
    return figure, list(axes.flat)


def new_sheet(width_mm: float, height_mm: float) -> tuple[Figure, Axes]:
    """A blank sheet whose coordinates are millimetres from its top left corner, for diagrams."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0.0, width_mm)
    axes.set_ylim(height_mm, 0.0)
    return figure, axes


def reference_band(axes: Axes, low: float, high: float, label: str, *, across: str = "y") -> None:
    """Shade and hatch the values from low to high on the axis `across` ("x" or "y"); `label` names it in a legend."""
    span = axes.axhspan if across == "y" else axes.axvspan
    span(low, high, facecolor=BAND, edgecolor=BAND_HATCH, hatch="////", linewidth=0.0, zorder=0.5, label=label)


def mdc_band(axes: Axes, mdc: float, unit: str, *, across: str = "y") -> None:
    """The band from -mdc to +mdc in which one person's change may be measurement error alone."""
    reference_band(axes, -mdc, mdc, f"within the MDC of one person (±{mdc_text(mdc, unit)})", across=across)


def mdc_text(mdc: float, unit: str) -> str:
    """An MDC with its unit, to two digits."""
    return with_unit(mdc, decimals_for_width(mdc), unit)


def legend_below(figure: Figure, axes: Axes) -> None:
    """The legend of `axes` under the picture, outside the data, in as many columns as fit, long labels broken."""
    handles, labels = axes.get_legend_handles_labels()
    if not handles:
        return
    room_mm = float(figure.get_figwidth()) * MM_PER_INCH - _LEGEND_MARGIN_MM
    broken = [broken_to_fit(label, room_mm - _LEGEND_HANDLE_MM, WORDS_PT) for label in labels]
    widest = max(text_width_mm(line, WORDS_PT) for lines in broken for line in lines)
    columns = min(len(handles), max(1, int(room_mm // (widest + _LEGEND_HANDLE_MM + _LEGEND_GAP_MM))))
    figure.legend(handles, ["\n".join(lines) for lines in broken], loc="outside lower left", ncols=columns)


def unit_words(unit: str) -> str:
    """A unit as it stands in an axis title: degrees, cm, mm."""
    return {"deg": "degrees", "grade": "grades", "min": "minutes"}.get(unit, unit)


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
    _written: dict[str, bytes] = field(default_factory=dict, init=False, repr=False, compare=False)
    """Format -> bytes, kept because the page, the files and the Word report all print the same picture."""

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
        drawn = self._bytes("svg", metadata=dict.fromkeys(("Date", "Creator", "Type", "Format"))).decode("utf-8")
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
        return self._bytes("png", dpi=dpi, metadata={"Software": None})

    def pdf(self) -> bytes:
        """The picture as PDF with its fonts inside."""
        return self._bytes("pdf", metadata=dict.fromkeys(("CreationDate", "Creator", "Producer")))

    def kept(self) -> dict[str, bytes]:
        """What was written so far, to be handed to the same drawing in another process."""
        return dict(self._written)

    def keep(self, written: Mapping[str, bytes]) -> None:
        """Take what a copy of this drawing has written in another process; the bytes are the same."""
        self._written.update(written)

    def _bytes(self, ending: str, *, metadata: dict[str, None], dpi: int | None = None) -> bytes:
        key = f"{ending} {dpi}"
        if key not in self._written:
            buffer = io.BytesIO()
            with drawing_style():
                self.figure.savefig(buffer, format=ending, dpi=dpi or "figure", metadata=metadata)
            self._written[key] = buffer.getvalue()
        return self._written[key]

    def clipped_texts(self) -> list[str]:
        """Every visible text that reaches over the edge of the picture; a drawing that is fit for print has none."""
        edge = self.figure.bbox
        return [
            text
            for text, box in self._texts()
            if box.x0 < 0 or box.y0 < 0 or box.x1 > edge.width or box.y1 > edge.height
        ]

    def overlapping_texts(self) -> list[tuple[str, str]]:
        """Every pair of visible texts of which one lies on the other; a drawing that is fit for print has none."""
        pairs = combinations(self._texts(), 2)
        return [
            (one, other)
            for (one, a), (other, b) in pairs
            if a.x0 < b.x1 and b.x0 < a.x1 and a.y0 < b.y1 and b.y0 < a.y1
        ]

    def _texts(self) -> list[tuple[str, BboxBase]]:
        """Every text that is drawn, with the box it takes, in pixels of the figure."""
        with drawing_style():
            self.figure.draw_without_rendering()
            beyond = _labels_beyond_axes(self.figure)
            texts = [text for text in self.figure.findobj(Text) if isinstance(text, Text) and id(text) not in beyond]
            return [
                (text.get_text(), text.get_window_extent())
                for text in texts
                if text.get_visible() and text.get_text().strip()
            ]


def _labels_beyond_axes(figure: Figure) -> set[int]:
    """Identities of texts that exist but are never drawn: tick labels beyond their axis, all texts of hidden axes."""
    beyond: set[int] = set()
    for axes in figure.axes:
        if not axes.get_visible():
            beyond.update(id(text) for text in axes.findobj(Text))
        if not axes.axison:
            beyond.update(id(text) for axis in (axes.xaxis, axes.yaxis) for text in axis.findobj(Text))
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-9 * (high - low)
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not low - slack <= tick.get_loc() <= high + slack:
                    beyond.update((id(tick.label1), id(tick.label2)))
    return beyond
