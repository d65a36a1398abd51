"""A plan in pictures: cameras, volume and walk in space, and from above what is weakest over each
place of the floor.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import plotly.graph_objects as go

from calib.core.geometry import Array
from calib.plan.assess import Assessment
from calib.plan.wave import planned_rig
from calib.prove.volume import Box
from calib.report.figures import look
from calib.report.figures.space import add_cameras, framed, has_room, scene
from calib.report.figures.stage import stage_of

# Of a box whose corners go by x, then y, then z, each low, then high.
SIDES = [(a, b) for a, b in combinations(range(8), 2) if (a ^ b).bit_count() == 1]


def plan_in_space(found: Assessment) -> go.Figure:
    """Return a plan in 3D: cameras coloured by how sure the wave would make their place, the volume
    with its precision, obstacles, and the walk with its stops in order.
    """
    rig = replace(found.rig or planned_rig(found.plan), alignment={"up": "z"})
    stage, volume = stage_of(rig), found.plan.volume
    corners = stage.place(np.stack([volume.low_mm, volume.high_mm]))
    places = np.vstack([stage.place(np.array([c.position_mm for c in rig.cameras])), corners])
    out = scene(stage, places, "The plan in space")
    sigma = np.where(np.isfinite(found.sigma_mm), found.sigma_mm, np.nan)
    values = found.tie.position_mm
    known = np.append(values[np.isfinite(values)], sigma[np.isfinite(sigma)])
    top = look.round_up(float(np.quantile(known, 0.98))) if len(known) else 1.0
    bar = look.colours_to(top, "± (mm)")
    at = stage.place(found.places_mm[found.judged])
    is_known = np.isfinite(sigma)
    look.add_points(
        out,
        at[is_known],
        marker={"size": 2, "color": look.small(sigma[is_known])} | bar,
        hovertemplate="a marker here is placed to %{marker.color:.2f} mm<extra></extra>",
        name="places of the volume",
    )
    _add_box(out, stage.place(_corners(volume)), look.SOFT, "volume")
    for obstacle in found.plan.obstacles:
        _add_box(out, stage.place(_corners(obstacle.box)), look.WARN, look.shown(obstacle.name))
    walk = stage.place(np.array([s.place_mm for s in found.way.stops]))
    look.add_named(
        out,
        walk,
        [str(k + 1) for k in range(len(walk))],
        [f"stop {k + 1}: {s.seconds:.0f} s" for k, s in enumerate(found.way.stops)],
        11,
        mode="lines+markers+text",
        line={"color": look.MAIN, "width": 3},
        marker={"size": 3, "color": look.MAIN},
        name="walk with the wand",
        showlegend=True,
    )
    add_cameras(out, stage, rig, values, "mm", bar)
    return framed(out)


def _corners(box: Box) -> Array:
    return np.array(list(product(*zip(box.low_mm, box.high_mm, strict=True))))


def _add_box(out: go.Figure, corners: Array, colour: str, name: str) -> None:
    look.add_line(out, look.joined(corners[np.array(SIDES)]), colour, 2, name=name)


def plan_from_above(found: Assessment) -> tuple[go.Figure, ...]:
    """Return two maps of the floor: the fewest cameras that see a place above it, and the worst
    predicted precision there, crossed where some place above is not placed at all.
    """
    fewest = _map(found.places_mm, found.n_cameras.astype(float), np.minimum)
    worst = _map(found.places_mm[found.judged], found.sigma_mm, np.maximum)
    need = found.plan.need
    limit = "" if need.precision_mm is None else f", {need.precision_mm:g} mm needed"
    precise = _heat(found, *worst, f"Worst precision{limit}", "± (mm)", reverse=False)
    x, y, values = worst
    row, column = np.nonzero(np.isnan(values))
    if len(row):
        look.add_points(
            precise,
            np.column_stack([x[column], y[row]]) / 1000,
            name="not placed at all",
            marker={"symbol": "x", "color": look.WARN, "size": 7},
            hovertemplate="x %{x:.1f} m, y %{y:.1f} m: not placed at all<extra></extra>",
            showlegend=True,
        )
    return (
        _heat(found, *fewest, f"Fewest cameras, {need.cameras} needed", "cameras", reverse=True),
        precise,
    )


def _map(places: Array, values: Array, pick: np.ufunc) -> tuple[Array, Array, Array]:
    """Return x, y (mm) and what is picked of the values (ny, nx) over each place of the floor."""
    x, column = np.unique(places[:, 0].round(3), return_inverse=True)
    y, row = np.unique(places[:, 1].round(3), return_inverse=True)
    out = np.full((len(y), len(x)), np.inf if pick is np.minimum else -np.inf)
    pick.at(out, (row.ravel(), column.ravel()), values)
    return x, y, np.where(np.isfinite(out), out, np.nan)


def _heat(
    found: Assessment, x: Array, y: Array, values: Array, title: str, unit: str, *, reverse: bool
) -> go.Figure:
    out = look.figure(title, height=420, x="x (m)", y="y (m)")
    hover = "x %{x:.1f} m, y %{y:.1f} m: %{z:.2f} " + unit + "<extra></extra>"
    cells, colours = (x / 1000, y / 1000, values), look.RISING[::-1] if reverse else look.RISING
    look.add_cells(out, *cells, colours, unit, zmin=0.0, hovertemplate=hover)
    at = np.array([c.position_mm[:2] for c in found.plan.cameras]) / 1000
    names = [look.shown(c.name) for c in found.plan.cameras]
    labels = [n if r else "" for n, r in zip(names, has_room(at), strict=True)]
    look.add_named(out, at, labels, names, 10, marker={"color": look.INK, "size": 7})
    out.update_yaxes(scaleanchor="x")
    return out
