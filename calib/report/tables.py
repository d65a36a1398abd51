"""What a report is made of, texts and tables, and the one way in which they become lines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from calib.report.words import wrapped

GAP = "  "


class Strong(str):
    """A line that stands out where the console can show it."""

    __slots__ = ()


class Laid(Protocol):
    """What knows its lines by how much one holds; None: as much as there is."""

    def laid(self, width: int | None) -> list[str]: ...


Blocks = list[str | Laid]  # a text is filled into lines; an empty one is an empty line


@dataclass(frozen=True, slots=True)
class Said:
    """A text after its label, as ``words.wrapped`` fills it into lines: strong ones stand out, a
    whole one is never broken.
    """

    text: str
    label: str = ""
    is_strong: bool = False
    is_whole: bool = False

    def laid(self, width: int | None) -> list[str]:
        lines = wrapped(self.text, None if self.is_whole else width, self.label)
        return [Strong(line) for line in lines] if self.is_strong else lines


def strong(text: str, label: str = "") -> Said:
    """Return a text that stands out."""
    return Said(text, label, is_strong=True)


def following(command: str) -> Said:
    """Return the command that comes next."""
    return Said(command, "Next: ", is_whole=True)


@dataclass(frozen=True, slots=True)
class Listing:
    """Rows of texts, the last of each filled beside the columns that the others make.

    >>> Listing([("a", "one"), ("long", "two")]).laid(40)
    ['a     one', 'long  two']
    """

    rows: Sequence[Sequence[str]]

    def laid(self, width: int | None) -> list[str]:
        wide = [max(map(len, column)) for column in list(zip(*self.rows, strict=True))[:-1]]
        lines = []
        for *labels, text in self.rows:
            label = "".join(f"{of:<{w}}  " for of, w in zip(labels, wide, strict=True))
            lines += wrapped(text, width, label)
        return lines


def lines_of(blocks: Iterable[str | Laid], width: int | None = None) -> list[str]:
    """Return blocks as lines of at most so many letters, by default however long."""
    out: list[str] = []
    for block in blocks:
        if isinstance(block, str):
            out += wrapped(block, width) or [""]
        else:
            out += block.laid(width)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """A heading, with its unit on a second line after a bar ("RMS|px"), and a value for every row.

    Numbers are written by the format ``form``, those that do not exist as "-", text as it is;
    numbers stand to the right. Where a line is too short for all columns those of the highest
    ``rank`` go first; rank 0 always stays.
    """

    heading: str
    values: Sequence[Any]
    form: str = ""
    is_left: bool = False
    rank: int = 0

    @property
    def name(self) -> str:
        """The heading in one line."""
        return " ".join(self.heading.split("|")).strip()

    def lines(self, n_headings: int) -> list[str]:
        """Return headings and cells, all of one width."""
        headings = self.heading.split("|")
        headings += [""] * (n_headings - len(headings))
        texts = [*headings, *(cell(v, self.form) for v in self.values)]
        width = max(map(len, texts))
        return [t.ljust(width) if self.is_left else t.rjust(width) for t in texts]


def xyz(places: Iterable[Any], form: str, heading: str = "{}|mm") -> list[Column]:
    """Return a column each of x, y and z of places (n, 3)."""
    rows = list(places)
    return [
        Column(heading.format(axis), [float(place[k]) for place in rows], form)
        for k, axis in enumerate("xyz")
    ]


def cell(value: Any, form: str = "") -> str:
    """Return a value as a cell shows it.

    >>> cell(-0.0001, ".3f"), cell(-0.0001, "+.3f"), cell(float("nan"), ".3f"), cell("cam01")
    ('0.000', '+0.000', '-', 'cam01')
    """
    if isinstance(value, str):
        return value
    if value is None or not math.isfinite(value):
        return "-"
    sign = form[: form.startswith("+")]
    rest = form[len(sign) :]
    return format(value, f"{sign}z{rest}" if rest[:1] == "." and rest[-1] in "f%" else form)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A table, some of its rows standing out.

    Columns that a line has no room for are left out by their rank and named below; what still is
    too wide goes on below, with the first column once more.

    >>> for line in Table([Column("camera", ["a", "b"], is_left=True),
    ...                    Column("RMS|px", [0.1, 0.25], ".2f")]).laid(None):
    ...     print(line)
    camera   RMS
              px
    a       0.10
    b       0.25
    """

    columns: Sequence[Column]
    standing_out: Collection[int] = ()

    def laid(self, width: int | None) -> list[str]:
        shown = _fitting(self.columns, width)
        n_headings = max(c.heading.count("|") + 1 for c in shown)
        key, *rest = [c.lines(n_headings) for c in shown]
        blocks, used = [[key]], len(key[0])
        for lines in rest:
            used += len(GAP) + len(lines[0])
            if width is not None and used > width and len(blocks[-1]) > 1:
                blocks.append([key])
                used = len(key[0]) + len(GAP) + len(lines[0])
            blocks[-1].append(lines)
        out: list[str] = []
        for block in blocks:
            rows = [GAP.join(row).rstrip() for row in zip(*block, strict=True)]
            rows = [
                Strong(r) if k - n_headings in self.standing_out else r for k, r in enumerate(rows)
            ]
            out += [
                *([""] if out else []),
                *(r for k, r in enumerate(rows) if r or k >= n_headings),
            ]
        if hidden := [c.name for c in self.columns if c not in shown]:
            text = f"(lines of {_width(self.columns)} characters also hold {', '.join(hidden)})"
            out += textwrap.wrap(text, max(width or 0, 40), break_on_hyphens=False)
        return out


def _width(columns: Sequence[Column]) -> int:
    n_headings = max(c.heading.count("|") + 1 for c in columns)
    widths = [len(c.lines(n_headings)[0]) for c in columns]
    return sum(widths) + len(GAP) * (len(widths) - 1)


def _fitting(columns: Sequence[Column], width: int | None) -> list[Column]:
    """Return the columns without those that a line has no room for, the least important first."""
    shown = list(columns)
    while width is not None and _width(shown) > width and any(c.rank for c in shown):
        highest = max(c.rank for c in shown)
        shown.remove(next(c for c in reversed(shown) if c.rank == highest))
    return shown
