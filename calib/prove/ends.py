"""The relative pose of a bar's two ends, where each end has markers enough for a pose of its
own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.check.placed import known_part
from calib.check.recheck.inputs import matched
from calib.core.geometry import Array, angle_between_deg, is_slim, rigid_fit
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.prove.space.place import place
from calib.prove.space.views import cameras_of, views_of_tracks

LEAST_MARKERS = 3  # of an end: fewer, or ones on a line, have no pose
LEAST_WIDTH = 0.05  # their spread across a line, as a share of that along it


@dataclass(frozen=True, slots=True, eq=False)
class EndPoses:
    """Errors of the far end's pose as the near end sees it, frame by frame: a distance (F,) in mm
    and an angle (F,) in degree.

    Modelled on ASTM E3064-16, withdrawn in January 2025.
    """

    near: tuple[str, ...]
    far: tuple[str, ...]
    position_mm: Array
    rotation_deg: Array


def ends_of(bar: Wand) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """Return the markers of a bar's two ends, None where one of them has no pose of its own."""
    centred = bar.points_mm - bar.points_mm.mean(axis=0)
    along = centred @ np.linalg.svd(centred)[2][0]
    middle = 0.5 * (along.min() + along.max())
    near, far = np.flatnonzero(along < middle), np.flatnonzero(along >= middle)
    for end in (near, far):
        if len(end) < LEAST_MARKERS or is_slim(bar.points_mm[end], LEAST_WIDTH):
            return None
    return near, far


def end_poses(rig: Rig, tracks: Tracks, bar: Wand, noise_px: float | None) -> EndPoses | None:
    """Return the errors of the ends' relative pose, None where bar or capture have none.

    Each end's pose is the rigid fit to its markers (Umeyama 1991, in ``rigid_fit``); the error is
    of ``near_from_far``, which a perfect rig measures as the identity in the bar's own axes.
    """
    ends = ends_of(bar)
    if ends is None or not any((c.marker >= 0).any() for c in tracks.cameras):
        return None
    tracks = matched(replace(known_part(rig), wand=bar, wand_used=bar), tracks)
    views, frame, marker = views_of_tracks(tracks)
    placed = place(views, cameras_of(rig, tracks.names, noise_px))
    number, at = np.unique(frame, return_inverse=True)
    points = np.full((len(number), len(bar.markers), 3), np.nan)
    points[at, marker] = placed.points_mm
    whole = np.isfinite(points[:, np.concatenate(ends)]).all(axis=(1, 2))
    if not whole.any():
        return None
    poses = [
        rigid_fit(np.broadcast_to(bar.points_mm[e], (whole.sum(), len(e), 3)), points[whole][:, e])
        for e in ends
    ]
    (_, R0, t0), (_, R1, t1) = poses
    middle = bar.points_mm[ends[1]].mean(axis=0)  # where the far end is: its lever is the bar's
    seen = np.einsum("fji,fj->fi", R0, R1 @ middle + t1 - t0)
    return EndPoses(
        tuple(bar.markers[k] for k in ends[0]),
        tuple(bar.markers[k] for k in ends[1]),
        np.linalg.norm(seen - middle, axis=1),
        angle_between_deg(R0, R1),
    )
