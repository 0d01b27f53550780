"""Where the time of a command goes, step by step."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from studykit.formatting import number

LEAST_SHOWN_S: Final = 0.05


@dataclass
class Timings:
    """Wall and processor time of the steps of a command, from the moment this was made.

    Attributes:
        steps: what was done, seconds on the wall, seconds of processor.
    """

    steps: list[tuple[str, float, float]] = field(default_factory=list)
    _now: str = "Opening the kit"
    _since: tuple[float, float] = field(default_factory=lambda: (time.perf_counter(), time.process_time()))

    def next(self, step: str) -> None:
        """The step under way ends and this one begins."""
        wall, processor = time.perf_counter(), time.process_time()
        self.steps.append((self._now, wall - self._since[0], processor - self._since[1]))
        self._now, self._since = step, (wall, processor)

    def lines(self) -> list[str]:
        """One line a step, the longest first; what takes next to nothing is added up in the last line."""
        self.next("")
        ordered = sorted(self.steps, key=lambda step: -step[1])
        shown = [step for step in ordered if step[1] >= LEAST_SHOWN_S]
        rest = [step for step in ordered if step[1] < LEAST_SHOWN_S]
        if rest:
            shown.append((f"{len(rest)} shorter steps", sum(step[1] for step in rest), sum(step[2] for step in rest)))
        shown.append(("All", sum(step[1] for step in ordered), sum(step[2] for step in ordered)))
        return [f"{number(wall, 2):>7} s  {number(processor, 2):>7} s  {what}" for what, wall, processor in shown]


def both(first: Callable[[str], None] | None, second: Callable[[str], None] | None) -> Callable[[str], None] | None:
    """One listener that tells two; None when nobody listens."""
    listeners = [listener for listener in (first, second) if listener is not None]
    if not listeners:
        return None

    def tell(step: str) -> None:
        for listener in listeners:
            listener(step)

    return tell
