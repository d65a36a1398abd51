"""The wand's lengths over the volume: where they come out too long or too short."""

from __future__ import annotations

from typing import Literal

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.report.figures.data import Lengths
from calib.report.figures.look import ABOUT_NONE, add_cells, figure
from calib.report.figures.stage import Stage

CELLS = 8  # along the longer side
LEAST = 8  # lengths in a cell for a mean: a third of their scatter is left in it
INNER = (1.0, 99.0)  # percentiles of places that are shown
View = Literal["above", "side"]
VIEWS = {"above": (0, 1), "side": (0, 2)}


def length_errors(lengths: Lengths, stage: Stage, view: View = "above") -> go.Figure:
    """Return the mean error of the wand's lengths over the volume, from above or from the side."""
    at = stage.place(lengths.places_mm)
    maps = {v: _means(at[:, list(axes)], lengths.error_mm) for v, axes in VIEWS.items()}
    every = np.concatenate([m[2][np.isfinite(m[2])] for m in maps.values()])
    top = float(np.quantile(np.abs(every), 0.98)) if len(every) else 1.0  # the same in both views
    x, y, mean, count = maps[view]
    digits = 2 if top >= 0.05 else 3
    a, b = VIEWS[view]
    height = int(np.clip(120 + 420 * len(y) / len(x), 260, 560))
    title = "from above" if view == "above" else "from the side"
    out = figure(
        f"Wand lengths {title}: measured minus known",
        height=height,
        x=stage.axes[a],
        y=stage.axes[b],
    )
    cells = x, y, mean.round(digits) + 0.0
    add_cells(
        out,
        *cells,
        ABOUT_NONE,
        "mean error (mm)",
        zmin=-top,
        zmax=top,
        customdata=count,
        texttemplate=f"%{{z:+.{digits}f}}",
        textfont={"size": 9},
        hovertemplate=f"%{{z:+.{digits}f}} mm, mean of %{{customdata}} lengths<extra></extra>",
    )
    plain = {"constrain": "domain", "zeroline": False, "showgrid": False}
    out.update_layout(xaxis=plain, yaxis=plain | {"scaleanchor": "x"})
    return out


def _means(at: Array, error: Array) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """Return the middles of cells along both axes, mean errors (ny, nx) and counts."""
    low, high = np.percentile(at, INNER, axis=0) if len(at) else (np.zeros(2), np.ones(2))
    side = max(float((high - low).max()) / CELLS, 1e-9)
    nx, ny = np.maximum(np.ceil((high - low) / side - 1e-9), 1).astype(int)
    cell = np.floor((at - low) / side).astype(int)
    inside = ((cell >= 0) & (cell < [nx, ny])).all(axis=1)
    key = cell[inside] @ [1, nx]
    count = np.bincount(key, minlength=nx * ny)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(key, error[inside], nx * ny) / count
    mean[count < LEAST] = np.nan
    x, y = low[0] + (np.arange(nx) + 0.5) * side, low[1] + (np.arange(ny) + 0.5) * side
    return x, y, mean.reshape(ny, nx), count.reshape(ny, nx)
