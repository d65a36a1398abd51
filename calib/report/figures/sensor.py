"""A camera's sensor: where its points lie, how they are off there, and what is masked."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from calib.core.geometry import Array
from calib.core.names import counted
from calib.core.tracks import CameraTracks
from calib.report.figures import look
from calib.report.figures.data import Sensor

BEYOND = 3.0  # standard uncertainties: a cell's mean beyond is no chance in a hundred cells or so
LONG = 1.0  # cell that nine in ten arrows stay within
MOST_POINTS = 1500  # of a kind: enough to see where they lie, and a page that opens
LEAST_RADIUS = 0.01  # of the sensor's width, of a mask as it is drawn
HEAD = 0.3  # of an arrow's length


def sensor_map(sensor: Sensor) -> go.Figure:
    """Return a sensor with the number of points in each cell and the mean residual there as an
    arrow, dark where it is more than chance.
    """
    dx, dy = sensor.cell_px
    ny, nx = sensor.count.shape
    x, y = (np.arange(nx) + 0.5) * dx - 0.5, (np.arange(ny) + 0.5) * dy - 0.5
    length = np.linalg.norm(sensor.mean_px, axis=-1)
    known = np.isfinite(length)
    usual = float(np.quantile(length[known], 0.9)) if known.any() else 1.0
    times = magnified(2.0 * LONG * min(dx, dy) / max(usual, 1e-9))
    out = look.figure(
        f"Points over the sensor, and how they lie off ({times:,.0f} ×)",
        height=sensor_height(sensor.width, sensor.height),
    )
    look.add_cells(
        out,
        x,
        y,
        np.where(sensor.count > 0, sensor.count, np.nan),
        look.COUNTS,
        "points in a cell",
        zmin=0,
        customdata=np.dstack([sensor.mean_px, sensor.count]).astype(np.float32),
        hovertemplate="about (%{x:.0f}, %{y:.0f}) px: %{customdata[2]:.0f} points, off by "
        "(%{customdata[0]:.3f}, %{customdata[1]:.3f}) px<extra></extra>",
    )
    beyond = known & (length > BEYOND * sensor.sigma_px)
    for rows, colour, width, name in (
        (known & ~beyond, look.SOFT, 1.0, "within chance"),
        (beyond, look.INK, 2.2, "more than chance"),
    ):
        at = np.argwhere(rows)
        if not len(at):
            continue
        start = np.column_stack([x[at[:, 1]], y[at[:, 0]]])
        path = arrows(start, times * sensor.mean_px[rows])
        look.add_line(out, path, colour, width, name=name)
    as_sensor(out, sensor.width, sensor.height)
    return out


def sensor_named(camera: CameraTracks) -> go.Figure:
    """Return where a camera's points lie, named or not, and the masks over places where reflections
    stay put; a mask is drawn large enough to be seen.
    """
    masks = camera.masks_px if camera.masks_px is not None else np.empty((0, 3))
    is_masked, is_named = camera.is_masked, camera.marker >= 0
    out = look.figure(
        f"{look.shown(camera.name)}: {is_named.sum():,} of {camera.n_points:,} points named, "
        f"{counted(len(masks), 'mask')}",
        height=sensor_height(camera.width, camera.height),
    )
    for name, pick, colour, mark in (
        ("not named", ~is_masked & ~is_named, look.SOFT, "cross-thin-open"),
        ("named", is_named, look.MAIN, "circle"),
    ):
        rows = np.flatnonzero(pick)
        rows = rows[:: max(1, -(-len(rows) // MOST_POINTS))]
        marker = {"color": colour, "symbol": mark, "size": 4}
        look.add_points(out, camera.xy_px[rows], name=name, marker=marker, hoverinfo="skip")
    round_ = np.linspace(0.0, 2.0 * np.pi, 33)
    radius = np.maximum(masks[:, 2], LEAST_RADIUS * camera.width)
    ring = masks[:, None, :2] + radius[:, None, None] * np.stack(
        [np.cos(round_), np.sin(round_)], 1
    )
    path = look.joined(ring) if len(masks) else np.empty((0, 2))
    told = [f"mask at ({x:.1f}, {y:.1f}) px, radius {r:.1f} px" for x, y, r in masks]
    look.add_line(
        out,
        path,
        look.WARN,
        2,
        name="masked: stays put",
        hoverinfo="text",
        hovertext=[t for t in told for _ in range(len(round_) + 1)],
    )
    as_sensor(out, camera.width, camera.height)
    return out


def sensor_height(width: int, height: int) -> int:
    """Return how high a chart of a sensor is, in px of a page."""
    return int(np.clip(150 + 470 * height / width, 280, 620))


def as_sensor(out: go.Figure, width: int, height: int) -> None:
    """Give a chart the axes of a sensor: px, y down, both alike, framed."""
    edge = {
        "constrain": "domain",
        "showgrid": False,
        "mirror": True,
        "showline": True,
        "zeroline": False,
    }
    out.update_xaxes(range=[-0.5, width - 0.5], title_text="x (px)", **edge)
    out.update_yaxes(range=[height - 0.5, -0.5], title_text="y (px)", scaleanchor="x", **edge)
    out.update_layout(showlegend=True, margin={"t": 84})


def arrows(start: Array, vector: Array) -> Array:
    """Return arrows (n, 2) from start by vector, as one path of lines with gaps."""
    end = start + vector
    side = np.column_stack([-vector[:, 1], vector[:, 0]])
    left, right = (end - HEAD * (vector + k * side * 0.5) for k in (1, -1))
    return look.joined(np.stack([start, end, left, end, right], axis=1))


def magnified(times: float) -> float:
    """Return the magnification 1, 2 or 5 times a power of ten below ``times``, at least 1.

    >>> magnified(370.0), magnified(0.2)
    (200.0, 1.0)
    """
    return 1.0 / look.round_up(1.0 / times) if 1.0 <= times < np.inf else 1.0
