"""JupyterLab in a real browser: a server of `studykit lab`'s own command, and a notebook that is opened and run.

What bites, and is met here: the page says idle before there is a kernel; tracebacks and warnings look alike to the
page (one kind of output, ending in stderr); cells out of sight are not in the page unless it is told to keep them.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import browser_window
from playwright.sync_api import BrowserContext, Page, expect

from studykit.notebook.kernel import own_jupyter
from studykit.notebook.lab import lab_command

TOKEN = "for-tests-only"  # noqa: S105 - a server on this machine that lives for a minute
CELL = ".jp-NotebookPanel:not(.lm-mod-hidden) .jp-CodeCell"
BAD_OUTPUT = f"{CELL} .jp-OutputArea-output[data-mime-type$='stderr']"
FINISHED = """() => {
  const prompts = [...document.querySelectorAll('.jp-CodeCell')]
    .filter(cell => cell.querySelector('.cm-content').textContent.trim())
    .map(cell => cell.querySelector('.jp-InputPrompt').textContent.trim());
  const state = document.querySelector('.jp-Notebook-ExecutionIndicator');
  const stopped = document.querySelector(".jp-OutputArea-output[data-mime-type$='stderr']");
  return state && state.dataset.status === 'idle' && prompts.every(prompt => !prompt.includes('*'))
    && (prompts.every(prompt => /\\d/.test(prompt)) || stopped);
}"""


@dataclass
class Lab:
    """A running server: its address, the folder that it shows, and where its settings lie."""

    address: str
    root: Path
    settings: Path

    def write_setting(self, name: str, content: dict[str, Any]) -> None:
        path = self.settings / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(content), encoding="utf-8")

    def get(self, path: str) -> Any:
        request = urllib.request.Request(f"{self.address}{path}", headers={"Authorization": f"token {TOKEN}"})  # noqa: S310
        with urllib.request.urlopen(request, timeout=20) as answer:  # noqa: S310 - our own server
            return json.load(answer)


def root_with_notebooks(root: Path, source: Path) -> Path:
    """A folder with copies of the notebooks and of the studies that they read."""
    shutil.copytree(source / "notebooks", root / "notebooks", ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    shutil.copytree(source / "synthetic_data", root / "synthetic_data", ignore=shutil.ignore_patterns("results"))
    return root


@contextmanager
def running_lab(root: Path, work: Path) -> Iterator[Lab]:
    """A server that shows `root`, with settings and home of its own under `work`."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    settings, log = work / "settings", work / "lab.log"
    with own_jupyter() as variables, log.open("wb") as said:
        command = lab_command(root, runtime=variables["JUPYTER_RUNTIME_DIR"], browser=False, port=port)
        home = {
            "HOME": str(work),
            "IPYTHONDIR": str(work / "ipython"),
            "JUPYTERLAB_SETTINGS_DIR": str(settings),
            "JUPYTERLAB_WORKSPACES_DIR": str(work / "workspaces"),
        }
        environment = {**os.environ, **variables, **home}
        server = subprocess.Popen(
            [*command, f"--IdentityProvider.token={TOKEN}"], env=environment, stdout=said, stderr=subprocess.STDOUT
        )
        lab = Lab(f"http://127.0.0.1:{port}", root, settings)
        lab.write_setting("notebook-extension/tracker", {"windowingMode": "none"})
        try:
            _wait_until_up(lab, server, log)
            yield lab
        finally:
            server.terminate()
            try:
                server.wait(timeout=30)
            except subprocess.TimeoutExpired:
                server.kill()


