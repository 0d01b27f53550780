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


def figures_of(sections: Sequence[Section], *, width_mm: float = PAGE_WIDTH_MM) -> tuple[Figure, ...]:
    """The picture of every answer that has one, in the order of the report.

    Args:
        sections: the answers.
        width_mm: width of a column or a page of the journal.

    Raises:
        CallError: a width outside `NARROWEST_MM` to `WIDEST_MM`.
    """
    if not NARROWEST_MM <= width_mm <= WIDEST_MM:
        raise CallError(f"The width of figures is {width_mm:g} mm; give one from {NARROWEST_MM:g} to {WIDEST_MM:g} mm.")
    drawn = [(result, _drawn(result)) for section in sections for result in section.results]
    return tuple(
        Figure(result.key, at_width(drawing, partial(_drawn, result), width_mm), width_mm)
        for result, drawing in drawn
        if drawing is not None
    )


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


def start_printing(figures: Sequence[Figure], printer: Executor | None) -> list[Printing]:
    """Begin to print the pictures in another process, while this one goes on; without a printer nothing is begun."""
    if printer is None:
        return []
    return [printer.submit(printed, figure.drawing) for figure in figures]


def finish_printing(figures: Sequence[Figure], begun: Sequence[Printing]) -> None:
    """Take what was printed elsewhere.

    A printer that broke, or could not be handed a picture, costs time only: what is missing is printed here.
    """
    for figure, future in zip(figures, begun, strict=False):
        with contextlib.suppress(*NOT_PRINTED):
            figure.drawing.keep(future.result())


def by_key(figures: Sequence[Figure]) -> Mapping[str, Drawing]:
    """Key of the answer -> its drawing."""
    return {figure.key: figure.drawing for figure in figures}


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
