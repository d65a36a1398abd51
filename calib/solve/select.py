"""Which frames of a long capture to solve with, and how much certainty the others would have added.

Works from the images alone. What a view tells about its camera depends on where on the sensor it lies, how large the
wand appears (distance and tilt) and how it is turned; so every camera has *bins*: cells of its sensor, and classes of
apparent size and direction. Frames are taken one by one, each time the one that best fills what is still sparsely
filled, until every camera has its number or all it has.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from numbers import Integral
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, frozen
from calib.core.tracks import CameraTracks, Ints, Tracks
from calib.errors import InputError, UnsolvableError
from calib.solve.bundle import BundleResult, bundle
from calib.solve.covariance import joint_covariance
from calib.solve.frames import fit_frames, place_wands
from calib.solve.graph import MIN_SHARED_FRAMES, MIN_SHARED_POINTS
from calib.solve.problem import Problem, problem_from_tracks
from calib.solve.refine import LOSS_SCALE, Fit, gate
from calib.solve.threads import one_blas_thread

Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]

# Of p parameters fitted to n frames of M markers, noise leaves an error of sigma √(p / 2 n M) in the predicted image,
# as a mean over the points (regression theory). A line's pose takes 5 of the 12 coordinates that two cameras give,
# which makes it √(12 / 7), a third, more. With ten parameters, three markers and 5,000 frames that is 1/40 of sigma:
# 0.0025 px where centroids are good to 0.1 px. Lens models and the centres of blobs are not true to that (common
# practice, no source), and frames a moment apart share such errors: more of them lower the stated sigmas, hardly the
# real error. And a minute's wave, at 80 Hz or less, is kept whole.
FRAMES_PER_CAMERA = 5000
GRID = 10  # cells along each side of a sensor: as `calib.core.camera.coverage` counts them
N_SIZES, N_DIRECTIONS = 8, 4
N_CELLS, N_POSES = GRID * GRID, N_SIZES * N_DIRECTIONS + 1  # the last one: a single marker has no size
UNSEEN = N_CELLS  # the code of a marker that was not seen
N_CODES = UNSEEN + 1 + N_POSES
# A pair of cameras keeps three times what makes it an edge of the camera graph, so that outliers cannot undo it.
LINK_FRAMES, LINK_POINTS = 3 * MIN_SHARED_FRAMES, 3 * MIN_SHARED_POINTS
LOOKS = 2.3  # each candidate is looked at so often: ln(1 / 0.1), for within 0.1 of the plain greedy choice
MOST_LOOKS = 1000  # candidates compared at once
REST_FRAMES = 5000  # frames of the rest that stand for all of it: the ratio is then good to a percent or so

REASONS = ("camera has few", "sensor coverage", "even filling", "links between cameras")
LEFT_OUT, FEW, COVERAGE, FILLING, LINKS = range(-1, 4)


@dataclass(frozen=True, slots=True, eq=False)
class Selection:
    """The frames to solve with, ``frames (n,)``, out of ``n_candidates`` in which two cameras see the same marker.

    ``n_before``, ``n_after`` (C,) count the frames each camera takes part in, ``reason (n,)`` indexes ``REASONS``:
    what each frame was first taken for (0 throughout where everything is kept).
    """

    names: tuple[str, ...]
    frames: Ints
    n_candidates: int
    n_before: Ints
    n_after: Ints
    reason: NDArray[np.int8]
    left_out: Ints

    def __post_init__(self) -> None:
        for name in ("frames", "n_before", "n_after", "left_out"):
            object.__setattr__(self, name, frozen(getattr(self, name), np.int64))
        object.__setattr__(self, "reason", frozen(self.reason, np.int8))

    @property
    def is_whole(self) -> bool:
        """Whether nothing was left out."""
        return len(self.frames) == self.n_candidates

    @property
    def reasons(self) -> dict[str, int]:
        """How many frames were taken for each reason."""
        return {name: int((self.reason == k).sum()) for k, name in enumerate(REASONS)}

    def __str__(self) -> str:
        if self.is_whole:
            return f"all {self.n_candidates:,} frames"
        least = int(self.n_after.argmin())
        return (
            f"{len(self.frames):,} of {self.n_candidates:,} frames, at least {self.n_after[least]:,} a camera "
            f"({self.names[least]}, of its {self.n_before[least]:,})"
        )


@dataclass(frozen=True, slots=True, eq=False)
class Loss:
    """How much less certain camera positions are than with all frames.

    ``per_camera (C,)`` are ratios of the standard deviation of a position (root of the sum over x, y, z), chosen frames
    over all; nan where a pose is held. All stands for the chosen frames and ``n_sampled`` of the ``n_rest`` others.
    """

    names: tuple[str, ...]
    per_camera: Array
    n_rest: int
    n_sampled: int

    @property
    def ratio(self) -> float:
        """The mean over cameras."""
        return float(np.nanmean(self.per_camera))

    def __str__(self) -> str:
        if not self.n_rest:
            return "positions as certain as with all frames: they are all in"
        worst = int(np.nanargmax(self.per_camera))
        text = (
            f"positions {_percent(self.ratio)} less certain than with all frames "
            f"(worst {self.names[worst]}, {_percent(self.per_camera[worst])})"
        )
        if self.n_sampled < self.n_rest:
            text += f"; the {self.n_rest:,} frames left out are judged by {self.n_sampled:,} drawn from them"
        return text


def _percent(ratio: float) -> str:
    return f"{100.0 * (ratio - 1.0):.0f} %"


def keep_frames(tracks: Tracks, frames: Ints) -> Tracks:
    """Return the capture with the points of the given frame numbers alone."""
    return replace(tracks, cameras=tuple(_camera_with(c, frames) for c in tracks.cameras))


def _camera_with(camera: CameraTracks, frames: Ints) -> CameraTracks:
    keep = np.isin(camera.frame, frames)
    radius = None if camera.radius_px is None else camera.radius_px[keep]
    return replace(
        camera, frame=camera.frame[keep], xy_px=camera.xy_px[keep], marker=camera.marker[keep], radius_px=radius
    )


@one_blas_thread
def choose_frames(tracks: Tracks, wand_dimension: int, n_markers: int, most: int | None = None) -> Selection:
    """Return the frames that tell most about the cameras: ``most`` a camera (default 5,000), or all that it has.

    Every sensor cell that identified points cover stays covered and every two cameras that are linked stay linked, even
    where ``most`` is too small for that. A camera with ``most`` frames or fewer keeps them all; a frame counts for a
    camera that sees a marker in it. ``wand_dimension`` as ``Wand.dimension``, 0 for single points. Deterministic; time
    and memory grow linearly with frames. Raises InputError for a ``most`` below 1 or markers beyond the wand, and
    UnsolvableError where no two cameras see a marker at the same time.

    Source: Mirzasoleiman et al., Lazier than lazy greedy, AAAI 2015 (from memory): a greedy choice that looks at a
    sample of the candidates at each step; the samples here are evenly spread over time instead of random.
    """
    limit = FRAMES_PER_CAMERA if most is None else most
    if isinstance(limit, bool) or not isinstance(limit, Integral) or limit < 1:
        raise InputError("frames", expected="a number of frames a camera, 1 or more", found=repr(most))
    if wand_dimension not in {0, 1, 2, 3} or n_markers < 1:
        raise InputError(
            "wand", expected="dimension 0 to 3 and a marker or more", found=f"{wand_dimension} and {n_markers}"
        )
    tracks.check_markers(n_markers)
    number, codes, worth = _views(tracks, n_markers)
    sees = codes[:, :, :n_markers] != UNSEEN
    has_view = sees.any(axis=2)
    n_before = has_view.sum(axis=0)
    reason = np.full(len(number), LEFT_OUT, dtype=np.int8)
    reason[has_view[:, n_before <= limit].any(axis=1)] = FEW
    if (reason != FEW).any():
        redundancy = _redundancy(sees, wand_dimension)
        _cover(codes, redundancy, reason)
        _fill(codes, worth, has_view, redundancy, np.minimum(n_before, limit), reason)
        _link(sees, reason)
    chosen = reason != LEFT_OUT
    return Selection(
        tracks.names, number[chosen], len(number), n_before, has_view[chosen].sum(axis=0), reason[chosen],
        number[~chosen],
    )  # fmt: skip


def _views(tracks: Tracks, n_markers: int) -> tuple[Ints, Bytes, Array]:
    """Return the candidate frames' numbers (F,), their codes (F, C, M + 1) and what each bin is worth (C, N_CODES).

    Candidates are the frames in which two cameras see the same marker. A code is the sensor cell of each marker, UNSEEN
    where there is none, and last the class of apparent size and direction.
    """
    named = [np.flatnonzero(c.marker >= 0) for c in tracks.cameras]
    frame = [c.frame[rows] for c, rows in zip(tracks.cameras, named, strict=True)]
    is_first = [np.append(True, np.diff(f) > 0)[: len(f)] for f in frame]
    own = [f[new] for f, new in zip(frame, is_first, strict=True)]
    number = np.unique(np.concatenate(own))
    codes = np.full((len(number), len(named), n_markers + 1), UNSEEN, dtype=np.uint8)
    worth = np.ones((len(named), N_CODES))
    worth[:, UNSEEN] = 0.0
    for c, (camera, rows) in enumerate(zip(tracks.cameras, named, strict=True)):
        if len(rows):
            view, marker = np.cumsum(is_first[c]) - 1, camera.marker[rows].astype(np.intp)
            xy = np.full((len(own[c]), n_markers, 2), np.nan, dtype=np.float32)
            xy[view, marker] = camera.xy_px[rows]
            pose, worth[c, UNSEEN + 1 :] = _poses(xy)
            scale = np.array([GRID / camera.width, GRID / camera.height])
            cell = np.clip((camera.xy_px[rows] + 0.5) * scale, 0, GRID - 1).astype(np.uint8)
            at = np.searchsorted(number, own[c])
            codes[at[view], c, marker] = cell[:, 0] * GRID + cell[:, 1]
            codes[at, c, n_markers] = UNSEEN + 1 + pose
    keep = (_n_views(codes[:, :, :n_markers] != UNSEEN) >= 2).any(axis=1)
    if not keep.any():
        raise UnsolvableError(
            "frames",
            expected="frames in which two cameras see the same marker",
            found="none",
            remedy="Wave the wand where several cameras see it, and check that the cameras count frames alike.",
            cameras=tracks.names,
        )
    return number[keep], codes[keep], worth


def _n_views(sees: Bools) -> Ints:
    """Return how many cameras see each marker in each frame (F, M)."""
    return np.asarray(sees.sum(axis=1))


def _poses(xy: NDArray[np.float32]) -> tuple[Bytes, Array]:
    """Return the class of apparent size and direction of one camera's views (V, M, 2), nan where unseen, and what each
    class (N_POSES,) is worth beside the others.

    Both are of the line between the first and the last marker seen; its length is compared with the median of the same
    two markers. Sizes are cut evenly in their logarithm between the 2nd and the 98th percentile, so that the ends of a
    camera's range are classes of their own and outliers are not. A shift of the camera moves the image in proportion
    to apparent size, so what a view tells of the position goes with size².
    """
    n_views, n_markers = xy.shape[:2]
    seen = np.isfinite(xy[:, :, 0])
    first, last = seen.argmax(axis=1), n_markers - 1 - seen[:, ::-1].argmax(axis=1)
    line = xy[np.arange(n_views), last] - xy[np.arange(n_views), first]
    size, of_pair = np.log(np.maximum(np.hypot(*line.T), 0.1)), first * n_markers + last
    for pair in np.unique(of_pair):
        at = of_pair == pair
        size[at] -= np.median(size[at])
    is_line = last > first
    low, high = np.percentile(size[is_line], [2, 98]) if is_line.any() else (0.0, 0.0)
    size_class = np.clip((size - low) / max(high - low, 1e-6) * N_SIZES, 0, N_SIZES - 1).astype(np.uint8)
    turn = np.arctan2(line[:, 1], line[:, 0]) / np.pi * N_DIRECTIONS
    direction = np.floor(turn).astype(int) % N_DIRECTIONS  # a line turned by 180° is the same line
    worth = np.exp(2.0 * (high - low) * (np.arange(N_SIZES) + 0.5) / N_SIZES)
    worth = np.append(np.repeat(worth / worth.mean(), N_DIRECTIONS), 1.0)
    return np.where(is_line, size_class * N_DIRECTIONS + direction, N_POSES - 1).astype(np.uint8), worth


def _redundancy(sees: Bools, wand_dimension: int) -> Array:
    """Return the share (F,) of a frame's observations that is left to tell of cameras when its own unknowns are found.

    Counted over the markers that two cameras see: one fixes a place, two a line (5 unknowns), three a pose.
    """
    n_views = _n_views(sees)
    is_shared = n_views >= 2
    most = {0: 3, 1: 5, 2: 6, 3: 6}[wand_dimension]
    n_unknowns = np.minimum(np.array([0, 3, 5, 6])[np.minimum(is_shared.sum(axis=1), 3)], most)
    return 1.0 - n_unknowns / (2.0 * (n_views * is_shared).sum(axis=1))


def _bins(codes: Bytes) -> NDArray[np.intp]:
    """Return the bins (..., C, M + 1) of codes, numbered through over the cameras."""
    return codes + np.arange(codes.shape[-2])[:, None] * N_CODES


def _blocks(table: NDArray[Any]) -> list[NDArray[Any]]:
    """Return a table in runs of frames of some million entries, for temporaries of eight times its size."""
    return np.array_split(table, 1 + table.size // 2_000_000)


def _count(codes: Bytes) -> Array:
    """Return how often each bin (C N_CODES,) occurs in codes (F, C, M + 1)."""
    count = np.zeros(codes.shape[1] * N_CODES)
    for block in _blocks(codes):
        count += np.bincount(_bins(block).ravel(), minlength=len(count))
    return count


def _cover(codes: Bytes, redundancy: Array, reason: NDArray[np.int8]) -> None:
    """Mark a frame, the best-seen one, for each sensor cell that no chosen frame covers, rarest cells first."""
    n_frames, n_cameras = codes.shape[:2]
    # The best frame of each bin: the largest of merit and, in the last digits, frame.
    merit = np.round(1000.0 * redundancy).astype(np.int64) * n_frames + np.arange(n_frames)
    best = np.full(n_cameras * N_CODES, -1)
    for c in range(n_cameras):
        for cell in codes[:, c, :-1].T.astype(np.intp):
            np.maximum.at(best, c * N_CODES + cell, merit)
    total, count = _count(codes), _count(codes[reason != LEFT_OUT])
    is_cell = np.tile(np.arange(N_CODES) < N_CELLS, n_cameras) & (best >= n_frames)
    for k in np.flatnonzero(is_cell)[np.argsort(total[is_cell], kind="stable")]:
        if not count[k]:
            frame = best[k] % n_frames
            reason[frame] = COVERAGE
            np.add.at(count, _bins(codes[frame]), 1)


def _fill(codes: Bytes, worth: Array, has_view: Bools, redundancy: Array, goal: Ints, reason: NDArray[np.int8]) -> None:
    """Mark frames until each camera takes part in ``goal (C,)`` of them.

    One more point in a bin that holds n gives the bin's worth over 1 + n; a frame gives the sum over its points, times
    its redundancy.
    """
    count = _count(codes[reason != LEFT_OUT])
    short = goal - has_view[reason != LEFT_OUT].sum(axis=0)
    while (short > 0).any():
        is_open = short > 0
        first = (worth * is_open[:, None]).ravel()
        gain_of = first / (1.0 + count)
        pool = np.flatnonzero((reason == LEFT_OUT) & has_view[:, is_open].any(axis=1))
        n_looks = np.clip(int(LOOKS * len(pool) / short.max()), 16, MOST_LOOKS)
        stride = max(1, len(pool) // n_looks)
        for offset in np.argsort((np.arange(stride) * 0.6180339887) % 1.0):  # golden section: far from the last one
            looked = pool[offset::stride]
            bins = _bins(codes[looked])
            gain = gain_of[bins].reshape(len(looked), -1).sum(axis=1) * redundancy[looked]
            k = int(gain.argmax())
            reason[looked[k]] = FILLING
            np.add.at(count, bins[k], 1.0)
            gain_of[bins[k]] = first[bins[k]] / (1.0 + count[bins[k]])
            short = short - has_view[looked[k]]
            if (is_open & (short <= 0)).any():
                break


def _link(sees: Bools, reason: NDArray[np.int8]) -> None:
    """Mark frames until every two cameras share enough points, or all they can; those that share most go first."""
    enough = max(LINK_POINTS, LINK_FRAMES * sees.shape[2])  # so many points are of LINK_FRAMES frames or more
    need = np.minimum(_shared_points(sees), enough)
    for i, j in np.argwhere(np.triu(_shared_points(sees[reason != LEFT_OUT]) < need, 1)):
        shared = (sees[:, i] & sees[:, j]).sum(axis=1)
        order = np.lexsort((-shared, reason == LEFT_OUT))
        before = np.cumsum(shared[order]) - shared[order]
        take = order[(before < need[i, j]) & (shared[order] > 0)]
        reason[take[reason[take] == LEFT_OUT]] = LINKS


def _shared_points(sees: Bools) -> Array:
    """Return how often each two cameras see a marker at the same time (C, C)."""
    total = np.zeros((sees.shape[1],) * 2)
    for block in _blocks(sees):
        rows = np.swapaxes(block, 0, 1).reshape(len(total), -1).astype(np.float32)
        total += rows @ rows.T
    return total


@one_blas_thread
def position_sigma_ratio(
    tracks: Tracks, selection: Selection, fit: Fit, rng: np.random.Generator | None = None
) -> Loss:
    """Return how much less certain the positions of ``fit`` are than a fit to all frames of ``tracks`` would be.

    ``fit`` is the final fit to the chosen frames and ``tracks`` the whole capture of the same cameras. The normal
    equations of all frames are formed once at the fit's cameras, with wands fitted to them and points beyond the fit's
    gate left out; nothing is solved again. Where more than REST_FRAMES were left out, a random sample of them, drawn by
    ``rng`` (default: seed 0), stands for all, its information scaled up.
    """
    rest = selection.left_out
    if not len(rest):
        return Loss(tracks.names, np.ones(len(tracks.cameras)), 0, 0)
    n_sampled = min(len(rest), REST_FRAMES)
    sample = (rng or np.random.default_rng(0)).choice(rest, n_sampled, replace=False)
    reduced = keep_frames(tracks, np.union1d(selection.frames, sample))
    dimension = {0: 0, 2: 1, 3: 3}[fit.problem.n_turn]
    problem = problem_from_tracks(reduced, len(fit.problem.weight), dimension, sigma_px=fit.sigma_px)
    state, has_pose = place_wands(problem, fit.result.state)
    seen = (problem.weight > 0) & has_pose[problem.frame]
    state = fit_frames(problem.with_weight(problem.weight * seen), state, loss_scale=LOSS_SCALE)
    seen = gate(problem, state, seen, fit.sigma_px)
    times = np.where(np.isin(problem.frame_number, sample), len(rest) / n_sampled, 1.0)
    problem = problem.with_weight(problem.weight * seen * np.sqrt(times)[problem.frame])
    everything = bundle(problem, state, replace(fit.options, max_iterations=0))
    ratio = _position_sigmas(fit.problem, fit.result, fit) / _position_sigmas(problem, everything, fit)
    return Loss(tracks.names, ratio, len(rest), n_sampled)


def _position_sigmas(problem: Problem, result: BundleResult, fit: Fit) -> Array:
    """Return the standard deviation of each camera's position (C,) in mm, over x, y and z together; nan where held."""
    names = tuple(str(c) for c in range(problem.n_cameras))
    covariance = joint_covariance(problem, result, fit.options, names)
    return np.array([np.linalg.norm(covariance.sigma(name, "position")) for name in names])
