"""What to say about a comparison: one value from which the page, the command line and the frame agree."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from studykit.archive.comparing import GOOD
from studykit.archive.release_notes import version_order
from studykit.formatting import counted


@dataclass(frozen=True, slots=True)
class Verdict:
    """A comparison of all numbers and everything else that is wrong.

    Attributes:
        name: name of the sealed file.
        frame: as `Reproduction.frame`.
        problems: a sentence each.
        parts: beginnings of keys that belong together, one an answer, in the order of the report.
        sealed_by, installed: versions of the kit.
    """

    name: str
    frame: pd.DataFrame
    problems: tuple[str, ...]
    parts: tuple[str, ...]
    sealed_by: str
    installed: str

    @property
    def moved(self) -> pd.DataFrame:
        """The lines of numbers that do not agree."""
        return self.frame[~self.frame["verdict"].isin(GOOD)]

    @property
    def agrees(self) -> bool:
        """True when there are numbers, all of them agree and nothing else is wrong."""
        return bool(len(self.frame)) and self.moved.empty and not self.problems

    @property
    def headline(self) -> str:
        """The outcome in a sentence."""
        numbers = counted(len(self.frame), "number")
        if self.agrees:
            least = int(self.frame["digits_in_common"].min())
            same = "digit for digit" if least == self.frame["digits_in_common"].max() else f"to {least} digits or more"
            return f"All {numbers} came out again, {same}."
        if len(self.moved):
            first = self.moved["key"].iloc[0]
            return f"{len(self.moved)} of {numbers} did not come out again, the first: {first}."
        return f"All {numbers} came out again, but the seal is not as it was written: {self.problems[0]}"

    @property
    def about_versions(self) -> str:
        """What the two versions of the kit mean for the comparison; empty when they are one."""
        if self.sealed_by == self.installed:
            return ""
        then, now = version_order(self.sealed_by), version_order(self.installed)
        both = f"The study was sealed by studykit {self.sealed_by} and recomputed by {self.installed}."
        if then is None or now is None or then > now:
            return f"{both} Install the version that sealed it, or a later one, to compare like with like."
        explained = int((self.moved["explanation"] != "").sum())
        if self.moved.empty:
            return f"{both} No number moved between the two."
        return (
            f"{both} {counted(len(self.moved), 'number')} moved; release notes explain {explained or 'none'} of them"
            f"{' (see the last column)' if explained else ''}. A number that no note explains needs a person to look."
        )
