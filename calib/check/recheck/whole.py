"""What is said of the rig as a whole: a majority or none, drift, cameras that moved as one, what
cannot be told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.check.recheck.agree import Agreement
from calib.check.recheck.compare import Comparison, is_silent
from calib.check.recheck.drift import Drift, Scale, rigid_move
from calib.check.recheck.explain import MOVE, TURN, Reading
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.serials import new_serials
from calib.check.verdicts import Change, Majority, Standing
from calib.core.geometry import Array, rigid_fit
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.solve.repair import lacks_terms

# Drift is small and everywhere: temperature and settling floors move cameras by some pixels at
# most, and no camera much more than the others. Common practice, no source.
DRIFT_PX = 3.0
DRIFT_SPREAD = 4.0  # the largest move over the median one
CLEAR = 10.0  # of -2 log likelihood: odds of 150 to 1 between two readings of one capture


def whole(
    rig: Rig,
    tracks: Tracks,
    found: Comparison,
    agreed: Agreement,
    scale: Scale,
    is_grown: bool,
    cameras: list[CameraChange],
    readings: list[Reading],
    n_shared: dict[str, int | None],
    places_mm: Array,
) -> Recheck:
    """Return the outcome: the cameras' changes as they stand beside one another, and what holds for
    all of them.

    ``places_mm (C, 3)`` is where the new solve has the cameras, ``n_shared`` how many points the
    others share that cannot be judged.
    """
    names, n = found.names, len(found.names)
    n_in = int(agreed.is_agreeing.sum())
    drift = Drift(scale.share, scale.sigma) if is_grown else None
    majority = Majority.CLEAR
    if 2 * n_in <= n:
        if not is_grown and n > 3 and _is_drift(cameras):
            drift = _drift(rig, names, places_mm, [c.shift_px for c in cameras])
            cameras = _recast(cameras, {Standing.MOVED: Standing.UNMOVED})
        else:
            majority, cameras = _without_majority(agreed, cameras, readings)
    changed = np.flatnonzero(~agreed.is_agreeing)
    moves = [
        rigid_move(found, rig, group, np.setdiff1d(changed, np.array(group)))
        for group in agreed.groups
        if len(group) > 1 and (drift is None or is_grown)
    ]
    by_name = {c.name: c for c in cameras}
    by_name |= {name: CameraChange.unseen(name, k) for name, k in n_shared.items()}
    return Recheck(
        cameras=tuple(by_name[name] for name in rig.names),
        agreeing=tuple(name for name, ok in zip(names, agreed.is_agreeing, strict=True) if ok),
        groups=tuple(tuple(names[c] for c in g) for g in agreed.groups),
        majority=majority,
        scale=scale,
        drift=drift,
        rigid_moves=tuple(moves),
        is_exact=rig.covariance is None,
        is_silent=is_silent(rig),
        lacks_terms=lacks_terms(rig),
        doubts=rig.doubts,
        tracks=tracks,
        frame_rate_hz=tracks.frame_rate_hz,
    )


def in_doubt(found: Recheck, of_wave: Sequence[Doubt]) -> Recheck:
    """Return what is left to say where a wave itself is in doubt: cameras that follow a wand that
    changed seem moved, or the rig grown.
    """
    open_ = {Standing.MOVED, Standing.UNMOVED, Standing.MOVING, Standing.LENS}
    return replace(
        found,
        cameras=tuple(_recast([*found.cameras], dict.fromkeys(open_, Standing.UNDECIDED))),
        groups=(),
        majority=Majority.NONE,
        drift=None,
        rigid_moves=(),
        of_wave=tuple(of_wave),
    )


def with_serials(found: Recheck, rig: Rig, tracks: Tracks) -> Recheck:
    """Return what was found with what serial numbers say, as the capture gave them: where geometry
    cannot judge a camera, another's number tells that names were exchanged.
    """
    new = new_serials(rig, tracks)
    cameras = [replace(c, serial=new.get(c.name)) for c in found.cameras]
    for k, c in enumerate(cameras):
        if c.serial and c.serial.had and c.verdict in {Standing.UNSEEN, Standing.UNDECIDED}:
            cameras[k] = replace(c, verdict=Standing.EXCHANGED, borne=c.serial.had)
    return replace(found, cameras=tuple(cameras))


def _recast(cameras: list[CameraChange], verdicts: dict[Standing, Standing]) -> list[CameraChange]:
    return [replace(c, verdict=verdicts.get(c.verdict, c.verdict)) for c in cameras]


def _drift(rig: Rig, names: tuple[str, ...], places_mm: Array, shifts_px: list[float]) -> Drift:
    """Return small moves of every camera: those of the rig as a whole taken off, its size apart."""
    before = np.stack([rig.camera(n).position_mm for n in names])
    size, R, t = rigid_fit(before, places_mm, with_scale=True)
    left = places_mm - (size * before @ R.T + t)
    freedom = max(3 * len(names) - 7, 1)
    spread = float(np.linalg.norm(before - before.mean(axis=0)))
    sigma = float(np.sqrt((left**2).sum() / freedom)) / spread
    rms = float(np.sqrt((left**2).sum() / len(names)))
    return Drift(float(size) - 1.0, sigma, float(np.median(shifts_px)), rms)


def _is_drift(cameras: list[CameraChange]) -> bool:
    shifts = np.array([c.shift_px for c in cameras])
    return bool(np.median(shifts) < DRIFT_PX and shifts.max() < DRIFT_SPREAD * np.median(shifts))


def _without_majority(
    agreed: Agreement, cameras: list[CameraChange], readings: list[Reading]
) -> tuple[Majority, list[CameraChange]]:
    """Return the cameras where no more than half agree, and what stands in for a majority."""
    n_in = int(agreed.is_agreeing.sum())
    if n_in > 2 and n_in > max(map(len, agreed.groups), default=0):
        return Majority.LARGEST, cameras
    simpler = _simpler(readings) if len(cameras) == 2 else None
    if simpler is not None:
        # What the other would have had to do instead is no figure of one that stands.
        other = CameraChange.unseen(cameras[1 - simpler].name, None)
        pair = [replace(other, verdict=Standing.UNMOVED)] * 2
        pair[simpler] = replace(
            cameras[simpler],
            verdict=Standing.MOVED,
            kind=Change.TURN,
            matters=any(c.matters for c in cameras),
        )
        return Majority.ONE_OF_TWO, pair
    open_ = {Standing.MOVED: Standing.UNDECIDED, Standing.UNMOVED: Standing.UNDECIDED}
    return Majority.NONE, _recast(cameras, open_)


def _simpler(readings: list[Reading]) -> int | None:
    """Return which of two cameras alone explains all by turning in place, None where both or
    neither does.
    """
    cost = [r.misfit[TURN] for r in readings]
    best = int(np.argmin(cost))
    is_clear = (
        cost[1 - best] - cost[best] > CLEAR
        and readings[best].misfit[TURN] - readings[best].misfit[MOVE] < CLEAR
    )
    return best if is_clear else None
