"""Two cameras at a time: essential matrix, metric scale from the wand, and focal lengths where they are open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, undistort
from calib.core.geometry import Array, Pose
from calib.core.tracks import Ints, Tracks
from calib.core.wand import Wand
from calib.solve.bundle import BundleOptions, bundle, inverse_factors, reduced_system
from calib.solve.frames import place_wands
from calib.solve.linearise import residuals
from calib.solve.motion import shared_points
from calib.solve.problem import Index, Problem, State, arrange
from calib.solve.shape import wand_shape

# How far a zoom ring's number may be off, as factors to try: steps of an eighth, which a refinement bridges.
FOCAL_SCALES = (0.70, 0.79, 0.89, 1.0, 1.12, 1.26, 1.42)
# With no number at all, the start is the sensor's width: from an angle of view of 110 to one of 22 degrees.
UNKNOWN_SCALES = (0.35, 0.43, 0.52, 0.64, 0.78, 0.95, 1.16, 1.41, 1.72, 2.10, 2.56)
RANK_POINTS = 200  # to score a candidate by its median
SAMPLE_POINTS = 800  # enough for a robust sample; more only costs time
RANK_FRAMES = 30  # to tell candidates apart, which differ by degrees and percents
SAMPLE_FRAMES = 90  # to refine the best: fixes a pair's pose to some 0.02 degree, far below what distortion bends
AGREE_LOG_FOCAL = 0.04  # a third of the step between the factors: a refinement starts well within its reach
POINT_BASELINE_MM = 1000.0  # between two cameras that saw single points, until their scales are compared
EPIPOLAR_PX = 3.0  # before the lens is known, distortion alone moves points by pixels


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """What two cameras both saw: frame and marker (n,), points in px (n, 2) in each."""

    frame: Ints
    marker: Index
    uv_a: Array
    uv_b: Array


@dataclass(frozen=True, slots=True, eq=False)
class PairPose:
    """A metric relative pose of cameras a and b (indices), and how well their shared points fit it.

    ``sigma_rotation`` (radian) and ``sigma_mm`` are the standard deviations of the pose as a whole;
    ``focal_px (2,)`` the focal lengths it goes with and ``sigma_log_focal (2,)`` theirs, 0 where they were known.
    """

    a: int
    b: int
    b_from_a: Pose
    focal_px: Array
    sigma_log_focal: Array
    n_points: int
    residual_px: float
    sigma_rotation: float
    sigma_mm: float


def _thinned_rows(shared: Shared, most: int) -> Index:
    """Return the rows of about ``most`` points, as whole frames with most markers, evenly over time."""
    _, first, count = np.unique(shared.frame, return_index=True, return_counts=True)
    full = np.flatnonzero(count >= np.median(count))
    n_frames = max(8, int(most / count[full].mean()))
    if len(full) > n_frames:
        full = full[np.linspace(0, len(full) - 1, n_frames).astype(int)]
    return np.concatenate([np.arange(first[k], first[k] + count[k]) for k in full])


def _select(shared: Shared, keep: NDArray[np.bool_] | Index) -> Shared:
    return Shared(shared.frame[keep], shared.marker[keep], shared.uv_a[keep], shared.uv_b[keep])


def scales_to_try(tracks: Tracks, is_open: NDArray[np.bool_]) -> list[tuple[float, ...]]:
    """Return the factors on each camera's starting focal length to search: only 1 where it is known."""
    scales = {False: UNKNOWN_SCALES, True: FOCAL_SCALES}
    return [
        scales[camera.nominal_focal_px is not None] if free else (1.0,)
        for camera, free in zip(tracks.cameras, is_open, strict=True)
    ]


