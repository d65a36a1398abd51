"""What moved where: a rig before and after, with arrows many times as long as the moves."""

from __future__ import annotations

import shlex
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go

from calib.check.history.records import History
from calib.check.recheck.explain import changed
from calib.check.recheck.outcome import Recheck
from calib.check.verdicts import Standing
from calib.core.camera import project, undistort
from calib.core.geometry import Array
from calib.core.rig import Rig, RigCamera
from calib.report.changes import history as history_words
from calib.report.changes import recheck as recheck_words
from calib.report.changes.cameras import worst_first
from calib.report.changes.remedies import again, repair
from calib.report.figures import look
from calib.report.figures.sensor import arrows, as_sensor, magnified, sensor_height
from calib.report.figures.space import framed, has_room, scene
from calib.report.figures.stage import Stage, frustum, outline, reach_m, stage_of
from calib.report.words import filled

LONGEST = 0.16  # of the rig's extent that the longest arrow spans
GRID = (12, 7)  # arrows over a sensor
TIP = 0.22  # of an arrow, its head


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """One camera before (``camera``) and after (``later``, None where that is not known), both in
    the world of the rig before, with one standard uncertainty of shift and turn.

    ``word`` is its verdict, ``note`` what there is to say of it; ``shift_px`` is how far its
    picture moved, RMS over the sensor.
    """

    camera: RigCamera
    later: RigCamera | None
    word: str
    is_named: bool
    note: str
    sigma_mm: float
    sigma_deg: float
    turn_deg: float
    shift_mm: float
    shift_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """A rig and what became of it: cameras that moved come first."""

    rig: Rig
    verdict: str
    needs_a_hand: bool
    is_settled: bool  # nothing is open either
    findings: tuple[str, ...]
    remedies: tuple[str, ...]  # what to do about it, as commands
    cameras: tuple[Move, ...]

    @property
    def named(self) -> tuple[Move, ...]:
        """The cameras that moved and whose new place is known."""
        return tuple(m for m in self.cameras if m.is_named and m.later is not None)


def of_recheck(rig: Rig, found: Recheck, files: str = "RIG NEW_TRACKS") -> Moves:
    """Return what a recheck of a rig found, as a move of each camera; ``files`` are the rig and
    tracks that commands name.
    """
    out = []
    together = recheck_words.hidden(found)
    named = dict(zip(("RIG", "TRACKS"), shlex.split(files), strict=True))
    for c in worst_first(found):
        camera = rig.camera(c.name)
        is_known = bool(np.isfinite(c.change).all())
        out.append(
            Move(
                camera,
                changed(camera, c.change) if is_known else None,
                str(c.verdict),
                c.verdict in {Standing.MOVED, Standing.LENS},
                "" if c in together else filled(recheck_words.note(found, c), named),
                c.sigma_translation_mm,
                c.sigma_rotation_deg,
                c.rotation_deg,
                c.translation_mm,
                c.shift_px,
            )
        )
    others = recheck_words.of_hidden(found, together)
    return Moves(
        rig,
        recheck_words.verdict(found),
        found.needs_a_hand,
        found.is_settled,
        tuple(filled(text, named) for text in recheck_words.findings(found)),
        tuple(filter(None, (others, repair(found, files), again(found, files)))),
        tuple(out),
    )


def of_history(found: History) -> Moves:
    """Return what changed between the first and the last of a rig's files, in the first's world."""
    rig, last = found.entries[0].rig, len(found.entries) - 1
    middle = _middle_mm(rig)
    moves = []
    for c in found.cameras:
        if c.name not in rig.names:
            continue
        camera, change, numbers = rig.camera(c.name), c.change[last], c.numbers(last)
        later = None
        if np.isfinite(change).all():
            px = camera.lens.fx * change[6]
            later = changed(camera, np.array([*change[:6], px, 0.0, 0.0]))
        moved = np.nan if later is None else _shift_px(camera, later, middle)
        moves.append(
            Move(
                camera,
                later,
                str(c.verdict),
                c.verdict not in history_words.QUIET,
                "",
                numbers["sigma_translation_mm"],
                numbers["sigma_rotation_deg"],
                numbers["rotation_deg"],
                numbers["translation_mm"],
                float(moved),
            )
        )
    moves.sort(key=lambda m: (not m.is_named, -np.nan_to_num(m.shift_px), m.camera.name))
    return Moves(
        rig,
        history_words.verdict(found),
        found.needs_a_hand,
        not found.needs_a_hand,
        tuple(history_words.findings(found)),
        (),
        tuple(moves),
    )


