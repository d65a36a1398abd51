"""What planned cameras see of places in the volume, and how well they place a marker there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import distort_point, fold_radius
from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.errors import InputError
from calib.plan.optics import Sharp, centroid_noise, depth_of_field
from calib.plan.records import Obstacle, Plan, PlanCamera
from calib.prove.space.joint import LEAST_DET
from calib.prove.volume import MOST_PLACES, Box

Bools = NDArray[np.bool_]
PIECE = 1000  # places whose pairs of rays are compared at a time


def places_in(volume: Box, step_mm: float) -> Array:
    """Return places (n, 3) of a volume about so far apart, out to its faces, edges and corners."""
    counts = np.maximum(np.rint(volume.size_mm / step_mm), 1).astype(int) + 1
    if counts.prod(dtype=float) > MOST_PLACES:
        raise InputError(
            "--step",
            expected=f"a step in mm that gives at most {MOST_PLACES} places",
            found=f"{step_mm:g} mm, which gives {counts.prod(dtype=float):.0f}",
            remedy="Take a wider step.",
        )
    axes = [
        np.linspace(low, high, n)
        for low, high, n in zip(volume.low_mm, volume.high_mm, counts, strict=True)
    ]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What one camera sees of places (n): which lie on its sensor within its range with nothing in
    between (``is_shown``), and which of these are sharp and large enough to count (``is_seen``).

    ``distance_mm`` and ``marker_px``, a marker's diameter in the image, are nan behind the camera.
    ``information (n, 3, 3)`` is what it tells of the place, 1/mm², 0 where it does not see.
    """

    is_shown: Bools
    is_seen: Bools
    distance_mm: Array
    marker_px: Array
    information: Array


def sharp_of(plan: Plan, camera: PlanCamera) -> Sharp | None:
    """Return a camera's depth of field, None where aperture or focus are not stated."""
    if camera.f_number is None or camera.focus_mm is None:
        return None
    circle = plan.marker.blur_px * camera.pixel_pitch_mm
    return depth_of_field(camera.focal_mm, camera.f_number, camera.focus_mm, circle)


def look(plan: Plan, camera: PlanCamera, places_mm: Array) -> Look:
    """Return what a camera sees of places (n, 3)."""
    n, sharp, dist = len(places_mm), sharp_of(plan, camera), camera.dist
    lens = camera.lens.vector
    fold = np.inf if dist is None else float(fold_radius(lens[4:]))
    limits = np.array(
        [
            camera.width - 1.0,
            camera.height - 1.0,
            camera.range_mm,
            fold,
            sharp.near_mm if sharp else 0.0,
            sharp.far_mm if sharp else np.inf,
            plan.need.marker_px or 0.0,
            plan.marker.diameter_mm,
            plan.marker.noise_px or 0.0,
        ]
    )
    boxes = np.array([[o.box.low_mm, o.box.high_mm] for o in plan.obstacles]).reshape(-1, 2, 3)
    is_shown, is_seen = np.zeros(n, bool), np.zeros(n, bool)
    figures, information = np.full((2, n), np.nan), np.zeros((n, 3, 3))
    _look(
        np.ascontiguousarray(places_mm, float),
        np.array(camera.position_mm),
        camera.R,
        lens,
        limits,
        boxes,
        is_shown,
        is_seen,
        figures,
        information,
    )
    return Look(is_shown, is_seen, figures[0], figures[1], information)


