"""A result says itself in one order, escapes what came from outside, and cannot be changed."""

import re
from dataclasses import dataclass
from xml.etree import ElementTree

import pandas as pd
import pytest

from studykit.errors import DesignError, FitError
from studykit.provenance import Provenance
from studykit.result import Picture, Result, answered_apart
from studykit.table import Column, Table


@dataclass(frozen=True, slots=True)
class Square:
    alt: str = "A square."
    caption: str = "A square <of> paper & ink."

    def svg(self) -> str:
        return '<svg viewBox="0 0 1 1"><title>A square</title></svg>'


@dataclass(frozen=True, kw_only=True)
class Counted(Result):
    count: int
    picture: Picture | None = None

    def to_frame(self) -> pd.DataFrame:
        return pd.DataFrame({"count": [self.count]})

    def numbers(self) -> dict[str, float]:
        return {"count": float(self.count)}

    def table(self) -> Table:
        return Table(self.key, self.title, (Column("What", "left"), Column("n")), (("people", str(self.count)),))

    def figure(self) -> Picture | None:
        return self.picture


def counted(picture: Picture | None = None, cautions: tuple[str, ...] = ("A count <is> no rate.",)) -> Counted:
    return Counted(
        key="people.count",
        title="How many?",
        headline="There are 3 <people> & no more.",
        cautions=cautions,
        methods="They were counted & written down.",
        provenance=Provenance("0" * 64),
        count=3,
        picture=picture,
    )


def parsed(html: str) -> ElementTree.Element:
    return ElementTree.fromstring(f"<div>{html}</div>")  # noqa: S314 - our own words


def test_html_comes_as_headline_figure_table_cautions_methods() -> None:
    root = parsed(counted(Square()).to_html())
    assert [child.get("class") or child.tag for child in root] == [
        "headline",
        "figure",
        "sk-table",
        "h4",
        "cautions",
        "methods",
    ]


def test_words_from_outside_are_escaped() -> None:
    root = parsed(counted(Square()).to_html())
    assert root.findtext("p[@class='headline']") == "There are 3 <people> & no more."
    assert root.findtext("ul/li") == "A count <is> no rate."
    assert root.findtext("figure/figcaption") == "A square <of> paper & ink."


def test_without_a_picture_or_cautions_no_empty_place_is_left() -> None:
    root = parsed(counted(cautions=()).to_html())
    assert root.find("figure") is None
    assert root.find("h4") is None
    assert root.find("ul") is None


def test_a_notebook_shows_the_same_in_a_section() -> None:
    result = counted(Square())
    shown = result._repr_html_()
    assert shown.startswith('<section class="sk-result"><style>')
    assert shown.endswith(f"</style><h3>How many?</h3>{result.to_html()}</section>")


def test_the_style_of_a_section_reaches_nothing_around_it() -> None:
    style = re.sub(
        r"/\*.*?\*/", "", counted()._repr_html_().partition("</style>")[0].partition("<style>")[2], flags=re.S
    )
    selectors = re.findall(r"([^{}]+)\{", style.replace("@media print {", ""))
    assert len(selectors) > 15
    for selector in selectors:
        assert all(one.strip().startswith(".sk-result") for one in selector.split(",")), selector
    assert "http" not in style
    assert "url(" not in style


def test_headings_keep_their_order_one_step_further_in() -> None:
    assert "<h5>What this does not show</h5>" in counted().to_html(heading="h5")


def test_a_result_without_its_parts_cannot_be_made() -> None:
    with pytest.raises(TypeError, match="abstract"):
        Result(key="k", title="t", headline="h", cautions=(), methods="m", provenance=Provenance("0"))  # type: ignore[abstract]


def test_a_result_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        counted().headline = "There are 4."  # type: ignore[misc]


def refusing(error: type[Exception], words: str) -> Result:
    raise error(words)


def test_what_one_part_refuses_is_a_caution_of_the_first_answer() -> None:
    parts = [lambda: refusing(DesignError, "Too few."), counted, lambda: refusing(FitError, "No fit."), counted]
    first, second = answered_apart(parts)
    assert first.cautions == ("A count <is> no rate.", "Too few.", "No fit.")
    assert second.cautions == ("A count <is> no rate.",)


def test_where_every_part_refuses_the_reasons_are_joined() -> None:
    with pytest.raises(DesignError, match=r"^Too few\. No fit\.$"):
        answered_apart([lambda: refusing(DesignError, "Too few."), lambda: refusing(FitError, "No fit.")])
