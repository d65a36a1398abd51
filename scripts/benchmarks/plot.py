"""A line chart on logarithmic axes as an SVG file, written by hand so that the bench needs no
drawing library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 520, 380, 70, 20, 44, 52
COLOURS = ("#1b6ca8", "#b5541c", "#3b7d3a", "#7a4b9a")


@dataclass(frozen=True, slots=True)
class Series:
    """A line of the chart: its name and positive points (x, y)."""

    name: str
    points: Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart with titles of its axes; ``limit`` draws a dashed line at that y and names it."""

    title: str
    x_title: str
    y_title: str
    series: Sequence[Series]
    limit: tuple[str, float] | None = None


def write_charts(charts: Sequence[Chart], path: Path) -> Path:
    """Write the charts side by side into one SVG file and return its path."""
    parts = [
        f'<g transform="translate({k * WIDTH} 0)">{_draw(c)}</g>' for k, c in enumerate(charts)
    ]
    width = WIDTH * len(charts)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {HEIGHT}" '
        f'width="{width}" height="{HEIGHT}"'
    )
    style = 'font-family="sans-serif" font-size="12" fill="#222"'
    back = f'<rect width="{width}" height="{HEIGHT}" fill="#fff"/>'
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([f"{head} {style}>", back, *parts, "</svg>", ""]), encoding="utf-8")
    return path


def ticks(low: float, high: float) -> list[float]:
    """Return round values 1, 2 and 5 times powers of ten that reach from below ``low`` to above
    ``high``.

    >>> ticks(3.0, 40.0)
    [2.0, 5.0, 10.0, 20.0, 50.0]
    """
    powers = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 2)
    steps = [float(f"{m}e{p}") for p in powers for m in (1, 2, 5)]
    first = max(i for i, s in enumerate(steps) if s <= low)
    last = min(i for i, s in enumerate(steps) if s >= high)
    return steps[first : max(last, first + 1) + 1]


def _draw(chart: Chart) -> str:
    xs = [x for s in chart.series for x, _ in s.points]
    ys = [y for s in chart.series for _, y in s.points] + ([chart.limit[1]] if chart.limit else [])
    x_ticks, y_ticks = ticks(min(xs), max(xs)), ticks(min(ys), max(ys))
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM

    def at_x(x: float) -> float:
        return LEFT + (right - LEFT) * math.log(x / x_ticks[0]) / math.log(x_ticks[-1] / x_ticks[0])

    def at_y(y: float) -> float:
        return bottom - (bottom - TOP) * math.log(y / y_ticks[0]) / math.log(
            y_ticks[-1] / y_ticks[0]
        )

    out = [
        f'<text x="{LEFT}" y="22" font-size="14" font-weight="bold">{escape(chart.title)}</text>'
    ]
    for x in x_ticks:
        out.append(f'<path d="M{at_x(x):.1f} {TOP}V{bottom}" stroke="#ddd"/>')
        out.append(
            f'<text x="{at_x(x):.1f}" y="{bottom + 17}" text-anchor="middle">{_number(x)}</text>'
        )
    for y in y_ticks:
        out.append(f'<path d="M{LEFT} {at_y(y):.1f}H{right}" stroke="#ddd"/>')
        out.append(
            f'<text x="{LEFT - 7}" y="{at_y(y) + 4:.1f}" text-anchor="end">{_number(y)}</text>'
        )
    middle_x, middle_y = (LEFT + right) / 2, (TOP + bottom) / 2
    out.append(
        f'<text x="{middle_x}" y="{HEIGHT - 12}" '
        f'text-anchor="middle">{escape(chart.x_title)}</text>'
    )
    turn = f'transform="rotate(-90 16 {middle_y})"'
    out.append(
        f'<text x="16" y="{middle_y}" text-anchor="middle" {turn}>{escape(chart.y_title)}</text>'
    )
    if chart.limit:
        name, y = chart.limit
        out.append(
            f'<path d="M{LEFT} {at_y(y):.1f}H{right}" stroke="#a00" stroke-dasharray="5 4"/>'
        )
        out.append(
            f'<text x="{right - 4}" y="{at_y(y) - 5:.1f}" text-anchor="end" '
            f'fill="#a00">{escape(name)}</text>'
        )
    for k, s in enumerate(chart.series):
        colour = COLOURS[k % len(COLOURS)]
        points = sorted((at_x(x), at_y(y)) for x, y in s.points)
        line = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        out.append(f'<path d="M{line}" fill="none" stroke="{colour}" stroke-width="2"/>')
        out += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{colour}"/>' for x, y in points]
        out.append(
            f'<text x="{LEFT + 8}" y="{TOP + 16 + 16 * k}" fill="{colour}">{escape(s.name)}</text>'
        )
    return "".join(out)


def _number(value: float) -> str:
    for size, unit in ((1e6, " M"), (1e3, " k")):
        if value >= size:
            return f"{value / size:g}{unit}"
    return f"{value:g}"
