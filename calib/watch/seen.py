"""What new frames show once cameras stand roughly: their information, and what each camera makes
of the wand that all cameras place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import sensor_cell
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.prove.space.views import views_of_places
from calib.solve.bundle.descent import without_frames
from calib.solve.bundle.frames import fit_frames
from calib.solve.bundle.linearise import linearise, residuals
from calib.solve.bundle.problem import Problem, State, problem_from_tracks
from calib.solve.certainty.normal import Information
from calib.solve.fit import GATE_SQUARED, in_placed_frames
from calib.solve.refine import LOSS_SCALE, placed
from calib.watch.rough import Rough, sigmas_mm

Bools = NDArray[np.bool_]
DISTANCE_BINS = np.geomspace(100.0, 100_000.0, 61)  # mm; a twelfth more from one to the next
FAST_MM_S = 1500.0  # hands wave at half a metre to a metre and a half a second (common practice)


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Some frames before cameras that stand: ``information`` about all parameters and, camera by
    camera (C,), counts.

    ``named`` points there were in frames that place the wand, ``fitting`` of them fit it;
    ``expected`` markers ought to have been seen: on or beside a part of the sensor, and at a
    distance, where the camera saw the wand before. ``distance (C, 60)`` counts pairs of camera and
    frame by distance; ``wide_mm (C,)`` is how wide its spots are at the markers, median, nan where
    the tracks do not tell; ``speed_mm_s`` is the wand's median speed.
    """

    information: Information
    named: Ints
    fitting: Ints
    expected: Ints
    distance: Ints
    wide_mm: Array
    speed_mm_s: float


@one_blas_thread
def look_at(tracks: Tracks, rough: Rough, is_hit: Bools, range_mm: Array) -> Seen | None:
    """Return what frames show, None where none of them places the wand.

    ``is_hit (C, 100)`` are the cells of each sensor in which the wand was seen, and ``range_mm (C,
    2)`` from which distance to which.
    """
    wand = rough.rig.wand_used
    problem = problem_from_tracks(tracks, len(wand.markers), wand.dimension)
    if not problem.n_frames:
        return None
    sigma = rough.fit.sigma_px
    state, seen = placed(problem, rough.state)
    state = fit_frames(
        problem.with_weight(seen / sigma[problem.cam]),
        state,
        loss_scale=LOSS_SCALE,
        max_iterations=6,
    )
    px = residuals(problem, state)
    of_point, unsure = sigma[problem.cam], _unsure_px(problem, state, rough)
    allowed = of_point**2 + unsure**2
    inlier = seen & ((px**2).sum(axis=0) < GATE_SQUARED * allowed)
    inlier = in_placed_frames(problem, inlier)
    weighted = problem.with_weight(inlier / sigma[problem.cam])
    blocks = linearise(weighted, state, rough.options.terms, np.inf, rough.n_axes)
    is_placed = np.zeros(problem.n_frames, bool)
    is_placed[problem.frame[inlier.any(axis=0)]] = True

    def of_cameras(each: Ints) -> Ints:
        return np.bincount(problem.cam, each, problem.n_cameras).astype(np.int64)

    usable = seen & is_placed[problem.frame]
    expected = _expected(problem, state, rough, is_hit, range_mm, is_placed)
    places = state.wand_t[is_placed]
    step = np.diff(problem.frame_number[is_placed])
    far = np.linalg.norm(np.diff(places, axis=0), axis=1)[step == 1]
    return Seen(
        without_frames(weighted, blocks),
        of_cameras(usable.sum(axis=0)),
        of_cameras(inlier.sum(axis=0)),
        expected,
        distances(problem, state, inlier),
        _wide_mm(tracks, problem, state, inlier),
        float(np.median(far)) * problem.rate_hz if len(far) else float("nan"),
    )


def distances(problem: Problem, state: State, is_inlier: Bools) -> Ints:
    """Return how many pairs of camera and frame with a point that fits lie in each step of distance
    (C, 60).
    """
    pairs = np.flatnonzero(is_inlier.any(axis=0))
    cam, frame = problem.cam[pairs], problem.frame[pairs]
    away = np.linalg.norm(state.position_mm[cam] - state.wand_t[frame], axis=1)
    out = np.zeros((problem.n_cameras, len(DISTANCE_BINS) - 1), np.int64)
    at = np.clip(np.searchsorted(DISTANCE_BINS, away) - 1, 0, out.shape[1] - 1)
    np.add.at(out, (cam, at), 1)
    return out


def _wide_mm(tracks: Tracks, problem: Problem, state: State, inlier: Bools) -> Array:
    """Return the median diameter (C,) of each camera's spots in mm, at the markers that they
    show.
    """
    cam = problem.cam
    mm_of_px = state.depth_mm(cam, problem.frame) / state.lens[cam, 0]
    out = np.full(problem.n_cameras, np.nan)
    for c, camera in enumerate(tracks.cameras):
        marker, pair = np.nonzero(inlier & (problem.cam == c))
        if camera.radius_px is not None and len(pair):
            radius = camera.radius_px[problem.row[marker, pair]]
            out[c] = np.median(2.0 * radius * mm_of_px[pair])
    return out


def _unsure_px(problem: Problem, state: State, rough: Rough) -> Array:
    """Return by how much (P,) in px the rough cameras may be off at each pair's place, as the
    precision there says; inf where it says nothing. A first solve is of a corner of the volume.
    """
    views = views_of_places(rough.rig, state.wand_t)
    sigma = sigmas_mm(rough.errors, views, state.wand_t, rough.cameras)
    away = np.linalg.norm(state.position_mm[problem.cam] - state.wand_t[problem.frame], axis=1)
    px = state.lens[problem.cam, 0] * sigma[problem.frame] / np.maximum(away, 1.0)
    return np.asarray(np.where(np.isfinite(px), px, np.inf))


def _near(is_hit: Bools) -> Bools:
    """Return the cells (C, 100) that were hit, or touch one that was."""
    grid = np.pad(is_hit.reshape(-1, 10, 10), ((0, 0), (1, 1), (1, 1)))
    near = [grid[:, i : i + 10, j : j + 10] for i in range(3) for j in range(3)]
    return np.asarray(np.any(near, axis=0).reshape(-1, 100))


def _expected(
    problem: Problem, state: State, rough: Rough, is_hit: Bools, range_mm: Array, is_placed: Bools
) -> Ints:
    """Return how many markers each camera (C,) ought to have seen in placed frames."""
    points, near = state.markers_mm, _near(is_hit)
    n_markers = points.shape[1]
    expected = np.zeros(problem.n_cameras, np.int64)
    flat = points.reshape(-1, 3)
    for c, camera in enumerate(rough.rig.cameras):
        uv, is_on = camera.image_of(flat)
        away = np.linalg.norm(flat - camera.position_mm, axis=1)
        is_on &= np.repeat(is_placed, n_markers)
        is_on &= (away >= range_mm[c, 0]) & (away <= range_mm[c, 1])
        at = np.flatnonzero(is_on)
        at = at[near[c, sensor_cell(uv[at], camera.width, camera.height)]]
        expected[c] = len(at)
    return expected
