"""Records as a notebook shows them: what is printed first, then tables of their plain data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import takewhile
from typing import Any

from calib.report.words import escaped

MOST_ROWS = 400


def as_html(lines: Sequence[str], document: Mapping[str, Any]) -> str:
    """Return the lines before the first empty one as text, and every list of items in the document
    or in a part of it as a table whose headings are the items' keys.
    """
    said = "<br>".join(map(escaped, takewhile(str.strip, lines)))
    return f"<p>{said}</p>{''.join(_table(*found) for found in _lists(document))}"


def _lists(document: Mapping[str, Any]) -> Iterator[tuple[str, list[Mapping[str, Any]]]]:
    """Yield a title and items for every list of items; columns of one length are a list as well.

    >>> document = {"wave": {"stops": [{"s": 2}]}, "places": {"x": [1, 2], "y": [3, 4]}, "n": 1}
    >>> dict(_lists(document))
    {'wave stops': [{'s': 2}], 'places': [{'x': 1, 'y': 3}, {'x': 2, 'y': 4}]}
    """
    for key, value in document.items():
        if isinstance(value, Mapping):
            columns = {k: v for k, v in value.items() if isinstance(v, list) and _is_column(v)}
            if len(columns) > 1 and len({len(v) for v in columns.values()}) == 1:
                rows = zip(*columns.values(), strict=True)
                yield key, [dict(zip(columns, row, strict=True)) for row in rows]
            yield from ((f"{key} {inner}", items) for inner, items in _lists(value))
        elif isinstance(value, list) and value and all(isinstance(v, Mapping) for v in value):
            yield key, value


def _is_column(values: Sequence[Any]) -> bool:
    """Return whether a list holds numbers, texts or places; not rows of a matrix."""
    return not any(isinstance(v, Mapping) or (isinstance(v, list) and len(v) > 3) for v in values)


def _table(title: str, rows: Sequence[Mapping[str, Any]]) -> str:
    keys = [k for k in dict.fromkeys(key for row in rows for key in row) if _is_short(k, rows)]
    head = "".join(f'<th scope="col">{escaped(key)}</th>' for key in keys)
    body = "".join(
        f"<tr>{''.join(f'<td>{_cell(row.get(key))}</td>' for key in keys)}</tr>"
        for row in rows[:MOST_ROWS]
    )
    left = len(rows) - MOST_ROWS
    more = f"<p>and {left} more</p>" if left > 0 else ""
    return (
        f"<table><caption>{escaped(title)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>{more}"
    )


def _is_short(key: str, rows: Sequence[Mapping[str, Any]]) -> bool:
    """Return whether a cell can hold what stands under a key."""
    values = (row.get(key) for row in rows)
    return not any(isinstance(v, Mapping) or _holds_items(v) for v in values)


def _holds_items(value: Any) -> bool:
    return isinstance(value, list) and any(isinstance(v, (list, Mapping)) for v in value)


def _cell(value: Any) -> str:
    """Return a value as a cell shows it.

    >>> _cell(None), _cell(0.123456), _cell([1, 2.5]), _cell("<b>")
    ('-', '0.1235', '1, 2.5', '&lt;b&gt;')
    """
    if value is None:
        return "-"
    if isinstance(value, list):
        return ", ".join(map(_cell, value))
    if isinstance(value, float):
        return f"{value:.4g}"
    return escaped(str(value))
