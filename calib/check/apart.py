"""What is said of the other cameras once those at fault are left out: beside these, whose points
lie far off, sound cameras lose points and seem knocked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from calib.check.causes import Cause, find_causes
from calib.check.verdicts import Fault
from calib.check.whole.steps import largest_step
from calib.core.rig import CameraStats, Rig
from calib.core.tracks import Tracks, point_keys
from calib.solve.certainty.statistics import rig_stats
from calib.solve.hold import RigFit, fit_to_rig

# These put a camera elsewhere than its solve says by more than its own sigmas know of.
UNSURE = frozenset(
    {
        Fault.KNOCK,
        Fault.TIMING,
        Fault.MOVED,
        Fault.LENS,
        Fault.ROWS,
        Fault.VIBRATION,
        Fault.JITTER,
        Fault.DRIFT,
        Fault.LOST,
    }
)


def share_points(tracks: Tracks) -> bool:
    """Return whether two cameras see the same marker in the same frame."""
    keys = [point_keys(c.frame, c.marker)[c.marker >= 0] for c in tracks.cameras]
    points = np.concatenate(keys)
    return len(np.unique(points)) < len(points)


def causes_apart(
    rig: Rig, tracks: Tracks, fit: RigFit, stats: Sequence[CameraStats]
) -> list[tuple[Cause, ...]]:
    """Return each camera's causes, those of the others by a fit without the cameras that lost
    frames.
    """
    causes = find_causes(fit, tracks, stats, [rig.camera(n).stats for n in tracks.names])
    of = dict(zip(tracks.names, causes, strict=True))
    others = _others(tracks, {n for n, c in of.items() if c and c[0].cause == Fault.LOST})
    if others is not None:
        apart = fit_to_rig(rig, others)
        found = rig_stats(others, apart.problem, apart.state, apart.is_inlier, apart.sigma_px)
        known = [rig.camera(n).stats for n in others.names]
        of |= zip(others.names, find_causes(apart, others, found, known), strict=True)
    return [of[n] for n in tracks.names]


def knocked_apart(
    rig: Rig,
    tracks: Tracks,
    knocked: Mapping[str, tuple[int, float]],
    causes: Sequence[tuple[Cause, ...]],
) -> dict[str, tuple[int, float]]:
    """Return the knocked cameras without those that seem so only beside a camera at fault: which
    the others do not tell once it is left out.
    """
    of = dict(zip(tracks.names, causes, strict=True))
    at_fault = {n for n, c in of.items() if any(one.cause in UNSURE for one in c)}
    others = None if at_fault >= set(knocked) else _others(tracks, at_fault)
    if others is None:
        return dict(knocked)
    step = largest_step(fit_to_rig(rig, others))
    is_moved = step.is_real if step is not None else np.zeros(len(others.names), bool)
    moved = {n for n, m in zip(others.names, is_moved, strict=True) if m}
    return {n: at for n, at in knocked.items() if n in at_fault | moved}


def _others(tracks: Tracks, left_out: Collection[str]) -> Tracks | None:
    """Return the tracks of the other cameras, None where none is left out or these do not see the
    same points.
    """
    rest = [n for n in tracks.names if n not in left_out]
    if not left_out or not rest:
        return None
    others = tracks.subset(rest)
    return others if share_points(others) else None
