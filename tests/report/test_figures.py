"""Pictures for print: exact widths in millimetres, fonts inside, same bytes, readable in grey."""

from __future__ import annotations

import io
import pickle
import re
import shutil
import subprocess
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from paper_cases import Fixed, study_of
from PIL import Image

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.errors import CallError
from studykit.pictures.change import change_picture
from studykit.pictures.flow import flow_picture
from studykit.pictures.printing import DPI
from studykit.pictures.theme import PAGE_WIDTH_MM, Drawing
from studykit.report.figures import Press, figures_of, write_figures
from studykit.table import Column, Table

MM_PER_INCH = 25.4
POINTS_PER_MM = 72.0 / MM_PER_INCH
WIDTHS_MM = (85.0, 114.0, 160.0, 174.0)


@dataclass(frozen=True, kw_only=True)
class Drawn(Fixed):
    """A fixed answer with a picture."""

    draw: Callable[[], Drawing] = field(compare=False)

    def figure(self) -> Drawing:
        return self.draw()


def change() -> Drawing:
    means = pd.DataFrame(
        {
            "arm": ["Waiting"] * 2 + ["Holding"] * 2,
            "week": [0.0, 6.0] * 2,
            "visit": ["First", "Last"] * 2,
            "mean": [0.0, 1.2, 0.0, 5.3],
            "low": [0.0, -0.8, 0.0, 3.1],
            "high": [0.0, 3.2, 0.0, 7.5],
        }
    )
    return change_picture(means, measure="Knee", unit="deg", confidence=0.95, mdc=4.8)


def flow() -> Drawing:
    arms = [f"Arm {letter} with a name of many words" for letter in "ABCDE"]
    lines = [("allocated", arm, "", 24) for arm in arms] + [("analysed", arm, "", 20) for arm in arms]
    return flow_picture(pd.DataFrame(lines, columns=["stage", "arm", "reason", "count"]))


def sections(study: Study) -> tuple[Section, ...]:
    def answer(key: str, draw: Callable[[], Drawing]) -> Drawn:
        return Drawn(
            key=key,
            title=key,
            headline=key,
            cautions=(),
            methods="",
            provenance=study.provenance(),
            frame=pd.DataFrame(),
            named={},
            printed=Table(key, key, (Column("a"),), ()),
            draw=draw,
        )

    return (Section("all", "All", (answer("change.knee", change), answer("flow", flow)), ()),)


@pytest.mark.parametrize("width_mm", WIDTHS_MM)
def test_each_format_has_the_exact_width(small: Checked, tmp_path: Path, width_mm: float) -> None:
    first = figures_of(sections(study_of(small)), width_mm=width_mm)[0]
    assert first.fits
    write_figures([first], tmp_path)
    svg = (tmp_path / "change_knee.svg").read_text(encoding="utf-8")
    width = re.search(r'width="([\d.]+)mm"', svg)
    assert width is not None
    assert float(width[1]) == pytest.approx(width_mm, abs=1e-3)  # six digits are written
    page = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ", (tmp_path / "change_knee.pdf").read_bytes())
    assert page is not None
    assert float(page[1]) == pytest.approx(width_mm * POINTS_PER_MM, abs=1e-3)  # the file writes few decimals
    with Image.open(tmp_path / "change_knee.png") as image:
        assert abs(image.width - width_mm / MM_PER_INCH * DPI) <= 1.0  # whole dots
        assert image.info["dpi"][0] == pytest.approx(DPI, rel=1e-3)  # kept as whole dots a metre


def test_at_a_column_no_letter_is_cut_and_none_lies_on_another(small: Checked) -> None:
    for figure in figures_of(sections(study_of(small)), width_mm=85.0):
        assert figure.drawing.clipped_texts() == []
        assert figure.drawing.overlapping_texts() == []


def test_a_picture_whose_words_do_not_fit_keeps_its_width_and_says_so(small: Checked, tmp_path: Path) -> None:
    figures = figures_of(sections(study_of(small)), width_mm=85.0)
    wide = figures[1]
    assert not wide.fits
    assert wide.drawing.width_mm == pytest.approx(160.0)
    write_figures(figures, tmp_path)
    captions = (tmp_path / "captions.md").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "its words do not fit into 85.0 mm" in captions
    assert wide.drawing.caption.split(".")[0] in captions


