"""The data dictionary on paper: both formats hold every column, and two runs give the same bytes."""

from __future__ import annotations

from pathlib import Path

import docx
import pytest

from studykit.protocol import parse_protocol
from studykit.protocol.cells import table_columns
from studykit.report.dictionary import write_dictionary
from studykit.starting import protocol_template
from studykit.vocabulary import COLUMNS, DESIGNS


@pytest.mark.parametrize("design", DESIGNS)
def test_both_formats_hold_every_column(tmp_path: Path, design: str) -> None:
    protocol = parse_protocol(protocol_template(design))
    markdown, word = write_dictionary(tmp_path / "new" / "results", protocol)
    text = markdown.read_text(encoding="utf-8").replace("\\", "")
    document = docx.Document(str(word))
    first_cells = [row.cells[0].text for table in document.tables for row in table.rows[1:]]
    wanted = [column for table in COLUMNS for column in table_columns(table, protocol)]
    wanted += [*protocol.measures, *protocol.arms, *protocol.visit_keys]
    assert first_cells == wanted
    for column in wanted:
        assert f"| {column} |" in text
    assert text.startswith(f"# Data dictionary: {protocol.study.title}")


def test_two_runs_give_the_same_bytes(tmp_path: Path) -> None:
    protocol = parse_protocol(protocol_template("trial"))
    first = [path.read_bytes() for path in write_dictionary(tmp_path / "a", protocol)]
    assert first == [path.read_bytes() for path in write_dictionary(tmp_path / "b", protocol)]
