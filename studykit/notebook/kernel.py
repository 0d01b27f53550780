"""Jupyter with a kernel of this very interpreter, whatever a notebook or the person's settings say."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

KERNEL_NAME: Final = "python3"
QUIET_LAB: Final = {"@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}}
"""JupyterLab asks nobody on the network for news or updates, unless a person has told it to."""


_COLOURS: Final = re.compile(r"\x1b\[[0-9;]*m")


def without_colours(text: str) -> str:
    """What a kernel says, without the signs by which a terminal colours it."""
    return _COLOURS.sub("", text)


@contextmanager
def own_jupyter() -> Iterator[dict[str, str]]:
    """Environment variables under which Jupyter finds the kernel of this interpreter first.

    The folder behind them has a short name, because the path of a socket may not be longer than about a hundred
    characters; it is gone at the end of the block.
    """
    home = Path(tempfile.mkdtemp(prefix="sk"))
    try:
        kernel = home / "share" / "kernels" / KERNEL_NAME
        kernel.mkdir(parents=True)
        (kernel / "kernel.json").write_text(json.dumps(_kernel()), encoding="utf-8")
        settings = home / "etc" / "labconfig"
        settings.mkdir(parents=True)
        (settings / "default_setting_overrides.json").write_text(json.dumps(QUIET_LAB), encoding="utf-8")
        (home / "run").mkdir()
        yield {
            "JUPYTER_PATH": _before(home / "share", "JUPYTER_PATH"),
            "JUPYTER_CONFIG_PATH": _before(home / "etc", "JUPYTER_CONFIG_PATH"),
            "JUPYTER_RUNTIME_DIR": str(home / "run"),
            "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        }
    finally:
        shutil.rmtree(home, ignore_errors=True)


@contextmanager
def environment(variables: Mapping[str, str]) -> Iterator[None]:
    """Set environment variables for the length of a block."""
    before = {name: os.environ.get(name) for name in variables}
    os.environ.update(variables)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def transport_settings(runtime: str) -> dict[str, str]:
    """How kernel and client talk: through files that only this person can read, where the system has such sockets."""
    return {} if os.name == "nt" else {"transport": "ipc", "ip": f"{runtime}/s"}


def _kernel() -> dict[str, object]:
    argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    return {"argv": argv, "display_name": "Python 3", "language": "python", "metadata": {"debugger": True}}


def _before(path: Path, name: str) -> str:
    later = os.environ.get(name)
    return str(path) if not later else os.pathsep.join([str(path), later])
