"""A rig's history as a table (CSV) and as a drawing (SVG, written by hand so that no drawing
library is needed).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

import numpy as np

from calib.check.history.records import History
from calib.check.verdicts import Course

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 620, 300, 64, 110, 34, 54
COLOURS = ("#1b6ca8", "#b5541c", "#3b7d3a", "#7a4b9a", "#a3215e", "#5b6b00")
Scale = Callable[[Any], float]
STEADY = "#b9b9b9"
N_NAMED = 12  # beyond this many labels lie on one another
PANELS = (
    ("turn, °", "rotation_deg", 1.0), ("shift, mm", "translation_mm", 1.0), ("focal length, %",
    "focal_change", 100.0)
)  # fmt: skip


def history_as_csv(history: History) -> str:
    """Return every camera's figures in every file, a line each."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    figures = list(history.cameras[0].numbers(0))
    vector = [f"turn_{a}_deg" for a in "xyz"] + [f"shift_{a}_mm" for a in "xyz"]
    writer.writerow(["file", "time", "parent", "camera", "verdict", "p_value", *figures, *vector])
    for k, e in enumerate(history.entries):
        for c in history.cameras:
            parts = [*c.numbers(k).values(), *np.degrees(c.change[k, :3]), *c.change[k, 3:6]]
            cells = ["" if not np.isfinite(v) else f"{v:.9g}" for v in parts]
            p = f"{c.p_value:.3g}" if np.isfinite(c.p_value) else ""
            writer.writerow([e.name, e.time, history.parent(k), c.name, c.verdict, p, *cells])
    return out.getvalue()


def history_as_svg(history: History) -> str:
    """Return the changes against the first file as three charts over the files: turn, shift and
    focal length.

    Cameras that changed are drawn in colour with a bar of two standard uncertainties either way and
    their name, the steady ones in grey.
    """
    height = HEIGHT * len(PANELS)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'width="{WIDTH}" height="{height}"'
    )
    parts = [f'{head} font-family="sans-serif" font-size="12" fill="#222">']
    parts.append(f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>')
    for p, (title, key, factor) in enumerate(PANELS):
        parts.append(f'<g transform="translate(0 {p * HEIGHT})">')
        parts += _panel(history, title, key, factor, is_last=p + 1 == len(PANELS))
        parts.append("</g>")
    return "\n".join([*parts, "</svg>", ""])


def _panel(history: History, title: str, key: str, factor: float, *, is_last: bool) -> list[str]:
    n = len(history.entries)
    values: dict[str, list[float | None]] = {}
    sigmas: dict[str, list[float | None]] = {}
    for c in history.cameras:
        rows = [c.numbers(k) for k in range(n)]
        values[c.name] = [factor * r[key] if np.isfinite(r[key]) else None for r in rows]
        sigmas[c.name] = [factor * s if np.isfinite(s := r[f"sigma_{key}"]) else None for r in rows]
    reach = [v for vs in values.values() for v in vs if v is not None]
    named = [c for c in history.cameras if c.verdict not in {Course.STEADY, Course.UNKNOWN}]
    for c in named:
        pairs = zip(values[c.name], sigmas[c.name], strict=True)
        reach += [
            v + side * 2.0 * s
            for v, s in pairs
            if v is not None and s is not None
            for side in (-1, 1)
        ]
    low, high = min([0.0, *reach]), max([0.0, *reach])
    if key != "focal_change":
        low = 0.0
    step = _step((high - low) or 1e-3)
    low, high = (
        step * np.floor(low / step + 1e-9),
        step * max(np.ceil(high / step - 1e-9), np.floor(low / step) + 1),
    )

    def x(k: int) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (k / max(n - 1, 1))

    def y(v: float) -> float:
        v = min(max(v, low), high)  # the length of a change has no part below zero, its bar would
        return float(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (v - low) / (high - low))

    out = [
        f'<text x="{LEFT}" y="{TOP - 14}" font-weight="bold">{escape(title)} against the '
        f"first file</text>"
    ]
    for i in range(round((high - low) / step) + 1):
        v = low + i * step
        out.append(f'<path d="M{LEFT} {y(v):.1f}H{WIDTH - RIGHT}" stroke="#e4e4e4"/>')
        out.append(
            f'<text x="{LEFT - 6}" y="{y(v) + 4:.1f}" text-anchor="end">{v + 0.0:.4g}</text>'
        )
    for k, e in enumerate(history.entries):
        out.append(f'<path d="M{x(k):.1f} {HEIGHT - BOTTOM}v4" stroke="#888"/>')
        if n <= N_NAMED or k % (n // N_NAMED + 1) == 0:
            label = e.time[:10] or e.name
            out.append(
                f'<text x="{x(k):.1f}" y="{HEIGHT - BOTTOM + 18}" '
                f'text-anchor="middle">{escape(label)}</text>'
            )
    if is_last:
        text = "grey: steady cameras; bars: two standard uncertainties"
        out.append(f'<text x="{LEFT}" y="{HEIGHT - 12}" fill="#666">{text}</text>')
    for c in history.cameras:
        if c not in named:
            out += _line(values[c.name], sigmas[c.name], x, y, STEADY, has_bars=False)
    ends = []
    for i, c in enumerate(named):
        colour = COLOURS[i % len(COLOURS)]
        out += _line(values[c.name], sigmas[c.name], x, y, colour, has_bars=True)
        last = max((k for k in range(n) if values[c.name][k] is not None), default=None)
        if last is not None:
            ends.append((y(float(values[c.name][last] or 0.0)), x(last), c, colour))
    floor = -1e9
    for at, right, c, colour in sorted(ends, key=lambda e: e[0])[:N_NAMED]:
        floor = max(at + 4.0, floor + 13.0)
        words = escape(f"{c.name} {c.verdict}")
        out.append(f'<text x="{right + 8:.1f}" y="{floor:.1f}" fill="{colour}">{words}</text>')
    return out


def _line(
    values: Sequence[float | None],
    sigmas: Sequence[float | None],
    x: Scale,
    y: Scale,
    colour: str,
    *,
    has_bars: bool,
) -> list[str]:
    points = [
        (x(k), y(v), s)
        for k, (v, s) in enumerate(zip(values, sigmas, strict=True))
        if v is not None
    ]
    if not points:
        return []
    way = " L".join(f"{a:.1f} {b:.1f}" for a, b, _ in points)
    out = [f'<path fill="none" stroke="{colour}" stroke-width="1.6" d="M{way}"/>']
    if has_bars:
        for (a, b, s), v in zip(points, [v for v in values if v is not None], strict=True):
            out.append(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="2.6" fill="{colour}"/>')
            if s:
                out.append(
                    f'<path d="M{a:.1f} {y(v - 2 * s):.1f}V{y(v + 2 * s):.1f}" stroke="{colour}"/>'
                )
    return out


def _step(span: float) -> float:
    """Return a round step that divides a span into three to seven.

    >>> _step(1.0)
    0.2
    """
    power = 10.0 ** np.floor(np.log10(span))
    return float(next(m * power for m in (0.2, 0.5, 1.0, 2.0) if span / (m * power) <= 7.0))
