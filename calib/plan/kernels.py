"""What planned cameras see and tell, as loops over places: of one camera as it is set, and of one
camera at many aims and focal lengths at once.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import distort_point
from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.plan.optics import centroid_noise
from calib.prove.space.joint import LEAST_DET

# The columns of a camera's limits: right, bottom, farthest, fold, near, far, least diameter in px,
# a marker's diameter in mm and its noise in px (0: from the size).
RIGHT, BOTTOM, FARTHEST, FOLD, NEAR, FAR, LEAST_PX, DIAMETER_MM, NOISE_PX = range(9)
RESERVE = 1e-4  # weight of what is beyond the need: it tells which way is up where nothing lacks
NEVER = 1e3  # what a setting that cannot be is worth
WORST = 5.0  # logarithm of a precision that lacks: a place that is not placed at all


@compiled
def look_at(
    places: Array,
    is_hidden: Any,
    at: Array,
    R: Array,
    lens: Array,
    limits: Array,
    is_shown: Any,
    is_seen: Any,
    figures: Array,
    information: Array,
) -> None:
    """Fill what ``Look`` holds, place by place."""
    for n in range(len(places)):
        z, away, x, y, xd, yd = _image(places[n], at, R, lens, limits)
        if z <= 0.0:
            continue
        size = limits[DIAMETER_MM] * lens[0] / z
        figures[0, n], figures[1, n] = away, size
        if not is_hidden[n] and _is_on_sensor(xd, yd, lens, limits):
            is_shown[n] = True
            if _is_plain(size, away, limits):
                is_seen[n] = True
                _tell(R, x, y, _scale(z, size, lens, limits), information[n])


class Rest(NamedTuple):
    """What all cameras but the one to be set make of places (n): ``n_cameras (n,)`` that see
    it, their ``information (n, 3, 3)``; ``weight``, ``ratio`` and ``share_mm (n,)`` as in
    ``Reach``. ``need`` is as for ``lack``, ``least_seen`` how many places a camera must see.
    """

    places_mm: Array
    weight: Array
    n_cameras: NDArray[np.int64]
    information: Array
    ratio: Array
    share_mm: Array
    need: tuple[float, float]
    least_seen: float


@compiled
def value_settings(
    rest: Rest, is_hidden: Any, at: Array, R: Array, lens: Array, limits: Array, out: Array
) -> None:
    """Write by how much places lack, in the weighted mean, with a camera at each of the turns ``R
    (a, 3, 3)`` and focal lengths ``lens (f, 12)``, ``limits (f, 9)``: ``out (a, f)``, ``NEVER``
    where it sees too few. What it does not see is as the others leave it.
    """
    places, n_seen, told = rest.places_mm, np.empty(len(lens)), np.empty((3, 3))
    weight, left = rest.weight / rest.weight.sum(), np.empty(len(places))
    for n in range(len(places)):
        left[n] = lack(rest.n_cameras[n], _sigma(rest, n, rest.information[n]), rest.need)
    start = (weight * left).sum()
    for a in range(len(R)):
        out[a] = start
        n_seen[:] = 0
        for n in range(len(places)):
            if is_hidden[n]:
                continue
            z, away, x, y, xd, yd = _image(places[n], at, R[a], lens[0], limits[0])
            if z <= 0.0:
                continue
            for f in range(len(lens)):
                size = limits[f, DIAMETER_MM] * lens[f, 0] / z
                if _is_on_sensor(xd, yd, lens[f], limits[f]) and _is_plain(size, away, limits[f]):
                    told[:] = rest.information[n]
                    _tell(R[a], x, y, _scale(z, size, lens[f], limits[f]), told)
                    now = lack(rest.n_cameras[n] + 1, _sigma(rest, n, told), rest.need)
                    out[a, f] += weight[n] * (now - left[n])
                    n_seen[f] += 1
        for f in range(len(lens)):
            if n_seen[f] < rest.least_seen:
                out[a, f] = NEVER


@compiled
def lack(count: Any, sigma: Any, need: tuple[float, float]) -> Any:
    """Return how far counts of cameras and standard deviations in mm, numbers or as written arrays,
    are from a need of so many cameras and so many mm.
    """
    log = np.log(np.minimum(np.maximum(sigma, 1e-3), 1e3))
    few = WORST * np.maximum(0.0, need[0] - count) / need[0]
    rough = np.minimum(np.maximum(log - np.log(need[1]), 0.0), WORST)
    return few + RESERVE * log + rough


@compiled
def variance_left(information: Array) -> float:
    """Return the variance in space that information (3, 3) leaves, inf where rays do not meet."""
    a, b, c = information[0, 0], information[1, 1], information[2, 2]
    d, e, f = information[0, 1], information[0, 2], information[1, 2]
    # The trace of a 3 × 3 inverse is the sum of its principal 2 × 2 minors over the determinant.
    minors = a * b + a * c + b * c - d * d - e * e - f * f
    det = a * (b * c - f * f) - d * (d * c - e * f) + e * (d * f - e * b)
    return float(minors / det) if det > LEAST_DET * ((a + b + c) / 3.0) ** 3 else np.inf


@compiled
def _sigma(rest: Rest, n: int, information: Array) -> float:
    return float(np.sqrt(rest.ratio[n] ** 2 * variance_left(information) + rest.share_mm[n] ** 2))


@compiled
def variances_left(information: Array, out: Array) -> None:
    """Write the same of each place: information (n, 3, 3), ``out (n,)``."""
    for n in range(len(information)):
        out[n] = variance_left(information[n])


@compiled
def passes(box: Array, start: Array, end: Array) -> bool:
    """Return whether the way from one point (3,) to another passes through a box (2, 3).

    The way is cut by the box's three pairs of planes (the slab method: Kay & Kajiya, Ray tracing
    complex scenes, 1986).
    """
    enter, leave = 0.0, 1.0
    for k in range(3):
        way = end[k] - start[k]
        if way == 0.0:
            if start[k] < box[0, k] or start[k] > box[1, k]:
                return False
            continue
        a, b = (box[0, k] - start[k]) / way, (box[1, k] - start[k]) / way
        enter, leave = max(enter, min(a, b)), min(leave, max(a, b))
    return enter < leave


@compiled
def find_hidden(boxes: Array, at: Array, places: Array, is_hidden: Any) -> None:
    """Write which places (n, 3) one of the boxes (b, 2, 3) hides from a point (3,)."""
    for n in range(len(places)):
        for b in range(len(boxes)):
            is_hidden[n] = is_hidden[n] or passes(boxes[b], at, places[n])


@compiled
def _image(
    place: Array, at: Array, R: Array, lens: Array, limits: Array
) -> tuple[float, float, float, float, float, float]:
    """Return a place's depth, distance, and its image at focal length 1, ideal and distorted; what
    is out of range or beyond the lens's fold is distorted to infinity, behind the camera all is 0.
    """
    w0, w1, w2 = place[0] - at[0], place[1] - at[1], place[2] - at[2]
    z = R[2, 0] * w0 + R[2, 1] * w1 + R[2, 2] * w2
    if z <= 0.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    x = (R[0, 0] * w0 + R[0, 1] * w1 + R[0, 2] * w2) / z
    y = (R[1, 0] * w0 + R[1, 1] * w1 + R[1, 2] * w2) / z
    away = np.sqrt(w0 * w0 + w1 * w1 + w2 * w2)
    if away > limits[FARTHEST] or x * x + y * y >= limits[FOLD] ** 2:
        return z, away, x, y, np.inf, np.inf
    xd, yd, _, _, _, _ = distort_point(
        lens[4], lens[5], lens[6], lens[7], lens[8], lens[9], lens[10], lens[11], x, y
    )
    return z, away, x, y, xd, yd


@compiled
def _is_on_sensor(xd: float, yd: float, lens: Array, limits: Array) -> bool:
    u, v = lens[0] * xd + lens[2], lens[1] * yd + lens[3]
    return bool(u >= 0.0 and v >= 0.0 and u <= limits[RIGHT] and v <= limits[BOTTOM])


@compiled
def _is_plain(size: float, away: float, limits: Array) -> bool:
    """Return whether a marker is large and sharp enough."""
    return bool(size >= limits[LEAST_PX] and away >= limits[NEAR] and away <= limits[FAR])


@compiled
def _scale(z: float, size: float, lens: Array, limits: Array) -> float:
    """Return the standard deviations of a centroid that a mm at a depth makes in the image."""
    noise = limits[NOISE_PX] if limits[NOISE_PX] > 0.0 else centroid_noise(size)
    return float(lens[0] / (z * noise))


@compiled
def _tell(R: Array, x: float, y: float, scale: float, information: Array) -> None:
    """Add what a camera tells of a place: that of an ideal lens of the same focal length."""
    for i in range(3):
        gi, hi = scale * (R[0, i] - x * R[2, i]), scale * (R[1, i] - y * R[2, i])
        for k in range(3):
            gk, hk = scale * (R[0, k] - x * R[2, k]), scale * (R[1, k] - y * R[2, k])
            information[i, k] += gi * gk + hi * hk
