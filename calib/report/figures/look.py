"""The look that all charts share: colours, fonts, and how a camera's name stands in them.

Both scales were laid out in OKLab (B. Ottosson, A perceptual color space for image processing,
2020) with equal steps in CIELAB and a lightness that falls all the way, so that they are read in
the same order without red or green, and in grey.
"""

from __future__ import annotations

from html import escape, unescape
from typing import Any

import numpy as np
import plotly.graph_objects as go

from calib.core.geometry import Array
from calib.report.words import printable

INK, SOFT, LINE, SHADE, PAPER = "#1d2530", "#5b6773", "#d3dae0", "#f3f6f8", "#ffffff"
MAIN, WARN = "#1e589c", "#8f4715"  # a blue and a brown that differ in lightness too, on white
# From little to much: mint, blue, plum.
RISING = (
    "#81e3c6",
    "#52d1c7",
    "#24bfc8",
    "#18adc7",
    "#269ac2",
    "#3587bc",
    "#4073b5",
    "#4b5faa",
    "#544897",
    "#513174",
    "#481e52",
)
# From too short to too long about none: blue, near white, brown.
ABOUT_NONE = (
    "#1e589c",
    "#4277b2",
    "#6897ca",
    "#92b5da",
    "#bcd1e7",
    "#edebe9",
    "#e7ccb6",
    "#ddaf8b",
    "#d29461",
    "#b06c3b",
    "#8f4715",
)
COUNTS = ("#f0f3f5", "#dfe6eb", "#cdd8e0", "#bacbd6", "#a6bccb")  # under other marks: pale
# Of lines that must be told apart; the dash and the marker of each differ as well.
APART = ("#1e589c", "#b06c3b", "#18adc7", "#513174", "#5b6773", "#7d8f2e")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
MARKS = ("circle", "square", "diamond", "triangle-up", "x", "cross")
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
MOST_LETTERS = 24  # of a name in a chart; tables have all of it
OPEN_ISOLATE, CLOSE_ISOLATE = "\u2068", "\u2069"  # keep right-to-left names from turning the rest

AXIS = {
    "gridcolor": LINE,
    "zerolinecolor": LINE,
    "linecolor": SOFT,
    "ticks": "outside",
    "tickcolor": LINE,
    "automargin": True,
    "title": {"standoff": 8},
}
TEMPLATE = go.layout.Template(
    layout={
        "font": {"family": FONT, "size": 13, "color": INK},
        "title": {
            "font": {"size": 15},
            "x": 0.0,
            "xanchor": "left",
            "xref": "paper",
            "y": 0.97,
            "yanchor": "top",
        },
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "margin": {"l": 60, "r": 16, "t": 52, "b": 48},
        "xaxis": AXIS,
        "yaxis": AXIS,
        "colorway": list(APART),
        "hoverlabel": {"bgcolor": PAPER, "bordercolor": SOFT, "font": {"color": INK}},
        "legend": {"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom", "xanchor": "left"},
    }
)


def figure(title: str, *, height: int, x: str = "", y: str = "") -> go.Figure:
    """Return an empty chart with its title and the titles of its axes."""
    return go.Figure(
        layout={
            "template": TEMPLATE,
            "title": {"text": title},
            "height": height,
            "xaxis": {"title": {"text": x}},
            "yaxis": {"title": {"text": y}},
        }
    )


def scale(colours: tuple[str, ...]) -> list[list[Any]]:
    """Return colours as Plotly wants a scale."""
    return [[k / (len(colours) - 1), c] for k, c in enumerate(colours)]


def colour_bar(title: str, **more: Any) -> dict[str, Any]:
    """Return a slim bar that tells what colours mean, with its unit."""
    return {
        "title": {"text": title, "side": "right"},
        "thickness": 12,
        "len": 0.8,
        "outlinewidth": 0,
        "ticks": "outside",
    } | more


