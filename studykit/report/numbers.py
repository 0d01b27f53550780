"""results.json: every number of the report at full precision, with where it comes from."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from studykit.answers import Section
from studykit.data import Checked
from studykit.errors import DataError

FORMAT = "studykit-results/1"


def results_document(checked: Checked, sections: Sequence[Section]) -> dict[str, Any]:
    """All numbers of a report as plain values: `answers[key]["numbers"][name]`.

    A number that could not be estimated is null; the answer's headline or cautions say why.
    """
    study = checked.study
    if study is None:
        raise DataError("There is no checked study to write results of.")
    protocol = study.protocol
    return {
        "format": FORMAT,
        "title": protocol.study.title,
        "design": protocol.study.design,
        "made_up_data": protocol.study.made_up,
        "data_source": protocol.study.source,
        "provenance": study.provenance().to_dict(),
        "rows": {
            table: {
                "in": checked.rows_in[table],
                "used": checked.rows_used[table],
                "set_aside": checked.rows_set_aside[table],
            }
            for table in checked.rows_in
        },
        "answers": {result.key: _entry(result) for section in sections for result in section.results},
        "unanswered": {item.key: item.reason for section in sections for item in section.unanswered},
    }


def as_json(document: dict[str, Any]) -> str:
    """The document as text: keys in the order of the report, 17 significant digits, UTF-8."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _entry(result: Any) -> dict[str, Any]:
    return {
        "title": result.title,
        "headline": result.headline,
        "numbers": {name: _finite(value) for name, value in result.numbers().items()},
        "cautions": list(result.cautions),
        "methods": result.methods,
        "provenance": result.provenance.to_dict(),
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
