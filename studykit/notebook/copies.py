"""The notebooks that come with the kit, and copies of them in a study's own folder."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Final

from studykit.errors import CallError

FOLDER_LINE: Final = re.compile(r"^folder = Path\((['\"])(?P<path>.*?)\1\)", re.MULTILINE)
"""The one line of a notebook that says which study it reads."""
IN_STUDY: Final = "notebooks"


def shipped_notebooks() -> list[Path]:
    """The notebooks of the kit in the order of their numbers.

    In an installed kit they lie inside the package; in a clone they lie beside it, and a system without links to
    folders has nothing but a small file in the package.
    """
    package = Path(str(resources.files("studykit")))
    for place in (package / "notebooks", package.parent / "notebooks"):
        found = sorted(place.glob("*.ipynb")) if place.is_dir() else []
        if found:
            return found
    raise CallError("The notebooks of studykit were not installed with it; install it again.")


def copies_for_study() -> Iterator[tuple[str, bytes]]:
    """Name and content of each notebook as it stands in a study's folder `notebooks`: it reads the folder above."""
    for path in shipped_notebooks():
        yield path.name, reading(path.read_text(encoding="utf-8"), "..").encode()


def add_missing_copies(folder: Path) -> list[Path]:
    """Copy those notebooks into a study that it does not have; what is there is never touched.

    Raises:
        CallError: they cannot be written.
    """
    added = []
    try:
        (folder / IN_STUDY).mkdir(exist_ok=True)
        for name, content in copies_for_study():
            target = folder / IN_STUDY / name
            if not target.exists():
                target.write_bytes(content)
                added.append(target)
    except OSError as error:
        raise CallError(f"{folder / IN_STUDY} cannot be written to: {error.strerror or error}.") from None
    return added


def reading(notebook: str, folder: str) -> str:
    """The text of a notebook file in which the line `folder = Path(...)` names this folder."""
    content = json.loads(notebook)
    for cell in content["cells"]:
        lines = cell["source"] if isinstance(cell["source"], list) else cell["source"].splitlines(keepends=True)
        if cell["cell_type"] == "code":
            cell["source"] = [FOLDER_LINE.sub(lambda _: f"folder = Path({json.dumps(folder)})", line) for line in lines]
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def folder_read_by(notebook: str) -> str | None:
    """The folder that a notebook names in its line `folder = Path(...)`; None without such a line."""
    for cell in json.loads(notebook)["cells"]:
        if cell["cell_type"] == "code":
            found = FOLDER_LINE.search("".join(cell["source"]))
            if found is not None:
                return found["path"]
    return None
