"""A camera's residuals by size, against the noise that one expects, and over time."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from calib.report.figures.data import HALF_BINS, Sensor
from calib.report.figures.look import COUNTS, INK, MAIN, SOFT, WARN, add_line, figure, small

HEIGHT = 300


def histogram(sensor: Sensor, usual_px: float = float("nan")) -> go.Figure:
    """Return how large a camera's residuals are, one coordinate at a time, beside the normal law of
    their own spread and that of ``usual_px``, the other cameras'.
    """
    out = figure(
        "Size of residuals against the expected noise",
        height=HEIGHT,
        x="residual of a coordinate (px)",
        y="coordinates",
    )
    middle = (np.arange(2 * HALF_BINS) - HALF_BINS + 0.5) * sensor.bin_px
    out.add_bar(
        x=small(middle),
        y=sensor.bins,
        width=sensor.bin_px,
        name="this camera",
        marker={"color": COUNTS[-1], "line": {"width": 0}},
        hovertemplate="%{y} coordinates near %{x:.2f} px<extra></extra>",
    )
    n = int(sensor.bins.sum()) + sensor.n_beyond
    fine = np.linspace(middle[0], middle[-1], 121)
    for sigma, name, colour, dash in (
        (sensor.spread_px, f"normal, SD {sensor.spread_px:.3f} px", INK, "solid"),
        (usual_px, f"the other cameras, SD {usual_px:.3f} px", MAIN, "dash"),
    ):
        if np.isfinite(sigma) and sigma > 0 and n:
            law = np.exp(-0.5 * (fine / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
            points = np.column_stack([fine, n * sensor.bin_px * law])
            add_line(out, points, colour, 2, dash, name=name)
    if sensor.n_beyond:
        out.add_annotation(
            text=f"{sensor.n_beyond} beyond",
            xref="paper",
            yref="paper",
            x=1,
            y=0.95,
            xanchor="right",
            showarrow=False,
            font={"color": SOFT},
        )
    if n:
        # A far narrower law of the others is cut off rather than that it flattens all else.
        out.update_yaxes(range=[0, 1.5 * float(sensor.bins.max())])
    out.update_layout(showlegend=True, bargap=0, margin={"t": 84})
    return out


def over_time(sensor: Sensor) -> go.Figure:
    """Return a camera's residuals over the capture: their median, what 19 of 20 stay within, and
    the stretches that were left out as all points lay off together.
    """
    out = figure("Residual over time", height=HEIGHT, x="time (s)", y="residual (px)")
    for values, name, colour, dash in (
        (sensor.p95_px, "19 of 20 stay within", MAIN, "dot"),
        (sensor.median_px, "median", INK, "solid"),
    ):
        points = np.column_stack([sensor.time_s, values])
        hover = "%{y:.3f} px at %{x:.1f} s<extra>" + name + "</extra>"
        add_line(out, points, colour, 1.8, dash, name=name, hoverinfo=None, hovertemplate=hover)
    for first, last in sensor.left_s:
        out.add_vrect(x0=first, x1=last, fillcolor=WARN, opacity=0.22, line_width=0)
    if len(sensor.left_s):
        out.add_scatter(
            x=[None],
            y=[None],
            mode="markers",
            name="left out: all points off together",
            marker={"symbol": "square", "size": 11, "color": WARN, "opacity": 0.4},
        )
    out.update_yaxes(rangemode="tozero")
    if len(sensor.time_s):
        out.update_xaxes(range=[0, float(sensor.time_s[0] + sensor.time_s[-1])])
    out.update_layout(showlegend=True, margin={"t": 84})
    return out
