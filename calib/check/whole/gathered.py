"""Left-out points that gather on one marker, or in one part of a camera's image.

Points that are left out come in bursts, so they do not count one by one. A marker is held against
the wand's others second by second of each camera, which takes away what all markers of that moment
share; the mean of such differences follows Student's law. In the image visits count: each second in
which the camera saw anything in a window is a trial, lost where a good part of its points was, and
the chance of that is what the rest of the image shows in windows of the size (a scan by a binomial
test; Kulldorff, Communications in Statistics 26 (1997), 1481-1496, scans by counts of points).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.tracks import Tracks
from calib.solve.fit import in_placed_frames
from calib.solve.hold import RigFit

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

CHANCE = 1e-4  # with which a sound capture may show one, all markers or windows counted
TIMES = 4.0  # as often left out as elsewhere: less is no place to look at
# Of a marker: a tenth is what a bad camera loses (common practice, no source). In a window: it is
# mostly larger than what is at fault there.
LEAST_OF_MARKER, LEAST_OF_PLACE = 0.1, 0.3
MIN_SECONDS = 20  # of cameras that see marker and others: a standard deviation is known to a sixth
MIN_POINTS = 20  # in a window
COLUMNS = 32  # of the finest windows; twice, four times... as large ones are tried up to a half
SCALES = (1, 2, 4, 8, 16)


@dataclass(frozen=True, slots=True)
class LostMarker:
    """A marker of whose points a ``share`` is left out, of the others' ``usual``."""

    marker: int
    share: float
    usual: float


