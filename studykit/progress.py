"""A progress bar where somebody is looking: on a terminal or in an open notebook, and nowhere else."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(title: str, *, most_steps: int | None = None) -> Iterator[Callable[[str], None] | None]:
    """A progress bar for the length of a with-block; nothing when the output goes to a file or a pipe.

    What the bar drew is taken away at its end, so that a notebook holds answers and no bars.

    Args:
        title: what is being done.
        most_steps: how many steps there are at most; None when nobody knows.

    Yields:
        a function to call with the name of each step before it is taken, or None when nobody is looking.
    """
    in_notebook = _in_notebook()
    if not in_notebook and not sys.stderr.isatty():
        yield None
        return
    from tqdm.auto import tqdm

    looks = {} if in_notebook else {"bar_format": "{bar:24} {elapsed} {desc}"}
    with tqdm(desc=title, total=most_steps, leave=False, **looks) as bar:

        def tell(step: str) -> None:
            bar.set_description_str(f"{title}: {step}")
            bar.update()

        yield tell
    if in_notebook:
        from IPython.display import clear_output

        clear_output()  # type: ignore[no-untyped-call]


def _in_notebook() -> bool:
    """True inside a kernel; IPython is not imported to find that out."""
    if "IPython" not in sys.modules:
        return False
    from IPython.core.getipython import get_ipython

    return getattr(get_ipython(), "kernel", None) is not None