@compiled
def _look(
    places: Array,
    at: Array,
    R: Array,
    lens: Array,
    limits: Array,
    boxes: Array,
    is_shown: Any,
    is_seen: Any,
    figures: Array,
    information: Array,
) -> None:
    """Fill what ``Look`` holds, place by place; ``limits`` are right, bottom, range, fold, near,
    far, least diameter in px, diameter in mm and noise in px (0: from the size).

    The information is that of an ideal lens of the same focal length.
    """
    p, h = np.empty(3), np.empty((2, 3))
    for n in range(len(places)):
        for i in range(3):
            p[i] = 0.0
            for k in range(3):
                p[i] += R[i, k] * (places[n, k] - at[k])
        away = np.sqrt(p[0] ** 2 + p[1] ** 2 + p[2] ** 2)
        if p[2] <= 0.0:
            continue
        x, y = p[0] / p[2], p[1] / p[2]
        size = limits[7] * lens[0] / p[2]
        figures[0, n], figures[1, n] = away, size
        if away > limits[2] or x * x + y * y >= limits[3] ** 2:
            continue
        xd, yd, _, _, _, _ = distort_point(
            lens[4], lens[5], lens[6], lens[7], lens[8], lens[9], lens[10], lens[11], x, y
        )
        u, v = lens[0] * xd + lens[2], lens[1] * yd + lens[3]
        if u < 0.0 or v < 0.0 or u > limits[0] or v > limits[1]:
            continue
        is_clear = True
        for b in range(len(boxes)):
            is_clear = is_clear and not passes(boxes[b], at, places[n])
        if not is_clear:
            continue
        is_shown[n] = True
        if size < limits[6] or away < limits[4] or away > limits[5]:
            continue
        is_seen[n] = True
        noise = limits[8] if limits[8] > 0.0 else centroid_noise(size)
        scale = lens[0] / (p[2] * noise)
        for k in range(3):
            h[0, k] = scale * (R[0, k] - x * R[2, k])
            h[1, k] = scale * (R[1, k] - y * R[2, k])
        for i in range(3):
            for k in range(3):
                information[n, i, k] = h[0, i] * h[0, k] + h[1, i] * h[1, k]


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


def is_hidden(obstacle: Obstacle, from_mm: Array, places_mm: Array) -> Bools:
    """Return which places (n, 3) a box hides from a point (3,)."""
    box = np.stack([obstacle.box.low_mm, obstacle.box.high_mm])
    return np.array([passes(box, np.array(from_mm), place) for place in places_mm], bool)


def noise_sigma(information: Array) -> Array:
    """Return the 3D standard deviation (n,) that information (n, 3, 3) leaves, inf where rays do
    not meet.
    """
    a, b, c = information[:, 0, 0], information[:, 1, 1], information[:, 2, 2]
    d, e, f = information[:, 0, 1], information[:, 0, 2], information[:, 1, 2]
    # The trace of a 3 × 3 inverse is the sum of its principal 2 × 2 minors over the determinant.
    minors = a * b + a * c + b * c - d * d - e * e - f * f
    det = a * (b * c - f * f) - d * (d * c - e * f) + e * (d * f - e * b)
    is_placed = det > LEAST_DET * ((a + b + c) / 3.0) ** 3
    variance = np.full(len(a), np.inf)
    np.divide(minors, det, out=variance, where=is_placed)
    return np.asarray(np.sqrt(variance))


def best_angle_deg(cameras: Sequence[PlanCamera], is_seen: Bools, places_mm: Array) -> Array:
    """Return the angle (n,), 90 at best, under which the best two rays of the cameras that see it
    (C, n) meet at each place; nan where fewer than two do.
    """
    position = np.stack([c.position_mm for c in cameras])
    out = np.full(len(places_mm), np.nan)
    for first in range(0, len(places_mm), PIECE):
        piece = slice(first, first + PIECE)
        ray = position - places_mm[piece, None]
        ray /= np.linalg.norm(ray, axis=2, keepdims=True)
        cosine = np.abs(ray @ np.swapaxes(ray, 1, 2))
        seen = is_seen[:, piece].T
        cosine[~(seen[:, :, None] & seen[:, None, :])] = 2.0
        least = cosine.min(axis=(1, 2))
        is_met = seen.sum(axis=1) >= 2
        out[piece][is_met] = np.degrees(np.arccos(np.clip(least[is_met], -1.0, 1.0)))
    return out
