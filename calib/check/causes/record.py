"""One camera's residuals as the other cameras predict them, and what turns them into independent
unit noise.

A residual that the camera itself helped to fit is smaller than its error, and those of one frame
hang together. So each frame's wand pose is taken from the other cameras alone: one linear step from
the common fit. What is then left of the camera's points in a frame has covariance sigma² (I + B
Bᵀ), where B is the pose's uncertainty as the camera sees it; an inverse root of that makes the
points independent, with unit variance, whatever the rig. Effects go the same way. Source: Förstner
& Wrobel, Photogrammetric Computer Vision, 2016, section 4.2.3 (whitening), 4.4.5 (leave-one-out).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy import special

from calib.check.causes.kernels import leave_out_kernel, whiten_kernel
from calib.core.geometry import Array, cross_matrix
from calib.core.parameters import MEASURED
from calib.core.threads import in_groups
from calib.core.tracks import Tracks
from calib.solve.bundle.linearise import linearise, weighted_rows
from calib.solve.bundle.problem import Index
from calib.solve.certainty.normal import Information
from calib.solve.clock.frame_slip import find_frames
from calib.solve.fit import in_placed_frames
from calib.solve.hold import RigFit

STEP_S = (
    1.0 / 30.0
)  # between the places whose difference is the velocity: as in the estimate of time offsets
DEGREE = 5  # of the pattern over the sensor: a lens's k2 is of degree five in the image
VAGUE = np.array(
    [1.0, 1.0, 1.0, 1e-6, 1e-6, 1e-6]
)  # what is known of a wand anyway: a radian, a metre (1 / variance)
ALPHA = 1e-3  # of a camera that stands where its rig lets expect to be taken for another
# Views of a camera, drawn evenly but not regularly: it is judged by half as many at most
# (``examine``), of those that do not pass.
MOST_VIEWS = 60_000
MOST = 0.5  # of the frames: with fewer whose motion is known all are kept
R = TypeVar("R")


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """A camera's P frames of M markers; arrays are (P, 2 M, ...) with x and y of a marker side by
    side.

    ``uv_px`` is observed, ``place_px`` where the fit has it: effects are taken there, as a function
    of the observed place less one of the true place is the residual itself. ``residual_px`` is
    observed minus predicted by the other cameras, ``variance`` its variance in units of the noise;
    ``dependence (P, 2 M, d)`` is B, how it depends on the wand's pose; ``motion (P, 2 M, 11)`` is
    what a unit of each turn, shift and lens term of the camera does to a point, in px; ``velocity``
    is the image velocity in px a frame, 0 where not known. ``is_used (P, M)`` marks the points that
    enter the tests.
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
    dependence: Array
    motion: Array
    velocity: Array
    is_passing: NDArray[np.bool_]
    depth_mm: float
    focal_px: float

    def with_used(self, is_used: NDArray[np.bool_]) -> Record:
        return replace(self, is_used=is_used)

    def thinned(self, n_frames: int) -> Record:
        """Return some frames of those in use, drawn evenly but not regularly, which would hide a
        vibration.
        """
        used = np.flatnonzero(self.is_used.any(axis=1))
        if len(used) <= n_frames:
            return self
        kept = np.sort(np.random.default_rng(0).choice(used, n_frames, replace=False))
        names = (
            "frame",
            "uv_px",
            "place_px",
            "is_used",
            "residual_px",
            "variance",
            "dependence",
            "motion",
            "velocity",
        )
        return replace(self, **{name: getattr(self, name)[kept] for name in (*names, "is_passing")})

    def within(self, known: Array) -> Record:
        """Return the record with what the rig's own uncertainty lets expect taken off: ``known (11,
        11)``, the covariance of the camera's turn, shift and lens terms as ``motion`` has them.

        As it is where the camera stands off by more: its pose and lens by these points have the
        covariance ``S⁻¹ + known`` about the rig's, as in ``calib.check.recheck.compare``.
        """
        z = self.whitened(np.concatenate([self.motion, self.residual_px[..., None]], axis=2))
        flat = z.reshape(-1, z.shape[2])
        alone = Information.of(flat[:, :-1].T @ flat[:, :-1], -flat[:, :-1].T @ flat[:, -1])
        values, axes = np.linalg.eigh(known)
        beyond = alone.blurred(axes * np.sqrt(np.maximum(values, 0.0)))
        chi_square, freedom = beyond.chi_square()
        if chi_square > special.chdtri(max(freedom, 1), ALPHA):
            return self
        likely = -known @ beyond.gradient
        return replace(self, residual_px=self.residual_px - self.motion @ likely)

    def pattern(self) -> Array:
        """Return (P, 2 M, K): smooth patterns over the sensor, products of Legendre polynomials for
        x and y each, which go on as at its edge where a camera that ran away predicts points.
        """
        place = 2.0 * (self.place_px + 0.5) / np.array([self.width, self.height]) - 1.0
        place = np.clip(place, -1.0, 1.0)
        table = legendre.legvander2d(place[..., 0], place[..., 1], [DEGREE, DEGREE])
        i, j = np.divmod(np.arange(table.shape[-1]), DEGREE + 1)
        table = table[..., i + j <= DEGREE]
        zero = np.zeros_like(table)
        both = np.stack(
            [np.concatenate([table, zero], -1), np.concatenate([zero, table], -1)], axis=2
        )
        return both.reshape(len(self.place_px), -1, both.shape[-1])

    def doubt(self) -> Array:
        """Return the larger ``variance`` of each point's two coordinates (P, M)."""
        return np.asarray(np.maximum(self.variance[:, ::2], self.variance[:, 1::2]))

    def normalised(self) -> Array:
        """Return the residuals (P, M, 2) in units of their own standard deviation, not whitened."""
        return (self.residual_px / self.sigma_px / np.sqrt(self.variance)).reshape(
            *self.is_used.shape, 2
        )

    def whitened(self, effects: Array) -> Array:
        """Return effects in px (P, 2 M, K) in units of independent noise; 0 at points that are not
        used.
        """
        out = np.empty(effects.shape)
        whiten_kernel(
            self.dependence, self.is_used, np.ascontiguousarray(effects), self.sigma_px, out
        )
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Others:
    """What all cameras that count, ``votes (C,)`` of 1, tell of each frame's wand pose: information
    and gradient.

    ``seen (M, P)`` are the points in frames with a pose, ``speed (F, M, 3)`` the markers'
    velocities in mm a frame, ``is_passing (P,)`` the pairs in stretches that stand off.
    """

    fit: RigFit
    tracks: Tracks
    votes: Array
    H: Array
    g: Array
    seen: NDArray[np.bool_]
    speed: Array
    is_passing: NDArray[np.bool_]

    @classmethod
    def of(cls, fit: RigFit, tracks: Tracks, votes: Array) -> Others:
        problem, state = fit.problem, fit.state
        seen = in_placed_frames(problem, problem.row >= 0)
        weighted = problem.with_weight(fit.is_inlier * (votes / fit.sigma_px)[problem.cam])
        blocks = linearise(weighted, state, (), np.inf, has_cameras=False)
        H = blocks.frame + np.diag(VAGUE[3 - problem.n_rotation :])
        world = state.markers_mm
        speed = _velocity(
            world, _marker_sigmas(H, state.shape_mm), problem.frame_number, tracks.frame_rate_hz
        )
        return cls(fit, tracks, votes, H, -blocks.frame_gradient, seen, speed, fit.is_passing)

    def record(self, c: int, at: Index) -> Record | None:
        """Return the record of camera c, whose pairs are ``at``; None where none is in a frame with
        a wand pose.
        """
        fit, problem, state, sigma = (
            self.fit,
            self.fit.problem,
            self.fit.state,
            float(self.fit.sigma_px[c]),
        )
        at = at[self.seen[:, at].any(axis=0)]
        if not at.size:
            return None
        if at.size > MOST_VIEWS:
            at = np.sort(np.random.default_rng(0).choice(at, MOST_VIEWS, replace=False))
        f, n, m, d = problem.frame[at], len(at), len(self.seen), problem.n_rotation + 3
        own = replace(
            problem,
            cam=problem.cam[at],
            frame=f,
            uv_px=np.ascontiguousarray(problem.uv_px[:, :, at]),
        )
        rows = weighted_rows(own, state, MEASURED, np.ones((m, n)))
        residual, variance, velocity, dependence = (
            np.empty((n, 2 * m, *last)) for last in ((), (), (), (d,))
        )
        weight = fit.is_inlier[:, at].T * (self.votes[c] / sigma)
        leave_out_kernel(
            rows,
            weight,
            f,
            self.H,
            self.g,
            self.speed,
            np.array(state.cam_R[c]),
            sigma,
            residual,
            variance,
            dependence,
            velocity,
        )
        rows = rows.reshape(n, 2 * m, -1)
        uv = own.uv_px.transpose(2, 1, 0)
        is_used = self.seen[:, at].T
        # Points whose motion is not known cannot show a late exposure, and what it moves would pass
        # for a pattern.
        is_moving = (self.speed[f] != 0).any(axis=(1, 2))
        if is_moving.mean() > MOST:
            is_used = is_used & is_moving[:, None]
        camera = self.tracks.cameras[c]
        return Record(
            camera.name,
            camera.width,
            camera.height,
            problem.frame_number[f],
            self.tracks.frame_rate_hz,
            sigma,
            uv,
            uv + rows[..., -1].reshape(n, m, 2),
            is_used,
            residual,
            variance,
            dependence,
            rows[..., d:-1],
            velocity,
            self.is_passing[at],
            float(np.median(state.depth_mm(problem.cam[at], f))),
            float(state.lens[c, 0]),
        )


