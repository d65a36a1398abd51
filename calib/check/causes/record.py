"""One camera's residuals as the other cameras predict them, and what turns them into independent unit noise.

A residual that the camera itself helped to fit is smaller than its error, and those of one frame hang together. So each
frame's wand pose is taken from the other cameras alone: one linear step from the common fit. What is then left of the
camera's points in a frame has covariance sigma² (I + B Bᵀ), where B is the pose's uncertainty as the camera sees it;
its symmetric inverse root makes the points independent, with unit variance, whatever the rig. Effects go the same way.
Source: Förstner & Wrobel, Photogrammetric Computer Vision, 2016, section 4.2.3 (whitening), 4.4.5 (leave-one-out).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from calib.core.camera import distort
from calib.core.geometry import Array, cross_matrix
from calib.core.tracks import Tracks
from calib.solve.frame_slip import find_frames
from calib.solve.refine import RigFit, frames_with_pose

STEP_S = 1.0 / 30.0  # between the places whose difference is the velocity: as in the estimate of time offsets
DEGREE = 5  # of the pattern over the sensor: a lens's k2 is of degree five in the image
VAGUE = np.array([1.0, 1.0, 1.0, 1e-6, 1e-6, 1e-6])  # what is known of a wand anyway: a radian, a metre (1 / variance)
MOST = 0.5  # of the frames: with fewer whose motion is known all are kept
UNTOLD = 400.0  # a direction in which the others say this many times less (in variance) than the camera is left out


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """A camera's P frames of M markers; arrays are (P, 2 M, ...) with x and y of a marker side by side.

    ``uv_px`` is observed, ``place_px`` where the fit has it: effects are taken there, as a function of the observed
    place less one of the true place is the residual itself. ``residual_px`` is observed minus predicted by the
    other cameras, ``variance`` its variance in units of the noise; ``sway (P, 2 M, d)`` is B; ``pose`` and ``lens``
    hold what a unit of each effect does to a point, in px; ``velocity`` is the image velocity in px a frame, 0
    where not known. ``is_used (P, M)`` marks the points that enter the tests.
    """

    name: str
    width: int
    height: int
    frame: NDArray[np.int64]
    frame_rate_hz: float
    sigma_px: float
    uv_px: Array
    place_px: Array
    is_used: NDArray[np.bool_]
    residual_px: Array
    variance: Array
    sway: Array
    pose: Array
    lens: Array
    velocity: Array
    depth_mm: float
    focal_px: float

    def with_used(self, is_used: NDArray[np.bool_]) -> Record:
        return replace(self, is_used=is_used)

    def thinned(self, n_frames: int) -> Record:
        """Return some frames of those in use, drawn evenly but not regularly, which would hide a vibration."""
        used = np.flatnonzero(self.is_used.any(axis=1))
        if len(used) <= n_frames:
            return self
        kept = np.sort(np.random.default_rng(0).choice(used, n_frames, replace=False))
        names = ("frame", "uv_px", "place_px", "is_used", "residual_px", "variance", "sway", "pose", "lens", "velocity")
        return replace(self, **{name: getattr(self, name)[kept] for name in names})

    def pattern(self) -> Array:
        """Return (P, 2 M, K): smooth patterns over the sensor, products of Legendre polynomials for x and y each."""
        place = 2.0 * (self.place_px + 0.5) / np.array([self.width, self.height]) - 1.0
        table = legendre.legvander2d(place[..., 0], place[..., 1], [DEGREE, DEGREE])
        i, j = np.divmod(np.arange(table.shape[-1]), DEGREE + 1)
        table = table[..., i + j <= DEGREE]
        zero = np.zeros_like(table)
        both = np.stack([np.concatenate([table, zero], -1), np.concatenate([zero, table], -1)], axis=2)
        return both.reshape(len(self.place_px), -1, both.shape[-1])

    def normalised(self) -> Array:
        """Return the residuals (P, M, 2) in units of their own standard deviation, not whitened."""
        return (self.residual_px / self.sigma_px / np.sqrt(self.variance)).reshape(*self.is_used.shape, 2)

    def whitened(self, effects: Array) -> Array:
        """Return effects in px (P, 2 M, K) in units of independent noise; 0 at points that are not used."""
        mask = np.repeat(self.is_used, 2, axis=1)[..., None]
        B = self.sway * mask
        value, vector = np.linalg.eigh(np.swapaxes(B, 1, 2) @ B)
        value = np.maximum(value, 1e-12)
        # (I + B Bᵀ)^-1/2 = I + B V c Vᵀ Bᵀ, with c = -1 / a where nothing is told.
        factor = (np.where(value < UNTOLD, 1.0 / np.sqrt(1.0 + value), 0.0) - 1.0) / value
        out = effects * mask / self.sigma_px
        half = B @ vector
        return np.asarray(out + half @ (factor[..., None] * (np.swapaxes(half, 1, 2) @ out)))


def records(fit: RigFit, tracks: Tracks, weight: Array | None = None) -> list[Record | None]:
    """Return each camera's record, None where it has no point in a frame with a wand pose.

    ``weight (C,)`` of 0 takes a camera out of the wand poses of the others.
    """
    problem, state = fit.problem, fit.state
    say = np.ones(problem.n_cameras) if weight is None else weight
    seen = (problem.row >= 0) & frames_with_pose(problem, problem.row >= 0)[problem.frame]
    d, n_markers = problem.n_turn + 3, len(seen)
    world = state.shape_mm @ np.swapaxes(state.wand_R, 1, 2) + state.wand_t[:, None]
    H, g = np.zeros((problem.n_frames, d, d)), np.zeros((problem.n_frames, d))
    H[:] = np.diag(VAGUE[3 - problem.n_turn :])
    parts = []
    for c in range(problem.n_cameras):
        at = np.flatnonzero((problem.cam == c) & seen.any(axis=0))
        at = at[np.argsort(problem.frame[at])]
        f = problem.frame[at]
        x = world[f] @ state.cam_R[c].T + state.cam_t[c]
        q = _image_by_place(state.lens[c], x)
        h = q @ (state.cam_R[c] @ state.wand_R[f])[:, None]
        turn = np.cross(state.shape_mm[:, None, :], h)[..., 3 - problem.n_turn :]
        J = np.concatenate([turn, h], axis=-1).reshape(len(at), 2 * n_markers, d)
        w = np.repeat(fit.is_inlier[:, at].T, 2, axis=1) / fit.sigma_px[c]
        r = fit.residual_px[:, :, at].transpose(2, 1, 0).reshape(len(at), 2 * n_markers)
        weighted = J * w[..., None]
        own = np.swapaxes(weighted, 1, 2) @ weighted, (weighted * (r * w)[..., None]).sum(axis=1)
        H[f] += own[0] * say[c]
        g[f] += own[1] * say[c]
        parts.append((at, f, x, q, J, r, own))
    speed = _velocity(world, _marker_sigmas(H, state.shape_mm), problem.frame_number, tracks.frame_rate_hz)
    return [
        _record(fit, tracks, c, part, seen, H[part[1]] - say[c] * part[6][0], g[part[1]] - say[c] * part[6][1], speed)
        if len(part[0])
        else None
        for c, part in enumerate(parts)
    ]


def _record(
    fit: RigFit,
    tracks: Tracks,
    c: int,
    part: tuple[Any, ...],
    seen: NDArray[np.bool_],
    H: Array,
    g: Array,
    speed: Array,
) -> Record:
    """Return the record of camera c, given what the others say of its frames: information H and gradient g."""
    at, f, x, q, J, r, _ = part
    camera, lens, sigma = tracks.cameras[c], fit.state.lens[c], float(fit.sigma_px[c])
    n, m = len(at), x.shape[1]
    root = np.linalg.inv(np.linalg.cholesky(H))
    step = np.swapaxes(root, 1, 2) @ (root @ g[..., None])
    sway = J @ np.swapaxes(root, 1, 2) / sigma
    uv = fit.problem.uv_px[:, :, at].transpose(2, 1, 0)
    X = x[:, :, None]
    pose = np.concatenate([np.cross(X, q), q], axis=-1).reshape(n, 2 * m, 6)
    velocity = (q @ (speed[f] @ fit.state.cam_R[c].T)[..., None])[..., 0].reshape(n, 2 * m)
    is_seen = seen[:, at].T
    # Points whose motion is not known cannot show a late exposure, and what it moves would pass for a pattern.
    is_moving = (speed[f] != 0).any(axis=(1, 2))
    if is_moving.mean() > MOST:
        is_seen = is_seen & is_moving[:, None]
    return Record(
        camera.name, camera.width, camera.height, fit.problem.frame_number[f], tracks.frame_rate_hz, sigma, uv,
        uv - r.reshape(n, m, 2), is_seen,
        r - (J @ step)[..., 0], 1.0 + (sway**2).sum(axis=2), sway, pose, _lens_effects(lens, x), velocity,
        float(np.median(x[..., 2])), float(lens[0]),
    )  # fmt: skip


def _marker_sigmas(H: Array, shape_mm: Array) -> Array:
    """Return how uncertain each frame's worst marker is (F,) in mm, from the frames' information (F, d, d)."""
    C, d = np.linalg.inv(H), H.shape[1]
    move = np.concatenate(
        [-cross_matrix(shape_mm)[..., 6 - d :], np.broadcast_to(np.eye(3), (len(shape_mm), 3, 3))], -1
    )
    return np.asarray(np.sqrt(np.einsum("mai,fij,maj->fm", move, C, move, optimize=True).max(axis=1)))


def _velocity(world: Array, sigma_mm: Array, number: NDArray[np.int64], rate_hz: float) -> Array:
    """Return the markers' velocities (F, M, 3) in mm a frame by central differences; 0 where not known well.

    That is where a neighbouring frame is missing, or the cameras place a marker in it to no better than a tenth of the
    usual way between the two: a wand that two cameras see edge on may lie half a metre off.
    """
    step = max(1, round(rate_hz * STEP_S))
    before, after = find_frames(number, number - step), find_frames(number, number + step)
    is_known, way = (before >= 0) & (after >= 0), world[after] - world[before]
    if not is_known.any():
        return np.zeros_like(world)
    limit = 0.1 * np.median(np.linalg.norm(way[is_known], axis=2))
    is_known &= np.maximum(sigma_mm[before], sigma_mm[after]) < limit
    return np.asarray(np.where(is_known[:, None, None], way / (2 * step), 0.0))


def _image_by_place(lens: Array, x: Array) -> Array:
    """Return the derivative (P, M, 2, 3) of image points by places (P, M, 3) in the camera's frame."""
    inverse_z = 1.0 / np.maximum(x[..., 2], 1.0)
    u, v = x[..., 0] * inverse_z, x[..., 1] * inverse_z
    _, _, xd_x, xd_y, yd_x, yd_y, _ = distort(lens[4:], u, v)
    rows = [(lens[0], xd_x, xd_y), (lens[1], yd_x, yd_y)]
    return np.stack(
        [np.stack([f * a, f * b, -f * (a * u + b * v)], -1) * inverse_z[..., None] for f, a, b in rows], axis=-2
    )


def _lens_effects(lens: Array, x: Array) -> Array:
    """Return (P, 2 M, 5): a unit of focal length, principal point x and y, k1, k2."""
    z = np.maximum(x[..., 2], 1.0)
    u, v = x[..., 0] / z, x[..., 1] / z
    xd, yd, *_ = distort(lens[4:], u, v)
    r2, zero, one = u * u + v * v, np.zeros_like(u), np.ones_like(u)
    columns = [(xd, yd), (one, zero), (zero, one)]
    columns += [(lens[0] * u * p, lens[1] * v * p) for p in (r2, r2 * r2)]
    return np.stack([np.stack(c, axis=-1).reshape(len(x), -1) for c in columns], axis=-1)
