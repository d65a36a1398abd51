"""Cameras whose points are not to be judged as they stand: an image that was turned or mirrored
since, another recording, marker names reversed. Such points fit the camera from no place, and what
a solve makes of them is nobody's move.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.check.recheck.exchange import FITS, MISFITS, PARTNERS, own_fit
from calib.check.verdicts import Standing
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.solve.start.graph import overlap
from calib.solve.start.suspects import Reading, reread

FEW = 5  # frames: as many are found while the wave is solved, and a camera's move beside them

TURNED = {
    "mirrored left for right": (-1, 1),
    "mirrored top for bottom": (1, -1),
    "turned upside down": (-1, -1),
}


@dataclass(frozen=True, slots=True)
class Misread:
    """A camera that cannot be judged by its points, and what is wrong with them."""

    verdict: Standing
    what: str


def misread(rig: Rig, tracks: Tracks) -> dict[str, Misread]:
    """Return by name the cameras that cannot be judged by these points as they stand; none where
    fewer than half of the cameras stand as the rig has them.

    A camera that moved keeps an epipolar geometry with the others, and a few frames are found with
    its place: of neither anything is said here.
    """
    points, own = _fits(rig, tracks)
    sound = np.flatnonzero(own >= FITS)
    if len(sound) < 2 or 2 * len(sound) < np.isfinite(own).sum():
        return {}
    out = {}
    for c in np.flatnonzero(own < FITS):
        beside = sound[np.argsort(-points[c, sound], kind="stable")].tolist()
        if (found := _found(rig, tracks, int(c), beside, own[c])) is not None:
            out[tracks.names[c]] = found
    return out


def elsewhere(rig: Rig, tracks: Tracks) -> dict[str, Misread]:
    """Return by name the cameras whose points lie nowhere near where the rig has them: from there
    no solve finds a place for them.
    """
    what = (
        "its points lie nowhere near where the rig has them, and no place near its own explains"
        " them: see whether its image was turned or it hangs elsewhere; if it does, solve the rig"
        " anew: calib solve WAVE --wand WAND -o NEW_RIG"
    )
    _, own = _fits(rig, tracks)
    of = zip(tracks.names, own < MISFITS, strict=True)
    return {name: Misread(Standing.UNSEEN, what) for name, is_strange in of if is_strange}


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
    for how, signs in TURNED.items():
        share = own_fit(rig, _turned(camera, signs), others)
        if share >= max(FITS, own + FITS - MISFITS):
            return Misread(
                Standing.UNSEEN,
                f"its image is {how}: put so, {share:.0%} of its points lie where the rig has them."
                " Set its image as it was and record again",
            )
    if own >= MISFITS:
        return None
    found = reread(tracks, c, beside, beside, len(rig.wand.markers))
    if found is None or found.reading in {Reading.LOST, Reading.DRIFT}:
        return None
    if found.reading == Reading.SHIFTED:
        return None if abs(found.frames) <= FEW else Misread(Standing.TIMING, found.evidence)
    return Misread(Standing.UNSEEN, f"{found.reading}: {found.evidence}")


def _turned(camera: CameraTracks, signs: tuple[int, int]) -> CameraTracks:
    edge = np.array([camera.width - 1, camera.height - 1])
    xy = np.where(np.array(signs) < 0, edge - camera.xy_px, camera.xy_px)
    return replace(camera, xy_px=xy)
