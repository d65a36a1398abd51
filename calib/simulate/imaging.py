"""What one camera makes of a wave: visibility, noise, losses, outliers and stray reflections."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import project
from calib.core.geometry import Array
from calib.core.rig import RigCamera
from calib.core.tracks import CameraTracks
from calib.simulate.faults import exposed, image_shifts, seen_side
from calib.simulate.layouts import image_plane_reach
from calib.simulate.noise import (
    lasting_errors,
    pixel_pull,
    random_errors,
    usual_distance,
    wandering_errors,
)
from calib.simulate.path import Motion, evenly
from calib.simulate.scenario import Scenario

PERSON_RADIUS_MM, PERSON_HEIGHT_MM = 200.0, 1750.0  # an adult as an upright cylinder
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Image:
    """A camera's tracks and, parallel to its points, the true marker (-1: a reflection) and which
    are outliers.
    """

    tracks: CameraTracks
    marker: NDArray[np.int16]
    is_outlier: Bools
    is_frame_seen: Bools


def camera_sigma(scenario: Scenario, index: int) -> float:
    """Return the true noise, in px of one coordinate, of the camera with that index."""
    spread = scenario.noise_spread ** scenario.rng("spread", index, of_wave=False).uniform(-1, 1)
    return float(scenario.sigma_px * spread * scenario.noisy.get(scenario.names[index], 1.0))


def take(
    scenario: Scenario,
    index: int,
    before: RigCamera,
    after: RigCamera,
    knock_frame: int,
    motion: Motion,
    points: Array,
    usual_mm: float | None = None,
) -> Image:
    """Return what camera ``index`` saw of the markers ``points`` (F, M, 3); from ``knock_frame`` on
    it is ``after``. Its noise is stated at the distance ``usual_mm``, by default of these markers.
    """
    s, n_frames = scenario, len(points)
    sigma = camera_sigma(s, index)

    points = exposed(s, before, points)
    uv, radius, is_seen, is_merged = _see(s, before, motion, points)
    if knock_frame < n_frames:
        later = slice(knock_frame, None)
        view = _see(s, after, motion.part(later), points[later])
        for whole, seen in zip((uv, radius, is_seen, is_merged), view, strict=True):
            whole[later] = seen
    uv = uv + image_shifts(s, index, uv)
    with np.errstate(invalid="ignore"):  # nan: behind the camera
        is_seen &= ((uv >= 0) & (uv <= np.array([s.width, s.height]) - 1.0)).all(
            axis=-1
        ) & seen_side(s, index, uv)
    is_seen &= s.rng("dropout", index).random(is_seen.shape) >= s.dropout
    frame, marker = np.nonzero(is_seen)
    xy, radius, is_outlier = uv[is_seen], radius[is_seen], is_merged[is_seen]

    distance = np.linalg.norm(points - before.position_mm, axis=-1)
    shift, is_off = lasting_errors(s, index, n_frames)
    shift = shift + wandering_errors(s, index, n_frames)
    error = random_errors(s, index, sigma, uv, distance, usual_mm)
    error = error + pixel_pull(s, uv) + shift[:, None]
    xy = xy + error[is_seen]
    is_outlier |= is_off[frame]
    is_gross = (s.rng("outlier", index).random(is_seen.shape) < s.outliers)[is_seen]
    xy[is_gross] = _astray(s, xy[is_gross], s.rng("astray", index))
    is_outlier |= is_gross
    share = s.stray_share.get(before.name, 0.0)
    is_stray = (s.rng("stray point", index).random(is_seen.shape) < share)[is_seen]
    xy[is_stray] = _astray(s, xy[is_stray], s.rng("stray place", index))
    is_outlier |= is_stray

    stray_frame, stray_xy = _strays(s, index, n_frames)
    n_stray = len(stray_frame)
    frame = np.concatenate([frame + s.slip.get(before.name, 0), stray_frame])
    xy = np.concatenate([xy, stray_xy])
    marker = np.concatenate([marker, np.full(n_stray, -1)])
    radius = np.concatenate([radius, s.rng("stray radius", index).uniform(1, 4, n_stray)])
    is_outlier = np.concatenate([is_outlier, np.ones(n_stray, dtype=bool)])

    limit = np.array([s.width, s.height]) - 0.5
    is_kept = ((xy >= -0.5) & (xy <= limit)).all(axis=1) & (frame >= 0) & (frame < n_frames)
    order = np.flatnonzero(is_kept)
    # By frame; within it, as a tracker lists blobs, by row of the image.
    order = order[np.lexsort((xy[order, 1], frame[order]))]
    frame, xy, radius, is_outlier = frame[order], xy[order], radius[order], is_outlier[order]
    true_marker: NDArray[np.int16] = marker[order].astype(np.int16)

    n_named = np.bincount(frame[true_marker >= 0], minlength=n_frames)
    rng = s.rng("zoom ring", index, of_wave=False)
    focal_mm = before.lens.fx * s.pixel_pitch_mm * (1.0 + rng.uniform(-1, 1) * s.focal_error)
    tracks = CameraTracks(
        before.name,
        s.width,
        s.height,
        frame,
        xy,
        true_marker if s.is_named else np.full_like(true_marker, -1),
        radius.astype(np.float32),
        pixel_pitch_mm=None if s.known_lens == "nothing" else s.pixel_pitch_mm,
        focal_mm=round(focal_mm, 2) if s.known_lens == "nominal" else None,
        lens=before.lens if s.known_lens == "measured" else None,
    )
    return Image(tracks, true_marker, is_outlier, n_named >= 2)


def usual_mm(camera: RigCamera, points: Array) -> float:
    """Return the distance of markers (F, M, 3) at which a camera's noise is stated."""
    in_cam = camera.cam_from_world.apply(points)
    with np.errstate(all="ignore"):  # behind the camera
        return usual_distance(project(camera.lens, in_cam), np.linalg.norm(in_cam, axis=-1))


