"""Is the wand rigid and as its file says? Each marker where its own views put it, against where the
whole wand does.

An error of a camera moves single views; a fault of the wand moves a marker for all cameras alike.
With x the intersection of a marker's rays, C its covariance from the cameras' noise and y the place
that the frame's pose gives it, ``(x - y)ᵀ C⁻¹ (x - y)`` is at most chi-square of three degrees
while the wand is right: what fitting the pose takes up only makes it smaller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.camera import Lens, project
from calib.core.geometry import Array, Pose, rigid_fit
from calib.core.wand import Wand
from calib.solve.bundle.problem import Problem, State
from calib.solve.clock.path import marker_information
from calib.solve.hold import RigFit

MIN_FRAMES = 60  # in which a marker is placed by itself: a median is then known to a tenth
# A shift that all cameras share: from so many cameras on, beyond half of what a good centroid is
# good to (common practice, no source), and by no more than this chance.
MIN_CAMERAS, LEAST_SHIFT_PX, CHANCE = 3, 0.05, 1e-6
MEDIAN_SQUARE = float(special.chdtri(3, 0.5))


@dataclass(frozen=True, slots=True, eq=False)
class MarkerReading:
    """How far a marker lies from where the wand's pose puts it: ``offset_mm``, root of the median
    square, ``excess`` times what the cameras' noise lets expect.

    ``in_world`` (0 to 1) says how much of it is one and the same vector in the world's axes,
    ``steadiness`` how alike its size is from frame to frame.
    """

    offset_mm: float
    excess: float
    in_world: float
    steadiness: float


def marker_readings(problem: Problem, state: State, points_mm: Array) -> list[MarkerReading | None]:
    """Return each marker's reading, None where too few frames place it by its own views.

    ``problem`` weights every point that was seen by its camera's noise, ``points_mm (F, M, 3)`` are
    the markers by intersecting these rays.
    """
    away = points_mm - state.markers_mm
    in_wand = away @ state.wand_R
    information = marker_information(problem, state)
    is_placed = problem.n_views(problem.row >= 0).T >= 2
    is_placed &= np.isfinite(away).all(axis=2)
    squares = np.einsum("fmi,fmij,fmj->fm", in_wand, information, in_wand)
    return [
        _reading(away[ok, m], squares[ok, m]) if ok.sum() >= MIN_FRAMES else None
        for m, ok in enumerate(is_placed.T)
    ]


def ray_noise(problem: Problem, state: State, points_mm: Array) -> Array:
    """Return by how much each marker's rays miss one another (M,), in the cameras' noise: a marker
    that is dim or dirty, wherever it is on the wand; nan where too few frames tell.

    ``problem`` and ``points_mm`` as for ``marker_readings``.
    """
    M = len(problem.row)
    square, n_views = np.zeros((M, problem.n_frames)), problem.n_views(problem.weight > 0)
    for c, at in enumerate(problem.pairs_by_camera()):
        f, pose = problem.frame[at], Pose(state.cam_R[c], state.cam_t[c])
        image = project(Lens.from_vector(state.lens[c]), pose.apply(points_mm[f]))
        miss = (problem.uv_px[:, :, at] - image.transpose(2, 1, 0)) * problem.weight[:, at]
        square[:, f] += np.where(problem.weight[:, at] > 0, (miss**2).sum(axis=0), 0.0)
    freedom = 2 * n_views - 3
    is_known = (freedom > 0) & np.isfinite(square)
    ratio = square / special.chdtri(np.maximum(freedom, 1), 0.5)
    each = [
        np.median(r[ok]) if ok.sum() >= MIN_FRAMES else np.nan
        for r, ok in zip(ratio, is_known, strict=True)
    ]
    return np.sqrt(each)


def marker_shift(fit: RigFit) -> tuple[int, float] | None:
    """Return the marker that all cameras see off to one and the same side in their images, and by
    how many px of what its frames' poses leave; None where chance makes it.

    The means of a marker in C cameras scatter about their common mean; by that scatter, pooled over
    the markers, a common mean of 0 is tested (analysis of variance; Hald, Statistical Theory with
    Engineering Applications, 1952, chapter 16).
    """
    problem = fit.problem
    n_markers, n = len(problem.row), problem.n_cameras
    count = np.array([np.bincount(problem.cam, ok, n) for ok in fit.is_inlier])
    sums = [
        [np.bincount(problem.cam, np.where(ok, r, 0.0), n) for r in residual]
        for ok, residual in zip(fit.is_inlier, np.swapaxes(fit.residual_px, 0, 1), strict=True)
    ]
    is_seen = (count >= MIN_FRAMES).all(axis=0)
    n_seen = int(is_seen.sum())
    if n_seen < MIN_CAMERAS or n_markers < 2:
        return None
    mean = (np.array(sums) / np.maximum(count, 1)[:, None])[..., is_seen]
    common = mean.mean(axis=2)
    freedom = 2 * (n_markers - 1) * (n_seen - 1)
    # The markers' means of a camera and coordinate add up to about nothing: one of them is no news.
    scatter = ((mean - common[..., None]) ** 2).sum() / freedom
    size = np.linalg.norm(common, axis=1)
    m = int(size.argmax())
    F = n_seen * size[m] ** 2 / 2.0 / max(scatter, 1e-12)
    if size[m] < LEAST_SHIFT_PX or n_markers * special.fdtrc(2, freedom, F) > CHANCE:
        return None
    return m, float(size[m])


def is_mirrored(wand: Wand, points_mm: Array) -> bool:
    """Return whether a solid wand fits the intersected markers (F, M, 3) of most frames better in a
    mirror.

    All cameras mirrored alike see a room in a mirror, which lengths and rays do not tell.
    """
    points = points_mm[np.isfinite(points_mm).all(axis=(1, 2))]
    if len(points) < MIN_FRAMES:
        return False
    left = []
    for sign in (1.0, -1.0):
        shape = wand.points_mm * [sign, 1.0, 1.0]
        _, R, t = rigid_fit(np.broadcast_to(shape, points.shape), points)
        away = shape @ np.swapaxes(R, 1, 2) + t[:, None] - points
        left.append(np.sqrt((away**2).sum(axis=(1, 2))))
    return bool(np.median(left[1] < left[0] / 3.0))


def _reading(world: Array, square: NDArray[np.float64]) -> MarkerReading:
    size = np.linalg.norm(world, axis=1)
    usual = float(np.median(size))
    near = size < 5.0 * usual  # a frame with a gross point says nothing
    rms = float(np.sqrt(np.mean(size[near] ** 2)))
    low, high = np.quantile(size, [0.25, 0.75])
    return MarkerReading(
        offset_mm=usual,
        excess=float(np.sqrt(np.median(square) / MEDIAN_SQUARE)),
        in_world=float(np.linalg.norm(world[near].mean(axis=0)) / rms) if rms else 0.0,
        steadiness=float(1.0 - (high - low) / max(usual, 1e-12)),
    )
