"""A short printable document: sections of sentences, facts, tables and lines to sign, as Markdown
and as one self-contained HTML page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from calib.report.own import own_text
from calib.report.tables import Column, cell
from calib.report.words import escaped, printable

SHORT = 20  # letters of a cell that is not broken into lines
HASH = 64  # of SHA-256, which is copied as one word
WHOLE = 24  # rows of a table that stays on one page; a longer one repeats its headings


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
    """A document: ``str()`` gives Markdown, ``as_html()`` a page for A4.

    Parameters
    ----------
    title : str
        Its title.
    sections : tuple of Section
        Its parts.
    """

    title: str
    sections: tuple[Section, ...]

    def __str__(self) -> str:
        return as_markdown(self)

    def as_html(self) -> str:
        """Return the document as one HTML page without anything from elsewhere, to print on A4."""
        return as_html(self)


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
    """Return the document as one HTML page without anything from elsewhere, to print on A4."""
    css = own_text("papers/record.css")
    title, style = escaped(document.title), css.replace("TITLE", _in_css(document.title))
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{title}</title><style>\n{style}</style></head><body>",
        f"<h1>{title}</h1>",
    ]
    for section in document.sections:
        parts.append(f"<section><h2>{escaped(section.title)}</h2>")
        parts += [f"<p>{escaped(sentence)}</p>" for sentence in section.sentences]
        if section.facts:
            rows = [
                f'<tr><th scope="row">{escaped(label)}</th><td>{escaped(text)}</td></tr>'
                for label, text in section.facts
            ]
            parts += [f'<table class="{_whole(rows)}facts">', *rows, "</table>"]
        if section.columns:
            parts += _table(section.columns)
        if section.signers:
            rows = [
                f'<tr><th scope="row">{escaped(who)}</th>{"<td></td>" * 3}</tr>'
                for who in section.signers
            ]
            heads = _headings(("who", "name", "date", "signature"))
            parts += ['<table class="whole signatures">', heads, *rows, "</table>"]
        parts.append("</section>")
    return "\n".join([*parts, "</body></html>", ""])


def _table(columns: Sequence[Column]) -> list[str]:
    headings, rows = _cells(columns)
    kinds = []
    for column, texts in zip(columns, zip(*rows, strict=True), strict=True):
        is_short = all(len(t) <= SHORT or (len(t) == HASH and t.isalnum()) for t in texts)
        kinds.append("number" if not column.is_left else "short" if is_short else "long")
    parts = [f'<table class="{_whole(rows)}rows">', _headings(headings), "<tbody>"]
    for row in rows:
        cells = (f'<td class="{k}">{escaped(t)}</td>' for k, t in zip(kinds, row, strict=True))
        parts.append(f"<tr>{''.join(cells)}</tr>")
    return [*parts, "</tbody></table>"]


def _whole(rows: Sequence[object]) -> str:
    return "whole " if len(rows) <= WHOLE else ""


def _headings(texts: Sequence[str]) -> str:
    cells = "".join(f'<th scope="col">{escaped(text)}</th>' for text in texts)
    return f"<thead><tr>{cells}</tr></thead>"


def _in_css(text: str) -> str:
    r"""Return text for a string of a style sheet, where nothing in it can end the string.

    >>> print(_in_css('rig.h5 "</style>'))
    rig\00002eh5\000020\000022\00003c\00002fstyle\00003e
    """
    return "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text)


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
    return re.sub(r"([\\`*|<>\[\]#&~]|(?<!\w)_|_(?!\w))", r"\\\1", printable(text))
