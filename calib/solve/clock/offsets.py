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

from calib.core.camera import Lens, project
from calib.core.geometry import Array, cross_matrix, frozen
from calib.core.progress import Progress
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Ints, Tracks
from calib.core.wand import Wand
from calib.solve.bundle.descent import (
    BundleOptions,
    BundleResult,
    bundle,
    free_parameters,
    gauge_motions,
    inverse_factors,
    reduced_system,
)
from calib.solve.bundle.linearise import Blocks, cauchy, linearise, weighted_rows
from calib.solve.bundle.problem import Problem, State
from calib.solve.clock.frame_slip import find_frames, whole_frame_offsets
from calib.solve.hold import fit_to_rig
from calib.solve.refine import (
    LOSS_SCALE,
    Fit,
    frames_with_pose,
    refine,
    robust_sigmas,
    squared_residuals,
)

# Steps of the path in seconds: over 1/30 s a hand moves far more than a triangulated marker's
# noise, and along a curve of up to 10 rad/s the fifth-order rest of the interpolation stays below a
# thousandth of a step.
STEP_S = 1.0 / 30.0
NODES = np.arange(-2, 3)
SLOPE = (
    np.array([1.0, -8.0, 0.0, 8.0, -1.0]) / 12.0
)  # derivative at 0 of the polynomial through the five nodes
VAGUE = 5.0  # a wand pose this many times less certain than most would move points by its own noise
SIGNIFICANT = 3.0  # in sigmas; below it a camera's points stay where they are
SETTLED = (
    0.5  # in sigmas: a round takes nine tenths or more of what is left, so this leaves a twentieth
)
MAX_ROUNDS = 8
ROBUST_ROUNDS = (
    2  # in which points beyond the gate have a say: the first fit may have thrown out the fast ones
)


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

    @property
    def findings(self) -> tuple[str, ...]:
        """What to tell people: a sentence for each significant offset, largest first, and for what
        is not known.
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
                f"{', '.join(unknown)}"
            )
        if not self.is_settled:
            notes.append("the time offsets did not settle: treat them, and the rig, as doubtful")
        return tuple(notes) + tuple(
            f"{self.names[c]} exposes {abs(self.offset_ms[c]):.3f} ms "
            f"{'later' if self.offset_ms[c] > 0 else 'earlier'}"
            f" than the rig (1σ {self.sigma_ms[c]:.3f} ms; {self.offset_frames[c]:+.4f} frames)"
            for c in order
            if self.is_significant[c]
        )


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The markers' way: ``nodes (5, F, M, 3)`` in mm, two steps before a frame to two after.

    ``n_before (F, M)`` and ``n_after (F, M)`` count the steps either way up to the first that is
    not known, 2 at most. Two in all serve to move points (by a parabola, at the end of a run one
    that reaches out half a step), four to estimate offsets.
    """

    frame_number: Ints
    nodes: Array
    n_before: NDArray[np.intp]
    n_after: NDArray[np.intp]
    frames_a_step: int

    def at(self, delta: float) -> Array:
        """Return the markers (F, M, 3) ``delta`` frames later; nan where no way is known."""
        weights = np.full((3, 3, 5), np.nan)
        for before in range(3):
            for after in range(2 - before, 3):
                at = slice(2 - before, 3 + after)
                weights[before, after] = 0.0
                weights[before, after, at] = _lagrange(NODES[at], delta / self.frames_a_step)
        return np.asarray(
            np.einsum("fmk,kfmi->fmi", weights[self.n_before, self.n_after], self.nodes)
        )

    @property
    def has_velocity(self) -> NDArray[np.bool_]:
        """Which markers (F, M) have two known steps either way."""
        return np.asarray(self.n_before + self.n_after == 4)

    @property
    def velocity(self) -> Array:
        """The markers' velocities (F, M, 3) in mm a frame; 0 where there is none."""
        slope = np.einsum("k,kfmi->fmi", SLOPE, self.nodes) / self.frames_a_step
        return np.where(self.has_velocity[..., None], slope, 0.0)


def _lagrange(nodes: NDArray[np.intp], x: float) -> Array:
    """Return the weights of the nodes in the value at x of the polynomial through them.

    >>> _lagrange(np.arange(-1, 2), 0.5)
    array([-0.125,  0.75 ,  0.375])
    """
    return np.array([np.prod([(x - b) / (a - b) for b in nodes if b != a]) for a in nodes])