def essential_candidates(
    xy_a: Array, xy_b: Array, focal: tuple[float, float], to_try: tuple[tuple[float, ...], tuple[float, ...]]
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return essential matrices (k, 3, 3), the focal scales (k, 2) they go with and the inliers (n,).

    With both lenses known, one matrix from a robust five-point search. With a focal length open, the fundamental
    matrix, which does not depend on it, is found robustly first and turned into one matrix for every scale ``to_try``.
    """
    mean_focal = float(np.sqrt(focal[0] * focal[1]))
    identity = np.eye(3)
    if to_try == ((1.0,), (1.0,)):
        E, mask = cv2.findEssentialMat(
            xy_a, xy_b, identity, method=cv2.USAC_MAGSAC, prob=0.9999, threshold=EPIPOLAR_PX / mean_focal
        )
        if E is None or E.shape[0] < 3:
            return np.empty((0, 3, 3)), np.empty((0, 2)), np.zeros(len(xy_a), bool)
        return np.asarray(E[None, :3], float), np.ones((1, 2)), mask.ravel().astype(bool)
    F, mask = cv2.findFundamentalMat(xy_a * focal[0], xy_b * focal[1], cv2.USAC_MAGSAC, EPIPOLAR_PX, 0.9999, 2000)
    if F is None or F.shape != (3, 3):
        return np.empty((0, 3, 3)), np.empty((0, 2)), np.zeros(len(xy_a), bool)
    scales = np.array(list(product(*to_try)))
    K_a = np.stack([np.diag([focal[0] * s, focal[0] * s, 1.0]) for s, _ in scales])
    K_b = np.stack([np.diag([focal[1] * s, focal[1] * s, 1.0]) for _, s in scales])
    return K_b @ F @ K_a, scales, mask.ravel().astype(bool)


def decompose(E: Array) -> tuple[Array, Array]:
    """Return the four (R (k, 4, 3, 3), unit t (k, 4, 3)), b_from_a, of essential matrices (k, 3, 3).

    Source: Hartley & Zisserman, Multiple View Geometry, 2nd edition, result 9.19.
    """
    u, _, vt = np.linalg.svd(E)
    u = u * np.where(np.linalg.det(u) < 0, -1.0, 1.0)[:, None, None]
    vt = vt * np.where(np.linalg.det(vt) < 0, -1.0, 1.0)[:, None, None]
    W = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    R1, R2, t = u @ W @ vt, u @ W.T @ vt, u[:, :, 2]
    return np.stack([R1, R1, R2, R2], axis=1), np.stack([t, -t, t, -t], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A relative pose b_from_a with its scale fixed by the wand, and its score (smaller is better)."""

    R: Array
    t_mm: Array
    scale: Array
    score: float


def rank_candidates(shared: Shared, xy_a: Array, xy_b: Array, E: Array, scales: Array, wand: Wand) -> list[Candidate]:
    """Return all decompositions that put the points in front of both cameras, best wand lengths first.

    For every candidate the points are triangulated and the wand's lengths compared with the known ones: their
    median ratio is the metric scale, their spread (a robust relative deviation) plus the median reprojection
    angle the score. A single marker has no length: the angle alone is the score, the scale that of POINT_BASELINE_MM.
    """
    R, t = (v.reshape(-1, *v.shape[2:]) for v in decompose(E))
    scale = np.repeat(scales, 4, axis=0)
    ray_a = np.concatenate([xy_a / scale[:, None, :1], np.ones((len(R), len(xy_a), 1))], axis=2)
    ray_b = np.concatenate([xy_b / scale[:, None, 1:], np.ones((len(R), len(xy_b), 1))], axis=2) @ R
    base = -(t[:, None, :] @ R)[:, 0]  # where b is, seen from a
    aa, bb, ab = (np.einsum("kni,kni->kn", p, q) for p, q in ((ray_a, ray_a), (ray_b, ray_b), (ray_a, ray_b)))
    ac, bc = (np.einsum("kni,ki->kn", p, base) for p in (ray_a, ray_b))
    det = np.maximum(aa * bb - ab**2, 1e-12)
    depth_a, depth_b = (bb * ac - ab * bc) / det, (ab * ac - aa * bc) / det
    is_front = ((depth_a > 0) & (depth_b > 0)).mean(axis=1)
    i, j = _marker_pairs(shared)
    true = wand.lengths_mm[shared.marker[i], shared.marker[j]]
    is_point, out = wand.dimension == 0, []
    for k in np.flatnonzero(is_front > 0.75):
        point_a, point_b = depth_a[k, :, None] * ray_a[k], depth_b[k, :, None] * ray_b[k] + base[k]
        miss = np.median(np.linalg.norm(point_a - point_b, axis=1) / np.abs(depth_a[k]))
        points = 0.5 * (point_a + point_b)
        if is_point:
            out.append(Candidate(R[k], t[k] * POINT_BASELINE_MM, scale[k], float(miss)))
            continue
        with np.errstate(divide="ignore"):
            ratio = np.log(np.linalg.norm(points[i] - points[j], axis=1) / true)
        middle = np.median(ratio)
        spread = 1.4826 * np.median(np.abs(ratio - middle))
        if np.isfinite(middle) and np.isfinite(spread):
            out.append(Candidate(R[k], t[k] * np.exp(-middle), scale[k], float(spread + miss)))
    return sorted(out, key=lambda c: c.score)


def _marker_pairs(shared: Shared) -> tuple[Index, Index]:
    """Return all pairs of rows (i, j) that are of one frame; the first few markers of a large wand will do."""
    i, j = [], []
    for gap in range(1, 6):
        row = np.flatnonzero(shared.frame[gap:] == shared.frame[:-gap])
        i.append(row)
        j.append(row + gap)
    return np.concatenate(i), np.concatenate(j)


def solve_pairs(
    tracks: Tracks, wand: Wand, chosen: Sequence[tuple[int, int]], lens: Array, is_open: NDArray[np.bool_],
    progress: Callable[[str, int, int], None],
) -> list[PairPose]:  # fmt: skip
    """Return the metric poses of the chosen pairs, as far as their points give one; ``is_open (C,)`` focal lengths too.

    Pairs are taken in the order given, the most telling first: a camera whose focal length two pairs agree on is no
    longer searched for one.
    """
    shape, lens, to_try = wand_shape(wand), lens.copy(), scales_to_try(tracks, is_open)
    found: list[list[float]] = [[] for _ in tracks.cameras]
    edges = []
    for k, (a, b) in enumerate(chosen):
        progress("camera pairs", k, len(chosen))
        edge = solve_pair(tracks, wand, shape, a, b, lens, to_try, is_open)
        if edge is None:
            continue
        edges.append(edge)
        for c, focal, sigma in zip((a, b), edge.focal_px, edge.sigma_log_focal, strict=True):
            agrees = [f for f in found[c] if abs(np.log(f / focal)) < AGREE_LOG_FOCAL]
            if len(to_try[c]) > 1 and sigma < AGREE_LOG_FOCAL:
                found[c].append(float(focal))
                if agrees:
                    lens[c, :2] *= np.sqrt(agrees[0] * focal) / lens[c, 0]
                    to_try[c] = (1.0,)
    return edges


def solve_pair(
    tracks: Tracks, wand: Wand, shape_mm: Array, a: int, b: int, lens: Array, to_try: list[tuple[float, ...]],
    is_open: NDArray[np.bool_],
) -> PairPose | None:  # fmt: skip
    """Return the metric pose of camera b from camera a, or None where their shared points give none.

    lens (C, 12) are starting lenses; ``to_try`` (of length C) holds factors on their focal lengths, more than one where
    it has to be searched for, and ``is_open`` (C,) says where it is refined. Fresh from an essential matrix, the best
    candidates go through a small robust bundle; the one with the least residual stays.
    """
    uv_a, uv_b, frame, marker = shared_points(tracks.cameras[a], tracks.cameras[b])
    shared = Shared(frame, marker, uv_a, uv_b)
    if len(shared.frame) < 15:
        return None
    shared = _select(shared, _thinned_rows(shared, SAMPLE_POINTS))
    planes = [undistort(Lens.from_vector(lens[c]), uv) for c, uv in ((a, shared.uv_a), (b, shared.uv_b))]
    is_reached = np.asarray(np.isfinite(np.concatenate(planes, axis=1)).all(axis=1))
    shared = _select(shared, is_reached)
    xy_a, xy_b = planes[0][is_reached], planes[1][is_reached]
    if len(xy_a) < 15:
        return None
    pair_open = (bool(is_open[a]), bool(is_open[b]))
    E, scales, is_inlier = essential_candidates(xy_a, xy_b, (lens[a, 0], lens[b, 0]), (to_try[a], to_try[b]))
    if is_inlier.sum() < 12:
        return None
    shared, xy_a, xy_b = _select(shared, is_inlier), xy_a[is_inlier], xy_b[is_inlier]
    few = _thinned_rows(shared, RANK_POINTS)
    candidates = rank_candidates(_select(shared, few), xy_a[few], xy_b[few], E, scales, wand)
    n_turn = {0: 0, 1: 2}.get(wand.dimension, 3)
    more = 1 if n_turn else 3  # frames: a single point tells a third of what a wand of three does
    rough, fine = (_pair_problem(shared, len(shape_mm), n_turn, more * n) for n in (RANK_FRAMES, SAMPLE_FRAMES))
    if rough is None or fine is None:
        return None
    starts = [_start_state(c, shape_mm, lens[[a, b]]) for c in _rivals(candidates)]
    if len(starts) > 1:
        ranked = [r for s in starts if (r := _refine(rough, s, pair_open)) is not None]
        starts = [r[1] for r in sorted(ranked, key=lambda r: r[0])]
    if not starts:
        return None
    refined = _refine(fine, starts[0], pair_open)
    if refined is None:
        return None
    residual, state, sigma = refined
    return PairPose(
        a, b, Pose(state.cam_R[1], state.cam_t[1]), state.lens[:, 0], sigma[:2], len(xy_a), residual,
        float(sigma[2]), float(sigma[3]),
    )  # fmt: skip


def _rivals(candidates: list[Candidate], most: int = 3) -> list[Candidate]:
    """Return the best candidate and those that might still be the right one instead.

    A rival has a score within twice the best, and a rotation or focal lengths that a refinement from the others would
    not reach: more than 18 degrees or a fifth away.
    """
    kept: list[Candidate] = []
    for c in candidates:
        if c.score > 2.0 * candidates[0].score or len(kept) == most:
            break
        if all(np.trace(c.R.T @ k.R) < 2.9 or np.abs(np.log(c.scale / k.scale)).max() > 0.2 for k in kept):
            kept.append(c)
    return kept


def _pair_problem(shared: Shared, n_markers: int, n_turn: int, n_frames: int) -> Problem | None:
    """Return the problem of at most n_frames frames of two cameras, None where no frame has enough markers."""
    frames, index, count = np.unique(shared.frame, return_inverse=True, return_counts=True)
    good = np.flatnonzero(count >= {0: 1, 2: 2, 3: 3}[n_turn])
    if len(good) == 0:
        return None
    if len(good) > n_frames:
        good = good[np.linspace(0, len(good) - 1, n_frames).astype(int)]
    new = np.full(len(frames), -1)
    new[good] = np.arange(len(good))
    rows = np.flatnonzero(new[index] >= 0)
    n = len(rows)
    cam, twice = np.repeat([0, 1], n), np.concatenate([rows, rows])
    uv = np.concatenate([shared.uv_a[rows], shared.uv_b[rows]])
    return arrange(
        cam, new[index][twice], shared.marker[twice], uv, np.ones(2 * n), twice,
        shape=(2, len(good), n_markers), n_turn=n_turn, frame_number=frames[good],
    )  # fmt: skip


def _start_state(candidate: Candidate, shape_mm: Array, lens: Array) -> State:
    lens = lens.copy()
    lens[:, :2] *= candidate.scale[:, None]
    R, t = np.stack([np.eye(3), candidate.R]), np.stack([np.zeros(3), candidate.t_mm])
    return State(R, t, lens, np.empty((0, 3, 3)), np.empty((0, 3)), shape_mm)


def _refine(problem: Problem, state: State, is_open: tuple[bool, bool]) -> tuple[float, State, Array] | None:
    """Return (robust residual px, state, sigmas of log focal a and b, rotation, translation) or None."""
    state, has_pose = place_wands(problem, state)
    seen = problem.weight * has_pose[problem.frame]
    if not seen.any():
        return None
    is_free = np.ones((2, 7), bool)
    is_free[0, :6] = False
    is_free[:, 6] = is_open
    if problem.n_turn == 0:  # single points leave the scale open: the step along the baseline is held
        is_free[1, 3 + int(np.abs(state.cam_t[1]).argmax())] = False
    sigma = _robust_sigma(problem, state, seen)
    # First from afar on a scale that fits the start, then to the minimum on the scale that it reached.
    for iterations in (12, 8):
        weighted = problem.with_weight(seen / sigma)
        options = BundleOptions(
            terms=("focal",), is_free=is_free, loss_scale=2.0, max_iterations=iterations, tolerance=1e-3, damping=1e-3
        )
        result = bundle(weighted, state, options)
        before, state, sigma = sigma, result.state, max(_robust_sigma(problem, result.state, seen), 0.02)
        if result.is_converged and sigma > 0.7 * before:  # the scale was right at once
            break
    blocks = result.blocks
    S, _ = reduced_system(weighted, blocks, inverse_factors(blocks.frame))
    free = np.flatnonzero(is_free)
    try:
        covariance = np.linalg.inv(S[np.ix_(free, free)])
    except np.linalg.LinAlgError:
        return None
    variance = np.zeros(14)
    variance[free] = np.diag(covariance)
    if not (variance >= 0).all() or not np.isfinite(state.cam_t).all() or (state.lens[:, 0] <= 0).any():
        return None
    log_focal = np.sqrt(variance[[6, 13]]) / state.lens[:, 0]
    turn, shift = np.sqrt(variance[7:10].sum()), np.sqrt(variance[10:13].sum())
    return sigma, state, np.array([*log_focal, turn, shift])


def _robust_sigma(problem: Problem, state: State, seen: Array) -> float:
    """Return the noise of one coordinate in px: the median squared length over 2 ln 2, that of a 2D normal law."""
    r = residuals(problem, state)
    return float(np.sqrt(np.median((r[0] ** 2 + r[1] ** 2)[seen > 0]) / (2.0 * np.log(2.0))))
