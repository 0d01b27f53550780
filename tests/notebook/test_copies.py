"""Copies of the notebooks in a study: they read the folder above, and what a person changed is never touched."""

from __future__ import annotations

import json
from pathlib import Path

from studykit.notebook.copies import add_missing_copies, copies_for_study, folder_read_by, reading, shipped_notebooks

NOTEBOOKS = Path(__file__).parent.parent.parent / "notebooks"


def test_the_notebooks_of_the_kit_are_those_of_the_project() -> None:
    assert [path.name for path in shipped_notebooks()] == sorted(path.name for path in NOTEBOOKS.glob("*.ipynb"))
    assert [path.read_bytes() for path in shipped_notebooks()] == [
        path.read_bytes() for path in sorted(NOTEBOOKS.glob("*.ipynb"))
    ]


def test_a_copy_differs_in_the_one_line_only() -> None:
    for name, content in copies_for_study():
        text, ours = content.decode(), (NOTEBOOKS / name).read_text(encoding="utf-8")
        assert folder_read_by(text) == ".."
        old, new = json.loads(ours), json.loads(text)
        differing = [
            (before, after)
            for one, two in zip(old["cells"], new["cells"], strict=True)
            for before, after in zip(
                "".join(one["source"]).split("\n"), "".join(two["source"]).split("\n"), strict=True
            )
            if before != after
        ]
        assert [after for _, after in differing] == ['folder = Path("..")']


def test_missing_copies_are_added_and_others_left(tmp_path: Path) -> None:
    names = [path.name for path in shipped_notebooks()]
    assert [path.name for path in add_missing_copies(tmp_path)] == names
    mine = tmp_path / "notebooks" / names[0]
    mine.write_text("mine", encoding="utf-8")
    (tmp_path / "notebooks" / names[1]).unlink()
    assert [path.name for path in add_missing_copies(tmp_path)] == [names[1]]
    assert mine.read_text(encoding="utf-8") == "mine"


def test_a_folder_with_odd_letters_is_written_as_python_reads_it() -> None:
    notebook = json.dumps({"cells": [{"cell_type": "code", "source": 'x = 1\nfolder = Path("a")\n'}]})
    text = reading(notebook, 'C:\\studies\\"one"')
    (cell,) = json.loads(text)["cells"]
    names: dict[str, object] = {"Path": str}
    exec("".join(cell["source"]), names)  # noqa: S102 - our own line
    assert names["folder"] == 'C:\\studies\\"one"'