def wand_path(fit: Fit, frame_rate_hz: float) -> Path:
    """Return the way of the markers through the frames in which the fit determines their places
    well.
    """
    problem, state = fit.problem, fit.result.state
    sigma_mm = _marker_sigmas(fit)
    is_open = np.isinf(sigma_mm)
    is_placed = np.asarray(
        sigma_mm < VAGUE * (0.0 if is_open.all() else np.median(sigma_mm[~is_open]))
    )
    markers = state.shape_mm @ np.swapaxes(state.wand_R, 1, 2) + state.wand_t[:, None]
    step = max(1, round(frame_rate_hz * STEP_S))
    at = find_frames(problem.frame_number, problem.frame_number + step * NODES[:, None])
    is_known = np.asarray(np.take(is_placed, at, axis=0) & (at >= 0)[..., None])
    # A marker whose place is not known has no way either: no step of it is known.
    before, after = (
        np.cumprod(is_known[order], axis=0)[1:].sum(axis=0) for order in ([2, 1, 0], [2, 3, 4])
    )
    return Path(
        problem.frame_number, np.where(is_known[..., None], markers[at], 0.0), before, after, step
    )


def _marker_sigmas(fit: Fit) -> Array:
    """Return the uncertainties (F, M) of the markers' places in mm for a pixel of noise; infinite
    where they have none.

    All cameras count alike: while one is late its weight says nothing about its rays. A place comes
    from the whole frame where that determines the wand's pose, else from the marker's own views.
    """
    problem, state = (
        fit.problem.with_weight((fit.problem.weight > 0).astype(float)),
        fit.result.state,
    )
    d, n_markers = problem.n_turn + 3, len(state.shape_mm)
    factors = inverse_factors(linearise(problem, state, (), np.inf, has_cameras=False).frame)
    # How a marker moves with its frame's parameters: turns about the wand's last n_turn axes, and
    # shifts.
    turns = -cross_matrix(state.shape_mm)[:, :, 3 - problem.n_turn :]
    moves = np.concatenate([turns, np.broadcast_to(np.eye(3), (n_markers, 3, 3))], axis=2)
    of_frame = (np.einsum("fkd,mid->fmik", factors, moves, optimize=True) ** 2).sum(axis=(2, 3))
    has_pose = np.asarray((np.diagonal(factors, axis1=1, axis2=2) > 0).all(axis=1))
    own = np.empty((problem.n_frames, n_markers, 3, 3))
    for chunk in problem.chunks:
        shifts = weighted_rows(problem, state, (), problem.weight, chunk.pairs)[
            ..., problem.n_turn : d
        ]
        own[chunk.frames] = problem.sum_to_frames(np.swapaxes(shifts, 2, 3) @ shifts, chunk)
    information = np.linalg.eigvalsh(own)
    # A single ray leaves its own direction open up to rounding; two that meet at a milliradian do
    # not.
    is_met = information[..., 0] > 1e-9 * information[..., 2]
    of_marker = (1.0 / np.where(is_met[..., None], information, np.nan)).sum(axis=2)
    return np.sqrt(np.where(has_pose[:, None], of_frame, np.where(is_met, of_marker, np.inf)))


def corrected(tracks: Tracks, fit: Fit, offset_frames: Array) -> Tracks:
    """Return the tracks as they would be, had all cameras exposed at the common time.

    Offsets (C,) are of ``tracks`` as given; ``fit`` is of these tracks or of a corrected copy.
    Whole frames go into the frame number, the fraction left moves each point back along its image
    path. A point whose path is not known, or that would leave the sensor, keeps its place and loses
    its marker (-1): rows stay parallel to the original's. A camera of offset 0 is left as it is.
    """
    path = wand_path(fit, tracks.frame_rate_hz)
    cameras = tuple(
        _moved(camera, path, fit.result.state, c, float(offset_frames[c]))
        if offset_frames[c]
        else camera
        for c, camera in enumerate(tracks.cameras)
    )
    return replace(tracks, cameras=cameras)


