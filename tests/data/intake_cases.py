"""Small protocols and folders for the tests of the import."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
from openpyxl.worksheet.worksheet import Worksheet

from studykit.data.intake.gathered import Gathered
from studykit.data.intake.gathering import gather
from studykit.protocol import Protocol
from studykit.vocabulary import COLUMNS as TABLE_COLUMNS
from studykit.vocabulary import FINDING_COLUMNS, LOG_COLUMNS

HEADINGS = "participant_id,measure,rater_id,trial,value"
COLUMNS = HEADINGS.split(",")
ROW = "P1,lunge,R1,1,40"
LUNGE = {
    "name": "Lunge",
    "joint": "ankle",
    "motion": "dorsiflexion",
    "position": "standing",
    "instrument": "inclinometer",
    "unit": "deg",
    "better": "higher",
    "zero_and_sign": "0 is upright; forward is positive",
    "plausible_low": 0,
    "plausible_high": 90,
    "cautions": ["made up for tests"],
}


def protocol_with(*, covariates: dict[str, Any] | None = None, **intake: Any) -> Protocol:
    """A protocol with a measure in degrees (lunge) and one in centimetres (reach), and this [intake]."""
    return Protocol.model_validate(
        {
            "study": {"title": "T", "question": "Q", "design": "reliability", "primary_measure": "lunge"},
            "measures": {"lunge": LUNGE, "reach": {**LUNGE, "unit": "cm"}},
            "covariates": covariates or {},
            "intake": intake,
        }
    )


def gathered(folder: Path, files: dict[str, str | bytes], **intake: Any) -> Gathered:
    """What is gathered from a folder with these files."""
    data = folder / "data"
    data.mkdir(exist_ok=True)
    for name, content in files.items():
        (data / name).write_bytes(content.encode() if isinstance(content, str) else content)
    return gather(folder, protocol_with(**intake))


def gathered_csv(folder: Path, *rows: str, headings: str = HEADINGS, **intake: Any) -> Gathered:
    """What is gathered from measurements.csv with these rows."""
    return gathered(folder, {"measurements.csv": "\n".join([headings, *rows, ""])}, **intake)


def gathered_sheet(
    folder: Path, rows: list[list[Any]], change: Callable[[Worksheet], None] | None = None, **intake: Any
) -> Gathered:
    """What is gathered from measurements.xlsx, written by openpyxl, with these rows (the first holds the headings)."""
    (folder / "data").mkdir(exist_ok=True)
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    sheet.title = "measurements"
    for row in rows:
        sheet.append(row)
    if change is not None:
        change(sheet)
    workbook.save(folder / "data" / "measurements.xlsx")
    return gather(folder, protocol_with(**intake))


def rules(gathered_data: Gathered) -> list[str]:
    """Rules of all findings, in order."""
    return gathered_data.findings["rule"].tolist()


def only_finding(gathered_data: Gathered) -> pd.Series:
    """The one finding that there is."""
    assert len(gathered_data.findings) == 1, gathered_data.findings.to_string()
    return gathered_data.findings.iloc[0]


def changes(gathered_data: Gathered) -> list[tuple[str, str]]:
    """Before and after of each line of the log."""
    return list(zip(gathered_data.log["before"], gathered_data.log["after"], strict=True))


def check_promises(result: Gathered) -> None:
    """What holds for every import, whatever was in the files."""
    for table, frame in result.tables.items():
        for aligned in (result.places[table], result.texts[table]):
            assert len(aligned) == len(frame)
            assert aligned.index.equals(pd.RangeIndex(len(frame)))
        assert list(frame.columns)[: len(TABLE_COLUMNS[table])] == list(TABLE_COLUMNS[table])
        assert list(result.headings[table]) == list(result.texts[table].columns) == list(frame.columns)
        assert not result.texts[table].isna().any(axis=None)
        assert result.counts[table].balanced
        assert result.counts[table].rows == len(frame)
    assert list(result.log.columns) == list(LOG_COLUMNS)
    assert list(result.findings.columns) == [*FINDING_COLUMNS, "position"]
    for table, lines in result.findings[result.findings["position"] >= 0].groupby("table"):
        rows = result.places[str(table)]["row"].iloc[lines["position"]]
        assert rows.tolist() == lines["row"].tolist()
