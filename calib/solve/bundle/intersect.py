"""Markers of all frames by intersecting the cameras' rays, robustly."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from calib.core.camera import radial_tables, undistort_point
from calib.core.compiled import compiled
from calib.core.geometry import Array, add_ray, from_ray, nearest_point
from calib.core.threads import in_groups
from calib.solve.bundle.problem import Chunk, Problem, State

ROBUST_ROUNDS = 4  # reweighting rounds; a gross ray among three has lost its say by then


def image_plane(problem: Problem, lens: Array) -> Array:
    """Return undistorted image-plane points (2, M, P) of all observations; nan where the lens does
    not reach them.
    """
    centre, focal = lens[problem.cam, 2:4].T[:, None], lens[problem.cam, :2].T[:, None]
    goal = (problem.uv_px - centre) / focal
    dist = np.ascontiguousarray(lens[:, 4:])
    fold, tables = radial_tables(dist, problem.cam, goal)
    out = np.empty_like(goal)

    def run(chunks: Sequence[Chunk]) -> None:
        _undistort(
            problem.cam, chunks[0].pairs.start, chunks[-1].pairs.stop, goal, dist, fold, tables, out
        )

    in_groups(run, problem.chunks)
    return out


@compiled
def _undistort(
    cam: Any,
    first: int,
    last: int,
    goal: Array,
    dist: Array,
    fold: Array,
    tables: Array,
    out: Array,
) -> None:
    for m in range(goal.shape[1]):
        for p in range(first, last):
            c = cam[p]
            x, y = undistort_point(goal[0, m, p], goal[1, m, p], dist[c], fold[c], tables[c])
            out[0, m, p], out[1, m, p] = x, y


def triangulate_markers(problem: Problem, state: State) -> Array:
    """Return markers (F, M, 3) in the world, in mm, by intersecting rays robustly; nan where fewer
    than two see one.

    Rays are reweighted by Cauchy's loss on their miss distance, in units of its median.
    """
    n_markers, n_frames = problem.weight.shape[0], problem.n_frames
    xy = image_plane(problem, state.lens)
    seen = (problem.weight > 0) & np.isfinite(xy).all(axis=0)
    origin = state.position_mm
    points, miss = np.empty((n_frames, n_markers, 3)), np.full(seen.shape, np.nan)
    cam_R, scale = np.array(state.cam_R), np.inf

    def run(chunks: Sequence[Chunk]) -> None:
        first, last = chunks[0].frames.start, chunks[-1].frames.stop
        _intersect(
            problem.cam, problem.starts, first, last, xy, seen, cam_R, origin, scale, points, miss
        )

    for _ in range(ROBUST_ROUNDS):
        in_groups(run, problem.chunks)
        known = miss[np.isfinite(miss)]
        scale = max(2.0 * float(np.median(known)), 1e-12) if known.size else 1.0
    return points


@compiled
def _intersect(
    cam: Any,
    starts: Any,
    first: int,
    last: int,
    xy: Array,
    seen: Any,
    cam_R: Array,
    origin: Array,
    scale: float,
    points: Array,
    miss: Array,
) -> None:
    """Write the markers (F, M, 3) of the frames from first to last, nan where fewer than two rays
    meet.

    ``miss (M, P)`` holds how far each ray passed the marker, as a share of its depth, and is
    written anew; a ray counts by Cauchy's weight of it in units of ``scale``, or fully while it is
    nan.
    """
    A, b, ray = np.empty(6), np.empty(3), np.empty(3)
    for f in range(first, last):
        for m in range(len(seen)):
            A[:], b[:] = 0.0, 0.0
            n = 0
            for p in range(starts[f], starts[f + 1]):
                if seen[m, p]:
                    n += 1
                    c = cam[p]
                    _ray(cam_R, c, xy[0, m, p], xy[1, m, p], ray)
                    w = 1.0
                    if not np.isnan(miss[m, p]):
                        w = 1.0 / (1.0 + (miss[m, p] / scale) ** 2)
                    add_ray(origin[c], ray, w, A, b)
            x = points[f, m]
            if n < 2:
                x[:] = np.nan
            else:
                nearest_point(A, b, x)
            for p in range(starts[f], starts[f + 1]):
                if seen[m, p]:
                    c = cam[p]
                    _ray(cam_R, c, xy[0, m, p], xy[1, m, p], ray)
                    along, across = from_ray(origin[c], ray, x)
                    miss[m, p] = np.sqrt(across) / max(along, 1.0)


@compiled
def _ray(cam_R: Array, c: int, x: float, y: float, out: Array) -> None:
    """Write the unit vector in the world along which camera c sees an image-plane point."""
    r = 1.0 / np.sqrt(x * x + y * y + 1.0)
    for i in range(3):
        out[i] = r * (cam_R[c, 0, i] * x + cam_R[c, 1, i] * y + cam_R[c, 2, i])
