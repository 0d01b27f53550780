"""One table, six formats: nothing in a cell is a command, every golden file holds, two runs give the same bytes."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import docx
import openpyxl
import pytest
from golden import golden_path, golden_tables, seen
from hypothesis import given
from hypothesis import strategies as st
from paper_cases import HARD

from studykit.errors import CallError, DataError
from studykit.report.print_style import print_style
from studykit.report.writers import FORMATS, table_file, write_tables
from studykit.report.writers.delimited import csv_table, harmless
from studykit.report.writers.latex import PACKAGES, latex_escaped, latex_table
from studykit.report.writers.markdown import markdown_escaped, markdown_table
from studykit.report.writers.widths import crowding, shares
from studykit.table import Column, Table

TABLES = golden_tables()
LEFT = "left"


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.key)
@pytest.mark.parametrize("ending", FORMATS)
def test_every_table_in_every_format_is_as_its_golden_file(table: Table, ending: str) -> None:
    assert seen(table, ending) == golden_path(table, ending).read_bytes().decode("utf-8")


@pytest.mark.parametrize("ending", FORMATS)
def test_two_runs_give_the_same_bytes(ending: str) -> None:
    assert table_file(HARD, ending) == table_file(HARD, ending)


def test_an_office_file_carries_no_time_and_no_author() -> None:
    for ending in ("docx", "xlsx"):
        with zipfile.ZipFile(io.BytesIO(table_file(HARD, ending))) as archive:
            years = {part.date_time[0] for part in archive.infolist()}
            core = archive.read("docProps/core.xml").decode()
        assert years <= {1980}
        assert set(re.findall(r"\d{4}-\d\d-\d\dT", core)) <= {"2000-01-01T"}
        assert "python-docx" not in core


@pytest.mark.parametrize("cell", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\N{NO-BREAK SPACE}@a"])
def test_a_cell_that_begins_a_formula_is_neutralised_in_csv(cell: str) -> None:
    assert harmless(cell) == f"'{cell}"


@pytest.mark.parametrize("cell", ["-3.5", "+4", "−3.4 (−4.8 to −2.1)", "12", "", "95%", "1e-5", "a=b", "-0,5"])
def test_a_number_or_plain_words_stay_as_they_are_in_csv(cell: str) -> None:
    assert harmless(cell) == cell


def test_csv_reads_back_as_headings_and_rows() -> None:
    rows = list(csv.reader(io.StringIO(csv_table(HARD))))
    assert rows[0] == [column.heading for column in HARD.columns]
    assert rows[1][0] == "'=SUM(A1)"
    assert [row[1:3] for row in rows[1:]] == [[row[1], row[2]] for row in HARD.rows]


def test_no_cell_of_a_workbook_is_a_formula_and_none_is_changed() -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(table_file(HARD, "xlsx"))).worksheets[0]
    assert {cell.data_type for row in sheet.iter_rows() for cell in row if cell.value is not None} == {"s"}
    read = [tuple(cell.value for cell in row) for row in sheet.iter_rows(min_row=4, max_row=3 + len(HARD.rows))]
    assert read == list(HARD.rows)


class _Html(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.cells: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag in {"td", "th"}:
            self.cells.append("")
        assert all(name != "onclick" and not str(value).startswith("http") for name, value in attrs)

    def handle_data(self, data: str) -> None:
        if self.cells:
            self.cells[-1] += data


def test_html_holds_the_cells_as_text_and_no_tag_from_them() -> None:
    page = _Html()
    page.feed(table_file(HARD, "html").decode())
    assert "b" not in page.tags
    assert "script" not in page.tags
    assert all(any(cell in found for found in page.cells) for row in HARD.rows for cell in row)


def test_markdown_has_as_many_cells_in_each_line_as_columns() -> None:
    lines = [line for line in markdown_table(HARD).splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", line)) for line in lines} == {len(HARD.columns) + 1}
    assert markdown_escaped("<b> | a_b *c* & `d`") == r"&lt;b&gt; \| a\_b \*c\* &amp; \`d\`"


def balanced(tex: str) -> bool:
    """True when the braces outside escapes close in order."""
    depth = 0
    for mark in re.findall(r"\\[\\{}]|[{}]", tex):
        depth += {"{": 1, "}": -1}.get(mark, 0)
        if depth < 0:
            return False
    return depth == 0


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.key)
def test_latex_is_balanced_and_has_three_rules_and_one_cell_a_column(table: Table) -> None:
    tex = latex_table(table)
    assert balanced(tex)
    assert [tex.count(rule) for rule in (r"\toprule", r"\midrule", r"\bottomrule")] == [1, 1, 1]
    lines = [line for line in tex.splitlines() if line.endswith(r" \\")]
    assert len(lines) == 1 + len(table.rows)
    assert {len(re.findall(r"(?<!\\)&", line)) for line in lines} == {len(table.columns) - 1}


@given(text=st.text(st.characters(codec="latin-1", exclude_categories=["Cc"])))
def test_no_text_is_a_command_of_latex(text: str) -> None:
    escaped = latex_escaped(text)
    assert balanced(escaped)
    bare = re.sub(r"\\[a-zA-Z]+\{\}|\\[{}&%$#_]|\$-\$|\$\\(times|pm)\$", "", escaped)
    assert not set(bare) & set("\\{}&%$#_^<>|")


LONG = Table(
    "long",
    "A long table",
    (Column("Item", LEFT), Column("What is asked", LEFT), Column("Answer", LEFT)),
    tuple((f"{n}a", "Say what was done, in a sentence that is long " * 2, "to be written") for n in range(45)),
)


@pytest.mark.skipif(shutil.which("pdflatex") is None, reason="no LaTeX on this machine; balance and escapes are tested")
def test_latex_compiles_every_table(tmp_path: Path) -> None:
    tables = [*TABLES, LONG]
    for table in tables:
        (tmp_path / f"{table.key}.tex").write_text(latex_table(table), encoding="utf-8")
    inputs = "\n".join(rf"\input{{{table.key}}}\clearpage" for table in tables)
    head = rf"\documentclass{{article}}{PACKAGES}\usepackage[margin=25mm]{{geometry}}"
    whole = rf"{head}\begin{{document}}{inputs}\end{{document}}"
    (tmp_path / "whole.tex").write_text(whole, encoding="utf-8")
    command = ["pdflatex", "-interaction=nonstopmode", "-halt-on-error", "whole.tex"]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)
    assert run.returncode == 0, run.stdout.decode(errors="replace")[-800:]
    assert (tmp_path / "whole.pdf").stat().st_size > 10_000


def test_a_long_table_may_run_over_pages_and_repeats_its_head() -> None:
    tex = latex_table(LONG)
    assert r"\endhead" in tex
    assert tex.count("What is asked") == 2


def test_a_wide_table_lies_on_its_side_in_word() -> None:
    columns = (Column("Characteristic", LEFT), *(Column(f"Arm {n} (n = 24)") for n in range(9)))
    wide = Table("wide", "Wide", columns, (("Body mass (kg)", *["73.5 (61.0 to 85.2)"] * 9),))
    section = docx.Document(io.BytesIO(table_file(wide, "docx"))).sections[0]
    assert section.page_width is not None
    assert section.page_height is not None
    assert section.page_width > section.page_height


@given(
    cells=st.lists(
        st.lists(st.text(st.sampled_from("ab c"), max_size=120), min_size=3, max_size=3), min_size=1, max_size=5
    )
)
def test_columns_never_take_more_than_the_line(cells: list[list[str]]) -> None:
    table = Table("t", "t", tuple(Column(h) for h in "xyz"), tuple(tuple(row) for row in cells))
    widths = shares(table, line=80)
    assert len(widths) == 3
    assert min(widths) > 0.0
    assert sum(widths) <= 1.0 + 1e-12  # sums of floating-point shares
    assert crowding(table, line=80) > 0.0


def test_files_lie_in_a_folder_for_each_format_and_two_of_a_name_are_refused(tmp_path: Path) -> None:
    written = write_tables([HARD], tmp_path)
    assert [path.relative_to(tmp_path).as_posix() for path in written] == [f"{e}/hard.{e}" for e in FORMATS]
    with pytest.raises(DataError, match="Two tables are called 'hard'"):
        write_tables([HARD, HARD], tmp_path)
    with pytest.raises(CallError, match="allowed are 'docx'"):
        table_file(HARD, "doc")


def test_a_decimal_comma_reaches_every_format_and_touches_no_version(tmp_path: Path) -> None:
    write_tables([HARD], tmp_path, style=print_style(decimal_mark=","))
    for ending in ("tex", "html", "md"):
        text = (tmp_path / ending / f"hard.{ending}").read_text(encoding="utf-8")
        assert "2,1 (0,7 to 3,5)" in text
        assert "3.11.2" in text
    assert "2.1 (0.7 to 3.5)" in HARD.rows[0][2]
