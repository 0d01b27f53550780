"""No table is half German: what stays English is a name of the study, a source, or a word of both languages."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.answers import answer
from studykit.data import check_study
from studykit.data.sharing.presenting import presentable
from studykit.protocol import Protocol
from studykit.report.paper_tables import all_tables
from studykit.report.print_style import print_style

STUDIES = Path(__file__).parent.parent.parent / "synthetic_data"
SAME_IN_BOTH = {"p", "Instrument", "Signal"}
UNITS = ("(n\N{NO-BREAK SPACE}=", "\N{NO-BREAK SPACE}s", "(h)")
SENTENCES = {"provenance", "findings", "reporting_items", "dose_published", "planned_measures"}
"""Tables with cells that are sentences, citations or versions, which stay English."""


def names_of(protocol: Protocol) -> list[str]:
    """Everything that the study itself has named, longest first."""
    labels = [measure.name for measure in protocol.measures.values()]
    labels += [arm.label for arm in protocol.arms.values()] + [visit.label for visit in protocol.visits]
    labels += [covariate.label for covariate in protocol.covariates.values()] + list(protocol.raters)
    return sorted(labels, key=len, reverse=True)


@pytest.mark.parametrize("study", ["ferry_trial", "knee_goniometer"])
def test_titles_headings_and_cells_are_german_but_for_names(study: str) -> None:
    checked = check_study(STUDIES / study)
    assert checked.study is not None
    shown = presentable(checked.study)
    german = print_style(language="de")
    names = names_of(shown.protocol)
    left: list[str] = []
    for table in all_tables(checked, shown, answer(shown)):
        printed = german.of_table(table)
        texts = [(table.title, printed.title)]
        texts += [(one.heading, other.heading) for one, other in zip(table.columns, printed.columns, strict=True)]
        if table.key not in SENTENCES:
            cells = zip(table.rows, printed.rows, strict=True)
            texts += [pair for row, other in cells for pair in zip(row, other, strict=True)]
        for english, other in texts:
            rest = english
            for name in names:
                rest = rest.replace(name, "")
            for unit in UNITS:
                rest = rest.replace(unit, "")
            words = [letter for letter in rest if letter.isalpha()]
            is_key = "." in english and " " not in english
            is_reason = table.key == "participant_flow" and english.startswith("– ")  # in the words of the study
            if english == other and words and english not in SAME_IN_BOTH and not (is_key or is_reason):
                left.append(f"{table.key}: {english}")
    assert left == []
