"""What planned cameras see of places in the volume, and how well they place a marker there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import fold_radius
from calib.core.geometry import Array
from calib.plan.kernels import find_hidden, look_at, variances_left
from calib.plan.optics import Sharp, depth_of_field
from calib.plan.records import Obstacle, Plan, PlanCamera

Bools = NDArray[np.bool_]
PIECE = 1000  # places whose pairs of rays are compared at a time


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
    n = len(places_mm)
    is_shown, is_seen = np.zeros(n, bool), np.zeros(n, bool)
    figures, information = np.full((2, n), np.nan), np.zeros((n, 3, 3))
    look_at(
        np.ascontiguousarray(places_mm, float),
        is_hidden(plan.obstacles, camera.position_mm, places_mm),
        np.array(camera.position_mm),
        camera.R,
        camera.lens.vector,
        limits_of(plan, camera),
        is_shown,
        is_seen,
        figures,
        information,
    )
    return Look(is_shown, is_seen, figures[0], figures[1], information)


def limits_of(plan: Plan, camera: PlanCamera) -> Array:
    """Return what a camera's view ends at (9,), in the order that ``kernels`` has."""
    sharp, dist = sharp_of(plan, camera), camera.dist
    return np.array(
        [
            camera.width - 1.0,
            camera.height - 1.0,
            camera.range_mm,
            np.inf if dist is None else float(fold_radius(camera.lens.vector[4:])),
            sharp.near_mm if sharp else 0.0,
            sharp.far_mm if sharp else np.inf,
            plan.need.marker_px or 0.0,
            plan.marker.diameter_mm,
            plan.marker.noise_px or 0.0,
        ]
    )


def is_hidden(obstacles: Sequence[Obstacle], from_mm: Array, places_mm: Array) -> Bools:
    """Return which places (n, 3) one of the boxes hides from a point (3,)."""
    boxes = np.array([[o.box.low_mm, o.box.high_mm] for o in obstacles]).reshape(-1, 2, 3)
    out = np.zeros(len(places_mm), bool)
    find_hidden(boxes, np.array(from_mm), np.ascontiguousarray(places_mm, float), out)
    return out


def noise_sigma(information: Array) -> Array:
    """Return the 3D standard deviation (n,) that information (n, 3, 3) leaves, inf where rays do
    not meet.
    """
    out = np.empty(len(information))
    variances_left(information, out)
    return np.asarray(np.sqrt(out))


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
