"""The order of cells: in order is said only when it is so, and what was skipped, repeated or taken back is named."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

from studykit.notebook import order
from studykit.notebook.order import OrderOfRun, order_of_run, verdict, watch_order

CELLS = ["a", "b", "c", "d"]


@pytest.mark.parametrize("run", [["a"], ["a", "b"], CELLS])
def test_from_top_to_bottom_is_in_order(run: list[str]) -> None:
    assert verdict(CELLS, run).in_order is True


@pytest.mark.parametrize(
    ("run", "told"),
    [
        (["a", "c"], "code cell 2 was not run"),
        (["b", "c"], "code cell 1 was not run"),
        (["a", "b", "c", "b"], "code cell 2 was run after code cell 3"),
        (["a", "b", "c", "b", "c", "d"], "code cell 2 was run after code cell 3"),
        (["a", "b", "b", "c"], "code cell 2 was run more than once"),
    ],
)
def test_out_of_order_is_named_with_what_to_do(run: list[str], told: str) -> None:
    found = verdict(CELLS, run)
    assert found.in_order is False
    assert told in found.sentence
    assert "Restart Kernel and Run All Cells" in found.sentence


@pytest.mark.parametrize(("document", "run"), [([], ["a"]), (CELLS, []), (CELLS, ["", ""]), (CELLS, ["a", "", "b"])])
def test_what_cannot_be_told_is_not_claimed(document: list[str], run: list[str]) -> None:
    assert verdict(document, run).in_order is None


class Shell:
    """As much of an IPython shell as the watch needs."""

    def __init__(self) -> None:
        self.events = SimpleNamespace(register=self.register)
        self.history_manager = SimpleNamespace(input_hist_raw=[""])
        self.kernel = SimpleNamespace(get_parent=lambda _channel: {"metadata": {"cellId": self.cell}})
        self.cell = ""

    def register(self, _event: str, call: object) -> None:
        self.before = call

    def run(self, cell: str, text: str) -> None:
        self.cell = cell
        self.history_manager.input_hist_raw.append(text)
        if hasattr(self, "before"):
            self.before(SimpleNamespace(store_history=True, raw_cell=text, cell_id=cell))  # type: ignore[operator]
        if text == "watch":
            watch_order()


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shell:
    cells = [("one", "watch"), ("two", "x = 1"), ("three", "x")]
    content = [{"cell_type": "code", "id": name, "source": [text]} for name, text in cells]
    (tmp_path / "n.ipynb").write_text(json.dumps({"cells": content}), encoding="utf-8")
    monkeypatch.setenv(order.NOTEBOOK_VARIABLE, str(tmp_path / "n.ipynb"))
    monkeypatch.setattr(order, "_watching", [])
    made = Shell()
    monkeypatch.setattr("IPython.core.getipython.get_ipython", lambda: made)
    return made


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> list[OrderOfRun]:
    found: list[OrderOfRun] = []
    monkeypatch.setattr("IPython.display.display", found.append)
    return found


def test_a_run_in_order_shows_nothing_and_says_so_at_the_end(shell: Shell, shown: list[OrderOfRun]) -> None:
    for cell, text in (("one", "watch"), ("two", "x = 1"), ("three", "x")):
        shell.run(cell, text)
    assert shown == []
    assert order_of_run().in_order is True


def test_a_cell_out_of_order_is_told_at_once_in_that_cell(shell: Shell, shown: list[OrderOfRun]) -> None:
    shell.run("one", "watch")
    shell.run("three", "x")
    assert [found.in_order for found in shown] == [False]
    assert "code cell 2 was not run" in shown[0].sentence


def test_running_the_first_cell_again_begins_anew(shell: Shell, shown: list[OrderOfRun]) -> None:
    for cell, text in (("one", "watch"), ("three", "x"), ("one", "watch"), ("two", "x = 1"), ("three", "x")):
        shell.run(cell, text)
    assert len(shown) == 1  # only the skip of the first round
    assert order_of_run().in_order is True


def test_a_changed_but_unsaved_cell_is_known_by_its_identity(shell: Shell, shown: list[OrderOfRun]) -> None:
    shell.run("one", "watch")
    shell.run("two", "x = 2  # changed, not saved")
    assert order_of_run().in_order is True
    assert shown == []


def test_without_identities_cells_are_known_by_their_text(shell: Shell, shown: list[OrderOfRun]) -> None:
    for text in ("watch", "x = 1", "x"):
        shell.run("", text)
    assert order_of_run().in_order is True


def test_nobody_watched_and_no_file(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    assert order_of_run().in_order is None
    assert "did not run watch_order()" in order_of_run().sentence
    monkeypatch.delenv(order.NOTEBOOK_VARIABLE)
    shell.run("one", "watch")
    assert order_of_run().in_order is None


def test_outside_a_notebook_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "_watching", [])
    monkeypatch.setattr("IPython.core.getipython.get_ipython", lambda: None)
    watch_order()
    assert order._watching == []
