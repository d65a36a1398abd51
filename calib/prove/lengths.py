"""The lengths of a bar that a rig measures: each marker placed by itself, in motion or at rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.check.placed import known_part
from calib.check.recheck.inputs import matched
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import CertifiedLength, Wand
from calib.errors import UnsolvableError
from calib.naming.identify import is_unnamed
from calib.naming.renaming import named_tracks
from calib.prove.rest.match import matched_points
from calib.prove.rest.stands import rests
from calib.prove.rest.still import PHASE_PX
from calib.prove.space.place import Placed, place
from calib.prove.space.views import Cameras, Views, cameras_of, views_of, views_of_tracks
from calib.solve.clock.common_time import at_common_time

# A length farther off than this is not of the bar: names mixed up, or a stray point for a marker.
NOT_THE_BAR = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Lengths:
    """Measured lengths (K): ``error_mm`` is measured less known, ``known_mm`` the certified length,
    ``which`` its index among the bar's, ``noise_mm`` what centroids' noise leaves of the measured
    one (1σ); ``middle_mm (K, 3)`` and the unit vector ``along (K, 3)`` say where it lay; ``frame``
    its frame, of a rest the first. ``n_foreign`` more were no lengths of the bar.
    """

    error_mm: Array
    known_mm: Array
    which: NDArray[np.intp]
    noise_mm: Array
    middle_mm: Array
    along: Array
    frame: Ints
    n_foreign: int


def known_lengths(bar: Wand) -> tuple[CertifiedLength, ...]:
    """Return the certified lengths of a bar; without a certificate those between its coordinates,
    each with the uncertainty of two coordinates.
    """
    if bar.certified:
        return bar.certified
    i, j = np.triu_indices(len(bar.markers), 1)
    sigma = float(np.sqrt(2.0) * bar.sigma_mm)
    return tuple(
        CertifiedLength(int(a), int(b), float(bar.lengths_mm[a, b]), sigma)
        for a, b in zip(i, j, strict=True)
    )


def measured_lengths(
    rig: Rig, tracks: Tracks, bar: Wand, at_rest: bool, noise_px: float | None = None
) -> Lengths:
    """Return every length of the bar that the capture shows: one a frame, or ``at_rest`` one a
    rest, of the mean places there.

    Raises InputError where tracks, bar and rig do not belong together, UnsolvableError where no two
    cameras see the ends of a length in one frame, or nothing is at rest.
    """
    tracks, cameras, views, frame, marker = _points(rig, tracks, bar, noise_px)
    placed = place(views, cameras)
    if at_rest:
        parts = rests(placed, frame, marker, tracks.frame_rate_hz)
        if not parts:
            raise UnsolvableError(
                "bar at rest",
                expected="the bar at rest for half a second or longer",
                found="no such stretch",
                remedy="Set it down in each place, or test it in motion.",
                cameras=tracks.names,
            )
        rows = [np.flatnonzero(np.isin(frame, p)) for p in parts]
        means = [_mean(placed, cameras, frame[r], marker[r], r) for r in rows if len(r)]
        points, noise, frame, marker = (np.concatenate(v) for v in zip(*means, strict=True))
    else:
        points, noise = placed.points_mm, placed.covariance_mm2
    found = _between(points, noise, frame, marker, known_lengths(bar))
    if not len(found.error_mm):
        raise UnsolvableError(
            "bar",
            expected="both ends of a length, each seen by two cameras in one frame",
            found=f"none in {len(np.unique(frame))} frames ({found.n_foreign} of another length)",
            remedy="Check bar file and tracks, and carry the bar where several cameras see it.",
            cameras=tracks.names,
        )
    return found


def _points(
    rig: Rig, tracks: Tracks, bar: Wand, noise_px: float | None
) -> tuple[Tracks, Cameras, Views, Ints, Ints]:
    """Return the bar's tracks, the rig's cameras, and the views with their frames and markers."""
    with_bar = replace(known_part(rig), wand=bar, wand_used=bar)
    tracks = matched(with_bar, tracks)
    cameras = cameras_of(rig, tracks.names, noise_px)
    if is_unnamed(tracks) and len(bar.markers) == 2:
        return tracks, cameras, *_ends(cameras, tracks, known_lengths(bar)[0].length_mm)
    if is_unnamed(tracks):
        tracks = named_tracks(with_bar, tracks)
    elif any(c.time_offset_frames for c in rig.cameras):
        tracks = at_common_time(with_bar, tracks)
    return tracks, cameras, *views_of_tracks(tracks)


def _ends(cameras: Cameras, tracks: Tracks, length_mm: float) -> tuple[Views, Ints, Ints]:
    """Return the views of the two ends of a bar whose points have no names: in each frame the one
    pair of places that lie apart as they do; which end is which does not matter to a length.
    """
    frame = np.concatenate([c.frame[~c.is_masked] for c in tracks.cameras])
    uv = np.concatenate([c.xy_px[~c.is_masked] for c in tracks.cameras])
    n_points = [int((~c.is_masked).sum()) for c in tracks.cameras]
    cam = np.repeat(np.arange(len(tracks.cameras)), n_points)
    order = np.argsort(frame, kind="stable")
    frame, uv, cam = frame[order], uv[order], cam[order]
    number, group = np.unique(frame, return_inverse=True)
    point = matched_points(cameras, cam, uv, group, len(number))
    keep = point >= 0
    views = views_of(cam[keep], point[keep], uv[keep], int(point.max(initial=-1)) + 1)
    placed = place(views, cameras)
    of_point = np.zeros(views.n_points, np.int64)
    of_point[point[keep]] = frame[keep]
    name = np.full(views.n_points, -1)
    good = np.flatnonzero(placed.is_placed)
    for at in np.split(good, np.flatnonzero(np.diff(of_point[good])) + 1):
        apart = np.linalg.norm(placed.points_mm[at][:, None] - placed.points_mm[at], axis=-1)
        i, j = np.nonzero(np.triu(np.abs(apart - length_mm) <= NOT_THE_BAR * length_mm, 1))
        if len(i) == 1:
            name[at[i[0]]], name[at[j[0]]] = 0, 1
    is_end = name >= 0
    order = np.flatnonzero(is_end)
    kept = is_end[views.point]
    ends = views_of(
        views.cam[kept], (np.cumsum(is_end) - 1)[views.point[kept]], views.uv_px[kept], len(order)
    )
    return ends, of_point[order], name[order].astype(np.int64)


def _mean(
    placed: Placed, cameras: Cameras, frame: Ints, marker: Ints, rows: NDArray[np.intp]
) -> tuple[Array, Array, Ints, Ints]:
    """Return the mean place of each marker over a rest, with the covariance of that mean."""
    points, noise, names = [], [], []
    for m in np.unique(marker):
        at = rows[(marker == m) & placed.is_placed[rows]]
        if not len(at):
            continue
        own = placed.covariance_mm2[at].mean(axis=0)
        points.append(placed.points_mm[at].mean(axis=0))
        noise.append(own * (1.0 / len(at) + (PHASE_PX / np.median(cameras.sigma_px)) ** 2))
        names.append(m)
    return (
        np.array(points).reshape(-1, 3),
        np.array(noise).reshape(-1, 3, 3),
        np.full(len(names), frame[0]),
        np.array(names, np.int64),
    )


def _between(
    points: Array, noise: Array, frame: Ints, marker: Ints, known: tuple[CertifiedLength, ...]
) -> Lengths:
    """Return the lengths between points (N, 3) with their noise (N, 3, 3), frame by frame."""
    good = np.flatnonzero(np.isfinite(points).all(axis=1))
    ends = []
    for c in known:
        near, far = (good[marker[good] == m] for m in (c.i, c.j))
        _, at_near, at_far = np.intersect1d(frame[near], frame[far], True, return_indices=True)
        ends.append((near[at_near], far[at_far]))
    a, b = (np.concatenate(side).astype(np.intp) for side in zip(*ends, strict=True))
    which = np.repeat(np.arange(len(known)), [len(near) for near, _ in ends])
    ray = points[b] - points[a]
    length = np.linalg.norm(ray, axis=1)
    along = ray / np.maximum(length, 1e-12)[:, None]
    wanted = np.array([c.length_mm for c in known])[which]
    error = length - wanted
    variance = np.einsum("ki,kij,kj->k", along, noise[a] + noise[b], along)
    is_own = np.abs(error) <= NOT_THE_BAR * wanted
    order = np.flatnonzero(is_own)[np.argsort(frame[a][is_own], kind="stable")]
    return Lengths(
        error[order],
        wanted[order],
        which[order],
        np.sqrt(variance[order]),
        0.5 * (points[a] + points[b])[order],
        along[order],
        frame[a][order],
        int((~is_own).sum()),
    )
