"""How the wand moved, judged from the images alone: did it move at all, and did it
leave a plane?
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.core.frames import Ints, group_starts, point_keys
from calib.core.geometry import Array
from calib.core.threads import in_groups
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import UnsolvableError
from calib.solve.start.graph import Overlap, camera_graph, overlap, pair_scores

# A hand that holds a wand still trembles by some hundredths of its length, a wave takes it through
# several lengths (common practice, no source). Between the two nothing is lost by asking for more.
STILL_TRAVEL = 0.1
# Points 6 % of their extent off a plane, seen by cameras that converge by 40°, show a parallax of
# about 4 % of their spread. Bent lenses leave less (2 % at most in our simulated rigs), waves
# through a room far more (15 % and up).
PLANAR_PARALLAX = 0.04

# of a long capture: a 95th percentile of the way is then known well enough for a factor of ten
TRAVEL_FRAMES = 1000
MAX_PAIRS = 12
MAX_POINTS = 400
MIN_MARKER_POINTS = 60
MIN_MARKER_SECONDS = 6  # a hand sweeps once in a second or two (common practice, no source)
N_ROUNDS = 10


def camera_travel(camera: CameraTracks) -> float:
    """Return how far the wand went in one camera's image, in lengths of its own image; nan where
    not to be told.

    The 95th percentile over frames of the distance from where it was in the median. A frame counts
    by the median of its markers, so that neither single wrong points nor some wrong frames make a
    still wand move. The wand's image counts as 1 % of the sensor's diagonal at least: one that
    points at the camera has no length to measure by.
    """
    named = np.flatnonzero(camera.marker >= 0)
    starts = np.append(group_starts(camera.frame[named]), len(named))
    if len(starts) > TRAVEL_FRAMES + 1:
        is_kept = np.zeros(len(starts) - 1, bool)
        is_kept[np.linspace(0, len(is_kept) - 1, TRAVEL_FRAMES).astype(int)] = True
        named = named[np.repeat(is_kept, np.diff(starts))]
    frame, marker, xy = camera.frame[named], camera.marker[named], camera.xy_px[named]
    first = group_starts(frame)
    if not first.size:
        return float("nan")
    size = np.hypot(*(np.maximum.reduceat(xy, first) - np.minimum.reduceat(xy, first)).T)
    count = np.diff(np.append(first, frame.size))
    if not (count > 1).any():
        return float("nan")
    away = np.empty(frame.size)
    for m in np.unique(marker):
        mine = marker == m
        away[mine] = np.hypot(*(xy[mine] - np.median(xy[mine], axis=0)).T)
    middle = away[np.lexsort((away, frame))][first + (count - 1) // 2]
    unit = max(
        float(np.median(size[count > 1])), 0.01 * float(np.hypot(camera.width, camera.height))
    )
    return float(np.percentile(middle, 95) / unit)


def travel(tracks: Tracks) -> float:
    """Return the travel that half of the capture's points saw no more than (a median over cameras),
    nan if unknown.
    """
    each = np.concatenate(
        in_groups(lambda some: np.array([camera_travel(c) for c in some]), tracks.cameras)
    )
    weight = np.array([(c.marker >= 0).sum() for c in tracks.cameras]) * np.isfinite(each)
    if not weight.any():
        return float("nan")
    order = np.argsort(np.where(weight > 0, each, np.inf))
    half = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)
    return float(each[order][half])


def require_motion(tracks: Tracks) -> None:
    """Raise UnsolvableError where the wand was held still: one view of it, however often, fixes no
    lens and no pose.
    """
    moved = travel(tracks)
    if moved < STILL_TRAVEL:
        raise UnsolvableError(
            "wave",
            expected="a wand that moves through several times its length",
            found=f"a still one: in the images it moves by {moved:.3f} of its length",
            remedy="Keep the wand moving and turning through the whole volume.",
        )


def _normalise(xy: Array) -> Array:
    """Return points (n, 2) moved and scaled to a root mean square distance of √2 from their middle.

    Source: Hartley & Zisserman, Multiple View Geometry, 2nd edition 2004, section 4.4.4. The median
    stands for the mean, and points beyond ten median distances are left out of the scale, for the
    sake of outliers.
    """
    centred = xy - np.median(xy, axis=0)
    r2 = (centred**2).sum(axis=1)
    return np.asarray(centred * np.sqrt(2.0 / max(r2[r2 <= 100.0 * np.median(r2)].mean(), 1e-12)))


def _reweighted(rows: Array, error: Callable[[Array], tuple[Array, Array]]) -> Array:
    """Return the error (n,) of a 3 by 3 matrix h with ``rows @ h = 0``, rows (n, k, 9), fitted
    robustly.

    ``error`` gives from h the error and the factor that turns the algebraic into the geometric one.
    Weights are Cauchy's, 1 / (1 + (e / 2.4 s)²), with s the median error.
    """
    weight = np.ones(len(rows))
    for _ in range(N_ROUNDS):
        weighted = (rows * weight[:, None, None]).reshape(-1, 9)
        h = np.linalg.eigh(weighted.T @ weighted)[1][:, 0].reshape(3, 3)
        e, factor = error(h)
        scale = max(float(np.median(e)), 1e-12)
        weight = factor / np.median(factor) / np.sqrt(1.0 + (e / (2.4 * scale)) ** 2)
    return e


def homography_error(xy_a: Array, xy_b: Array) -> Array:
    """Return how far (n,) points of image b lie from where a homography takes those of image a, in
    units of spread.

    Robustly reweighted direct linear transform. The unit is the root mean square distance of the
    points (n, 2) from their middle. Source: Hartley & Zisserman 2004, algorithm 4.2.
    """
    a, b = _normalise(xy_a), _normalise(xy_b)
    p, nought = np.column_stack([a, np.ones(len(a))]), np.zeros((len(a), 3))
    first = np.column_stack([p, nought, -b[:, :1] * p])
    rows = np.stack([first, np.column_stack([nought, p, -b[:, 1:] * p])], axis=1)

    def error(h: Array) -> tuple[Array, Array]:
        q = p @ h.T
        depth = np.where(np.abs(q[:, 2]) < 1e-9, 1e-9, q[:, 2])
        return np.hypot(*(q[:, :2] / depth[:, None] - b).T), 1.0 / np.maximum(np.abs(depth), 1e-3)

    return np.asarray(_reweighted(rows, error) / np.sqrt(2.0))


def epipolar_error(xy_a: Array, xy_b: Array) -> Array:
    """Return the Sampson distances (n,) of points from the epipolar geometry of two images, in
    units of spread.

    Robustly reweighted eight-point algorithm. Source: Hartley & Zisserman 2004, algorithm 11.1,
    equation 11.9.
    """
    a, b = _normalise(xy_a), _normalise(xy_b)
    p, q = np.column_stack([a, np.ones(len(a))]), np.column_stack([b, np.ones(len(b))])

    def error(f: Array) -> tuple[Array, Array]:
        u, d, vt = np.linalg.svd(f)
        f = (u * [d[0], d[1], 0.0]) @ vt
        in_b, in_a = p @ f.T, q @ f
        slope = np.maximum(
            np.sqrt((in_b[:, :2] ** 2).sum(axis=1) + (in_a[:, :2] ** 2).sum(axis=1)), 1e-9
        )
        return np.abs((q * in_b).sum(axis=1)) / slope, 1.0 / slope

    return np.asarray(
        _reweighted((q[:, :, None] * p[:, None, :]).reshape(-1, 1, 9), error) / np.sqrt(2.0)
    )


def shared_points(a: CameraTracks, b: CameraTracks) -> tuple[Array, Array, Ints, Ints]:
    """Return the points (n, 2), (n, 2), frame (n,) and index (n,) of the markers that two cameras
    saw at one moment.
    """
    rows = [np.flatnonzero(c.marker >= 0) for c in (a, b)]
    key_a, key_b = (point_keys(c.frame[r], c.marker[r]) for c, r in zip((a, b), rows, strict=True))
    _, i, j = np.intersect1d(key_a, key_b, assume_unique=True, return_indices=True)
    i, j = rows[0][i], rows[1][j]
    return a.xy_px[i], b.xy_px[j], a.frame[i], a.marker[i].astype(np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Depth:
    """How much depth the shared points of the best-overlapping pairs show.

    ``parallax`` is what three of four pairs stay below: how far four of five points lie at most
    from where one plane would put them, in units of their spread; nan where no pair could tell.
    """

    parallax: float
    n_pairs: int

    @property
    def is_planar(self) -> bool:
        return self.parallax < PLANAR_PARALLAX


def require_depth(tracks: Tracks, table: Overlap) -> None:
    """Raise UnsolvableError for a wave in one plane, from which focal lengths cannot be told from
    distances.
    """
    seen = depth(tracks, table, is_enough=True)
    if seen.is_planar:
        raise UnsolvableError(
            "wave",
            expected="a wand that moves through the depth of the volume, to find focal lengths",
            found=f"a flat wave: points lie within {seen.parallax:.3f} of their spread "
            f"from one plane",
            remedy="Wave at all heights and distances, or give measured lenses and hold them.",
        )


def depth(tracks: Tracks, table: Overlap | None = None, *, is_enough: bool = False) -> Depth:
    """Tell whether the markers left a plane, from the pairs of cameras that share most.

    Points on a plane map from image to image by a homography, whatever the poses, with lenses that
    do not distort. A pair that neither a homography nor an epipolar geometry fits (swapped tracks,
    frames that are off) tells nothing and is left out. A planar wand waved through space is no
    plane: its frames lie in many. Where a yes or no ``is_enough``, the search ends as soon as the
    pairs that are left can no longer make the wave flat.
    """
    table = overlap(tracks) if table is None else table
    score = pair_scores(table)
    edges = sorted(camera_graph(table).edges, key=lambda e: (-score[e], e))[:MAX_PAIRS]
    parallax = []
    for i, j in edges:
        a, b, frame, marker = shared_points(tracks.cameras[i], tracks.cameras[j])
        second = np.floor(frame / tracks.frame_rate_hz)
        plane = max(_off_plane(a[pick], b[pick]) for pick in _samples(marker, second))
        pick = _thinned(np.arange(len(a)))
        if plane < PLANAR_PARALLAX or _most(epipolar_error(a[pick], b[pick])) < 0.3 * plane:
            parallax.append(plane)
        if is_enough and sum(p >= PLANAR_PARALLAX for p in parallax) > MAX_PAIRS / 4:
            break
    return Depth(float(np.percentile(parallax, 75)) if parallax else float("nan"), len(parallax))


def _samples(marker: Ints, second: Array) -> list[Ints]:
    """Return rows to judge together: those of each of the three commonest markers, or all where
    these are few.

    A solid wand slid over a table leaves each marker in a plane of its own. A short stretch of one
    marker's path is flat in any wave, so there all markers count.
    """
    count = np.bincount(marker)
    each = [np.flatnonzero(marker == m) for m in np.argsort(-count, kind="stable")[:3]]
    long = [
        r
        for r in each
        if r.size >= MIN_MARKER_POINTS and np.unique(second[r]).size >= MIN_MARKER_SECONDS
    ]
    return [_thinned(r) for r in long or [np.arange(marker.size)]]


def _thinned(rows: Ints) -> Ints:
    return np.asarray(rows[np.unique(np.linspace(0, rows.size - 1, MAX_POINTS).astype(int))])


def _most(error: Array) -> float:
    return float(np.percentile(error, 80))


def _off_plane(a: Array, b: Array) -> float:
    # The better direction counts: one camera may look along the plane and tell no two of its points
    # apart.
    return min(_most(homography_error(a, b)), _most(homography_error(b, a)))