def in_view(
    s: Scenario, camera: RigCamera, motion: Motion, points: Array
) -> tuple[Array, Array, Array, Bools]:
    """Return noise-free image points (F, M, 2), blob radii in px, distances in mm and what no
    person hides (F, M).
    """
    in_cam = camera.cam_from_world.apply(points)
    with np.errstate(all="ignore"):  # points behind the camera come out as nan and count as unseen
        uv = project(camera.lens, in_cam)
        off_axis = np.hypot(in_cam[..., 0], in_cam[..., 1]) / in_cam[..., 2]
        radius = camera.lens.fx * s.marker_diameter_mm / 2 / in_cam[..., 2]
    distance = np.linalg.norm(in_cam, axis=-1)
    edge = np.array([s.width, s.height]) - 1.0
    is_seen = ((uv >= 0) & (uv <= edge)).all(axis=-1) & (off_axis <= image_plane_reach(camera))
    is_seen &= (in_cam[..., 2] > 0) & (distance <= s.range_mm)
    if s.person:
        is_seen &= ~is_behind_person(camera.position_mm, motion.person_mm, points)
    return uv, radius, distance, is_seen


def _see(
    s: Scenario, camera: RigCamera, motion: Motion, points: Array
) -> tuple[Array, Array, Bools, Bools]:
    """Return noise-free image points (F, M, 2), blob radii in px (F, M), what is seen and what is
    merged (F, M).
    """
    uv, radius, distance, is_seen = in_view(s, camera, motion, points)
    is_merged = np.zeros_like(is_seen)
    if s.occlusion:
        is_seen, is_merged, uv = _merge(uv, radius, distance, is_seen)
    return uv, radius, is_seen, is_merged