def _moved(camera: CameraTracks, path: Path, state: State, c: int, offset: float) -> CameraTracks:
    whole = round(offset)
    frame, fraction = camera.frame + whole, offset - whole
    if not fraction:
        return replace(camera, frame=frame)
    at = find_frames(path.frame_number, frame)
    is_named = (camera.marker >= 0) & (at >= 0)
    lens = Lens.from_vector(state.lens[c])
    later, now = (
        project(lens, path.at(delta) @ state.cam_R[c].T + state.cam_t[c])
        for delta in (fraction, 0.0)
    )
    xy = camera.xy_px.copy()
    xy[is_named] -= (later - now)[at[is_named], camera.marker[is_named]]
    edge = np.array([camera.width, camera.height]) - 0.5
    with np.errstate(invalid="ignore"):  # nan: no path
        is_named &= ((xy >= -0.5) & (xy <= edge)).all(axis=1)
    xy = np.where(is_named[:, None], xy, camera.xy_px)
    return replace(camera, frame=frame, xy_px=xy, marker=np.where(is_named, camera.marker, -1))


def estimate_offsets(fit: Fit, tracks: Tracks, *, loss_scale: float = np.inf) -> TimeOffsets:
    """Return the time offsets that are left in a fit, to first order, cameras, lenses and wand
    frames free with them.

    With an infinite ``loss_scale`` the fit's inliers enter by plain least squares, and the
    covariance is theirs. A finite one is Cauchy's scale in sigmas and lets in every point that the
    fit had: for offsets so large that the fit left out what moved fast; sigmas are then a fifth too
    large where nothing is amiss.
    """
    path = wand_path(fit, tracks.frame_rate_hz)
    problem = _robustly_weighted(fit, loss_scale) if np.isfinite(loss_scale) else fit.problem
    # Points without a velocity would testify that every offset is zero; they are left out
    # altogether.
    problem = problem.with_weight(problem.weight * path.has_velocity[problem.frame].T)
    result = bundle(problem, fit.result.state, replace(fit.options, max_iterations=0))
    blocks = _with_time(problem, result, fit.options, path.velocity)
    n_cameras, n = blocks.camera_gradient.shape
    n_shape = len(blocks.shape)
    S, g = reduced_system(problem, blocks, inverse_factors(blocks.frame))
    _, has_gauge = free_parameters(n_cameras, fit.options, n_shape)
    is_free = np.ones((n_cameras, n), bool)
    if fit.options.is_free is not None:
        is_free[:, :-1] = fit.options.is_free
    # A camera without points, or none in frames with a path, has nothing to say about its time.
    free = np.flatnonzero(np.append(is_free, np.ones(n_shape, bool)) & (np.diag(S) > 0))
    common = np.zeros((len(S), 1))
    common[n - 1 : n_cameras * n : n] = 1.0
    is_time = common[free, 0] > 0
    motions = gauge_motions(result.state, n, n_shape, fit.options.distance is not None)
    G = np.hstack([common, motions]) if has_gauge else common
    scale = 1.0 / np.sqrt(np.diag(S)[free])
    Q, _ = np.linalg.qr(G[free] / scale[:, None])
    C = (
        np.linalg.inv(S[np.ix_(free, free)] * scale[:, None] * scale + Q @ Q.T)
        * scale[:, None]
        * scale
    )
    timed = free[is_time] // n
    offset, covariance = np.full(n_cameras, np.nan), np.full((n_cameras, n_cameras), np.nan)
    offset[timed] = -(C @ g[free])[is_time]
    covariance[np.ix_(timed, timed)] = C[np.ix_(is_time, is_time)]
    return _about_zero(tracks, offset, covariance)


def _robustly_weighted(fit: Fit, loss_scale: float) -> Problem:
    """Return the fit's problem with every point weighted by Cauchy's loss."""
    seen = fit.problem.row >= 0
    seen &= frames_with_pose(fit.problem, seen)[fit.problem.frame]
    squared = squared_residuals(fit.problem, fit.result.state)
    sigma = robust_sigmas(fit.problem, squared, seen)[fit.problem.cam]
    return fit.problem.with_weight(
        seen / sigma * np.sqrt(cauchy(squared / sigma**2, loss_scale)[1])
    )


