"""Time offsets: by what fraction of a frame each camera exposes later than its frame number says.

The wand moves some ten pixels from frame to frame, so a camera that exposes late sees every marker
a little farther along its way. With X(f) the markers of frame f in the world, a camera of offset δ
shows the image of X(f + δ), where X between frames follows the polynomial through five wand
positions (Lagrange). Its derivative by δ, the image velocity, is one more column for each camera in
the bundle's normal equations. An offset that all cameras share only moves the wand along its way:
it is not observable and is fixed by a weighted mean of zero.

Sign: a positive offset is an exposure later than the frame number says, in frames; ``1000 offset /
frame_rate`` in ms. Markers, not rotations, are interpolated: a line's turn about itself is
arbitrary in each frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, frozen, sigma_of
from calib.core.names import listed
from calib.core.parameters import n_unknowns
from calib.core.tracks import Tracks
from calib.solve.bundle.descent import (
    BundleOptions,
    free_parameters,
    normal_equations,
    without_frames,
)
from calib.solve.bundle.linearise import Blocks, cauchy, weighted_rows
from calib.solve.bundle.problem import Chunk, Problem, State
from calib.solve.clock.path import wand_path
from calib.solve.fit import Fit, in_placed_frames, robust_sigmas, squared_residuals
from calib.solve.refine import LOSS_SCALE

SIGNIFICANT = 3.0  # in sigmas; below it a camera's points stay where they are


@dataclass(frozen=True, slots=True, eq=False)
class TimeOffsets:
    """Each camera's time offset (C,) in frames, later is positive, with its standard uncertainty.

    ``covariance (C, C)`` and ``sigma_frames (C,)`` hold for the zero that is in use: ``zero_weight
    @ offset_frames`` is 0, where ``zero_weight (C,)`` sums to 1 and gives next to nothing to
    cameras that differ from most. A camera whose offset the capture does not determine has offset 0
    and an infinite sigma.
    """

    names: tuple[str, ...]
    offset_frames: Array
    sigma_frames: Array
    covariance: Array
    zero_weight: Array
    frame_rate_hz: float
    is_settled: bool = True  # False: the corrections still changed in the last round

    def __post_init__(self) -> None:
        for name in ("offset_frames", "sigma_frames", "covariance", "zero_weight"):
            object.__setattr__(self, name, frozen(getattr(self, name)))

    @property
    def offset_ms(self) -> Array:
        """Offsets (C,) in milliseconds."""
        return 1000.0 * self.offset_frames / self.frame_rate_hz

    @property
    def sigma_ms(self) -> Array:
        """Standard uncertainties (C,) in milliseconds."""
        return 1000.0 * self.sigma_frames / self.frame_rate_hz

    @property
    def is_significant(self) -> NDArray[np.bool_]:
        """Which offsets (C,) differ from zero by more than three sigmas."""
        return np.asarray(np.abs(self.offset_frames) > SIGNIFICANT * self.sigma_frames)

    def findings(self, least_frames: Array) -> tuple[str, ...]:
        """Return what to tell people: a sentence for each significant offset of at least so many
        frames (C,), largest first, and for what is not known.
        """
        order = np.argsort(-np.abs(self.offset_frames))
        unknown = [
            n
            for n, sigma in zip(self.names, self.sigma_frames, strict=True)
            if not np.isfinite(sigma)
        ]
        notes = []
        if unknown:
            notes.append(
                f"too few frames in a row show the wand to tell the time offset of "
                f"{listed(unknown)}"
            )
        if not self.is_settled:
            notes.append("the time offsets did not settle: treat them, and the rig, as doubtful")
        return tuple(notes) + tuple(
            f"{self.names[c]} exposes {abs(self.offset_ms[c]):.3f} ms "
            f"{'later' if self.offset_ms[c] > 0 else 'earlier'}"
            f" than the rig (± {self.sigma_ms[c]:.3f} ms; {self.offset_frames[c]:+z.4f} frames)"
            for c in order
            if self.is_significant[c] and abs(self.offset_frames[c]) >= least_frames[c]
        )


def estimate_offsets(fit: Fit, tracks: Tracks, *, loss_scale: float = np.inf) -> TimeOffsets:
    """Return the time offsets that are left in a fit, to first order, cameras, lenses and wand
    frames free with them.

    With an infinite ``loss_scale`` the fit's inliers enter by plain least squares, and the
    covariance is theirs. A finite one is Cauchy's scale in sigmas and lets in every point that the
    fit had: for offsets so large that the fit left out what moved fast; sigmas are then a fifth too
    large where nothing is amiss.
    """
    path = wand_path(fit.problem, fit.result.state, tracks.frame_rate_hz)
    problem = _robustly_weighted(fit, loss_scale) if np.isfinite(loss_scale) else fit.problem
    # Points without a velocity would testify that every offset is zero; they are left out
    # altogether.
    problem = problem.with_weight(problem.weight * path.has_velocity[problem.frame].T)
    state, options = fit.result.state, fit.options
    blocks, _ = normal_equations(problem, state, options)
    blocks = _with_time(problem, state, blocks, options, path.velocity)
    found = without_frames(problem, blocks)
    n_cameras, n = blocks.camera_gradient.shape
    is_free = (
        None
        if options.is_free is None
        else np.pad(options.is_free, ((0, 0), (0, 1)), constant_values=True)
    )
    timed = replace(options, terms=(*options.terms, "time"), is_free=is_free)
    free, motions = free_parameters(state, timed, len(blocks.shape))
    # A camera without points, or none in frames with a path, has nothing to say about its time.
    free = free[found.own[free] > 0]
    common = np.zeros((len(found.own), 1))
    common[n - 1 : n_cameras * n : n] = 1.0
    system = found.at(free).fixed(np.hstack([common, motions])[free])
    own = np.flatnonzero(common[free, 0])
    cameras = free[own] // n
    offset, covariance = np.full(n_cameras, np.nan), np.full((n_cameras, n_cameras), np.nan)
    offset[cameras] = system.estimate()[own]
    covariance[np.ix_(cameras, cameras)] = system.covariance()[np.ix_(own, own)]
    return about_zero(tracks, offset, covariance)


def with_open_offsets(fit: Fit, rate_hz: float, is_found: NDArray[np.bool_]) -> Fit:
    """Return the fit with what it says of cameras and shape where it is also what the time offsets
    of some cameras, ``is_found`` (C,), were found from: they take their share.

    Points without a velocity say nothing of offsets, and of all else what they always do.
    """
    problem, state = fit.problem, fit.result.state
    velocity = wand_path(problem, state, rate_hz).velocity
    blocks = _with_time(problem, state, fit.result.blocks, fit.options, velocity)
    n_cameras, n = blocks.camera_gradient.shape
    found = without_frames(problem, blocks)
    time = np.arange(n_cameras) * n + n - 1
    rows = np.setdiff1d(np.arange(len(found.own)), time)
    return replace(fit, information=found.left(rows, time[is_found]))


def _robustly_weighted(fit: Fit, loss_scale: float) -> Problem:
    """Return the fit's problem with every point weighted by Cauchy's loss."""
    seen = in_placed_frames(fit.problem, fit.problem.row >= 0)
    squared = squared_residuals(fit.problem, fit.result.state)
    sigma = robust_sigmas(fit.problem, squared, seen)[fit.problem.cam]
    return fit.problem.with_weight(
        seen / sigma * np.sqrt(cauchy(squared / sigma**2, loss_scale)[1])
    )


def _with_time(
    problem: Problem, state: State, blocks: Blocks, options: BundleOptions, velocity: Array
) -> Blocks:
    """Return the ``blocks`` at a state with one camera parameter more, the last: its time offset in
    frames.
    """
    d, n = problem.n_rotation + 3, n_unknowns(options.terms)
    n_markers, n_pairs = problem.weight.shape
    n_axes = options.shape.n_axes if options.shape else 0
    to_frame = np.empty((n_pairs, d, 1))
    to_camera, gradient = np.zeros((problem.n_cameras, n + 1)), np.zeros(problem.n_cameras)
    to_shape = np.zeros((problem.n_cameras, n_markers, n_axes))
    for chunk in problem.chunks:
        cam = problem.cam[chunk.pairs]
        rows = weighted_rows(problem, state, options.terms, problem.weight, chunk.pairs)
        in_cam = np.einsum("pij,pmj->pmi", state.cam_R[cam], velocity[problem.frame[chunk.pairs]])
        time = np.einsum("pmri,pmi->pmr", rows[..., d + 3 : d + 6], in_cam)
        by_pair = np.einsum("pmrk,pmr->pk", rows, time)
        to_frame[chunk.pairs, :, 0] = by_pair[:, :d]
        shifts = np.einsum(
            "pmra,pmr->pma", rows[..., problem.n_rotation : problem.n_rotation + n_axes], time
        )
        with_itself = (time**2).sum(axis=(1, 2))[:, None]
        np.add.at(to_camera, cam, np.hstack([by_pair[:, d:-1], with_itself]))
        np.add.at(gradient, cam, by_pair[:, -1])
        np.add.at(to_shape, cam, shifts)
    camera = np.zeros((problem.n_cameras, n + 1, n + 1))
    camera[:, :n, :n] = blocks.camera
    camera[:, n] = camera[:, :, n] = to_camera

    def couplings(chunk: Chunk) -> Array:
        return np.concatenate([blocks.couplings(chunk), to_frame[chunk.pairs]], axis=2)

    return replace(
        blocks,
        camera=camera,
        camera_gradient=np.column_stack([blocks.camera_gradient, gradient]),
        again=couplings,
        unkept=None,
        camera_shape=np.concatenate(
            [blocks.camera_shape, to_shape.reshape(problem.n_cameras, 1, -1)], axis=1
        ),
    )


def about_zero(tracks: Tracks, offset: Array, covariance: Array) -> TimeOffsets:
    """Return the offsets (C,) about the time at which most cameras expose; nan where not
    determined.
    """
    known = np.flatnonzero(np.isfinite(offset))
    weight, sigma = np.zeros(len(offset)), np.full(len(offset), np.inf)
    out, C = np.zeros(len(offset)), np.zeros_like(covariance)
    if known.size > 1:
        at = np.ix_(known, known)
        w = _robust_mean_weights(offset[known], np.sqrt(np.diag(covariance)[known]))
        P = np.eye(known.size) - w  # takes the weighted mean off every offset
        weight[known], out[known], C[at] = w, P @ offset[known], P @ covariance[at] @ P.T
        sigma[known] = np.sqrt(np.diag(C)[known])
    return TimeOffsets(tracks.names, out, sigma, C, weight, tracks.frame_rate_hz)


def _robust_mean_weights(values: Array, sigma: Array) -> Array:
    """Return weights (n,) that sum to 1 and fall with the distance from where most values lie
    (Cauchy's loss).
    """
    centre = np.median(values)
    for _ in range(30):
        away = np.abs(values - centre)
        scale = LOSS_SCALE * max(float(sigma_of(away)), 1e-4) + SIGNIFICANT * sigma
        weight = 1.0 / (scale**2 + away**2)
        weight /= weight.sum()
        centre = weight @ values
    return np.asarray(weight)
