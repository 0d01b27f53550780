"""Hidden columns and sheets: refused, used or left out as the protocol says, and always listed."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pandas as pd

from studykit.data.findings import found_in_file
from studykit.data.reading.sheet import Sheet, column_letter
from studykit.vocabulary import ERROR, SUSPICION

_SHOW = "Show it in the spreadsheet and look; or declare read_hidden as 'use' or 'leave out'."


def check_hidden(table: str, sheet: Sheet, read_hidden: str) -> tuple[Sheet, list[pd.DataFrame]]:
    """The sheet as it is to be read, and a finding for hidden columns and for a hidden sheet.

    Hidden columns that are left out count as columns that are not there. A hidden sheet that is left out is never read.
    """
    severity = ERROR if read_hidden == "refuse" else SUSPICION
    report = partial(
        found_in_file, table=table, file=sheet.file, sheet=sheet.sheet, severity=severity, what_to_do=_SHOW
    )
    findings = []
    if sheet.hidden:
        findings.append(report(rule="hidden_sheet", message=f"the sheet {sheet.sheet!r} is hidden"))
    filled = [
        number for number in sorted(sheet.hidden_columns) if sheet.headings[number] or (sheet.cells[number] != "").any()
    ]
    if filled:
        names = ", ".join(f"{column_letter(number)} ({sheet.headings[number]!r})" for number in filled)
        done = {"refuse": "", "use": "; they are used", "leave out": "; they are left out"}[read_hidden]
        findings.append(report(rule="hidden_columns", message=f"hidden columns: {names}{done}"))
    hidden_rows = 0 if sheet.hidden_rows is None else int(sheet.hidden_rows.sum())
    if read_hidden == "leave out" and hidden_rows:
        findings.append(
            report(rule="hidden_rows", message=f"{hidden_rows} hidden rows are left out; the log lists them")
        )
    if read_hidden == "leave out" and filled:
        sheet = replace(
            sheet,
            headings=tuple("" if at in sheet.hidden_columns else name for at, name in enumerate(sheet.headings)),
            cells=tuple(
                pd.Series("", index=range(len(sheet)), dtype="str") if at in sheet.hidden_columns else cells
                for at, cells in enumerate(sheet.cells)
            ),
        )
    return sheet, findings