def is_behind_person(camera_mm: Array, person_mm: Array, points: Array) -> Bools:
    """Return (F, M): the line of sight to a marker passes through the person."""
    sight = points - camera_mm
    to_person = person_mm[:, None] - camera_mm[:2]
    flat2 = (sight[..., :2] ** 2).sum(axis=-1)
    nearest = (sight[..., :2] * to_person).sum(axis=-1) / np.maximum(flat2, 1e-9)
    gap2 = ((nearest[..., None] * sight[..., :2] - to_person) ** 2).sum(axis=-1)
    half_chord = np.sqrt(np.maximum(PERSON_RADIUS_MM**2 - gap2, 0.0) / np.maximum(flat2, 1e-9))
    enter, leave = np.clip(nearest - half_chord, 0, 1), np.clip(nearest + half_chord, 0, 1)
    lowest = camera_mm[2] + np.minimum(enter * sight[..., 2], leave * sight[..., 2])
    return np.asarray((enter < leave) & (lowest < PERSON_HEIGHT_MM))


def _merge(uv: Array, radius: Array, distance: Array, is_seen: Bools) -> tuple[Bools, Bools, Array]:
    """Return what stays seen, what is merged, and image points, where blobs touch.

    Touching blobs are no longer round and are dropped, as trackers do. One almost behind the other
    stays round: the nearer marker is kept, its centroid drawn a quarter of the way to the other's.
    """
    seen, merged, out = is_seen.copy(), np.zeros_like(is_seen), uv.copy()
    n_markers = uv.shape[1]
    for i in range(n_markers):
        for j in range(i + 1, n_markers):
            gap = np.linalg.norm(uv[:, i] - uv[:, j], axis=-1) / (radius[:, i] + radius[:, j])
            touch = is_seen[:, i] & is_seen[:, j] & (gap < 1.0)
            behind = touch & (gap < 0.25)
            i_near = distance[:, i] < distance[:, j]
            seen[:, i] &= ~touch | (behind & i_near)
            seen[:, j] &= ~touch | (behind & ~i_near)
            for near, far, where in ((i, j, behind & i_near), (j, i, behind & ~i_near)):
                out[where, near] += 0.25 * (uv[where, far] - uv[where, near])
                merged[where, near] = True
    return seen, merged & seen, out


def _astray(s: Scenario, xy: Array, rng: np.random.Generator) -> Array:
    """Return points grossly off: in a random direction by ``outlier_px``, still on the sensor."""
    low, high = np.log(s.outlier_px)
    length, angle = np.exp(rng.uniform(low, high, len(xy))), rng.uniform(0, 2 * np.pi, len(xy))
    offset = length[:, None] * np.stack([np.cos(angle), np.sin(angle)], -1)
    edge = np.array([s.width, s.height]) - 1.0
    is_off = (xy + offset < 0) | (xy + offset > edge)
    return np.asarray(np.clip(xy + np.where(is_off, -offset, offset), 0, edge))


def _strays(s: Scenario, index: int, n_frames: int) -> tuple[NDArray[np.intp], Array]:
    """Return frames (k,) and places (k, 2) of reflections: half of them on fixed spots, half
    wandering.
    """
    rng = s.rng("strays", index)
    n_spots = int(np.ceil(s.strays / 2))
    size = np.array([s.width, s.height]) - 1.0
    time = np.arange(n_frames) / s.frame_rate_hz
    frames, places = [np.empty(0, dtype=np.intp)], [np.empty((0, 2))]
    for spot in range(2 * n_spots):
        track = (
            np.broadcast_to(rng.uniform(0, 1, 2), (n_frames, 2))
            if spot % 2
            else evenly(time, 0.5, 2, rng)
        )
        frame = np.flatnonzero(rng.random(n_frames) < s.strays / (2 * n_spots))
        frames.append(frame)
        places.append(track[frame] * size + rng.normal(0, s.sigma_px, (len(frame), 2)))
    return np.concatenate(frames), np.clip(np.concatenate(places), 0, size)
