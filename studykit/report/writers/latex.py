"""A table as LaTeX with the three rules of booktabs."""

from __future__ import annotations

from typing import Final

from studykit.report.writers.widths import shares
from studykit.table import Table

_ESCAPES: Final = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    '"': r"\textquotedbl{}",
    "'": r"\textquotesingle{}",
    "`": r"\textasciigrave{}",
    "\N{DEGREE SIGN}": r"\textdegree{}",
    "\N{MINUS SIGN}": "$-$",
    "\N{MULTIPLICATION SIGN}": r"$\times$",
    "\N{PLUS-MINUS SIGN}": r"$\pm$",
    "\N{SQUARE ROOT}": r"$\surd$",
    "\N{INFINITY}": r"$\infty$",
    "\N{LESS-THAN OR EQUAL TO}": r"$\leq$",
    "\N{GREATER-THAN OR EQUAL TO}": r"$\geq$",
    "\N{EN DASH}": "--",
    "\N{EM DASH}": "---",
    "\N{LEFT DOUBLE QUOTATION MARK}": "``",
    "\N{RIGHT DOUBLE QUOTATION MARK}": "''",
    "\N{LEFT SINGLE QUOTATION MARK}": "`",
    "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    "\N{HORIZONTAL ELLIPSIS}": r"\ldots{}",
    "\N{NO-BREAK SPACE}": "~",
    "\n": " ",
}
PACKAGES: Final = r"\usepackage[T1]{fontenc}\usepackage{array,booktabs,longtable,textcomp}"
_FITS_ON_A_LINE: Final = 85
"""Letters of a row beyond which columns take shares of the line and break their text."""
_FITS_ON_A_PAGE: Final = 30
"""Rows beyond which the table may run over pages."""


def latex_escaped(text: str) -> str:
    """Text in which nothing is a command of LaTeX; signs that its usual fonts lack become their commands."""
    return "".join(_ESCAPES.get(letter, letter) for letter in text)


def latex_table(table: Table) -> str:
    """A floating `table`, or a `longtable` that repeats its head where it would not fit on a page.

    The first line names the packages that a document needs.
    """
    head = _line([column.heading for column in table.columns])
    body = [_line(list(row)) for row in table.rows]
    caption = rf"\caption{{{latex_escaped(table.title)}}}\label{{tab:{_label(table.key)}}}"
    notes = [rf"\par\smallskip{{\footnotesize {latex_escaped(note)}}}" for note in table.notes]
    columns, long = _columns(table)
    needs = f"% The document needs: {PACKAGES}"
    if long:
        lines = [
            needs,
            r"{\small",
            rf"\begin{{longtable}}{{{columns}}}",
            rf"{caption}\\",
            r"\toprule",
            head,
            r"\midrule",
            r"\endfirsthead",
            r"\toprule",
            head,
            r"\midrule",
            r"\endhead",
            *body,
            r"\bottomrule",
            r"\end{longtable}",
            *notes,
            "}",
        ]
    else:
        lines = [
            needs,
            r"\begin{table}",
            r"\centering\small",
            caption,
            rf"\begin{{tabular}}{{{columns}}}",
            r"\toprule",
            head,
            r"\midrule",
            *body,
            r"\bottomrule",
            r"\end{tabular}",
            *notes,
            r"\end{table}",
        ]
    return "\n".join(lines) + "\n"


def _columns(table: Table) -> tuple[str, bool]:
    """Column letters, or shares of the line where a row does not fit on it; True when pages may break it."""
    longest = [max(len(text) for text in texts) for texts in zip(*_all_rows(table), strict=True)]
    if sum(longest) <= _FITS_ON_A_LINE:
        return "".join("l" if column.align == "left" else "r" for column in table.columns), (
            len(table.rows) > _FITS_ON_A_PAGE
        )
    room = shares(table, line=_FITS_ON_A_LINE)
    parts = [
        rf">{{\ragged{'right' if column.align == 'left' else 'left'}\arraybackslash}}"
        rf"p{{\dimexpr {_thousandths(share)}\linewidth-2\tabcolsep\relax}}"
        for column, share in zip(table.columns, room, strict=True)
    ]
    letters = sum(-(-max(map(len, row)) // 30) for row in table.rows)
    return "".join(parts), letters > _FITS_ON_A_PAGE


def _thousandths(share: float) -> str:
    return f"0.{int(1000 * share):03d}"


def _all_rows(table: Table) -> list[tuple[str, ...]]:
    return [tuple(column.heading for column in table.columns), *table.rows]


def _line(cells: list[str]) -> str:
    r"""Cells of a row; a cell that begins with [ or * would be read as an option of \\ before it."""
    escaped = [latex_escaped(cell) for cell in cells]
    return " & ".join(f"{{}}{cell}" if cell.startswith(("[", "*")) else cell for cell in escaped) + r" \\"


def _label(key: str) -> str:
    return key.replace("_", "-").replace(".", "-")
