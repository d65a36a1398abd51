"""The rig in space: cameras as frusta with their names, the wand's path, the floor."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from calib.check.verdicts import Verdict
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.report.figures import look
from calib.report.figures.data import GAP_S, Portrait
from calib.report.figures.stage import Stage, frustum, outline, reach_m, stage_of

By = Literal["residual", "precision"]
# Cameras whose names all find room. Of a larger rig those are named that stand this far from one
# another, as a share of the rig, who needs action before the others; the rest on pointing.
MOST_NAMED, ROOM = 40, 0.08
FEW = 6  # that need action: named wherever they stand
EXTENT = 2.1  # of what is shown across, in the units of the eye's distance
# Plotly's view is 45° high, and about as wide on a page beside its scale; the share of it that what
# is shown may fill leaves room for the cameras' names.
HALF_VIEW, SHOWN = np.array([1.1, 1.0]) * np.tan(np.pi / 8), 0.9
HEIGHT = 620
MARGIN_M = 0.5  # of floor around what stands on it


def has_room(places: Array, is_first: Sequence[bool] = ()) -> NDArray[np.bool_]:
    """Return which places (n, k) a chart names (n,), those that are first before the others."""
    if len(places) <= MOST_NAMED:
        return np.ones(len(places), bool)
    first = np.array([*is_first] or [False] * len(places))
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    is_near = apart < ROOM * float(np.linalg.norm(np.ptp(places, axis=0)))
    is_named = np.array(first & (first.sum() <= FEW), bool)
    for k in np.argsort(~first, kind="stable"):
        is_named[k] |= not (is_near[k] & is_named).any()
    return is_named


def rig_in_space(seen: Portrait | Rig, by: By = "residual") -> go.Figure:
    """Return a rig in 3D, its cameras and the wand's path coloured by residual (RMS, px) or by
    precision (one standard uncertainty of a camera's place, and of a marker placed there, mm).

    A rig alone has no residuals of a path to colour.
    """
    rig, of = (seen, None) if isinstance(seen, Rig) else (seen.rig, seen)
    stage = stage_of(rig, None if of is None else of.wave.places_mm)
    unit = "px" if by == "residual" else "mm"
    values = _of_cameras(rig, of, by)
    known = values[np.isfinite(values)]
    if by == "precision" and of is not None and of.precision is not None:
        known = np.append(known, of.precision.sigma_mm[of.precision.is_seen])
    # The usual stands in the middle of the scale at most: cameras that are alike do not look bad.
    top = max(float(np.quantile(known, 0.98)), 2.0 * float(np.median(known))) if len(known) else 1.0
    out = scene(stage, _everything(stage, rig, of), "The rig in space")
    bar = look.colours_to(top, "RMS residual (px)" if by == "residual" else "± (mm)")
    _add_path(out, stage, rig, of, by, bar)
    judged = () if of is None else of.table.cameras
    acting = tuple(row.name for row in judged if row.verdict == Verdict.ACT)
    add_cameras(out, stage, rig, values, unit, bar, acting)
    return framed(out)


def scene(stage: Stage, places_m: Array, title: str) -> go.Figure:
    """Return an empty 3D view with the floor under places (n, 3) on the stage."""
    out = look.figure(title, height=HEIGHT)
    low, high = places_m.min(axis=0) - MARGIN_M, places_m.max(axis=0) + MARGIN_M
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 1e9) if (high - low)[:2].max() <= 40 * s)
    x, y = (np.arange(np.floor(low[k] / step), np.ceil(high[k] / step) + 1) * step for k in (0, 1))
    z = stage.floor_m
    lines = [[[a, y[0], z], [a, y[-1], z]] for a in x] + [[[x[0], b, z], [x[-1], b, z]] for b in y]
    path = look.joined(np.array(lines, dtype=float))
    ground = "floor" if stage.is_aligned else "lowest place of the wand"
    look.add_line(out, path, look.LINE, 1.5, name=f"{ground}, squares of {step:g} m")
    if stage.is_aligned:
        _add_axes(out, stage, step)
    hidden = {"visible": False, "showspikes": False}
    out.update_layout(
        scene={
            **dict.fromkeys(("xaxis", "yaxis", "zaxis"), hidden),
            "dragmode": "orbit",
            "bgcolor": look.SHADE,
            "camera": {
                "eye": {"x": 0.7, "y": -1.3, "z": 0.95},
                "up": {"x": 0, "y": 0, "z": 1},
                "center": {"x": 0, "y": 0, "z": -0.05},
            },
        },
        margin={"l": 0, "r": 0, "t": 64, "b": 0},
        uirevision="kept",
        paper_bgcolor=look.SHADE,
        legend={"y": 1.0, "yanchor": "bottom", "itemsizing": "constant"},
    )
    return out


def framed(out: go.Figure) -> go.Figure:
    """Fit a 3D view about what it shows, so that rigs of all sizes and heights fill it alike."""
    parts = ("x", "y", "z")
    every = np.concatenate(
        [np.array([np.asarray(t[k], float) for k in parts]).T.reshape(-1, 3) for t in out.data]
    )
    every = every[np.isfinite(every).all(axis=1)]
    low, high = every.min(axis=0), every.max(axis=0)
    size = np.maximum(high - low, 1e-3)
    ratio = size / float(np.hypot(*size[:2]))
    shape = (every - (low + high) / 2) / size * ratio
    ratio *= _largest_within(shape, out.layout.scene.camera)
    out.update_layout(
        scene={
            "aspectmode": "manual",
            "aspectratio": dict(zip(parts, ratio.tolist(), strict=True)),
            **{
                f"{k}axis_range": [float(a), float(b)]
                for k, a, b in zip(parts, low, high, strict=True)
            },
        }
    )
    return out


def _largest_within(shape: Array, camera: go.layout.scene.Camera) -> float:
    """Return how many times as large points (n, 3) can be drawn for the view to hold them all."""
    eye, middle = (
        np.array([at["x"], at["y"], at["z"]], float) for at in (camera.eye, camera.center)
    )
    ahead = (middle - eye) / np.linalg.norm(middle - eye)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    across = np.column_stack([shape @ right, shape @ np.cross(right, ahead)])
    start, limit = np.array([eye @ right, eye @ np.cross(right, ahead)]), HALF_VIEW * SHOWN
    # A point at s times its place is in view where |s across - start| <= limit (depth + s ahead).
    most = EXTENT
    for side in (1.0, -1.0):
        slope = side * across - limit * (shape @ ahead)[:, None]
        room = side * start - limit * (eye @ ahead)
        grows = slope > 0
        if grows.any():
            most = min(
                most, float((np.broadcast_to(room, slope.shape)[grows] / slope[grows]).min())
            )
    return most


def add_cameras(
    out: go.Figure,
    stage: Stage,
    rig: Rig,
    values: Array,
    unit: str,
    bar: dict[str, object],
    acting: tuple[str, ...] = (),
) -> None:
    """Add every camera's frustum, its colour told by values (C,), and its name."""
    reach = reach_m(stage, rig)
    corners = np.array([frustum(stage, c, reach) for c in rig.cameras])
    paths = np.array([outline(c) for c in corners])
    coloured = np.where(np.isfinite(values), values, 0.0)
    each = np.repeat(coloured, paths.shape[1] + 1)
    is_small = len(rig.cameras) <= MOST_NAMED
    only_colours = {k: v for k, v in bar.items() if k != "colorbar"} | {"showscale": False}
    line = {"color": look.small(each), "width": 4 if is_small else 2} | only_colours
    how = {"mode": "lines", "line": line, "hoverinfo": "skip"}
    look.add_points(out, look.joined(paths), **how, name="cameras", showlegend=False)
    at = 4 * np.arange(len(corners))
    out.add_mesh3d(
        **look.coordinates(corners[:, 1:].reshape(-1, 3)),
        i=np.concatenate([at, at]),
        j=np.concatenate([at + 1, at + 2]),
        k=np.concatenate([at + 2, at + 3]),
        intensity=look.small(np.repeat(coloured, 4)),
        opacity=0.35,
        hoverinfo="skip",
        flatshading=True,
        lighting={"ambient": 1.0},
        **only_colours,
    )
    names_of = rig.names
    names = [look.shown(n) for n in names_of]
    size = 4 if is_small else 2
    acts = np.isin(names_of, acting)
    is_named = has_room(corners[:, 0], acts.tolist())
    for is_act in (False, True):
        rows = np.flatnonzero(acts == is_act)
        if not len(rows):
            continue
        told = [
            f"{names[k]}{', needs action' if is_act else ''}<br>"
            + (f"{values[k]:.3f} {unit}" if np.isfinite(values[k]) else "not known")
            + "<br>at ({:.0f}, {:.0f}, {:.0f}) mm".format(*rig.cameras[k].position_mm)
            for k in rows
        ]
        look.add_named(
            out,
            corners[rows, 0],
            ["▲ " * is_act + look.in_space(names_of[k]) if is_named[k] else "" for k in rows],
            told,
            13 if is_act else 11,
            marker={
                "symbol": "diamond" if is_act else "circle",
                "size": 7 if is_act else size,
                "color": look.WARN if is_act else look.SOFT,
            },
            name="needs action" if is_act else "cameras",
            showlegend=True,
        )


def _of_cameras(rig: Rig, of: Portrait | None, by: By) -> Array:
    if by == "precision":
        return np.array([float(np.linalg.norm(rig.sigmas(n)[0])) for n in rig.names])
    if of is not None:
        rms = {row.name: row.stats.rms_px for row in of.table.cameras}
        return np.array([rms.get(n, np.nan) for n in rig.names])
    return np.array([np.nan if c.stats is None else c.stats.rms_px for c in rig.cameras])


def _everything(stage: Stage, rig: Rig, of: Portrait | None) -> Array:
    places = rig.wave_mm if of is None else of.wave.places_mm
    cameras = stage.place(np.array([c.position_mm for c in rig.cameras]))
    return np.vstack([cameras, stage.place(places) if len(places) else cameras[:0]])


def _add_path(
    out: go.Figure, stage: Stage, rig: Rig, of: Portrait | None, by: By, bar: dict[str, object]
) -> None:
    if by == "precision" and of is not None and of.precision is not None:
        look.add_points(
            out,
            stage.place(of.precision.places_mm),
            marker={"size": 4, "color": look.small(of.precision.sigma_mm)} | bar,
            hovertemplate="a marker here is placed to %{marker.color:.2f} mm<extra></extra>",
            name="places of the wand",
        )
        return
    if of is None or not len(of.wave.places_mm):
        look.add_points(
            out,
            stage.place(rig.wave_mm),
            marker={"size": 2, "color": look.SOFT},
            hoverinfo="skip",
            name="places of the wand",
        )
        return
    at, wave = stage.place(of.wave.places_mm), of.wave
    # A gap in time is a gap in the line.
    usual = float(np.median(np.diff(wave.second))) if len(wave.second) > 1 else 1.0
    cut = np.flatnonzero(np.diff(wave.second) > max(GAP_S, 4.0 * usual)) + 1
    path = np.insert(at, cut, np.nan, axis=0)
    colour = np.insert(wave.rms_px, cut, 0.0)
    second = np.insert(wave.second, cut, np.nan)
    look.add_points(
        out,
        path,
        mode="lines",
        line={"color": look.small(colour), "width": 2.5} | bar,
        customdata=look.small(second),
        hovertemplate="the wand at %{customdata:.1f} s: RMS %{line.color:.2f} px<extra></extra>",
        name="path of the wand",
        showlegend=False,
    )


def _add_axes(out: go.Figure, stage: Stage, size: float) -> None:
    """Add the world's axes at its origin."""
    ends = stage.turn(size * np.eye(3))
    start = stage.place(np.zeros(3))
    path = look.joined(np.array([[start, start + e] for e in ends]))
    look.add_line(out, path, look.INK, 5, showlegend=False, name="axes")
    look.add_points(
        out,
        start + 1.12 * ends,
        mode="text",
        text=list("xyz"),
        textfont={"size": 14, "color": look.INK},
        hoverinfo="skip",
        showlegend=False,
        name="axes",
    )
