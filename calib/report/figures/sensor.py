"""A camera's sensor: where its points lie, how they are off there, and what is masked."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from calib.core.geometry import Array
from calib.report.figures.data import Sensor
from calib.report.figures.look import COUNTS, INK, SOFT, colour_bar, figure, joined, scale, small

BEYOND = 3.0  # standard uncertainties: a cell's mean beyond is no chance in a hundred cells or so
LONG = 1.0  # cell that nine in ten arrows stay within
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
    out = figure(
        f"Points over the sensor, and how they lie off ({times:,.0f} ×)",
        height=sensor_height(sensor.width, sensor.height),
    )
    out.add_trace(
        go.Heatmap(
            x=small(x), y=small(y), z=np.where(sensor.count > 0, sensor.count, np.nan),
            colorscale=scale(COUNTS), zmin=0, colorbar=colour_bar("points in a cell"),
            customdata=np.dstack([sensor.mean_px, sensor.count]).astype(np.float32),
            hovertemplate="about (%{x:.0f}, %{y:.0f}) px: %{customdata[2]:.0f} points, off by "
            "(%{customdata[0]:.3f}, %{customdata[1]:.3f}) px<extra></extra>",
            hoverongaps=False, xgap=1, ygap=1,
        )
    )  # fmt: skip
    beyond = known & (length > BEYOND * sensor.sigma_px)
    for rows, colour, width, name in (
        (known & ~beyond, SOFT, 1.0, "within chance"),
        (beyond, INK, 2.2, "more than chance"),
    ):
        at = np.argwhere(rows)
        if not len(at):
            continue
        start = np.column_stack([x[at[:, 1]], y[at[:, 0]]])
        path = arrows(start, times * sensor.mean_px[rows])
        out.add_trace(
            go.Scatter(
                x=small(path[:, 0]), y=small(path[:, 1]), mode="lines", name=name,
                line={"color": colour, "width": width}, hoverinfo="skip",
            )
        )  # fmt: skip
    as_sensor(out, sensor.width, sensor.height)
    return out


def sensor_height(width: int, height: int) -> int:
    """Return how high a chart of a sensor is, in px of a page."""
    return int(np.clip(150 + 470 * height / width, 280, 620))


def as_sensor(out: go.Figure, width: int, height: int) -> None:
    """Give a chart the axes of a sensor: px, y down, both alike, framed."""
    out.update_layout(
        xaxis={"range": [-0.5, width - 0.5], "constrain": "domain", "title": {"text": "x (px)"},
               "showgrid": False, "mirror": True, "showline": True, "zeroline": False},
        yaxis={"range": [height - 0.5, -0.5], "scaleanchor": "x", "constrain": "domain",
               "title": {"text": "y (px)"}, "showgrid": False, "mirror": True, "showline": True,
               "zeroline": False},
        showlegend=True,
        margin={"t": 84},
    )  # fmt: skip


def arrows(start: Array, vector: Array) -> Array:
    """Return arrows (n, 2) from start by vector, as one path of lines with gaps."""
    end = start + vector
    side = np.column_stack([-vector[:, 1], vector[:, 0]])
    left, right = (end - HEAD * (vector + k * side * 0.5) for k in (1, -1))
    return joined(np.stack([start, end, left, end, right], axis=1))


def magnified(times: float) -> float:
    """Return the magnification 1, 2 or 5 times a power of ten below ``times``, at least 1.

    >>> magnified(370.0), magnified(0.2)
    (200.0, 1.0)
    """
    if not np.isfinite(times) or times < 1.0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(times))
    return float(max(m for m in (1.0, 2.0, 5.0) if m * power <= times * (1 + 1e-9)) * power)
