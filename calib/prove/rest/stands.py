"""When a wand or a bar is at rest: stretches of a capture in which none of its markers moves."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from calib.core.frames import Ints
from calib.core.geometry import Array, sigma_in_space
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.prove.space.place import Placed, place
from calib.prove.space.views import cameras_of, views_of_tracks

REST_S = 0.5  # shorter rests are turns of the hand
# A marker at rest stays within this of where it was, or within its own noise: a hand that waves
# moves it as far in two frames.
REST_MM, NOISES = 2.0, 5.0
GAP_S = 0.2  # frames in which nobody sees it do not end a rest


def stands(rig: Rig, tracks: Tracks) -> list[Ints]:
    """Return the frame numbers of each stretch in which the named markers are at rest, in order."""
    views, frame, marker = views_of_tracks(tracks)
    placed = place(views, cameras_of(rig, tracks.names))
    return rests(placed, frame, marker, tracks.frame_rate_hz)


def rests(placed: Placed, frame: Ints, marker: Ints, rate_hz: float) -> list[Ints]:
    """Return the frame numbers of each rest of placed points (N,) of frames and markers (N,)."""
    good = placed.is_placed
    if not good.any():
        return []
    frame, marker, points = frame[good], marker[good], placed.points_mm[good]
    reach = REST_MM + NOISES * sigma_in_space(placed.covariance_mm2[good])
    out: list[Ints] = []
    anchor: dict[int, Array] = {}
    run: list[int] = []
    last = None
    starts = np.flatnonzero(np.append(True, np.diff(frame) > 0))
    for a, b in pairwise([*starts.tolist(), len(frame)]):
        rows = range(a, b)
        known = [k for k in rows if int(marker[k]) in anchor]
        is_still = bool(known) and all(
            np.linalg.norm(points[k] - anchor[int(marker[k])]) <= reach[k] for k in known
        )
        is_near = last is not None and frame[a] - last <= max(GAP_S * rate_hz, 1)
        if not (is_still and is_near):
            out += _kept(run, rate_hz)
            run, anchor = [], {}
        anchor |= {int(marker[k]): points[k] for k in rows if int(marker[k]) not in anchor}
        run.append(int(frame[a]))
        last = int(frame[a])
    return out + _kept(run, rate_hz)


def _kept(run: list[int], rate_hz: float) -> list[Ints]:
    is_long = len(run) >= 2 and run[-1] - run[0] >= REST_S * rate_hz
    return [np.array(run, np.int64)] if is_long else []
