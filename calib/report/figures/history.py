"""A rig's changes from file to file, over time."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import plotly.graph_objects as go

from calib.check.history.records import CameraHistory, History
from calib.report.changes.history import QUIET
from calib.report.figures.look import APART, DASHES, MARKS, SOFT, figure, shown

QUANTITIES = {
    "rotation_deg": ("Turn", "turn (°)", 1.0),
    "translation_mm": ("Shift", "shift (mm)", 1.0),
    "focal_change": ("Focal length", "focal length (%)", 100.0),
}


def history_chart(history: History, quantity: str = "rotation_deg") -> go.Figure:
    """Return every camera's ``rotation_deg``, ``translation_mm`` or ``focal_change`` against the
    first file, over the files' times, or their names where some state none.

    Cameras that changed have a colour, a dash and a mark of their own; the others are grey. Bars
    are two standard uncertainties either way.
    """
    title, axis, factor = QUANTITIES[quantity]
    first = history.entries[0]
    when: list[Any] = [shown(e.name) for e in history.entries]
    if history.is_by_time:
        when = [datetime.fromisoformat(e.time) for e in history.entries]
    out = figure(
        f"{title} of each camera against {shown(first.name)}",
        height=360,
        x="date" if history.is_by_time else "file",
        y=axis,
    )
    quiet = [c for c in history.cameras if c.verdict in QUIET]
    for k, c in enumerate(quiet):
        values, sigmas = _values(c, quantity, factor, len(when))
        out.add_scatter(
            x=when,
            y=values,
            mode="lines+markers",
            name="steady",
            legendgroup="steady",
            showlegend=k == 0,
            line={"color": SOFT, "width": 1},
            opacity=0.5,
            marker={"size": 4},
            error_y={"type": "data", "array": 2.0 * sigmas, "thickness": 0.7, "width": 0},
            hovertemplate=f"{shown(c.name)}: %{{y:.3f}}<extra></extra>",
        )
    for k, c in enumerate(c for c in history.cameras if c.verdict not in QUIET):
        values, sigmas = _values(c, quantity, factor, len(when))
        colour = APART[k % len(APART)]
        name = f"{shown(c.name)}: {c.verdict}"
        out.add_scatter(
            x=when,
            y=values,
            mode="lines+markers",
            name=name,
            line={"color": colour, "dash": DASHES[k % len(DASHES)], "width": 2},
            marker={"symbol": MARKS[(k + k // len(APART)) % len(MARKS)], "size": 9},
            error_y={"type": "data", "array": 2.0 * sigmas, "thickness": 1.5, "width": 4},
            hovertemplate=name + ", %{y:.3f}, %{x}<extra></extra>",
        )
    if quantity != "focal_change":  # the length of a change has no part below none
        out.update_yaxes(rangemode="nonnegative")
    if not history.is_by_time:
        out.update_xaxes(type="category")
    out.update_layout(showlegend=True, margin={"t": 92})
    return out


def _values(
    camera: CameraHistory, quantity: str, factor: float, n_files: int
) -> tuple[np.ndarray, np.ndarray]:
    numbers = [camera.numbers(k) for k in range(n_files)]
    return (
        factor * np.array([row[quantity] for row in numbers]),
        factor * np.array([row[f"sigma_{quantity}"] for row in numbers]),
    )
