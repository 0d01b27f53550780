"""Every error that studykit raises on purpose.

    StudykitError                one clear sentence for a person: what, how many, where first, what to do
    ├── CallError                a command or a function was given a word or a number that it does not know
    ├── ProtocolError            study.toml cannot be used as it stands; lists every problem with its line
    ├── DataError                a file or a table cannot be read or used as it stands
    ├── DesignError              the data are sound, but their design cannot answer this question
    └── FitError                 a computation did not reach an answer that may be trusted

A person who works with studykit never needs a traceback: the command line prints the sentence and stops.
"""

from __future__ import annotations

from collections.abc import Iterable


class StudykitError(Exception):
    """Base of all errors of the kit; its text is a sentence for a person."""

    def _render_traceback_(self) -> list[str]:
        """What an open notebook shows: the sentence, and no way through the kit's own code."""
        return [f"{type(self).__name__}: {self}"]


class CallError(StudykitError):
    """A word or a number given by the caller is not one of those that are allowed."""


class ProtocolError(StudykitError):
    """The protocol cannot be used; the text lists every problem, one line each."""


class DataError(StudykitError):
    """A file or a table cannot be read or used as it stands."""


class DesignError(StudykitError):
    """The data are sound, but this design cannot answer the question that was asked."""


class FitError(StudykitError):
    """A computation did not reach an answer that may be trusted."""


def check_choice(value: str, allowed: Iterable[str], name: str) -> None:
    """Refuse a word that is not among the allowed ones, and name those.

    Raises:
        CallError: `value` is not in `allowed`.
    """
    words = list(allowed)
    if value not in words:
        listed = ", ".join(repr(word) for word in words)
        raise CallError(f"{name} is {value!r}; allowed are {listed}.")


def check_confidence(confidence: float) -> None:
    """Refuse a confidence level outside the open interval 0 to 1.

    Raises:
        CallError: `confidence` is not strictly between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise CallError(f"confidence is {confidence!r}; give a number between 0 and 1, such as 0.95.")
