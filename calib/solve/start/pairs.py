"""Two cameras at a time: essential matrix, metric scale from the wand, and focal lengths where they
are open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, undistort
from calib.core.geometry import Array, Pose, ray_depths, sigma_of
from calib.core.threads import in_groups
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.solve.bundle.problem import Index
from calib.solve.bundle.shape import wand_shape
from calib.solve.start.epipolar import decompose, essential_candidates
from calib.solve.start.motion import shared_points
from calib.solve.start.pair_bundle import PairFit, PairStart, Shared, refine_pairs

# How far a zoom ring's number may be off, as factors to try: steps of an eighth, which a refinement
# bridges.
FOCAL_SCALES = (0.70, 0.79, 0.89, 1.0, 1.12, 1.26, 1.42)
# With no number at all, the start is the sensor's width: from an angle of view of 110 to one of 22
# degrees.
UNKNOWN_SCALES = (0.35, 0.43, 0.52, 0.64, 0.78, 0.95, 1.16, 1.41, 1.72, 2.10, 2.56)
RANK_POINTS = 200  # to score a candidate by its median
SAMPLE_POINTS = 800  # enough for a robust sample; more only costs time
RANK_FRAMES = 30  # to tell candidates apart, which differ by degrees and percents
# to refine the best: fixes a pair's pose to some 0.02 degree, far below what distortion bends
SAMPLE_FRAMES = 60
# a third of the step between the factors: a refinement starts well within its reach
AGREE_LOG_FOCAL = 0.04
# what distortion not yet modelled bends a focal length by, whatever a pair says of itself
FLOOR_LOG_FOCAL = 0.03
# how sure a focal length is on which pairs agree: what distortion bends them by averages out
KNOWN_LOG_FOCAL = 0.01
# between two cameras that saw single points, until their scales are compared
POINT_BASELINE_MM = 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class PairPose:
    """A metric relative pose of cameras a and b (indices), and how well their shared points fit it.

    ``sigma_rotation`` (radian) and ``sigma_mm`` are the standard deviations of the pose as a whole;
    ``focal_px (2,)`` the focal lengths it goes with and ``sigma_log_focal (2,)`` theirs, 0 where
    they were known.
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
    """Return the rows of about ``most`` points, as whole frames with most markers, evenly over
    time.
    """
    count = np.unique(shared.frame, return_counts=True)[1]
    full = np.flatnonzero(count >= np.median(count))
    n_frames = max(8, int(most / count[full].mean()))
    if len(full) > n_frames:
        full = full[np.linspace(0, len(full) - 1, n_frames).astype(int)]
    is_kept = np.zeros(len(count), bool)
    is_kept[full] = True
    return np.flatnonzero(np.repeat(is_kept, count))