def colours_to(top: float, title: str) -> dict[str, Any]:
    """Return how values from none to ``top`` colour markers or lines, with the bar beside them."""
    colours = {"cmin": 0.0, "cmax": top, "colorscale": scale(RISING)}
    return colours | {"showscale": True, "colorbar": colour_bar(title)}


def coordinates(points: Array) -> dict[str, Any]:
    """Return x, y and, in space, z of points (n, 2 or 3) as a trace takes them."""
    return {axis: small(values) for axis, values in zip("xyz", points.T, strict=False)}


def add_points(out: go.Figure, points: Array, **how: Any) -> None:
    """Add points (n, 2 or 3) in the plane or in space, by default as marks."""
    add = out.add_scatter3d if points.shape[1] == 3 else out.add_scatter
    add(**coordinates(points), **{"mode": "markers"} | how)


def add_line(
    out: go.Figure, points: Array, colour: str, width: float, dash: str = "solid", **more: Any
) -> None:
    """Add points (n, 2 or 3) joined by a line; nothing is shown on pointing at it."""
    line = {"color": colour, "width": width, "dash": dash}
    add_points(out, points, **{"mode": "lines", "line": line, "hoverinfo": "skip"} | more)


def add_named(
    out: go.Figure, points: Array, names: list[str], told: list[str], size: int, **more: Any
) -> None:
    """Add points (n, 2 or 3) with a name above each, and what is told on pointing at it."""
    usual = {"mode": "markers+text", "textposition": "top center", "showlegend": False}
    font = {"size": size, "color": INK}
    add_points(
        out, points, text=names, textfont=font, hovertext=told, hoverinfo="text", **usual | more
    )


def add_cells(
    out: go.Figure, x: Any, y: Any, z: Any, colours: tuple[str, ...], title: str, **more: Any
) -> None:
    """Add a map of values z (ny, nx), blank where they are nan, with the bar that tells colours."""
    usual = {"colorscale": scale(colours), "colorbar": colour_bar(title), "hoverongaps": False}
    places = {"x": small(x), "y": small(y), "z": small(z), "xgap": 1, "ygap": 1}
    out.add_heatmap(**places, **usual, **more)


def shown(name: str) -> str:
    """Return a name as a chart can show it: on one line, not too long, nothing in it markup.

    >>> shown("<b>x"), shown("a\\nb"), len(shown("x" * 300)) < 30
    ('\\u2068&lt;b&gt;x\\u2069', '\\u2068a b\\u2069', True)
    """
    text = printable(name)
    if len(text) > MOST_LETTERS:
        half = MOST_LETTERS // 2
        text = f"{text[: half + 3]}…{text[-half + 4 :]}"
    return f"{OPEN_ISOLATE}{escape(text, quote=False)}{CLOSE_ISOLATE}"


def in_space(name: str) -> str:
    """Return a name as a label within a 3D view, which knows tags but no entities, can show it.

    >>> in_space("<b>x & y")
    '\u2068‹b>x & y\u2069'
    """
    return unescape(shown(name)).replace("<", "‹")


def small(values: Any) -> Any:
    """Return numbers as a page carries them: in single precision, more than a screen shows."""
    return np.asarray(values, dtype=np.float32)


def joined(paths: Array) -> Array:
    """Return paths (n, k, d) as one (n (k + 1), d) with a gap after each."""
    n, _, d = paths.shape
    return np.concatenate([paths, np.full((n, 1, d), np.nan)], axis=1).reshape(-1, d)


def round_up(value: float) -> float:
    """Return the next of 1, 2 and 5 times a power of ten.

    >>> round_up(0.13), round_up(40.0), round_up(5.0)
    (0.2, 50.0, 5.0)
    """
    if not (np.isfinite(value) and value > 0):
        return 1.0
    power = 10.0 ** np.floor(np.log10(value))
    step = next(m for m in (1.0, 2.0, 5.0, 10.0) if m * power >= value * (1 - 1e-9))
    return float(f"{step * power:.6g}")
