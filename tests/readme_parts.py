"""The picture and the table that README.md shows, made from the goniometer study as the demo makes them.

Run as a program, it writes both anew: `python tests/readme_parts.py`.
"""

from __future__ import annotations

import re
from pathlib import Path

import studykit
from studykit.report.writers.markdown import markdown_table
from studykit.table import Table

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
PICTURE = ROOT / "synthetic_data" / "pictures" / "knee_goniometer.svg"
TABLE = re.compile(r"(?<=<!-- table of the demo -->\n)(.*?)(?=\n<!-- end of the table -->)", re.DOTALL)


def picture_and_table() -> tuple[str, str]:
    """The ratings of the demo as SVG, and its table as Markdown without the notes."""
    study = studykit.open_study(ROOT / "synthetic_data" / "knee_goniometer")
    answer = studykit.reliability_of_study(study)[0]
    drawing, table = answer.figure(), answer.table()
    bare = Table(table.key, table.title, table.columns, table.rows)
    return drawing.svg() + "\n", markdown_table(bare).strip()


if __name__ == "__main__":
    picture, table = picture_and_table()
    PICTURE.write_text(picture, encoding="utf-8")
    README.write_text(TABLE.sub(lambda _: table, README.read_text(encoding="utf-8")), encoding="utf-8")
