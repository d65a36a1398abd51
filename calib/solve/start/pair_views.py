"""What pairs of cameras say of each other and of the wand, before anything is solved."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, undistort
from calib.core.frames import group_starts
from calib.core.geometry import Array, sigma_of
from calib.core.progress import Progress, quiet
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand, exchanged
from calib.solve.start.epipolar import essential_candidates
from calib.solve.start.graph import MIN_SHARED_POINTS, Overlap
from calib.solve.start.lenses import start_lens
from calib.solve.start.motion import shared_points
from calib.solve.start.pair_bundle import Shared
from calib.solve.start.pairs import Candidate, length_ratios, rank_candidates, scales_to_try

PARTNERS = 3  # of a camera: with three, one that is itself at fault is outvoted
MAX_POINTS = 300  # a share of inliers is then known to 3 %
BREAKS = 0.65  # and of one whose geometry says nothing
GOOD_SCORE = 0.3  # lengths and angles of a right pose agree to some hundredths, of a wrong one not
CLEARLY = 4.0  # times smaller: between the two readings there are factors of twenty and more
# Of a wand: camera pairs that must tell the same of a length, frames of each, and by what share and
# how many standard errors it must be off. Sound captures have up to 2 %, by lenses yet unknown.
MIN_WITNESSES, MIN_LENGTHS, ODD_LENGTH, ODD_SIGMAS = 3, 12, 0.04, 5.0


@dataclass(frozen=True, slots=True)
class PairView:
    """What two cameras' common points say: the share that one epipolar geometry explains, how well
    the wand's lengths come out as given and with the first image mirrored (the score of
    ``rank_candidates``), and how the mirrored one's "down" then points along the other's.
    ``stretch (M, M)`` is the logarithm by which each of the wand's lengths comes out longer than
    the others do, against the file; nan where too few frames show it.
    """

    share: float
    score: float = np.inf
    mirrored_score: float = np.inf
    down: float = 0.0
    stretch: Array | None = None

    @property
    def is_mirrored(self) -> bool | None:
        """None where neither reading is clearly the better one."""
        few, more = sorted((self.score, self.mirrored_score))
        if self.share < BREAKS or not few < min(GOOD_SCORE, more / CLEARLY):
            return None
        return self.mirrored_score < self.score


PairViews = dict[tuple[int, int], PairView]


def pair_views(
    tracks: Tracks, wand: Wand, table: Overlap, free: NDArray[np.bool_], progress: Progress = quiet
) -> PairViews:
    """Return what each camera and its best neighbours say of one another.

    ``table`` is what the cameras share, ``free (C,)`` says whose focal length has to be searched
    for.
    """
    pairs = _neighbours(table, range(len(table.names)))
    views = {}
    for k, pair in enumerate(pairs):
        progress("pairs", k, len(pairs))
        views[pair] = _view(tracks, wand, *pair, free)
    return views


@dataclass(frozen=True, slots=True)
class OddLength:
    """A length of the wand that all pairs see otherwise than its file has it, against the others:
    by this share. Of three markers on a line it cannot be told which one is off.
    """

    first: str
    second: str
    share: float


def odd_length(wand: Wand, views: PairViews) -> OddLength | None:
    """Return the length that most contradicts the wand file; None where none does.

    Errors of a lens or a pose stretch all lengths at a place alike; only the wand stretches one of
    them the same for all pairs. One that is far off leaves open which image is mirrored.
    """
    seen = [v.stretch for v in views.values() if v.stretch is not None and not v.is_mirrored]
    stretch = np.array(seen).reshape(len(seen), len(wand.markers) ** 2)
    worst: tuple[float, int] = 0.0, -1
    for k, of in enumerate(stretch.T):
        known = of[np.isfinite(of)]
        if len(known) < MIN_WITNESSES:
            continue
        middle = float(np.median(known))
        spread = float(sigma_of(known - middle)) / np.sqrt(len(known))
        if abs(middle) > max(ODD_LENGTH, ODD_SIGMAS * spread, abs(worst[0])):
            worst = middle, k
    if worst[1] < 0:
        return None
    i, j = divmod(worst[1], len(wand.markers))
    return OddLength(wand.markers[i], wand.markers[j], float(np.expm1(worst[0])))


def exchanged_markers(wand: Wand, views: PairViews) -> tuple[str, ...]:
    """Return the markers that stand at one another's places in the wand file, as most pairs see
    them; none where its lengths come out in no other order.
    """
    seen = [v.stretch for v in views.values() if v.stretch is not None and v.share >= BREAKS]
    if len(seen) < MIN_WITNESSES:
        return ()
    stretch = np.array(seen)
    is_known = np.isfinite(stretch).sum(axis=0) >= MIN_WITNESSES
    found = np.full_like(stretch[0], np.nan)
    found[is_known] = np.exp(np.nanmedian(stretch[:, is_known], axis=0))
    order = exchanged(wand.lengths_mm * found, wand.lengths_mm)
    return tuple(wand.markers[at] for at, k in enumerate(order) if k != at)


def _neighbours(table: Overlap, cameras: Iterable[int]) -> list[tuple[int, int]]:
    """Return the pairs of each camera with those that it shares most points with."""
    points = table.points - np.diag(np.diag(table.points))
    pairs = set()
    for c in cameras:
        for b in np.argsort(-points[c], kind="stable")[:PARTNERS].tolist():
            if points[c, b] >= MIN_SHARED_POINTS:
                pairs.add((min(b, c), max(b, c)))
    return sorted(pairs)


def _view(tracks: Tracks, wand: Wand, a: int, b: int, free: NDArray[np.bool_]) -> PairView:
    one, two = tracks.cameras[a], tracks.cameras[b]
    shared = thin(Shared(*as_shared(one, two)))
    lens = [start_lens(c) for c in (one, two)]
    xy_a, xy_b = (
        undistort(Lens.from_vector(v), uv)
        for v, uv in zip(lens, (shared.uv_a, shared.uv_b), strict=True)
    )
    scales = scales_to_try(tracks, free)
    focal = float(lens[0][0]), float(lens[1][0])
    E, scale, inlier = essential_candidates(xy_a, xy_b, focal, (scales[a], scales[b]))
    share = float(inlier.mean()) if inlier.size else 0.0
    if inlier.sum() < 12:
        return PairView(share)
    shared, xy_a, xy_b = shared.rows(inlier), xy_a[inlier], xy_b[inlier]
    given, flipped = (
        rank_candidates(shared, xy_a * sign, xy_b, E @ np.diag([*sign, 1.0]), scale, wand)
        for sign in (np.ones(2), np.array([-1.0, 1.0]))
    )
    return PairView(
        share,
        given[0].score if given else np.inf,
        flipped[0].score if flipped else np.inf,
        float(flipped[0].R[1, 1]) if flipped else 0.0,
        _stretch(shared, xy_a, xy_b, given[0], wand) if given else None,
    )


def _stretch(shared: Shared, xy_a: Array, xy_b: Array, best: Candidate, wand: Wand) -> Array:
    """Return by how much each length (M, M) comes out longer than the file has it, against the
    others: the logarithm, nan where fewer than a dozen frames show it.
    """
    n = len(wand.markers)
    out = np.full((n, n), np.nan)
    i, j, ratio = length_ratios(shared, xy_a, xy_b, best, wand)
    if not i.size:
        return out
    ratio = ratio - np.median(ratio)
    key = np.minimum(i, j) * n + np.maximum(i, j)
    for k in np.unique(key):
        of = ratio[(key == k) & np.isfinite(ratio)]
        if len(of) >= MIN_LENGTHS:
            out[k // n, k % n] = out[k % n, k // n] = np.median(of)
    return out


def as_shared(
    a: CameraTracks, b: CameraTracks
) -> tuple[NDArray[np.int64], NDArray[np.intp], Array, Array]:
    uv_a, uv_b, frame, marker = shared_points(a, b)
    return frame, marker, uv_a, uv_b


def thin(shared: Shared) -> Shared:
    """Return whole frames, evenly over time, with about as many points as are needed."""
    starts = group_starts(shared.frame)
    most = max(8, int(MAX_POINTS * len(starts) / max(len(shared.frame), 1)))
    if len(starts) <= most:
        return shared
    is_kept = np.zeros(len(starts), bool)
    is_kept[np.linspace(0, len(starts) - 1, most).astype(int)] = True
    return shared.rows(np.repeat(is_kept, np.diff(starts, append=len(shared.frame))))
