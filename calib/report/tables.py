"""The one layout of all text tables."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

GAP = "  "


class Strong(str):
    """A line that stands out where the console can show it."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Column:
    """A heading, with its unit on a second line after a bar ("RMS|px"), and a value for every row.

    Numbers are written by the format ``form``, those that do not exist as "-", text as it is;
    numbers stand to the right.
    """

    heading: str
    values: Sequence[Any]
    form: str = ""
    is_left: bool = False

    def lines(self, n_headings: int) -> list[str]:
        """Return headings and cells, all of one width."""
        headings = self.heading.split("|")
        headings += [""] * (n_headings - len(headings))
        texts = [*headings, *(cell(v, self.form) for v in self.values)]
        width = max(map(len, texts))
        return [t.ljust(width) if self.is_left else t.rjust(width) for t in texts]


def cell(value: Any, form: str = "") -> str:
    """Return a value as a cell shows it.

    >>> cell(-0.0001, ".3f"), cell(float("nan"), ".3f"), cell(None), cell("cam01")
    ('0.000', '-', '-', 'cam01')
    """
    if isinstance(value, str):
        return value
    if value is None or not math.isfinite(value):
        return "-"
    return format(value, f"z{form}" if form.endswith(("f", "%")) and form[0] == "." else form)


def table(
    columns: Sequence[Column], width: int | None = None, strong: Collection[int] = ()
) -> list[str]:
    """Return the lines of a table, the rows ``strong`` standing out.

    What ``width`` does not hold goes on below, with the first column once more.

    >>> for line in table([Column("camera", ["a", "b"], is_left=True),
    ...                    Column("RMS|px", [0.1, 0.25], ".2f")]):
    ...     print(line)
    camera   RMS
              px
    a       0.10
    b       0.25
    """
    n_headings = max(c.heading.count("|") + 1 for c in columns)
    key, *rest = [c.lines(n_headings) for c in columns]
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
        rows = [Strong(r) if k - n_headings in strong else r for k, r in enumerate(rows)]
        out += [*([""] if out else []), *rows]
    return out
