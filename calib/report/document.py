"""A short printable document: sections of sentences, facts, tables and lines to sign, as Markdown
and as one self-contained HTML page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from calib.report.tables import Column, cell

_STYLE = """
body { font: 10pt/1.4 sans-serif; color: #111; max-width: 190mm; margin: 10mm auto; padding: 0 5mm }
h1 { font-size: 16pt } h2 { font-size: 12pt; margin: 1.4em 0 .4em; break-after: avoid }
table { border-collapse: collapse; margin: .4em 0; break-inside: avoid }
th, td { border: 1px solid #999; padding: .15em .5em; text-align: left; vertical-align: top }
td.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap }
td { overflow-wrap: anywhere } th { font-weight: 600 }
td.line { min-width: 45mm; height: 9mm }
@page { margin: 15mm } @media print { body { margin: 0; max-width: none; padding: 0 } }
"""


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """A part of a document: sentences, then facts by label, a table, and who signs."""

    title: str
    sentences: tuple[str, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    columns: tuple[Column, ...] = ()
    signers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Document:
    """A document: its title and its sections."""

    title: str
    sections: tuple[Section, ...]


def as_markdown(document: Document) -> str:
    """Return the document as Markdown (CommonMark with tables), legible as plain text too."""
    lines = [f"# {_marked(document.title)}"]
    for section in document.sections:
        lines += ["", f"## {_marked(section.title)}"]
        for sentence in section.sentences:
            lines += ["", _marked(sentence)]
        if section.facts:
            rows = [[_marked(label), _marked(text)] for label, text in section.facts]
            lines += ["", *_grid(["what", "is"], rows, [True, True])]
        if section.columns:
            headings, rows = _cells(section.columns)
            marked = [[_marked(text) for text in row] for row in rows]
            is_left = [c.is_left for c in section.columns]
            lines += ["", *_grid(list(map(_marked, headings)), marked, is_left)]
        for who in section.signers:
            lines += ["", f"{_marked(who)}: {'_' * 28} Date: {'_' * 12} Signature: {'_' * 28}"]
    return "\n".join(lines) + "\n"


def as_html(document: Document) -> str:
    """Return the document as one HTML page without anything from elsewhere."""
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{escape(document.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(document.title)}</h1>",
    ]
    for section in document.sections:
        parts.append(f"<h2>{escape(section.title)}</h2>")
        parts += [f"<p>{escape(sentence)}</p>" for sentence in section.sentences]
        if section.facts:
            rows = "".join(
                f'<tr><th scope="row">{escape(label)}</th><td>{escape(text)}</td></tr>'
                for label, text in section.facts
            )
            parts.append(f"<table>{rows}</table>")
        if section.columns:
            headings, cells = _cells(section.columns)
            head = "".join(f'<th scope="col">{escape(text)}</th>' for text in headings)
            parts.append(f"<table><tr>{head}</tr>")
            kinds = ["" if c.is_left else ' class="number"' for c in section.columns]
            for row in cells:
                tds = (f"<td{k}>{escape(t)}</td>" for k, t in zip(kinds, row, strict=True))
                parts.append(f"<tr>{''.join(tds)}</tr>")
            parts.append("</table>")
        if section.signers:
            head = "".join(
                f'<th scope="col">{t}</th>' for t in ("who", "name", "date", "signature")
            )
            rows = "".join(
                f'<tr><th scope="row">{escape(who)}</th>' + '<td class="line"></td>' * 3 + "</tr>"
                for who in section.signers
            )
            parts.append(f"<table><tr>{head}</tr>{rows}</table>")
    return "\n".join([*parts, "</body></html>", ""])


def _cells(columns: Sequence[Column]) -> tuple[list[str], list[list[str]]]:
    """Return headings on one line, and rows of texts."""
    headings = [c.heading.replace("|", " ") for c in columns]
    texts = [[cell(value, c.form) for value in c.values] for c in columns]
    return headings, [list(row) for row in zip(*texts, strict=True)]


def _grid(headings: list[str], rows: list[list[str]], is_left: list[bool]) -> list[str]:
    widths = [max(3, *(len(row[k]) for row in (headings, *rows))) for k in range(len(headings))]

    def line(cells: list[str]) -> str:
        padded = [
            c.ljust(w) if left else c.rjust(w)
            for c, w, left in zip(cells, widths, is_left, strict=True)
        ]
        return f"| {' | '.join(padded)} |"

    rule = [
        "-" * w if left else "-" * (w - 1) + ":" for w, left in zip(widths, is_left, strict=True)
    ]
    return [line(headings), line(rule), *map(line, rows)]


def _marked(text: str) -> str:
    r"""Return a text as Markdown shows it, on one line: nothing in it is taken for markup.

    >>> print(_marked("cam_1 | <b>"))
    cam_1 \| \<b\>
    """
    one_line = "".join(c if c.isprintable() else " " for c in text)
    return re.sub(r"([\\`*|<>\[\]#&~]|(?<!\w)_|_(?!\w))", r"\\\1", one_line)
