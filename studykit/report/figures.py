"""Every picture of a report as .svg, .pdf and .png at the width that a journal asks for."""

from __future__ import annotations

import contextlib
import pickle
import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from studykit.answers import Section
from studykit.errors import CallError
from studykit.formatting import NO_BREAK, number
from studykit.pictures.printing import DPI, printed
from studykit.pictures.theme import MM_PER_INCH, PAGE_WIDTH_MM, Drawing, drawing_style, legend_below
from studykit.report.writers.markdown import markdown_escaped
from studykit.result import Result

NARROWEST_MM: Final = 60.0
WIDEST_MM: Final = 300.0
Printing = Future[dict[str, bytes]]
"""A picture that is being printed in another process: format -> bytes."""
NOT_PRINTED: Final = (BrokenExecutor, pickle.PickleError, AttributeError, TypeError)
"""What a picture raises that does not reach another process: pickle has no one error for it."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture on its way to print.

    Attributes:
        key: key of the answer that it shows.
        drawing: the picture, laid out at its width.
        asked_mm: the width that was asked for; the drawing keeps its own where its words would not fit into that.
    """

    key: str
    drawing: Drawing
    asked_mm: float

    @property
    def stem(self) -> str:
        """Name of its files without the ending."""
        return self.key.replace(".", "_")

    @property
    def fits(self) -> bool:
        """True when the drawing has the width that was asked for."""
        return abs(self.drawing.width_mm - self.asked_mm) < 1e-6  # inches and back cost the last bits


class Press:
    """Draws the picture of each answer as soon as there is one, and has it printed in another process meanwhile.

    Attributes:
        figures: every picture so far at the width of a page, for report.html and report.docx.
        as_asked: the same at the width that was asked for, for figures/.
    """

    def __init__(self, *, width_mm: float = PAGE_WIDTH_MM, printer: Executor | None = None) -> None:
        """An empty press.

        Args:
            width_mm: width of a column or a page of the journal.
            printer: where pictures are printed; None prints each where and when its bytes are first wanted.

        Raises:
            CallError: a width outside `NARROWEST_MM` to `WIDEST_MM`.
        """
        _check_width(width_mm)
        self._width_mm, self._printer = width_mm, printer
        self._begun: list[tuple[Drawing, Printing]] = []
        self.figures: list[Figure] = []
        self.as_asked: list[Figure] = []

    def take(self, section: Section) -> None:
        """Draw the pictures of one more section, and begin to print them."""
        for result in section.results:
            drawing = _drawn(result)
            if drawing is None:
                continue
            asked = at_width(drawing, partial(_drawn, result), self._width_mm)
            self.figures.append(Figure(result.key, drawing, PAGE_WIDTH_MM))
            self.as_asked.append(Figure(result.key, asked, self._width_mm))
            self._begin(asked, ("svg", "pdf", "png"))
            if asked is not drawing:
                self._begin(drawing, ("svg", "png"))

    def finish(self) -> None:
        """Take what was printed elsewhere.

        A printer that broke, or could not be handed a picture, costs time only: what is missing is printed here.
        """
        while self._begun:
            drawing, printing = self._begun.pop(0)
            with contextlib.suppress(*NOT_PRINTED):
                drawing.keep(printing.result())

    def _begin(self, drawing: Drawing, endings: tuple[str, ...]) -> None:
        if self._printer is not None:
            with contextlib.suppress(*NOT_PRINTED):
                self._begun.append((drawing, self._printer.submit(printed, drawing, endings)))


def figures_of(sections: Sequence[Section], *, width_mm: float = PAGE_WIDTH_MM) -> list[Figure]:
    """The picture of every answer that has one, in the order of the report, at a width of `Press`."""
    press = Press(width_mm=width_mm)
    for section in sections:
        press.take(section)
    return press.as_asked


def write_figures(figures: Sequence[Figure], folder: Path) -> list[Path]:
    """Write each figure as .svg, .pdf and .png, and captions.md with sizes, captions and descriptions."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for figure in figures:
        drawing = figure.drawing
        contents = {"svg": drawing.svg().encode(), "pdf": drawing.pdf(), "png": drawing.png(DPI)}
        for ending, content in contents.items():
            path = folder / f"{figure.stem}.{ending}"
            path.write_bytes(content)
            written.append(path)
    captions = folder / "captions.md"
    captions.write_text(_captions(figures), encoding="utf-8")
    return [*written, captions]


def by_key(figures: Sequence[Figure]) -> Mapping[str, Drawing]:
    """Key of the answer -> its drawing."""
    return {figure.key: figure.drawing for figure in figures}


def _check_width(width_mm: float) -> None:
    if not NARROWEST_MM <= width_mm <= WIDEST_MM:
        raise CallError(f"The width of figures is {width_mm:g} mm; give one from {NARROWEST_MM:g} to {WIDEST_MM:g} mm.")


def _drawn(result: Result) -> Drawing | None:
    picture = result.figure()
    return picture if isinstance(picture, Drawing) else None


def at_width(
    drawing: Drawing, draw: Callable[[], Drawing | None], width_mm: float, height_mm: float | None = None
) -> Drawing:
    """The picture laid out anew at this width, or as it was where letters would be cut or lie on each other.

    Args:
        drawing: the picture as it is.
        draw: draws it again, since a layout belongs to its drawing.
        width_mm, height_mm: the size asked for; the height stays when left out.
    """
    if height_mm is None and abs(drawing.width_mm - width_mm) < 1e-6:  # inches and back cost the last bits
        return drawing
    again = draw()
    if again is None:
        return drawing
    figure = again.figure
    with drawing_style():
        height = figure.get_figheight() if height_mm is None else height_mm / MM_PER_INCH
        figure.set_size_inches(width_mm / MM_PER_INCH, height)
        if len(figure.axes) == 1 and figure.legends:
            for legend in list(figure.legends):
                legend.remove()
            legend_below(figure, figure.axes[0])
        if figure.axes[0].axison:
            figure.set_layout_engine("constrained")
        with warnings.catch_warnings():
            warnings.filterwarnings("error", message="constrained_layout not applied")
            try:
                laid_out = Drawing(figure, again.alt, again.caption)
            except UserWarning:  # no room is left for the data beside the words
                return drawing
    return drawing if laid_out.clipped_texts() or laid_out.overlapping_texts() else laid_out


def _captions(figures: Sequence[Figure]) -> str:
    parts = []
    for position, figure in enumerate(figures, 1):
        drawing = figure.drawing
        size = f"{number(drawing.width_mm, 1)} × {number(drawing.height_mm, 1)}{NO_BREAK}mm"
        kept = "" if figure.fits else f" (its words do not fit into {number(figure.asked_mm, 1)}{NO_BREAK}mm)"
        parts.append(
            f"**Figure {position}.** {markdown_escaped(drawing.caption)}\n\n"
            f"Files: `{figure.stem}` .svg, .pdf, .png; {size}{kept}.\n\n"
            f"Description: {markdown_escaped(drawing.alt)}\n"
        )
    return "\n".join(parts)
