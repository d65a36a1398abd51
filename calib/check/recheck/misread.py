"""Cameras whose points are not to be judged as they stand: an image that was turned or mirrored
since, another recording, marker names reversed. Such points fit the camera from no place, and what
a solve makes of them is nobody's move.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.check.recheck.exchange import FITS, MISFITS, PARTNERS, own_fit
from calib.check.recheck.outcome import CameraChange
from calib.check.verdicts import Standing
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.solve.start.counts import beyond_others
from calib.solve.start.graph import overlap
from calib.solve.start.suspects import ALONE, Reading, reread

# Share of points near where the rig has them, of a camera about which nothing is asked: what a
# count that jumps late spoils is no more.
CLEAR = 0.98
FEW = 5  # frames: as many are found while the wave is solved, and a camera's move beside them

TURNED = {
    "mirrored left for right": (-1, 1),
    "mirrored top for bottom": (1, -1),
    "turned upside down": (-1, -1),
}


@dataclass(frozen=True, slots=True)
class Misread:
    """A camera that cannot be judged by its points, and what is wrong with them; ``is_weak``: it is
    judged nevertheless, and this is told where it seems to move meanwhile.
    """

    verdict: Standing
    what: str
    is_weak: bool = False


def misread(rig: Rig, tracks: Tracks) -> dict[str, Misread]:
    """Return by name the cameras that cannot be judged by these points as they stand; none where
    fewer than half of the cameras stand as the rig has them.

    A camera that moved keeps an epipolar geometry with the others: nothing is said of it here. A
    few frames lost are found with its place, unless too many: then it seems to move.
    """
    points, own = _fits(rig, tracks)
    sound = np.flatnonzero(own >= FITS)
    if len(sound) < 2 or 2 * len(sound) < np.isfinite(own).sum():
        return {}
    out = {}
    # Where nobody else saw anything, nothing says that a point does not fit.
    for c in np.flatnonzero((own < CLEAR) | (beyond_others(tracks) > ALONE)):
        others = sound[sound != c]
        beside = others[np.argsort(-points[c, others], kind="stable")].tolist()
        if (found := _found(rig, tracks, int(c), beside, own[c])) is not None:
            out[tracks.names[c]] = found
    return out


def sure(wrong: Mapping[str, Misread]) -> dict[str, Misread]:
    """Return those that are not weak."""
    return {name: of for name, of in wrong.items() if not of.is_weak}


def as_read(cameras: Sequence[CameraChange], wrong: Mapping[str, Misread]) -> list[CameraChange]:
    """Return the cameras, with what is wrong with their points for a verdict where that is told."""

    def told(c: CameraChange, of: Misread | None) -> CameraChange:
        if of is None or (of.is_weak and c.verdict != Standing.MOVING):
            return c
        return replace(c, verdict=of.verdict, misread=of.what, is_late=False, matters=True)

    return [told(c, wrong.get(c.name)) for c in cameras]


def elsewhere(rig: Rig, tracks: Tracks) -> dict[str, Misread]:
    """Return by name the cameras whose points, or failing such many of them, lie nowhere near where
    the rig has them: from there no solve finds a place for them.
    """
    _, own = _fits(rig, tracks)
    limit = MISFITS if (own < MISFITS).any() else CLEAR
    return {
        name: Misread(
            Standing.UNSEEN,
            f"{1.0 - share:.0%} of its points lie nowhere near where the rig has them, and no place"
            " near its own explains them: see whether its image was turned, its frames are counted"
            " otherwise from some moment on, or it hangs elsewhere; if it does, solve the rig anew:"
            " calib solve WAVE --wand WAND -o NEW_RIG",
        )
        for name, share in zip(tracks.names, own.tolist(), strict=True)
        if share < limit
    }


def _fits(rig: Rig, tracks: Tracks) -> tuple[Array, Array]:
    """Return how many points cameras share (C, C), and of each the share that lies near where the
    rig has them by those that it shares most with, nan where these are too few.
    """
    points = overlap(tracks).points - np.diag([c.n_points for c in tracks.cameras])
    nearest = np.argsort(-points, axis=1, kind="stable")[:, :PARTNERS]
    beside = ([tracks.cameras[k] for k in of] for of in nearest)
    own = [own_fit(rig, *of) for of in zip(tracks.cameras, beside, strict=True)]
    return np.asarray(points, float), np.array(own)


def _found(rig: Rig, tracks: Tracks, c: int, beside: list[int], own: float) -> Misread | None:
    camera, others = tracks.cameras[c], [tracks.cameras[k] for k in beside[:PARTNERS]]
    for how, signs in TURNED.items() if own < FITS else ():
        share = own_fit(rig, _turned(camera, signs), others)
        if share >= max(FITS, own + FITS - MISFITS):
            return Misread(
                Standing.UNSEEN,
                f"its image is {how}: put so, {share:.0%} of its points lie where the rig has them."
                " Set its image as it was and record again",
            )
    found = reread(tracks, c, beside, beside, len(rig.wand.markers))
    if found is None or found.reading == Reading.DRIFT:
        return None
    is_few = abs(found.frames) <= FEW
    if found.reading == Reading.LOST:
        return Misread(Standing.TIMING, f"{found.reading}: {found.evidence}", is_weak=is_few)
    if own >= MISFITS:
        return None
    if found.reading == Reading.SHIFTED:
        return None if is_few else Misread(Standing.TIMING, found.evidence)
    return Misread(Standing.UNSEEN, f"{found.reading}: {found.evidence}")


def _turned(camera: CameraTracks, signs: tuple[int, int]) -> CameraTracks:
    edge = np.array([camera.width - 1, camera.height - 1])
    xy = np.where(np.array(signs) < 0, edge - camera.xy_px, camera.xy_px)
    return replace(camera, xy_px=xy)
