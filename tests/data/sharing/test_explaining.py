"""A check in an open notebook: counts that add up, places, what to do; and nothing of a person."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from studykit.data import check_study, explain
from studykit.data.sharing.explaining import MOST_LINES

MADE_UP = Path(__file__).parent.parent.parent.parent / "synthetic_data"


def test_every_finding_has_a_place_and_something_to_do() -> None:
    checked = check_study(MADE_UP / "clinic_audit")
    told = explain(checked)
    assert told.findings is not None
    assert len(told.findings.rows) == min(MOST_LINES, len(checked.findings))
    assert all(where and what and to_do for where, _, what, to_do in told.findings.rows)
    assert [row[1] for row in told.findings.rows] == sorted(row[1] for row in told.findings.rows)  # errors first
    for _, read, used, aside in told.rows.rows:
        assert int(read) == int(used) + int(aside)
    read, used, aside = (int(number) for number in re.findall(r"(?:read|used|set aside): (\d+)", told.headline))
    assert read == used + aside == sum(checked.rows_in.values())
    assert told.changes is not None
    assert sum(int(count) for _, count in told.changes.rows) == len(checked.log)
    assert told._repr_html_().startswith('<section class="sk-result">')


def test_clean_data_are_said_to_be_clean() -> None:
    told = explain(check_study(MADE_UP / "knee_goniometer"))
    assert told.findings is None
    assert told.changes is None
    assert told.next_step == "Nothing stands in the way of the answers."


def test_what_looks_like_a_person_is_not_repeated(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    shutil.copytree(MADE_UP / "knee_goniometer", folder, ignore=shutil.ignore_patterns("results"))
    sheet = folder / "data" / "measurements.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    at = lines[0].split(",").index("value")
    cells = lines[1].split(",")
    cells[at] = "Quentin Ashworth 1961-04-17"
    sheet.write_text("\n".join([lines[0], ",".join(cells), *lines[2:], ""]), encoding="utf-8")
    checked = check_study(folder)
    assert "Ashworth" in checked.findings.to_string()  # the finding itself names it, in the clinic's own file
    page = explain(checked)._repr_html_()
    assert "Ashworth" not in page
    assert "1961" not in page
    assert "not repeated here" in page