def _wait_until_up(lab: Lab, server: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + 120
    while True:
        try:
            lab.get("/api/status")
        except OSError:
            if server.poll() is not None or time.monotonic() > end:
                raise AssertionError(log.read_text(encoding="utf-8")[-3000:]) from None
            time.sleep(0.3)
        else:
            return


@contextmanager
def window_of_lab() -> Iterator[BrowserContext]:
    """A browser with a profile of its own, high enough for a few answers."""
    with browser_window(1300, 1500, offline=False) as context:
        yield context


@contextmanager
def page_of_lab(window: BrowserContext, lab: Lab) -> Iterator[Page]:
    """A page that may ask nobody but the server; at its end it is known to have kept to that."""
    opened = window.new_page()
    opened.set_default_timeout(60_000)
    outside: list[str] = []
    ours = (lab.address, lab.address.replace("http", "ws", 1), "data:", "blob:")
    opened.on("request", lambda one: None if one.url.startswith(ours) else outside.append(one.url))
    yield opened
    opened.close()
    assert outside == []


def open_notebook(page: Page, lab: Lab, path: str) -> None:
    """Open a notebook and wait until its own kernel is there and idle."""
    page.goto(f"{lab.address}/lab/tree/{path}?reset&token={TOKEN}")
    page.wait_for_selector(CELL, timeout=120_000)
    end = time.monotonic() + 120
    while True:
        kernels = [one["kernel"] for one in lab.get("/api/sessions") if one["path"] == path]
        if kernels and kernels[0]["execution_state"] == "idle" and kernels[0]["connections"] > 0:
            break
        assert time.monotonic() < end, "the kernel did not become idle"
        page.wait_for_timeout(300)
    expect(page.locator("#jp-main-statusbar")).to_contain_text(re.compile(r"\|\s*Idle"), timeout=60_000)


def run_all(page: Page, *, seconds: float) -> None:
    """Choose Run, Run All Cells, and wait until every cell has a number or one has stopped the rest."""
    page.locator(".lm-MenuBar-item", has_text=re.compile("^Run$")).click()
    page.locator(".lm-Menu-item[data-command='runmenu:run-all']").click()
    page.wait_for_timeout(500)
    page.wait_for_function(FINISHED, timeout=1000 * seconds)


def switch_theme(page: Page, theme: str) -> None:
    """Choose Settings, Theme, JupyterLab Light or Dark, as a person does, and wait until it shows."""
    light = "true" if theme == "Light" else "false"
    if page.locator("body").get_attribute("data-jp-theme-light") != light:
        page.locator(".lm-MenuBar-item", has_text=re.compile("^Settings$")).click()
        page.locator(".lm-Menu-item", has_text=re.compile("^Theme$")).hover()
        page.locator(".lm-Menu-item", has_text=re.compile(f"^JupyterLab {theme}$")).click()
    expect(page.locator("body")).to_have_attribute("data-jp-theme-light", light, timeout=60_000)
    page.wait_for_timeout(500)  # colours fade


def violations(page: Page) -> list[tuple[str, str]]:
    """What a checker of accessibility says about the answers on the screen, contrast included."""
    found = Axe().run(page, context={"include": [[".sk-result"]]}).response["violations"]
    return [(one["id"], one["nodes"][0]["html"][:200]) for one in found]


def screenshot_folder(temporary: pytest.TempPathFactory) -> Path:
    """Where pictures of the screen are kept: the folder named by STUDYKIT_SCREENSHOTS, or a temporary one."""
    named = os.environ.get("STUDYKIT_SCREENSHOTS")
    folder = Path(named) if named else temporary.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def screenshot(page: Page, path: Path) -> None:
    """The upper part of the notebook, and its first answer."""
    page.screenshot(path=str(path))
    answers = page.locator(".sk-result")
    if answers.count():
        answers.first.screenshot(path=str(path.with_name(f"{path.stem}_answer.png")))


def saved(page: Page, path: Path) -> dict[str, Any]:
    """Save the notebook; return the file's content once it holds the run."""
    page.keyboard.press("Control+s")
    end = time.monotonic() + 30
    while True:
        content: dict[str, Any] = {"cells": []}
        with suppress(json.JSONDecodeError):  # half written
            content = json.loads(path.read_text(encoding="utf-8"))
        if any(cell.get("execution_count") for cell in content["cells"]):
            return content
        assert time.monotonic() < end, "the notebook was not saved"
        page.wait_for_timeout(300)


def troubles(content: dict[str, Any]) -> list[str]:
    """What went wrong according to the saved file: errors, warnings, cells that were not run."""
    found = []
    for at, cell in enumerate(content["cells"]):
        if cell["cell_type"] != "code" or not "".join(cell["source"]).strip():
            continue
        if cell["execution_count"] is None:
            found.append(f"cell {at} was not run")
        found += [
            f"cell {at}: {output.get('ename') or ''.join(output['text'])[:200]}"
            for output in cell["outputs"]
            if output["output_type"] == "error" or output.get("name") == "stderr"
        ]
    return found