def moves_in_space(moves: Moves) -> go.Figure:
    """Return the rig before, in grey, and what moved: where it stands now, and by arrows where the
    camera and the middle of its view went.
    """
    rig, named = moves.rig, moves.named
    stage = stage_of(rig)
    places = stage.place(np.array([c.position_mm for c in rig.cameras]))
    extent = float(np.linalg.norm(np.ptp(places, axis=0))) or 1.0
    reach = reach_m(stage, rig)
    sights = [_sight(stage, m, _middle_mm(rig)) for m in named]
    longest = max((float(np.linalg.norm(v)) for s in sights for _, v in s), default=0.0)
    times = magnified(2.0 * LONGEST * extent / longest) if longest > 0 else 1.0
    ends = [start + times * v for s in sights for start, v in s]
    seen = stage.place(rig.wave_mm) if len(rig.wave_mm) else places
    out = scene(stage, np.vstack([places, seen, *[e[None] for e in ends]]), "What moved where")
    _outlines(out, stage, list(rig.cameras), reach, look.SOFT, 1.5, "before")
    if named:
        _outlines(
            out, stage, [m.later for m in named if m.later], reach, look.WARN, 5.0, "moved: now"
        )
        for k, (colour, name) in enumerate(
            ((look.WARN, "where the camera went"), (look.MAIN, "where its view went"))
        ):
            told = [_told(m) for m in named]
            _arrows_3d(out, [s[k] for s in sights], times, colour, f"{name}, {times:g} ×", told)
    names = {m.camera.name for m in named}
    is_moved = [n in names for n in rig.names]
    marker = {
        "size": [7 if a else 3 for a in is_moved],
        "color": look.SOFT,
        "symbol": ["diamond" if a else "circle" for a in is_moved],
    }
    is_named = has_room(places, is_moved)
    labels = [
        ("▲ " * a + look.in_space(n)) * bool(r)
        for n, a, r in zip(rig.names, is_moved, is_named, strict=True)
    ]
    look.add_named(out, places, labels, [look.shown(n) for n in rig.names], 12, marker=marker)
    return framed(out)


def picture_moved(move: Move, rig: Rig) -> go.Figure:
    """Return how a camera's picture moved over its sensor, of things in the middle of the rig."""
    if move.later is None:
        raise ValueError(f"{move.camera.name}: its place now is not known")
    camera = move.camera
    uv, vector = _picture(camera, move.later, _middle_mm(rig), GRID)
    usual = float(np.nanquantile(np.linalg.norm(vector, axis=1), 0.9))
    times = magnified(1.3 * camera.width / GRID[0] / max(usual, 1e-9))
    name = look.shown(camera.name)
    out = look.figure(
        f"{name}: how its picture moved ({times:g} ×), {move.shift_px:.2f} px RMS",
        height=sensor_height(camera.width, camera.height),
    )
    path = arrows(uv, times * vector)
    look.add_line(out, path, look.WARN, 2, name="from before to now")
    look.add_points(
        out,
        uv,
        marker={"size": 4, "color": look.SOFT},
        customdata=look.small(vector),
        showlegend=False,
        hovertemplate="moved by (%{customdata[0]:.2f}, %{customdata[1]:.2f}) px<extra></extra>",
    )
    as_sensor(out, camera.width, camera.height)
    return out