@dataclass(frozen=True, slots=True)
class LostPlace:
    """A window (left, top, right, bottom in px) of a camera's image in which a ``share`` of its
    points is left out, elsewhere ``usual``.
    """

    camera: int
    window_px: tuple[float, float, float, float]
    share: float
    usual: float


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The points (n,) that a fit could have used, but for stretches that stand off and pass."""

    camera: Ints
    marker: Ints
    frame: Ints
    second: Ints
    uv_px: NDArray[np.float64]
    is_out: Bools

    @classmethod
    def of(cls, fit: RigFit, rate_hz: float) -> Seen:
        problem = fit.problem
        seen = (problem.row >= 0) & ~fit.is_passing
        marker, pair = np.nonzero(in_placed_frames(problem, seen))
        frame = problem.frame[pair]
        return cls(
            camera=problem.cam[pair],
            marker=marker,
            frame=frame,
            second=(problem.frame_number[frame] // max(rate_hz, 1.0)).astype(np.intp),
            uv_px=problem.uv_px[:, marker, pair].T,
            is_out=~fit.is_inlier[marker, pair],
        )

    def rows(self, chosen: Bools) -> Seen:
        return Seen(*(getattr(self, name)[chosen] for name in self.__slots__))


def lost_marker(seen: Seen, n_markers: int) -> LostMarker | None:
    """Return the marker that is left out far more often than the others, None where there is no
    such.
    """
    unit = np.unique(
        seen.camera * (seen.second.max(initial=0) + 1) + seen.second, return_inverse=True
    )[1]
    n_units = int(unit.max(initial=-1)) + 1
    key, size = unit * n_markers + seen.marker, n_units * n_markers
    count = np.bincount(key, minlength=size).reshape(n_units, n_markers)
    out = np.bincount(key, seen.is_out, size).reshape(n_units, n_markers)
    found = None
    for m in range(n_markers):
        others = count.sum(axis=1) - count[:, m]
        both = (count[:, m] > 0) & (others > 0)
        if both.sum() < MIN_SECONDS:
            continue
        own, rest = out[both, m], out[both].sum(axis=1) - out[both, m]
        share = float(own.sum() / count[both, m].sum())
        usual = float(rest.sum() / others[both].sum())
        if share < max(LEAST_OF_MARKER, TIMES * usual, found.share if found else 0.0):
            continue
        difference = own / count[both, m] - rest / others[both]
        t = difference.mean() / max(float(difference.std()), 1e-9) * np.sqrt(both.sum())
        if n_markers * special.stdtr(both.sum() - 1, -t) < CHANCE:
            found = LostMarker(m, share, usual)
    return found


def lost_places(seen: Seen, tracks: Tracks) -> list[LostPlace]:
    """Return the parts of images in which far more is left out than elsewhere, clearest first.

    What a camera sees wrong there may take other cameras' points of the same marker and frame
    along: those do not count once it is found.
    """
    found: list[LostPlace] = []
    left = set(range(len(tracks.cameras)))
    while left:
        tried = {c: _place(seen.rows(seen.camera == c), tracks, c) for c in left}
        best = min((v for v in tried.values() if v), default=None, key=lambda v: v[0])
        if best is None:
            break
        place = best[1]
        found.append(place)
        # Of the others only those that showed something may show it once more.
        left = {c for c, v in tried.items() if v and c != place.camera}
        inside = (seen.camera == place.camera) & _inside(seen.uv_px, place.window_px)
        n_markers = int(seen.marker.max()) + 1
        key = seen.frame * n_markers + seen.marker
        seen = seen.rows(~np.isin(key, key[inside]))
    return found


def _place(own: Seen, tracks: Tracks, c: int) -> tuple[float, LostPlace] | None:
    """Return the window of a camera whose loss is least likely to be chance, with that chance."""
    camera = tracks.cameras[c]
    cell = camera.width / COLUMNS
    shape = COLUMNS, max(1, int(np.ceil(camera.height / cell)))
    at = np.clip(((own.uv_px + 0.5) / cell).astype(int), 0, np.array(shape) - 1)
    count, out = (_sums(at, shape, w) for w in (None, own.is_out))
    n, n_out = count[-1, -1], out[-1, -1]
    best = None
    n_tried = 0
    for scale in SCALES:
        inside, lost = _windows(count, scale), _windows(out, scale)
        n_tried += inside.size
        usual = (n_out - lost) / np.maximum(n - inside, 1)
        share = lost / np.maximum(inside, 1)
        stands = (inside >= MIN_POINTS) & (2 * inside < n)
        stands &= share > np.maximum(LEAST_OF_PLACE, TIMES * usual)
        if not stands.any():
            continue
        # The window with the most that is lost beyond what is usual is looked at.
        score = np.where(stands, lost - usual * inside, 0.0)
        x, y = np.unravel_index(score.argmax(), score.shape)
        is_in = ((at >= [x, y]) & (at < [x + scale, y + scale])).all(axis=1)
        p = _chance(own, at // scale, is_in)
        if best is None or p < best[0]:
            window = cell * np.array([x, y, x + scale, y + scale]) - 0.5
            window = np.minimum(window, np.tile([camera.width, camera.height], 2) - 0.5)
            best = p, LostPlace(c, tuple(window.tolist()), float(share[x, y]), float(usual[x, y]))
    if best is None or best[0] * n_tried * len(tracks.cameras) >= CHANCE:
        return None
    return best


def _sums(at: Ints, shape: tuple[int, int], weight: Bools | None) -> NDArray[np.float64]:
    """Return sums (X + 1, Y + 1) of the points before each column and row of cells."""
    flat = np.bincount(at @ [shape[1], 1], weight, shape[0] * shape[1]).reshape(shape)
    return np.pad(flat.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0))).astype(float)


def _windows(sums: NDArray[np.float64], scale: int) -> NDArray[np.float64]:
    """Return the sums in windows of so many cells a side, by their first column and row."""
    s = min(scale, sums.shape[1] - 1)
    rows = sums[:, s:] - sums[:, :-s]
    return np.asarray(rows[scale:] - rows[:-scale])


def _chance(own: Seen, tile: Ints, is_in: Bools) -> float:
    """Return the chance of as many lost visits in a window as there are, by those elsewhere."""
    n, k = _visits(own.second[is_in], own.is_out[is_in])
    place = tile[~is_in, 0] * 4 * COLUMNS + tile[~is_in, 1]
    second = own.second[~is_in]
    n_rest, k_rest = _visits(place * (int(own.second.max()) + 1) + second, own.is_out[~is_in])
    return float(special.bdtrc(k - 1, n, (k_rest + 1) / (n_rest + 1))) if k else 1.0


def _visits(visit: Ints, is_out: Bools) -> tuple[int, int]:
    """Return how many visits there are, and how many of them are lost."""
    of = np.unique(visit, return_inverse=True)[1]
    share = np.bincount(of, is_out) / np.bincount(of)
    return len(share), int((share > LEAST_OF_PLACE).sum())


def _inside(uv_px: NDArray[np.float64], window: tuple[float, float, float, float]) -> Bools:
    return np.asarray(((uv_px >= window[:2]) & (uv_px < window[2:])).all(axis=1))
