"""A second process that prints pictures while the first one computes and writes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import Executor


@contextmanager
def printer() -> Iterator[Executor | None]:
    """An executor of one process, which opens the drawing library at once; None on a machine with one core."""
    if (os.cpu_count() or 1) < 2:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as executor:
        executor.submit(_open_the_drawing_library)
        yield executor


def _open_the_drawing_library() -> None:
    import_module("studykit.pictures.printing")