def _middle_mm(rig: Rig) -> Array:
    """Return the middle of where the wand was, else of where the cameras' views meet, roughly."""
    if len(rig.wave_mm):
        return np.asarray(np.median(rig.wave_mm, axis=0))
    at = np.array([c.position_mm for c in rig.cameras])
    along = np.array([c.cam_from_world.R[2] for c in rig.cameras])
    size = float(np.linalg.norm(np.ptp(at, axis=0))) or 1000.0
    return np.asarray((at + 0.5 * size * along).mean(axis=0))


def _away_mm(camera: RigCamera, middle: Array) -> float:
    """Return how far in front of a camera the middle is, at least a metre."""
    return max(float(camera.cam_from_world.apply(middle)[2]), 1000.0)


def _sight(stage: Stage, move: Move, middle: Array) -> tuple[tuple[Array, Array], ...]:
    """Return start and move (3,) on the stage, of the camera and of what its image's middle shows
    as far away as the middle of the volume.
    """
    assert move.later is not None
    away = _away_mm(move.camera, middle)
    ends = [
        np.array([c.position_mm, c.position_mm + away * c.cam_from_world.R[2]])
        for c in (move.camera, move.later)
    ]
    start, moved = stage.place(ends[0]), stage.place(ends[1]) - stage.place(ends[0])
    return (start[0], moved[0]), (start[1], moved[1])


def _picture(
    camera: RigCamera, later: RigCamera, middle: Array, grid: tuple[int, int]
) -> tuple[Array, Array]:
    """Return image points (n, 2) on a grid before, and how each moved, px."""
    u, v = (
        (np.arange(n) + 0.5) * size / n - 0.5
        for n, size in zip(grid, (camera.width, camera.height), strict=True)
    )
    uv = np.array(np.meshgrid(u, v)).reshape(2, -1).T
    with np.errstate(all="ignore"):
        xy = undistort(camera.lens, uv)
        rays = np.column_stack([xy, np.ones(len(xy))]) * _away_mm(camera, middle)
        places = camera.cam_from_world.inverse().apply(rays)
        moved = project(later.lens, later.cam_from_world.apply(places)) - uv
    known = np.isfinite(moved).all(axis=1)
    return uv[known], moved[known]


def _shift_px(camera: RigCamera, later: RigCamera, middle: Array) -> float:
    moved = _picture(camera, later, middle, GRID)[1]
    return float(np.sqrt((moved**2).sum(axis=1).mean())) if len(moved) else float("nan")


def _told(move: Move) -> str:
    return (
        f"{look.shown(move.camera.name)}: shifted by {move.shift_mm:.2f} mm, turned by "
        f"{move.turn_deg:.3f}°"
    )


def _outlines(
    out: go.Figure,
    stage: Stage,
    cameras: list[RigCamera],
    reach: float,
    colour: str,
    width: float,
    name: str,
) -> None:
    line = look.joined(np.array([outline(frustum(stage, c, reach)) for c in cameras]))
    look.add_line(out, line, colour, width, name=name)


def _arrows_3d(
    out: go.Figure,
    moved: list[tuple[Array, Array]],
    times: float,
    colour: str,
    name: str,
    told: list[str],
) -> None:
    start = np.array([s for s, _ in moved])
    vector = times * np.array([v for _, v in moved])
    # A head of four barbs, so that some are seen from wherever one looks.
    aside = np.cross(vector, np.eye(3)[np.abs(vector).argmin(axis=1)])
    length = np.linalg.norm(vector, axis=1, keepdims=True)
    aside *= length / np.maximum(np.linalg.norm(aside, axis=1, keepdims=True), 1e-12)
    across = np.cross(vector, aside) / np.maximum(length, 1e-12)
    end = start + vector
    barbs = [end - TIP * vector + TIP * 0.45 * b for b in (aside, -aside, across, -across)]
    path = look.joined(np.stack([start, *(p for b in barbs for p in (end, b)), end], axis=1))
    look.add_line(
        out,
        path,
        colour,
        5,
        name=name,
        hoverinfo="text",
        hovertext=[t for t in told for _ in range(len(path) // len(told))],
    )
