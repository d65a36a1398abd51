"""What is said of the other cameras once those at fault are left out: beside these, whose points
lie far off, sound cameras lose points and seem knocked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from calib.check.causes import Cause, find_causes
from calib.check.verdicts import Fault, RigFault
from calib.check.whole.find import Whole, look_at_whole
from calib.check.whole.left_out import at_end
from calib.check.whole.steps import Moves, largest_step, moves_of
from calib.core.frames import point_keys
from calib.core.rig import CameraStats, Doubt, Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.solve.certainty.statistics import rig_stats
from calib.solve.hold import RigFit, fit_to_rig, hold_cameras

# These put a camera elsewhere than its solve says by more than its own sigmas know of, and so do
# these the cameras that they name.
UNSURE = frozenset(
    {
        Fault.KNOCK,
        Fault.CREEPS,
        Fault.TIMING,
        Fault.MOVED,
        Fault.LENS,
        Fault.ROWS,
        Fault.VIBRATION,
        Fault.SWAYS,
        Fault.JITTER,
        Fault.DRIFT,
        Fault.LOST,
    }
)
UNSURE_OF = frozenset({RigFault.CHANGED, RigFault.STATED, RigFault.PAIR})


def with_faults(
    rig: Rig, faults: Mapping[str, Sequence[Fault]], doubts: Sequence[Doubt] | None = None
) -> Rig:
    """Return the rig with what is wrong with its cameras, by name, beside what it knows of; its
    ``doubts``, where given, replaced as well.
    """
    rig = rig if doubts is None else replace(rig, doubts=tuple(doubts))
    named = {name for d in rig.doubts if d.finding in UNSURE_OF for name in d.cameras}
    cameras = []
    for c in rig.cameras:
        of = tuple(map(str, dict.fromkeys((*c.faults, *faults.get(c.name, ())))))
        is_placed = c.name not in named and UNSURE.isdisjoint(of)
        cameras.append(replace(c, faults=of, is_placed=is_placed))
    return replace(rig, cameras=tuple(cameras))


def share_points(tracks: Tracks) -> bool:
    """Return whether two cameras see the same marker in the same frame."""
    keys = [point_keys(c.frame, c.marker)[c.marker >= 0] for c in tracks.cameras]
    points = np.concatenate(keys)
    return len(np.unique(points)) < len(points)


def stats_of(tracks: Tracks, fit: RigFit) -> Sequence[CameraStats]:
    """Return the cameras' residuals in a fit of their tracks."""
    return fit.stats or rig_stats(tracks, fit.problem, fit.state, fit.is_inlier, fit.sigma_px)


def causes_apart(
    rig: Rig, tracks: Tracks, fit: RigFit, stats: Sequence[CameraStats]
) -> list[tuple[Cause, ...]]:
    """Return each camera's causes, those of the others by a fit without the cameras that lost
    frames.
    """
    causes = find_causes(fit, tracks, stats, rig)
    of = dict(zip(tracks.names, causes, strict=True))
    others = _others(tracks, {n for n, c in of.items() if c and c[0].cause == Fault.LOST})
    if others is not None:
        apart = fit_to_rig(rig, others)
        found = find_causes(apart, others, stats_of(others, apart), rig)
        of |= zip(others.names, found, strict=True)
    return [of[n] for n in tracks.names]


def whole_apart(rig: Rig, tracks: Tracks, fit: RigFit) -> Whole:
    """Return what a capture held against a rig says of the rig and its wand as a whole: that it
    changed by what the cameras say without those at fault.

    ``fit`` is of ``tracks`` with the rig's cameras, which come in the same order.
    """
    step = largest_step(fit) if fit.problem.n_cameras > 1 else None
    moves, end = moves_of(step, fit, tracks.names), at_end(fit, tracks.names)
    if (moves.of or end) and len(tracks.names) > 2:
        causes = causes_apart(rig, tracks, fit, stats_of(tracks, fit))
        at_fault = [
            name
            for name, found in zip(tracks.names, causes, strict=True)
            if any(c.cause in UNSURE for c in found)
        ]
        if moves.of:
            moves = moves_apart(rig.wand_used, tracks, fit, moves, at_fault)
        if at_fault:  # beside such a one others stand off, and another wave is due anyway
            end = None
    return look_at_whole(rig, tracks, fit, moves, end)


def moves_apart(
    wand: Wand, tracks: Tracks, fit: RigFit, seen: Moves, at_fault: Collection[str]
) -> Moves:
    """Return the moves that cameras show one after another: those at fault, then whichever shows
    most, each left out before the others are asked again, which seem moved beside it.

    Where most seem moved, and more than one is, all of them are: it is the rig, and too few are
    left to say so.
    """
    found = {n: at for n, at in seen.of.items() if n in at_fault}
    out, now, first = set(at_fault), seen, None
    while True:
        if out:
            others = _others(tracks, out)
            if others is None:  # nobody is left to ask
                return replace(seen, of=found) if found else seen
            held = _held(wand, others, tracks, fit)
            now = moves_of(largest_step(held), held, others.names)
        first = first or now
        if not now.of:
            return replace(seen, of=found)
        most = next(iter(now.of))
        found[most] = now.of[most]
        out.add(most)
        if first.is_rigs and len(found) > 1:
            return Moves(found | first.of, first.n_seen)


def _held(wand: Wand, others: Tracks, tracks: Tracks, fit: RigFit) -> RigFit:
    """Return the fit of some cameras' tracks, held where they stand in the fit of all."""
    at, sigma = [tracks.names.index(n) for n in others.names], fit.ring_sigma_px
    held = hold_cameras(others, wand, fit.state.of_cameras(at).of_frames(slice(0, 0)))
    return replace(held, ring_sigma_px=sigma[at] if sigma.size else sigma)


def _others(tracks: Tracks, left_out: Collection[str]) -> Tracks | None:
    """Return the tracks of the other cameras, None where none is left out or these do not see the
    same points.
    """
    rest = [n for n in tracks.names if n not in left_out]
    if not left_out or not rest:
        return None
    others = tracks.subset(rest)
    return others if share_points(others) else None
