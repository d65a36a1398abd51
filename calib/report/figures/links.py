"""Which cameras see the wand together: a map seen from above, and the counts of every pair."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from calib.core.geometry import Array
from calib.core.names import counted
from calib.core.rig import Rig
from calib.report.figures import look
from calib.report.figures.space import has_room
from calib.report.figures.stage import stage_of
from calib.solve.start.graph import MIN_SHARED_FRAMES, Overlap

MOST_LINKS = 3  # of a camera that the map draws; the table of pairs has all
MOST_WRITTEN = 16  # cameras whose counts fit into the cells
MOST_ACROSS, MOST_ALONG = 24, 60  # names along the axes of the table of pairs
BESIDE = 0.2  # of the cameras' spread along x, for their names beside them
WIDTHS = (1.0, 2.0, 3.5, 5.0)  # of lines, by quarters of what the drawn pairs share


def links_map(rig: Rig, overlap: Overlap) -> go.Figure:
    """Return the cameras from above, each with lines to the cameras that it shares most frames
    with; the more they share the thicker.
    """
    stage = stage_of(rig)
    names = [n for n in overlap.names if n in rig.names]
    rows = [overlap.names.index(n) for n in names]
    at = stage.place(np.array([rig.camera(n).position_mm for n in names]))[:, :2]
    shared = overlap.frames[np.ix_(rows, rows)].astype(float)
    np.fill_diagonal(shared, 0.0)
    out = look.figure(
        "Who sees the wand together, from above", height=480, x=stage.axes[0], y=stage.axes[1]
    )
    pairs = strongest(shared)
    counts = [shared[p] for p in pairs] or [0.0]
    limits = np.rint(np.linspace(min(counts) - 1, max(counts), len(WIDTHS) + 1)).astype(int)
    for k, width in enumerate(WIDTHS):
        here = [(i, j) for i, j in pairs if limits[k] < shared[i, j] <= limits[k + 1]]
        if not here:
            continue
        path = look.joined(np.array([[at[i], at[j]] for i, j in here]))
        look.add_line(
            out,
            path,
            look.RISING[2 + 2 * k],
            width,
            name=f"{limits[k] + 1} to {limits[k + 1]} frames shared",
        )
    if pairs:
        middle = np.array([(at[i] + at[j]) / 2 for i, j in pairs])
        told = [
            f"{look.shown(names[i])} and {look.shown(names[j])}: {shared[i, j]:.0f} frames shared"
            for i, j in pairs
        ]
        look.add_points(
            out,
            middle,
            hovertext=told,
            hoverinfo="text",
            marker={"size": 10, "color": look.MAIN, "opacity": 0.0},
            showlegend=False,
        )
    n_links = [counted(n, "camera") for n in (shared >= MIN_SHARED_FRAMES).sum(axis=1)]
    shown = [look.shown(n) for n in names]
    look.add_named(
        out,
        at,
        [n if r else "" for n, r in zip(shown, has_room(at), strict=True)],
        [f"{n}: shares frames with {c}" for n, c in zip(shown, n_links, strict=True)],
        12,
        textposition=_outward(at),
        cliponaxis=False,
        marker={"size": 11, "color": look.INK, "line": {"color": look.PAPER, "width": 2}},
    )
    low, high = (float(v) for v in (at[:, 0].min(), at[:, 0].max()))
    aside = BESIDE * max(high - low, 1.0)
    out.update_layout(
        yaxis={"scaleanchor": "x", "constrain": "domain", "zeroline": False},
        xaxis={"constrain": "domain", "zeroline": False, "range": [low - aside, high + aside]},
        margin={"t": 100},
    )
    return out


def _outward(at: Array) -> list[str]:
    """Return on which side of each place (n, 2) its name stands clear of the lines inward."""
    x, y = (at - at.mean(axis=0)).T
    aside = np.where(x < 0, "middle left", "middle right")
    upright = np.where(y < 0, "bottom center", "top center")
    return [str(s) for s in np.where(np.abs(x) > np.abs(y), aside, upright)]


def strongest(shared: Array) -> list[tuple[int, int]]:
    """Return the pairs that are among the strongest few of either camera, weakest first."""
    pairs = set()
    for i, row in enumerate(shared):
        best = np.argsort(-row, kind="stable")[:MOST_LINKS]
        pairs |= {(min(i, int(j)), max(i, int(j))) for j in best if row[j] >= MIN_SHARED_FRAMES}
    return sorted(pairs, key=lambda p: (shared[p], p))


def _ticks(names: list[str], most: int) -> dict[str, object]:
    """Return an axis of names: every one, or every second, third..., so that most find room."""
    step = -(-len(names) // most)
    at = range(0, len(names), max(step, 1))
    return {"tickmode": "array", "tickvals": list(at), "ticktext": [names[k] for k in at]}


def links_table(overlap: Overlap) -> go.Figure:
    """Return the number of frames that every two cameras share, as a table of colours; of few
    cameras with the counts written in.
    """
    names = [look.shown(n) for n in overlap.names]
    n = len(names)
    counts = overlap.frames.astype(float)
    np.fill_diagonal(counts, np.nan)
    counts[counts == 0] = np.nan
    out = look.figure("Frames that two cameras share", height=int(np.clip(28 * n + 140, 320, 900)))
    is_written = n <= MOST_WRITTEN
    at = np.arange(n)
    look.add_cells(
        out,
        at,
        at,
        counts,
        look.RISING,
        "frames shared",
        zmin=0,
        texttemplate="%{z:.0f}" if is_written else None,
        hovertemplate="%{y} and %{x}: %{z:.0f} frames<extra></extra>",
    )
    bare = {"showgrid": False, "zeroline": False, "ticks": ""}
    out.update_layout(
        xaxis={**_ticks(names, MOST_ACROSS), "tickangle": -60, **bare},
        yaxis={**_ticks(names, MOST_ALONG), "autorange": "reversed", **bare},
    )
    if n > MOST_WRITTEN:
        out.update_layout(font={"size": 11})
    if not np.isfinite(counts).any():
        out.add_annotation(
            text="no two cameras share a frame", showarrow=False, font={"color": look.SOFT}
        )
    return out