def test_letters_keep_their_size_at_every_width(small: Checked) -> None:
    sizes = {
        tuple(
            text.get_fontsize()
            for text in figures_of(sections(study_of(small)), width_mm=w)[0].drawing.figure.axes[0].get_xticklabels()
        )
        for w in (85.0, 174.0)
    }
    assert len(sizes) == 1


def test_two_runs_give_the_same_bytes(small: Checked, tmp_path: Path) -> None:
    runs = []
    for name in ("one", "two"):
        write_figures(figures_of(sections(study_of(small)), width_mm=85.0), tmp_path / name)
        runs.append({path.name: path.read_bytes() for path in sorted((tmp_path / name).iterdir())})
    assert runs[0] == runs[1]
    assert len(runs[0]) == 2 * 3 + 1


@pytest.mark.skipif(shutil.which("pdffonts") is None, reason="needs pdffonts of poppler-utils")
def test_fonts_are_inside_the_pdf(small: Checked, tmp_path: Path) -> None:
    write_figures(figures_of(sections(study_of(small))), tmp_path)
    for path in sorted(tmp_path.glob("*.pdf")):
        told = subprocess.run(["pdffonts", str(path)], capture_output=True, check=True, text=True).stdout
        fonts = [line.split() for line in told.splitlines()[2:]]
        assert fonts
        assert {line[-5] for line in fonts} == {"yes"}, told
        assert "Type 3" not in told


def test_an_svg_needs_no_font_and_no_address(small: Checked) -> None:
    for figure in figures_of(sections(study_of(small))):
        svg = figure.drawing.svg()
        assert "<text" not in svg
        assert not re.findall(r'href="(?!#)', svg)


def test_a_grey_copy_keeps_ink_and_arms_apart(small: Checked) -> None:
    with Image.open(io.BytesIO(figures_of(sections(study_of(small)))[0].drawing.png(100))) as image:
        grey = np.asarray(image.convert("L"), dtype=float)
    assert grey.max() - grey.min() > 200.0  # nearly all the way from paper to ink
    assert (grey < 60.0).mean() > 0.002  # words and the first arm stay dark


def test_an_impossible_width_is_refused() -> None:
    with pytest.raises(CallError, match="The width of figures is 20 mm; give one from 60 to 300 mm"):
        figures_of((), width_mm=20.0)


@pytest.mark.parametrize("width_mm", [PAGE_WIDTH_MM, 85.0])
def test_another_process_prints_the_same_bytes(small: Checked, tmp_path: Path, width_mm: float) -> None:
    alone = figures_of(sections(study_of(small)), width_mm=width_mm)
    write_figures(alone, tmp_path / "alone")
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as printer:
        press = Press(width_mm=width_mm, printer=printer)
        for section in sections(study_of(small)):
            press.take(section)
        press.finish()
    assert len(press.as_asked) == len(press.figures) == len(alone) > 1
    assert all({"svg None", "pdf None", "png 300"} <= set(figure.drawing.kept()) for figure in press.as_asked)
    assert all({"svg None", "png 300"} <= set(figure.drawing.kept()) for figure in press.figures)
    write_figures(press.as_asked, tmp_path / "meanwhile")
    for path in sorted((tmp_path / "alone").iterdir()):
        assert path.read_bytes() == (tmp_path / "meanwhile" / path.name).read_bytes()


@pytest.mark.parametrize(
    "trouble", [BrokenProcessPool("the process ended"), pickle.PicklingError("not the same object"), TypeError("lock")]
)
def test_a_printer_that_broke_costs_no_picture(small: Checked, tmp_path: Path, trouble: Exception) -> None:
    class Broken(Executor):
        def submit(self, *_what: object, **_named: object) -> Future[Any]:
            broken: Future[Any] = Future()
            broken.set_exception(trouble)
            return broken

    press = Press(printer=Broken())
    for section in sections(study_of(small)):
        press.take(section)
    press.finish()
    assert len(write_figures(press.as_asked, tmp_path / "figures")) == 3 * len(press.as_asked) + 1
