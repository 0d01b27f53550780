"""team_page.html: an audit on one sheet of paper for the meeting of the team; no person is shown and nobody ranked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Final, Protocol, runtime_checkable

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.formatting import counted, listed
from studykit.pictures.theme import Drawing
from studykit.report.figures import at_width
from studykit.report.page import SAFETY
from studykit.report.shell import page_shell
from studykit.result import Result
from studykit.vocabulary import SUSPICION

KIND: Final = "Clinic audit: one page for the team"
LONGEST: Final = {
    "audit.completeness": 160,
    "change.": 330,
    "responders.": 220,
    "adherence": 270,
    "audit.double_readings": 200,
    "events": 200,
}
"""Key of an answer (or its start) -> letters of its sentence that still fit on the page, all of them together."""
WIDTHS_MM: Final = (88.0, 100.0, 112.0, 124.0, 140.0)
"""Widths at which a picture of the page is tried; a column is 88 mm wide."""
HEIGHT_SHARE: Final = 0.66
"""Height of such a picture as a share of its width."""
LONGEST_LABELS: Final = 80
"""Letters of title and question that still fit; what is longer stands in the audit file."""
OPENING_QUOTE, CLOSING_QUOTE = "“", "”"
CAUTIONS: Final = (
    "An audit shows change, not what brought it about: nobody was allocated by chance.",
    "Nothing here compares therapists or is meant for judging anybody: cases differ, and groups are small.",
    *SAFETY[:2],
    SAFETY[3],
)


@runtime_checkable
class ShowsMeans(Protocol):
    """An answer that can draw itself without a mark for any participant."""

    def figure_of_means(self) -> Drawing:
        """The picture of means alone."""
        ...


def team_page(checked: Checked, study: Study, sections: Sequence[Section], drawings: Mapping[str, Drawing]) -> str:
    """The sheet as HTML.

    Args:
        checked: the outcome of the check, for the rows set aside.
        study: the checked study, an audit.
        sections: all answers.
        drawings: key of an answer -> its picture.
    """
    results = {result.key: result for section in sections for result in section.results}
    primary = study.protocol.study.primary_measure
    pictures = _pictures(results, primary, drawings)
    body = "".join(
        [
            _top(study),
            '<main id="main">',
            _sentences(results, primary),
            '<div class="sheet">',
            *pictures,
            f"<div>{_next(checked, study, results)}</div>",
            "</div>",
            _cautions(),
            "</main>",
            _origin(study),
        ]
    )
    return page_shell(f"{study.protocol.study.title}: page for the team", body, more_style="team_page.css")


def _top(study: Study) -> str:
    part = study.protocol.study
    invented = " <strong>Made-up data: these people do not exist.</strong>" if part.made_up else ""
    question = _fitting(part.question, LONGEST_LABELS * 2)
    return (
        f'<header class="top"><p class="kind">{KIND}</p><h1>{escape(_fitting(part.title, LONGEST_LABELS))}</h1>'
        f'<p class="question">{escape(question)}{invented}</p></header>'
    )


def _fitting(text: str, most: int) -> str:
    """The text, or as many whole words of it as fit and an ellipsis."""
    if len(text) <= most:
        return text
    return f"{text[:most].rsplit(' ', 1)[0]} …"


def _sentences(results: Mapping[str, Result], primary: str) -> str:
    keys = {start: f"{start}{primary}" if start.endswith(".") else start for start in LONGEST}
    lines = [
        f"<li>{escape(in_short(results[key], LONGEST[start], whole=start == 'change.'))}</li>"
        for start, key in keys.items()
        if key in results
    ]
    return f'<h2 id="short">What the record says</h2><ul class="short">{"".join(lines)}</ul>'


def in_short(result: Result, most: int, *, whole: bool) -> str:
    """The first sentence of a headline (or all of it), or a hint at the audit file where it is too long."""
    text = result.headline if whole else first_sentence(result.headline)
    return text if len(text) <= most else f"{result.title}: too long for this page; see the audit file."


def first_sentence(text: str) -> str:
    """Up to the first full stop before a space that does not stand inside quotation marks."""
    quoted = 0
    for place, letter in enumerate(text):
        quoted += (letter == OPENING_QUOTE) - (letter == CLOSING_QUOTE)
        if letter == "." and quoted <= 0 and text[place + 1 : place + 2] == " ":
            return text[: place + 1]
    return text


def _pictures(results: Mapping[str, Result], primary: str, drawings: Mapping[str, Drawing]) -> list[str]:
    found: list[str] = []
    for key in ("audit.completeness", f"change.{primary}", "adherence"):
        if key not in results or key not in drawings:
            continue
        drawing = _small(results[key], drawings[key])
        said = escape(first_sentence(drawing.caption))
        found.append(f"<figure>{drawing.svg()}<figcaption>{said}</figcaption></figure>")
    return found


def _small(result: Result, drawing: Drawing) -> Drawing:
    """The picture at the narrowest of some widths into which its words fit, so that they stay large on paper."""

    def draw() -> Drawing | None:
        picture = result.figure_of_means() if isinstance(result, ShowsMeans) else result.figure()
        return picture if isinstance(picture, Drawing) else None

    whole = draw() or drawing
    for width_mm in WIDTHS_MM:
        laid_out = at_width(whole, draw, width_mm, HEIGHT_SHARE * width_mm)
        if laid_out is not whole:
            return laid_out
    return whole


def _next(checked: Checked, study: Study, results: Mapping[str, Result]) -> str:
    """What the data ask for, and lines for what the team decides."""
    todo = [
        *_mending(checked, study),
        *_reading_together(results, study),
        *_second_readings(results),
        "Agree on one thing to change before the next audit:",
    ]
    lines = "".join(f"<li>{escape(sentence)}</li>" for sentence in todo)
    blank = "<tr><td></td><td></td><td></td></tr>" * 2
    heads = "".join(f'<th scope="col">{word}</th>' for word in ("What", "Who", "By when"))
    return (
        f'<h2 id="next">What to do next</h2><ul class="next">{lines}</ul>'
        f'<table class="lines"><thead><tr>{heads}</tr></thead><tbody>{blank}</tbody></table>'
    )


def _mending(checked: Checked, study: Study) -> list[str]:
    aside, doubts = sum(checked.rows_set_aside.values()), int((study.findings["severity"] == SUSPICION).sum())
    said = []
    if aside:
        said.append(f"Mend {counted(aside, 'row')} that the check set aside: findings.csv says where and how.")
    if doubts:
        said.append(f"Look at {counted(doubts, 'suspicion')} in findings.csv; nothing was removed for them.")
    return said


def _reading_together(results: Mapping[str, Result], study: Study) -> list[str]:
    """The measures whose charts ask for a look, without a code."""
    asking = []
    for key, measure in study.protocol.measures.items():
        chart = results.get(f"audit.chart.{key}")
        numbers = chart.numbers() if chart is not None else {}
        if any(count > 0 for name, count in numbers.items() if name.endswith((".beyond", ".runs"))):
            asking.append(measure.name)
    if not asking:
        return []
    return [
        f"Look together at how {listed(asking, most=2)} {'is' if len(asking) == 1 else 'are'} read: charts in the "
        "audit file ask for it, which chance alone does now and then."
    ]


def _second_readings(results: Mapping[str, Result]) -> list[str]:
    doubles = results.get("audit.double_readings")
    if doubles is not None and not doubles.to_frame().empty:
        return []
    return ["Let a second therapist read every tenth visit, without knowing the first reading."]


def _cautions() -> str:
    lines = "".join(f"<li>{escape(sentence)}</li>" for sentence in CAUTIONS)
    heading = '<h2 id="care">Before you act on this</h2>'
    return f'<section class="care" aria-labelledby="care">{heading}<ul>{lines}</ul></section>'


def _origin(study: Study) -> str:
    made = study.provenance()
    return (
        f"<footer><p>Data {made.data_sha256[:12]}, protocol {made.protocol_sha256[:12]} (SHA-256, first digits). The "
        "whole record: <code>audit_file.html</code>. Made with studykit.</p></footer>"
    )