def of_cameras(
    fit: RigFit, tracks: Tracks, of: Callable[[Record], R | None], weight: Array | None = None
) -> list[R | None]:
    """Return ``of`` each camera's record; None where the camera has no point in a frame with a wand
    pose.

    ``weight (C,)`` of 0 takes a camera out of the wand poses of the others; there is None of it
    either.
    """
    others = Others.of(fit, tracks, np.ones(fit.problem.n_cameras) if weight is None else weight)

    def run(cameras: Sequence[tuple[int, Index]]) -> list[R | None]:
        return [
            of(record) if others.votes[c] and (record := others.record(c, at)) else None
            for c, at in cameras
        ]

    return [
        found
        for part in in_groups(run, list(enumerate(fit.problem.pairs_by_camera())))
        for found in part
    ]


def _marker_sigmas(H: Array, shape_mm: Array) -> Array:
    """Return how uncertain each frame's worst marker is (F,) in mm, from the frames' information
    (F, d, d).
    """
    C, d = np.linalg.inv(H), H.shape[1]
    move = np.concatenate(
        [-cross_matrix(shape_mm)[..., 6 - d :], np.broadcast_to(np.eye(3), (len(shape_mm), 3, 3))],
        -1,
    )
    return np.asarray(
        np.sqrt(np.einsum("mai,fij,maj->fm", move, C, move, optimize=True).max(axis=1))
    )


def _velocity(world: Array, sigma_mm: Array, number: NDArray[np.int64], rate_hz: float) -> Array:
    """Return the markers' velocities (F, M, 3) in mm a frame by central differences; 0 where not
    known well.

    That is where a neighbouring frame is missing, or the cameras place a marker in it to no better
    than a tenth of the usual way between the two: a wand that two cameras see edge on may lie half
    a metre off.
    """
    step = max(1, round(rate_hz * STEP_S))
    before, after = find_frames(number, number - step), find_frames(number, number + step)
    is_known, way = (before >= 0) & (after >= 0), world[after] - world[before]
    if not is_known.any():
        return np.zeros_like(world)
    limit = 0.1 * np.median(np.linalg.norm(way[is_known], axis=2))
    is_known &= np.maximum(sigma_mm[before], sigma_mm[after]) < limit
    return np.asarray(np.where(is_known[:, None, None], way / (2 * step), 0.0))
