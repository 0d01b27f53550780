"""What every answer of the kit can do: say itself in a sentence, as a frame, as a table and as a picture."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from html import escape
from typing import ParamSpec, Protocol, TypeVar

import pandas as pd

from studykit.display import in_notebook
from studykit.errors import DataError, DesignError, FitError
from studykit.provenance import Provenance
from studykit.table import Table

P = ParamSpec("P")
T = TypeVar("T")


class Picture(Protocol):
    """A finished drawing. `pictures.theme.Drawing` is one; results need no more of it than this."""

    @property
    def alt(self) -> str:
        """What the picture shows, for somebody who cannot see it."""
        ...

    @property
    def caption(self) -> str:
        """The line printed below the picture."""
        ...

    def svg(self) -> str:
        """The picture as an SVG element, the same bytes on every run."""
        ...


@dataclass(frozen=True, kw_only=True)
class Result(ABC):
    """One answer to one question.

    Attributes:
        key: stable dotted name, such as "reliability.knee_extension_passive"; the key of its numbers in results.json.
        title: the question, short enough for a heading.
        headline: one plain sentence with the number, its interval and its unit.
        cautions: what this number does not show, one sentence each.
        methods: the sentence or two for a paper: what was computed, how, after whom.
        provenance: data, protocol, software and seed behind the number.
    """

    key: str
    title: str
    headline: str
    cautions: tuple[str, ...]
    methods: str
    provenance: Provenance

    @abstractmethod
    def to_frame(self) -> pd.DataFrame:
        """The answer as a tidy frame at full precision; column names carry the unit."""

    @abstractmethod
    def numbers(self) -> dict[str, float]:
        """Every number of the answer at full precision under a short, stable name (without `key` in front)."""

    @abstractmethod
    def table(self) -> Table:
        """The answer as a table for print, rounded by the widths of its intervals."""

    def figure(self) -> Picture | None:
        """The answer as a picture, or None when a picture would add nothing."""
        return None

    def _repr_html_(self) -> str:
        return in_notebook(f"<h3>{escape(self.title)}</h3>{self.to_html()}")

    def to_html(self, picture: Picture | None = None, *, heading: str = "h4") -> str:
        """Headline, figure, table, cautions and methods as an HTML fragment, in that order.

        Args:
            picture: `figure()`, where it has been drawn already; it is drawn when left out.
            heading: the element of the heading above the cautions, one step below the heading of the answer.
        """
        picture = picture or self.figure()
        drawn = ""
        if picture is not None:
            drawn = f"<figure>{picture.svg()}<figcaption>{escape(picture.caption)}</figcaption></figure>"
        cautions = "".join(f"<li>{escape(caution)}</li>" for caution in self.cautions)
        if cautions:
            cautions = f'<{heading}>What this does not show</{heading}><ul class="cautions">{cautions}</ul>'
        return (
            f'<p class="headline">{escape(self.headline)}</p>{drawn}{self.table().to_html()}'
            f'{cautions}<p class="methods"><strong>Methods.</strong> {escape(self.methods)}</p>'
        )


@dataclass(frozen=True, slots=True)
class Reason:
    """Why there is no answer, in a sentence; it counts as false, so that `if answer:` passes it over."""

    sentence: str

    def __bool__(self) -> bool:
        return False

    def __repr__(self) -> str:
        return self.sentence

    def _repr_html_(self) -> str:
        return in_notebook(f'<p class="unanswered">{escape(self.sentence)}</p>')


def or_reason(question: Callable[P, T], *args: P.args, **named: P.kwargs) -> T | Reason:
    """The answer of a function, or the reason why this study cannot give one, to be shown in its place.

    Args:
        question: a function of the kit; what follows is handed on to it.
    """
    try:
        return question(*args, **named)
    except (DataError, DesignError, FitError) as refusal:
        return Reason(str(refusal))


def answered_apart(parts: Iterable[Callable[[], Result]]) -> list[Result]:
    """Several answers of one room, each on its own: what one part refuses becomes a caution of the first answer.

    Raises:
        DesignError: every part refused; the sentence joins their reasons.
    """
    results: list[Result] = []
    refused: list[str] = []
    for part in parts:
        try:
            results.append(part())
        except (DesignError, FitError) as refusal:
            refused.append(str(refusal))
    if not results:
        raise DesignError(" ".join(refused))
    results[0] = replace(results[0], cautions=(*results[0].cautions, *refused))
    return results
