"""Whether a rig and a wave belong together, and which cameras the wave can judge at all."""

from __future__ import annotations

import numpy as np

from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.solve.start.graph import camera_graph, overlap

# A pose and a ring are nine numbers; ten points (two numbers each) for each of them that other
# cameras see as well.
MIN_POINTS = 90
WAVE = (
    "Wave where several cameras see the wand, with its markers identified; by other markers than "
    "the wand's: --any (recheck_any in Python)."
)


def matched(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the wave's cameras that the rig holds, in its order.

    Raises as ``of_rig`` does, and InputError where the tracks name markers that the wand lacks.
    """
    tracks = of_rig(rig, tracks)
    tracks.check_markers(len(rig.wand.markers))
    return tracks


def of_rig(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the cameras of a capture that the rig holds, in its order.

    Raises InputError where the capture names cameras that the rig does not hold (but for those that
    its solve left out), where none is common, where a sensor has another size, or where the capture
    is empty.
    """
    common = [n for n in rig.names if n in tracks.names]
    strange = [
        c.name for c in tracks.cameras if c.name not in rig.names and c.name not in rig.left_out
    ]
    if not common:
        raise InputError(
            "cameras",
            expected=f"tracks of the rig's cameras ({listed(rig.names)})",
            found=f"none of them, but {listed(tracks.names)}",
            remedy="Name the rig file solved from these cameras.",
        )
    if strange:
        raise InputError(
            "cameras",
            expected=f"tracks of the rig's cameras ({listed(rig.names)})",
            found=f"also {listed(strange)}",
            remedy="Name the rig file solved from these cameras, or solve a new one that "
            "holds them.",
        )
    for name in common:
        stored, given = rig.camera(name), tracks.camera(name)
        if (stored.width, stored.height) != (given.width, given.height):
            raise InputError(
                name,
                expected=f"the rig's sensor of {stored.width} × {stored.height} px",
                found=f"{given.width} × {given.height} px",
                remedy="Record with the sensor mode that the rig was solved in.",
            )
    found = tracks.subset(common)
    if not any(c.n_points for c in found.cameras):
        raise InputError(
            "capture",
            expected="points in two cameras of the rig or more",
            found=f"none in any of {len(common)}",
            remedy="Record anew, and look at calib inspect.",
        )
    return found


def joined(rig: Rig, tracks: Tracks) -> tuple[Tracks, dict[str, int | None]]:
    """Return the largest group of cameras that a wave joins, and of each other how many points it
    shares, as ``islands`` has them.
    """
    parts, shared = islands(rig, tracks, WAVE)
    return parts[0], {n: k for n, k in shared.items() if n not in parts[0].names}


def islands(
    rig: Rig, tracks: Tracks, remedy: str
) -> tuple[tuple[Tracks, ...], dict[str, int | None]]:
    """Return the groups of cameras that a capture joins, largest first, and of each camera how many
    points it shares with others: None without tracks.

    Raises UnsolvableError with the remedy where it joins no two.
    """
    shared: dict[str, int | None] = {n: None for n in rig.names if n not in tracks.names}
    kept = tracks
    few = _few(kept)
    while few and len(few) < len(
        kept.cameras
    ):  # a camera that goes takes points from its neighbours
        shared |= few
        kept = kept.subset([n for n in kept.names if n not in few])
        few = _few(kept)
    groups = () if few else camera_graph(overlap(kept)).islands
    if not groups or len(groups[0]) < 2:
        raise UnsolvableError(
            "recheck",
            expected=f"two cameras or more that share {MIN_POINTS} matched points",
            found=_most(tracks) if len(rig.names) > 1 else "a single camera",
            remedy=remedy,
            cameras=rig.names,
        )
    parts = tuple(kept.subset([n for n in kept.names if n in group]) for group in groups)
    return parts, shared | _shared(kept)


def _most(tracks: Tracks) -> str:
    shared = _shared(tracks)
    most = max(shared, key=lambda n: shared[n])
    return f"{shared[most]} at most ({most})" if shared[most] else "none in any camera"


def _few(tracks: Tracks) -> dict[str, int]:
    """Return the cameras that share too few points with others, and how many they share."""
    return {n: k for n, k in _shared(tracks).items() if k < MIN_POINTS}


def _shared(tracks: Tracks) -> dict[str, int]:
    """Return of each camera how many of its points others see as well."""
    keys = [c.frame[c.marker >= 0] * 32768 + c.marker[c.marker >= 0] for c in tracks.cameras]
    unique, count = np.unique(np.concatenate(keys), return_counts=True)
    both = unique[count >= 2]
    return {n: int(np.isin(k, both).sum()) for n, k in zip(tracks.names, keys, strict=True)}
