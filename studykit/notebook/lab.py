"""JupyterLab in a study's folder: on this machine only, with a kernel of this interpreter, asking nobody for news."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Final

from studykit.errors import CallError
from studykit.notebook.copies import IN_STUDY
from studykit.notebook.kernel import own_jupyter, transport_settings

FIRST_OPENED: Final = "2_check_data.ipynb"
_PATIENCE_S: Final = 15


def lab_command(folder: Path, *, runtime: str, browser: bool = True, port: int | None = None) -> list[str]:
    """The command that opens JupyterLab in a study folder.

    Args:
        folder: the study; nothing outside it is shown.
        runtime: the folder for sockets and connection files.
        browser: False does not open a browser and prints the address instead.
        port: where to listen; None takes the first free one from 8888.
    """
    command = [
        sys.executable,
        "-m",
        "jupyterlab",
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.root_dir={folder.resolve()}",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
    ]
    if (folder / IN_STUDY / FIRST_OPENED).is_file():
        command.append(f"--LabApp.default_url=/lab/tree/{IN_STUDY}/{FIRST_OPENED}")
    command += [f"--KernelManager.{name}={value}" for name, value in transport_settings(runtime).items()]
    if not browser:
        command.append("--no-browser")
    if port is not None:
        command += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    return command


def open_lab(folder: Path, *, browser: bool = True, port: int | None = None) -> int:
    """Run JupyterLab in a study folder until it is stopped; return its exit code.

    Raises:
        CallError: it cannot be started.
    """
    with own_jupyter() as variables:
        command = lab_command(folder, runtime=variables["JUPYTER_RUNTIME_DIR"], browser=browser, port=port)
        try:
            server = subprocess.Popen(command, env={**os.environ, **variables})  # noqa: S603 - our own interpreter
        except OSError as error:
            raise CallError(f"JupyterLab cannot be started: {error.strerror or error}.") from None
        try:
            return server.wait()
        except KeyboardInterrupt:
            return _stopped(server)
        finally:
            if server.poll() is None:
                _stopped(server)


def _stopped(server: subprocess.Popen[bytes]) -> int:
    """Ask the server to end, and end it when it does not."""
    server.terminate()
    try:
        server.wait(timeout=_PATIENCE_S)
    except subprocess.TimeoutExpired:
        server.kill()
    return 0
