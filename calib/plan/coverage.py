"""What planned cameras see of places in the volume, and how well they place a marker there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.rig import RigCamera
from calib.plan.optics import Sharp, centroid_noise_px, depth_of_field
from calib.plan.records import Obstacle, Plan, PlanCamera
from calib.prove.joint import LEAST_DET

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
    built = camera.as_built()
    in_cam = built.cam_from_world.apply(places_mm)
    distance = np.linalg.norm(in_cam, axis=1)
    _, is_shown = built.image_of(places_mm, camera.range_mm)
    for obstacle in plan.obstacles:
        at = np.flatnonzero(is_shown)
        is_shown[at] = ~is_hidden(obstacle, camera.position_mm, places_mm[at])
    with np.errstate(all="ignore"):
        depth = np.where(in_cam[:, 2] > 0, in_cam[:, 2], np.nan)
        marker = plan.marker.diameter_mm * built.lens.fx / depth
    is_seen = is_shown & ~(marker < (plan.need.marker_px or 0.0))
    sharp = sharp_of(plan, camera)
    if sharp is not None:
        is_seen &= (distance >= sharp.near_mm) & (distance <= sharp.far_mm)
    noise = plan.marker.noise_px
    sigma = centroid_noise_px(marker) if noise is None else np.full(len(marker), noise)
    return Look(is_shown, is_seen, distance, marker, _information(built, in_cam, sigma, is_seen))


def _information(camera: RigCamera, in_cam: Array, sigma: Array, is_seen: Bools) -> Array:
    """Return the information (n, 3, 3) of an ideal lens of the camera's focal length."""
    out, R = np.zeros((len(in_cam), 3, 3)), camera.cam_from_world.R
    x, y, z = in_cam[is_seen].T
    scale = camera.lens.fx / (z * sigma[is_seen])
    J = np.stack([R[0] - (x / z)[:, None] * R[2], R[1] - (y / z)[:, None] * R[2]], axis=1)
    J *= scale[:, None, None]
    out[is_seen] = np.swapaxes(J, 1, 2) @ J
    return out


def is_hidden(obstacle: Obstacle, from_mm: Array, places_mm: Array) -> Bools:
    """Return which places (n, 3) a box hides from a point (3,): the way there passes through it.

    The way is cut by the box's three pairs of planes (the slab method: Kay & Kajiya, Ray tracing
    complex scenes, 1986).
    """
    way = places_mm - from_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        a = (obstacle.box.low_mm - from_mm) / way
        b = (obstacle.box.high_mm - from_mm) / way
    # Along an axis that the way does not follow it is within the slab all the way, or never.
    inside = (from_mm >= obstacle.box.low_mm) & (from_mm <= obstacle.box.high_mm)
    still = way == 0
    a = np.where(still, np.where(inside, -np.inf, np.inf), a)
    b = np.where(still, np.where(inside, np.inf, -np.inf), b)
    enter = np.minimum(a, b).max(axis=1) if len(way) else np.empty(0)
    leave = np.maximum(a, b).min(axis=1) if len(way) else np.empty(0)
    no_way = (still & ~inside).any(axis=1)
    return np.asarray(~no_way & (enter < leave) & (leave > 0) & (enter < 1.0))


def noise_sigma(information: Array) -> Array:
    """Return the 3D standard deviation (n,) that information (n, 3, 3) leaves, inf where rays do
    not meet.
    """
    trace = np.trace(information, axis1=-2, axis2=-1)
    unit = information / np.where(trace > 0, trace / 3.0, 1.0)[..., None, None]
    det = np.linalg.det(unit)
    is_placed = det > LEAST_DET
    # The trace of a 3 × 3 inverse is the sum of its principal 2 × 2 minors over the determinant.
    minors = sum(
        unit[..., i, i] * unit[..., j, j] - unit[..., i, j] ** 2
        for i, j in ((0, 1), (0, 2), (1, 2))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = minors / det / (trace / 3.0)
    return np.where(is_placed, np.sqrt(np.maximum(variance, 0.0)), np.inf)


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
