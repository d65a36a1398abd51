"""Pieces of a page: text that nothing in it can turn into markup, charts, tables, sections."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape, unescape
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.io.json import to_json_plotly
from plotly.offline import get_plotlyjs

from calib.report.figures.look import CLOSE_ISOLATE, OPEN_ISOLATE, TEMPLATE
from calib.report.own import own_text
from calib.report.tables import Column, cell
from calib.report.words import escaped

TITLE_PX = 40  # of a chart's upper margin, which the page gives to a heading of its own


def name(value: str) -> str:
    """Return a camera's or a file's name, kept apart from the text around it: right-to-left letters
    in it turn nothing else.
    """
    return f"<bdi>{escaped(value)}</bdi>"


def paragraph(value: str, kind: str = "") -> str:
    """Return a sentence as a paragraph."""
    return f'<p dir="auto"{_class(kind)}>{escaped(value)}</p>'


def facts(rows: Iterable[tuple[str, str]], kind: str = "facts") -> str:
    """Return labelled values."""
    told = (f'<div><dt>{escaped(k)}</dt><dd dir="auto">{escaped(v)}</dd></div>' for k, v in rows)
    return f"<dl{_class(kind)}>{''.join(told)}</dl>"


def section(key: str, title: str, *parts: str) -> str:
    """Return a section with a heading; its key is its address on the page."""
    inner = "".join(parts)
    return f'<section id="{key}"><h2>{escaped(title)}</h2>{inner}</section>'


def chart(key: str, made: go.Figure, note: str = "", kind: str = "") -> str:
    """Return a chart that is drawn when it comes into view; its title becomes a heading."""
    drawn = made.to_dict()
    layout = drawn["layout"]
    layout.pop("template", None)
    title = escaped(plain_title(layout.pop("title", {})))
    height = int(layout.get("height") or 400)
    margin = layout.setdefault("margin", {})
    margin["t"] = max(int(margin.get("t", 52)) - TITLE_PX, 12)
    heading = "" if kind == "space" else f"<h3>{title}</h3>"  # its section has it already
    said = f"<figcaption>{escaped(note)}</figcaption>" if note else ""
    return (
        f"<figure{_class(f'chart {kind}'.strip())}>{heading}"
        f'<div class="plot" id="{key}" style="height:{height}px" data-title="{title}"></div>'
        f"{said}{data(f'{key}-data', drawn)}</figure>"
    )


def plain_title(title: dict[str, Any]) -> str:
    """Return a chart's title as text: without Plotly's entities and marks of direction."""
    isolates = str.maketrans("", "", OPEN_ISOLATE + CLOSE_ISOLATE)
    return unescape(str(title.get("text", ""))).translate(isolates)


def view_buttons(key: str) -> str:
    """Return buttons that turn a 3D view."""
    ways = {
        "start": "whole rig",
        "above": "from above",
        "side": "from the side",
        "left": "turn left",
        "right": "turn right",
        "nearer": "nearer",
        "farther": "farther",
    }
    buttons = (
        f'<button type="button" class="plain" data-of="{key}" data-look="{way}">{words}</button>'
        for way, words in ways.items()
    )
    return f'<div class="tools" role="group" aria-label="view">{"".join(buttons)}</div>'


def data(key: str, value: Any) -> str:
    """Return a value as JSON in a page; nothing in it can end the element that holds it."""
    return f'<script type="application/json" id="{key}">{as_script(value)}</script>'


def as_script(value: Any) -> str:
    r"""Return a value as JSON that may stand within a script element.

    >>> "<" in as_script("</script><!--"), ">" in as_script("</script><!--")
    (False, False)
    """
    return str(to_json_plotly(value)).replace("<", "\\u003c").replace(">", "\\u003e")


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """A row of a table: where its first cell leads, and whether it stands out."""

    link: str = ""
    is_strong: bool = False


def table(
    columns: Sequence[Column], rows: Sequence[Row], caption: str, falls_by: str | None = None
) -> str:
    """Return a table whose headings are buttons that put its rows in order; they fall by one
    column, where one is named.
    """
    head = "".join(_heading(c, c.heading == falls_by) for c in columns)
    body = []
    for k, row in enumerate(rows):
        cells = []
        for j, c in enumerate(columns):
            value = c.values[k]
            shown = escaped(cell(value, c.form))
            if j == 0:
                inner = f"<bdi>{shown}</bdi>"
                inner = f'<a href="#{row.link}">{inner}</a>' if row.link else inner
                cells.append(f'<th scope="row">{inner}</th>')
            else:
                cells.append(f"<td{_class('' if c.is_left else 'number')}>{shown}</td>")
        keys = json.dumps([_sort_key(c.values[k]) for c in columns])
        body.append(
            f'<tr{_class("strong" if row.is_strong else "")} data-keys="{escape(keys)}">'
            f"{''.join(cells)}</tr>"
        )
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escaped(caption)}"><table>'
        f"<caption>{escaped(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def _heading(column: Column, falls: bool) -> str:
    words = "<br>".join(escaped(part) for part in column.heading.split("|"))
    kind, order = _class("" if column.is_left else "number"), "descending" if falls else "none"
    return f'<th scope="col"{kind} aria-sort="{order}"><button type="button">{words}</button></th>'


def _sort_key(value: Any) -> float | str | None:
    if isinstance(value, str):
        return value
    return None if value is None or not np.isfinite(value) else float(value)


def page(title: str, body: Iterable[str]) -> str:
    """Return the whole page: style, body, the charts' library once, and the page's own script."""
    style, script = (own_text(f"page/page.{kind}") for kind in ("css", "js"))
    look = as_script(TEMPLATE.to_plotly_json())
    return "\n".join(
        [
            '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
            # Nothing is loaded from anywhere, whatever a file's names hold.
            '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
            "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
            'font-src data:; worker-src blob:">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f'<link rel="icon" href="data:,"><title>{escaped(title)}</title>',
            f"<style>{style}</style></head><body>",
            *body,
            f"<script>{get_plotlyjs()}</script>",
            f"<script>const LOOK = {look};\n{script}</script></body></html>",
            "",
        ]
    )


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
