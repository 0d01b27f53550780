"""A results folder that is replaced whole: a killed run leaves the old results or the new, never a mixture.

The new folder is written beside the old one and then exchanged with it. Linux and macOS exchange two names in one
step of the file system. Elsewhere the exchange takes two renames; a run that is killed between them leaves the old
results under `results.old`, and `mend` puts them back at the next command.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

OLD_SUFFIX = ".old"
_LINUX_EXCHANGE = 2
_LINUX_HERE = -100
_MAC_SWAP = 2


@contextmanager
def new_folder_for(target: Path) -> Iterator[Path]:
    """A temporary folder beside `target` that takes its place when the block ends without an error.

    Anything that goes wrong inside the block leaves `target` as it was and removes the temporary folder.
    """
    mend(target)
    fresh = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        yield fresh
        fresh.chmod(0o755)
        put_in_place(fresh, target)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def put_in_place(fresh: Path, target: Path) -> None:
    """Make `fresh` the new `target`; afterwards `fresh` is gone or holds what `target` was before."""
    if not target.exists():
        fresh.rename(target)
    elif not _exchanged(fresh, target):
        old = target.with_name(target.name + OLD_SUFFIX)
        target.rename(old)
        fresh.rename(target)
        shutil.rmtree(old)


def mend(target: Path) -> None:
    """Put back the old results when an earlier run was killed between its two renames."""
    old = target.with_name(target.name + OLD_SUFFIX)
    if old.exists() and not target.exists():
        old.rename(target)
    elif old.exists():
        shutil.rmtree(old)


def _exchanged(first: Path, second: Path) -> bool:
    """Exchange two names in one step; False where the system cannot."""
    if sys.platform not in {"linux", "darwin"}:
        return False
    library = ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True)
    names = os.fsencode(first), os.fsencode(second)
    if hasattr(library, "renameat2"):
        done = library.renameat2(_LINUX_HERE, names[0], _LINUX_HERE, names[1], _LINUX_EXCHANGE)
    elif hasattr(library, "renamex_np"):
        done = library.renamex_np(names[0], names[1], _MAC_SWAP)
    else:
        return False
    return bool(done == 0)
