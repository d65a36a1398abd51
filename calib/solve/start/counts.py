"""By how many frames a camera's count may be off, anywhere in a recording: the wand speeds up and
slows down for all cameras at the same moments, wherever they stand.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.core.geometry import Array
from calib.core.tracks import CameraTracks, Tracks
from calib.solve.start.late import image_velocity

# Shifts that are returned: of 27 waves, or the last third of one, in which a count had jumped, the
# right one was among them in 24.
MOST = 6
NEAR = 6  # frames by which the wand's speed may miss it: four in five within two
MOST_FRAMES = 2_000_000  # of a count: half a day at 50 Hz; beyond, two recordings were joined


def beyond_others(tracks: Tracks) -> Array:
    """Return the share of each camera's points (C,) in frames before all others' first or after
    their last: of cameras that record together none, until a count jumps or starts elsewhere.
    """
    out = np.zeros(len(tracks.cameras))
    for k, camera in enumerate(tracks.cameras):
        others = [c for j, c in enumerate(tracks.cameras) if j != k and c.n_points]
        if camera.n_points and others:
            first, last = min(c.frame[0] for c in others), max(c.frame[-1] for c in others)
            out[k] = ((camera.frame < first) | (camera.frame > last)).mean()
    return out


def likely_shifts(camera: CameraTracks, others: Sequence[CameraTracks]) -> list[int]:
    """Return the numbers of frames by which a camera's count would have to be raised for its
    markers' image speeds to go with the others', likeliest first.

    Each is a peak of the correlation of the logarithms of speed, all markers and others together,
    times the root of the number of common points.
    """
    own, rest = _log_speeds(camera), [of for of in map(_log_speeds, others) if len(of)]
    if not len(own) or not rest:
        return []
    first = int(min(of[0, 0] for of in rest))
    last = int(max(of[-1, 0] for of in rest))
    start, length = int(own[0, 0]), int(own[-1, 0] - own[0, 0]) + 1
    n = last - first + 1 + length
    if n > MOST_FRAMES:
        return []
    markers = np.unique(own[:, 1])
    sums = np.zeros((4, n))
    for marker in markers:
        x = _on_axis(own[own[:, 1] == marker], start, n)
        for of in rest:
            y = _on_axis(of[of[:, 1] == marker], first, n)
            # Products, squares of either, and numbers of common points, by shift.
            pairs = (x[0], y[0]), (x[1], y[2]), (x[2], y[1]), (x[2], y[2])
            sums += [np.fft.irfft(np.fft.rfft(b) * np.fft.rfft(a).conj(), n) for a, b in pairs]
    product, own_squared, other_squared, common = sums
    scale = np.sqrt(np.maximum(own_squared * other_squared, 1e-12))
    merit = product / scale * np.sqrt(np.maximum(common, 0.0))
    is_peak = (merit > 0) & (merit >= np.roll(merit, 1)) & (merit > np.roll(merit, -1))
    peaks = np.flatnonzero(is_peak)
    likeliest: list[int] = []
    for k in peaks[np.argsort(-merit[peaks], kind="stable")].tolist():
        if len(likeliest) < MOST and all(abs(k - other) > NEAR for other in likeliest):
            likeliest.append(k)
    return [(k if k <= last - first else k - n) + first - start for k in likeliest]


def _log_speeds(camera: CameraTracks) -> Array:
    """Return frame, marker and logarithm of image speed about its mean (n, 3), by frame."""
    named = camera.rows(camera.marker >= 0)
    speed = np.linalg.norm(image_velocity(named, named.frame, named.marker, 1), axis=1)
    is_known = speed > 0
    if not is_known.any():
        return np.empty((0, 3))
    log = np.log(speed[is_known])
    return np.column_stack([named.frame[is_known], named.marker[is_known], log - log.mean()])


def _on_axis(of: Array, start: int, n: int) -> Array:
    """Return values, squares and where they are known, (3, n), by frame from ``start`` on."""
    out = np.zeros((3, n))
    at = (of[:, 0] - start).astype(np.intp)
    out[0, at], out[1, at], out[2, at] = of[:, 2], of[:, 2] ** 2, 1.0
    return out
