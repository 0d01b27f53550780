"""An executed notebook as a page of its own: no script, nothing fetched, readable by a screen reader and on paper."""

from __future__ import annotations

import re
from html import escape
from typing import Any, Final

import mistune

from studykit.notebook.kernel import without_colours
from studykit.report.shell import page_shell

_COMES_FROM_ELSEWHERE: Final = re.compile(r"<script|<iframe|<link|(?:src|href)\s*=\s*[\"']?https?:", re.IGNORECASE)
_FRAME: Final = re.compile(r'<table border="1" class="dataframe">(.*?)</table>', re.DOTALL)
_SCOPED_STYLE: Final = re.compile(r"<style scoped>.*?</style>", re.DOTALL)
_STYLE: Final = """<style>
pre { background: var(--wash); border: 1px solid var(--rule); padding: .6rem .8rem; overflow-x: auto; }
pre { font-size: .8rem; }
pre.error { border-left: 4px solid var(--care); background: var(--care-wash); }
table.dataframe th { font-weight: bold; text-align: left; }
img { max-width: 100%; height: auto; }
</style>"""


def notebook_page(notebook: dict[str, Any], *, name: str) -> str:
    """The whole page.

    Args:
        notebook: the content of an .ipynb file, run.
        name: its file name; the title is the first heading of the notebook, or this.
    """
    as_html = mistune.create_markdown(escape=True, plugins=["table"])
    parts = []
    for cell in notebook["cells"]:
        source = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            parts.append(str(as_html(source)))
        elif cell["cell_type"] == "code":
            parts.append(_code(source))
            parts += [_output(output) for output in cell["outputs"]]
    title = re.search(r"^# (.+)$", "".join("".join(cell["source"]) + "\n" for cell in notebook["cells"]), re.MULTILINE)
    footer = f"<footer><p>Made by studykit from {escape(name)}, run in a fresh kernel.</p></footer>"
    body = f'{_STYLE}<main id="main">{"".join(parts)}</main>{footer}'
    return page_shell(title[1] if title else name, body)


def _code(source: str) -> str:
    return (
        f'<pre tabindex="0" role="group" aria-label="Code"><code>{escape(source)}</code></pre>'
        if source.strip()
        else ""
    )


def _output(output: dict[str, Any]) -> str:
    kind = output["output_type"]
    if kind == "stream":
        return f'<pre tabindex="0" role="group" aria-label="Output">{escape(_text(output["text"]))}</pre>'
    if kind == "error":
        told = f"{output['ename']}: {output['evalue']}"
        return f'<pre class="error" tabindex="0" role="group" aria-label="Error">{escape(without_colours(told))}</pre>'
    return _shown(output.get("data", {}))


def _shown(data: dict[str, Any]) -> str:
    """The richest form that needs nothing from elsewhere."""
    page = _text(data.get("text/html", ""))
    if page and not _COMES_FROM_ELSEWHERE.search(page):
        return _FRAME.sub(_frame, _SCOPED_STYLE.sub("", page))
    plain = _text(data.get("text/plain", ""))
    for kind in ("image/png", "image/jpeg"):
        if kind in data:
            source = f"data:{kind};base64,{_text(data[kind]).strip()}"
            return f'<p><img src="{source}" alt="{escape(plain) or "Picture made by the cell above"}"></p>'
    return f'<pre tabindex="0" role="group" aria-label="Output">{escape(plain)}</pre>' if plain else ""


def _frame(found: re.Match[str]) -> str:
    """A data frame as a table whose empty corner is no heading and whose headings say what they head."""
    rows = found[1].replace("<th></th>", "<td></td>")
    head, mark, body = rows.partition("</thead>")
    head, body = head.replace("<th>", '<th scope="col">'), body.replace("<th>", '<th scope="row">')
    return (
        '<div class="sk-table" tabindex="0" role="group" aria-label="Table"><table class="dataframe">'
        f"{head}{mark}{body}</table></div>"
    )


def _text(content: object) -> str:
    return "".join(content) if isinstance(content, list) else str(content)
