"""A new study folder: a protocol that is valid as it stands, a workbook to fill, a page to read, and notebooks."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Final

from studykit.entry import ENTRY_NAME, entry_workbook
from studykit.errors import CallError, check_choice
from studykit.notebook.copies import IN_STUDY, copies_for_study
from studykit.protocol import parse_protocol
from studykit.vocabulary import DESIGNS

_LEFT_BY_THE_SYSTEM: Final = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})


def start_study(folder: str | Path, *, design: str, progress: Callable[[str], None] | None = None) -> list[Path]:
    """Make a study folder: study.toml, data/READ_ME_FIRST.txt, data/entry.xlsx, and the notebooks.

    Nothing that exists is ever overwritten, and nothing is left behind when the folder cannot be finished.

    Args:
        folder: a folder that does not exist yet or is empty; folders around it are made as well.
        design: "trial", "audit" or "reliability".
        progress: called with one short sentence before each file.

    Returns:
        the files that were written, in order.

    Raises:
        CallError: the design is unknown, the folder holds something, or it cannot be written to.
    """
    check_choice(design, DESIGNS, "design")
    folder = Path(folder)
    try:
        _refuse_unless_empty(folder)
        made = [folder / IN_STUDY, *_missing_folders(folder / "data")]
    except (OSError, ValueError) as error:
        raise CallError(f"{folder} cannot be used: {_reason(error)}. Choose another folder.") from None
    written: list[Path] = []
    try:
        (folder / "data").mkdir(parents=True, exist_ok=True)
        (folder / IN_STUDY).mkdir()
        for name, content in _files(design):
            if progress is not None:
                progress(f"writing {name}")
            with (folder / name).open("xb") as file:
                written.append(folder / name)
                file.write(content)
    except (OSError, ValueError) as error:
        _take_back(written, made)
        raise CallError(f"{folder} cannot be written to: {_reason(error)}. Choose another folder.") from None
    except BaseException:
        _take_back(written, made)
        raise
    return written


def protocol_template(design: str) -> str:
    """Text of the study.toml with which a study of this design begins.

    Raises:
        CallError: the design is unknown.
    """
    check_choice(design, DESIGNS, "design")
    return _template(f"{design}.toml")


def _files(design: str) -> Iterator[tuple[str, bytes]]:
    """Name and content of each file of a new study, in the order in which a person needs them."""
    protocol = protocol_template(design)
    yield "study.toml", protocol.encode()
    yield "data/READ_ME_FIRST.txt", str(tomllib.loads(_template("read_me_first.toml"))["page"]).encode()
    yield f"data/{ENTRY_NAME}", entry_workbook(parse_protocol(protocol))
    for name_of_copy, content in copies_for_study():
        yield f"{IN_STUDY}/{name_of_copy}", content


def _template(name: str) -> str:
    return resources.files("studykit").joinpath("templates", name).read_text(encoding="utf-8")


def _refuse_unless_empty(folder: Path) -> None:
    if not folder.exists() and not folder.is_symlink():
        return
    if not folder.is_dir():
        raise CallError(f"{folder} is a file; give the name of a folder that does not exist yet.")
    held = sorted(path.name for path in folder.iterdir() if path.name not in _LEFT_BY_THE_SYSTEM)
    if held:
        count = "1 thing" if len(held) == 1 else f"{len(held)} things"
        raise CallError(
            f"{folder} is not empty: it holds {count} (first: {held[0]}). Nothing was written; give the name of a new"
            " folder."
        )


def _missing_folders(folder: Path) -> list[Path]:
    """The folders that will have to be made for this one, innermost first."""
    return [path for path in (folder, *folder.parents) if not path.exists()]


def _take_back(files: list[Path], folders: list[Path]) -> None:
    """Remove what was written, and the folders that were made if nothing else is in them."""
    for path in files:
        path.unlink(missing_ok=True)
    for path in folders:
        if path.is_dir() and not any(path.iterdir()):
            path.rmdir()


def _reason(error: Exception) -> str:
    told = error.strerror if isinstance(error, OSError) else None
    return told[:1].lower() + told[1:] if told else "its name is not allowed"