def _with_time(
    problem: Problem, result: BundleResult, options: BundleOptions, velocity: Array
) -> Blocks:
    """Return the blocks at a state with one camera parameter more, the last: its time offset in
    frames.
    """
    state, blocks = result.state, result.blocks
    d, n = problem.n_turn + 3, 6 + len(options.terms)
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
            "pmra,pmr->pma", rows[..., problem.n_turn : problem.n_turn + n_axes], time
        )
        with_itself = (time**2).sum(axis=(1, 2))[:, None]
        np.add.at(to_camera, cam, np.hstack([by_pair[:, d:-1], with_itself]))
        np.add.at(gradient, cam, by_pair[:, -1])
        np.add.at(to_shape, cam, shifts)
    camera = np.zeros((problem.n_cameras, n + 1, n + 1))
    camera[:, :n, :n] = blocks.camera
    camera[:, n] = camera[:, :, n] = to_camera
    return replace(
        blocks,
        camera=camera,
        camera_gradient=np.column_stack([blocks.camera_gradient, gradient]),
        coupling=np.concatenate([blocks.coupling, to_frame], axis=2),
        camera_shape=np.concatenate(
            [blocks.camera_shape, to_shape.reshape(problem.n_cameras, 1, -1)], axis=1
        ),
    )


def _about_zero(tracks: Tracks, offset: Array, covariance: Array) -> TimeOffsets:
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
        scale = LOSS_SCALE * max(1.4826 * float(np.median(away)), 1e-4) + SIGNIFICANT * sigma
        weight = 1.0 / (scale**2 + away**2)
        weight /= weight.sum()
        centre = weight @ values
    return np.asarray(weight)


def with_timing(
    tracks: Tracks, wand: Wand, fit: Fit, options: BundleOptions, progress: Progress
) -> tuple[Fit, Tracks, TimeOffsets]:
    """Return the fit of the tracks moved to a common time, these tracks, and the offsets of the
    tracks as given.

    Cameras whose offset is not significant are not moved; where none is, fit and tracks come back
    as they are.
    """
    whole, start = whole_frame_offsets(fit, tracks)
    applied = whole.astype(float)
    moved, is_robust, is_settled = tracks, True, False
    if applied.any():
        moved = corrected(tracks, fit, applied)
        fit = refine(moved, wand, start, options, progress)
    for k in range(MAX_ROUNDS):
        progress("time offsets", k + 1, MAX_ROUNDS)
        left = estimate_offsets(fit, moved, loss_scale=LOSS_SCALE if is_robust else np.inf)
        known = np.isfinite(left.sigma_frames)
        found = _about_zero(
            tracks, np.where(known, applied + left.offset_frames, np.nan), left.covariance
        )
        wanted = np.where(found.is_significant, found.offset_frames, np.where(known, 0.0, applied))
        is_settled = bool(
            (np.abs(wanted - applied)[known] <= SETTLED * found.sigma_frames[known]).all()
        )
        if is_settled and not is_robust:
            break
        is_robust &= not is_settled and k + 1 < ROBUST_ROUNDS
        if not is_settled:
            # Whole frames go first and alone: they need no path, and bring frames back that only
            # then have one.
            is_whole = (np.abs(wanted - np.rint(applied)) > 0.6).any()
            applied = np.rint(wanted) if is_whole else wanted
            moved = corrected(tracks, fit, applied)
            fit = refine(moved, wand, fit.result.state, options, progress)
    return fit, moved, replace(found, is_settled=is_settled)


def at_common_time(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the tracks as they would be, had the cameras of the rig none of the time offsets that
    its solve found.

    The rig is held. Only offsets that the solve itself moved points by count.
    """
    known = rig.provenance.get("time_offset_frames", {})
    found = [known.get(name, {"offset": 0.0, "sigma": np.inf}) for name in tracks.names]
    offset = np.array(
        [o["offset"] if abs(o["offset"]) > SIGNIFICANT * o["sigma"] else 0.0 for o in found]
    )
    moved = tracks
    # Whole frames need no path; the first path still leans towards the late camera, the second
    # hardly.
    for step in (np.rint(offset), offset, offset) if offset.any() else ():
        held = fit_to_rig(rig, moved)
        problem = held.problem.with_weight(held.is_inlier / held.sigma_px[held.problem.cam])
        blocks = linearise(problem, held.state, (), np.inf)
        result = BundleResult(held.state, blocks.cost, blocks, 0, True, 0.0)
        moved = corrected(
            tracks, Fit(problem, result, held.sigma_px, held.is_inlier, BundleOptions(), None), step
        )
    return moved