def scales_to_try(tracks: Tracks, is_open: NDArray[np.bool_]) -> list[tuple[float, ...]]:
    """Return the factors on each camera's starting focal length to search: only 1 where it is
    known.
    """
    scales = {False: UNKNOWN_SCALES, True: FOCAL_SCALES}
    return [
        scales[camera.nominal_focal_px is not None] if free else (1.0,)
        for camera, free in zip(tracks.cameras, is_open, strict=True)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A relative pose b_from_a with its scale fixed by the wand, and its score (smaller is
    better).
    """

    R: Array
    t_mm: Array
    scale: Array
    score: float


def rank_candidates(
    shared: Shared, xy_a: Array, xy_b: Array, E: Array, scales: Array, wand: Wand
) -> list[Candidate]:
    """Return all decompositions that put the points in front of both cameras, best wand lengths
    first.

    For every candidate the points are triangulated and the wand's lengths compared with the known
    ones: their median ratio is the metric scale, their spread (a robust relative deviation) plus
    the median reprojection angle the score. A single marker has no length: the angle alone is the
    score, the scale that of POINT_BASELINE_MM.
    """
    R, t = (v.reshape(-1, *v.shape[2:]) for v in decompose(E))
    scale = np.repeat(scales, 4, axis=0)
    # Three of four decompositions put the points behind a camera, as a few of them tell.
    _, _, depth_a, depth_b = _triangulated(R, t, scale, xy_a[::8], xy_b[::8])
    front = np.flatnonzero(((depth_a > 0) & (depth_b > 0)).mean(axis=1) > 0.5)
    R, t, scale = R[front], t[front], scale[front]
    point_a, point_b, depth_a, depth_b = _triangulated(R, t, scale, xy_a, xy_b)
    is_front = ((depth_a > 0) & (depth_b > 0)).mean(axis=1) > 0.75
    score = np.median(np.linalg.norm(point_a - point_b, axis=2) / np.abs(depth_a), axis=1)
    if wand.dimension == 0:
        metric = np.full(len(R), POINT_BASELINE_MM)
    else:
        points = 0.5 * (point_a + point_b)
        i, j = _marker_pairs(shared)
        if not i.size:  # no frame shows two markers of the wand: no length to judge by
            return []
        true = wand.lengths_mm[shared.marker[i], shared.marker[j]]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.log(np.linalg.norm(points[:, i] - points[:, j], axis=2) / true)
            middle = np.median(ratio, axis=1)
            score = score + sigma_of(ratio - middle[:, None], axis=1)
        metric = np.exp(-middle)
    good = np.flatnonzero(is_front & np.isfinite(score) & np.isfinite(metric))
    order = good[np.argsort(score[good], kind="stable")]
    return [Candidate(R[k], t[k] * metric[k], scale[k], float(score[k])) for k in order]


def length_ratios(
    shared: Shared, xy_a: Array, xy_b: Array, best: Candidate, wand: Wand
) -> tuple[Index, Index, Array]:
    """Return markers (n,) and (n,) of the lengths that a candidate shows, and the logarithm (n,) of
    each against the known one.
    """
    i, j = _marker_pairs(shared)
    R, t = best.R[None], best.t_mm[None]
    point_a, point_b, _, _ = _triangulated(R, t, best.scale[None], xy_a, xy_b)
    points = 0.5 * (point_a + point_b)[0]
    one, two = shared.marker[i], shared.marker[j]
    with np.errstate(divide="ignore", invalid="ignore"):
        length = np.linalg.norm(points[i] - points[j], axis=1)
        return one, two, np.asarray(np.log(length / wand.lengths_mm[one, two]))


def _triangulated(
    R: Array, t: Array, scale: Array, xy_a: Array, xy_b: Array
) -> tuple[Array, Array, Array, Array]:
    """Return where two rays pass each other (k, n, 3), seen from a, and their depths (k, n), for
    b_from_a (k).
    """
    ray_a = np.concatenate([xy_a / scale[:, None, :1], np.ones((len(R), len(xy_a), 1))], axis=2)
    ray_b = np.concatenate([xy_b / scale[:, None, 1:], np.ones((len(R), len(xy_b), 1))], axis=2) @ R
    base = -(t[:, None, :] @ R)  # where b is, seen from a
    depth_a, depth_b = ray_depths(ray_a, ray_b, base)
    return depth_a[..., None] * ray_a, depth_b[..., None] * ray_b + base, depth_a, depth_b


def _marker_pairs(shared: Shared) -> tuple[Index, Index]:
    """Return all pairs of rows (i, j) that are of one frame; the first few markers of a large wand
    will do.
    """
    i, j = [], []
    for gap in range(1, 6):
        row = np.flatnonzero(shared.frame[gap:] == shared.frame[:-gap])
        i.append(row)
        j.append(row + gap)
    return np.concatenate(i), np.concatenate(j)


def fuse_focal(edges: list[PairPose], start_px: Array) -> Array:
    """Return one focal length (C,) a camera: the weighted median of what its pairs found, start_px
    without any.
    """
    out = start_px.copy()
    for c in range(len(start_px)):
        found = [
            (e.focal_px[k], e.sigma_log_focal[k])
            for e in edges
            for k in (0, 1)
            if (e.a, e.b)[k] == c and e.sigma_log_focal[k] > 0
        ]
        if found:
            value, sigma = np.array(found).T
            order = np.argsort(value)
            share = np.cumsum(1.0 / (sigma[order] ** 2 + FLOOR_LOG_FOCAL**2))
            out[c] = value[order][np.searchsorted(share, 0.5 * share[-1])]
    return out


def solve_pairs(
    tracks: Tracks,
    wand: Wand,
    chosen: Sequence[tuple[int, int]],
    lens: Array,
    is_open: NDArray[np.bool_],
    progress: Callable[[str, int, int], None],
) -> list[PairPose]:
    """Return the metric poses of the chosen pairs, as far as their points give one; ``is_open
    (C,)`` focal lengths too.

    Pairs are taken in the order given, the most telling first, as many at a time as there are
    cameras: a camera whose focal length two pairs agree on is no longer searched for one. Pairs
    that end far from what all say of a focal length (few points, in one corner) are solved once
    more with that as known.
    """
    lens, to_try = lens.copy(), scales_to_try(tracks, is_open)
    found: list[list[float]] = [[] for _ in tracks.cameras]
    edges: list[PairPose] = []
    for first in range(0, len(chosen), len(tracks.cameras)):
        progress("camera pairs", first, len(chosen))
        batch = chosen[first : first + len(tracks.cameras)]
        for edge in solve_batch(tracks, wand, batch, lens, to_try, is_open):
            if edge is None:
                continue
            edges.append(edge)
            for c, focal, sigma in zip(
                (edge.a, edge.b), edge.focal_px, edge.sigma_log_focal, strict=True
            ):
                agrees = [f for f in found[c] if abs(np.log(f / focal)) < AGREE_LOG_FOCAL]
                if len(to_try[c]) > 1 and sigma < AGREE_LOG_FOCAL:
                    found[c].append(float(focal))
                    if agrees:
                        lens[c, :2] *= np.sqrt(agrees[0] * focal) / lens[c, 0]
                        to_try[c] = (1.0,)
    lens[:, :2] *= (fuse_focal(edges, lens[:, 0]) / lens[:, 0])[:, None]
    off = [
        k
        for k, e in enumerate(edges)
        if np.abs(np.log(e.focal_px / lens[[e.a, e.b], 0])).max() > 2 * AGREE_LOG_FOCAL
    ]
    again = solve_batch(
        tracks, wand, [(edges[k].a, edges[k].b) for k in off], lens, [(1.0,)] * len(lens), is_open
    )
    for k, edge in zip(off, again, strict=True):
        # A residual that much larger speaks against what the others say.
        if edge is not None and edge.residual_px < 3.0 * edges[k].residual_px:
            edges[k] = edge
    return edges


def solve_batch(
    tracks: Tracks,
    wand: Wand,
    pairs: Sequence[tuple[int, int]],
    lens: Array,
    to_try: list[tuple[float, ...]],
    is_open: NDArray[np.bool_],
) -> list[PairPose | None]:
    """Return the metric pose of b from a of each pair (a, b), None where their shared points give
    none.

    lens (C, 12) are starting lenses; ``to_try`` (of length C) holds factors on their focal lengths,
    more than one where it has to be searched for, and ``is_open`` (C,) says where it is refined.
    Fresh from an essential matrix, the best candidates go through a small robust bundle; the one
    with the least residual stays.
    """
    shape, n_rotation = wand_shape(wand), {0: 0, 1: 2}.get(wand.dimension, 3)
    more = (
        1 if n_rotation else 3
    )  # frames: a single point tells a third of what a wand of three does
    rivals: list[list[PairStart]] = []
    prepared = in_groups(
        lambda some: [_candidates(tracks, wand, a, b, lens, to_try) for a, b in some], pairs
    )
    for (a, b), (shared, candidates) in zip(
        pairs, (p for part in prepared for p in part), strict=True
    ):
        known = np.array(
            [
                [lens[c, 0], KNOWN_LOG_FOCAL * lens[c, 0] if len(to_try[c]) == 1 else np.inf]
                for c in (a, b)
            ]
        )
        rivals.append(
            [
                _start_of(c, shared, lens[[a, b]], is_open[[a, b]], known)
                for c in _rivals(candidates)
            ]
        )
    contested = [
        (k, start) for k, starts in enumerate(rivals) if len(starts) > 1 for start in starts
    ]
    rough = refine_pairs([start for _, start in contested], shape, n_rotation, more * RANK_FRAMES)
    best = {k: starts[0] for k, starts in enumerate(rivals) if len(starts) == 1}
    least: dict[int, float] = {}
    for (k, start), fit in zip(contested, rough, strict=True):
        if fit is not None and fit.residual_px < least.get(k, np.inf):
            least[k], best[k] = fit.residual_px, _from_fit(start, fit)
    order = sorted(best)
    out: list[PairPose | None] = [None] * len(pairs)
    fine = refine_pairs([best[k] for k in order], shape, n_rotation, more * SAMPLE_FRAMES)
    for k, fit in zip(order, fine, strict=True):
        if fit is not None:
            out[k] = PairPose(
                *pairs[k],
                Pose(fit.R, fit.t_mm),
                fit.focal_px,
                fit.sigma_log_focal,
                len(best[k].shared.frame),
                fit.residual_px,
                fit.sigma_rotation,
                fit.sigma_mm,
            )
    return out


def _candidates(
    tracks: Tracks, wand: Wand, a: int, b: int, lens: Array, to_try: list[tuple[float, ...]]
) -> tuple[Shared, list[Candidate]]:
    """Return points that two cameras share and that one motion explains, and the poses they might
    have, best first.
    """
    uv_a, uv_b, frame, marker = shared_points(tracks.cameras[a], tracks.cameras[b])
    shared = Shared(frame, marker, uv_a, uv_b)
    if len(shared.frame) < 15:
        return shared, []
    shared = shared.rows(_thinned_rows(shared, SAMPLE_POINTS))
    planes = [
        undistort(Lens.from_vector(lens[c]), uv) for c, uv in ((a, shared.uv_a), (b, shared.uv_b))
    ]
    is_reached = np.asarray(np.isfinite(np.concatenate(planes, axis=1)).all(axis=1))
    shared, xy_a, xy_b = shared.rows(is_reached), planes[0][is_reached], planes[1][is_reached]
    if len(xy_a) < 15:
        return shared, []
    E, scales, is_inlier = essential_candidates(
        xy_a, xy_b, (lens[a, 0], lens[b, 0]), (to_try[a], to_try[b])
    )
    if is_inlier.sum() < 12:
        return shared, []
    shared, xy_a, xy_b = shared.rows(is_inlier), xy_a[is_inlier], xy_b[is_inlier]
    few = _thinned_rows(shared, RANK_POINTS)
    return shared, rank_candidates(shared.rows(few), xy_a[few], xy_b[few], E, scales, wand)


def _rivals(candidates: list[Candidate], most: int = 3) -> list[Candidate]:
    """Return the best candidate and those that might still be the right one instead.

    A rival has a score within twice the best, and a rotation or focal lengths that a refinement
    from the others would not reach: more than 18 degrees or a fifth away.
    """
    kept: list[Candidate] = []
    for c in candidates:
        if c.score > 2.0 * candidates[0].score or len(kept) == most:
            break
        if all(
            np.trace(c.R.T @ k.R) < 2.9 or np.abs(np.log(c.scale / k.scale)).max() > 0.2
            for k in kept
        ):
            kept.append(c)
    return kept


def _start_of(
    candidate: Candidate, shared: Shared, lens: Array, is_open: NDArray[np.bool_], known: Array
) -> PairStart:
    lens = lens.copy()
    lens[:, :2] *= candidate.scale[:, None]
    return PairStart(shared, candidate.R, candidate.t_mm, lens, is_open, known)


def _from_fit(start: PairStart, fit: PairFit) -> PairStart:
    lens = start.lens.copy()
    lens[:, :2] *= (fit.focal_px / lens[:, 0])[:, None]
    return replace(start, R=fit.R, t_mm=fit.t_mm, lens=lens)
