"""`studykit lab`: the right command, copies in place, and a server that answers on this machine and stops."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from studykit.notebook.copies import add_missing_copies
from studykit.notebook.lab import lab_command
from studykit.starting import start_study


def test_the_command_opens_this_folder_with_this_interpreter_on_this_machine_only(tmp_path: Path) -> None:
    add_missing_copies(tmp_path)
    command = lab_command(tmp_path, runtime="/r", browser=False, port=9)
    assert command[:3] == [sys.executable, "-m", "jupyterlab"]
    assert f"--ServerApp.root_dir={tmp_path.resolve()}" in command
    assert "--ServerApp.ip=127.0.0.1" in command
    assert "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate" in command
    assert "--LabApp.default_url=/lab/tree/notebooks/2_check_data.ipynb" in command
    assert "--no-browser" in command
    assert not any("token" in word or "password" in word for word in command)  # the door stays locked


def test_without_notebooks_it_opens_the_folder(tmp_path: Path) -> None:
    assert not any("default_url" in word for word in lab_command(tmp_path, runtime="/r"))


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def listens(port: int) -> bool:
    """True while something takes connections at this port of this machine."""
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


@pytest.mark.skipif(os.name == "nt", reason="signals differ")
def test_a_server_answers_and_is_stopped(tmp_path: Path) -> None:
    folder, port = tmp_path / "study", free_port()
    start_study(folder, design="audit")
    (folder / "notebooks" / "6_paper.ipynb").unlink()
    log = tmp_path / "log"
    command = [sys.executable, "-m", "studykit", "lab", str(folder), "--no-browser", f"--port={port}"]
    home = {**os.environ, "HOME": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    with log.open("wb") as said:
        server = subprocess.Popen(command, stdout=said, stderr=subprocess.STDOUT, env=home, start_new_session=True)
    try:
        address = address_in(log, server)
        with urllib.request.urlopen(address, timeout=30) as page:  # noqa: S310 - our own server
            assert page.status == 200
            assert "JupyterLab" in page.read().decode()
        with pytest.raises(urllib.error.HTTPError, match="403"):
            urllib.request.urlopen(f"http://127.0.0.1:{port}/api/contents", timeout=30)
    finally:
        os.killpg(server.pid, signal.SIGTERM)  # an interrupt would be asked about on a screen that is not there
        try:
            server.wait(timeout=40)
        except subprocess.TimeoutExpired:
            os.killpg(server.pid, signal.SIGKILL)
            raise
    assert (folder / "notebooks" / "6_paper.ipynb").is_file()  # the missing copy was put back
    for _ in range(80):
        if not listens(port):
            return
        time.sleep(0.5)
    pytest.fail("the server still listens forty seconds after it was told to stop")


def address_in(log: Path, server: subprocess.Popen[bytes]) -> str:
    """The address with its token, once the server says it is ready."""
    end = time.monotonic() + 90
    while time.monotonic() < end and server.poll() is None:
        found = re.search(r"http://127\.0\.0\.1:\d+/lab\S*\?token=\w+", log.read_text(encoding="utf-8"))
        if found is not None:
            return found[0]
        time.sleep(0.3)
    raise AssertionError(log.read_text(encoding="utf-8")[-2000:])
