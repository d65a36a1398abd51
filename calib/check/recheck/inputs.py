"""Whether a rig and a wave belong together, and which cameras the wave can judge at all."""

from __future__ import annotations

import numpy as np

from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.solve.graph import camera_graph, overlap

# A pose and a ring are nine numbers; ten points (two numbers each) for each of them that other cameras see as well.
MIN_POINTS = 90


def matched(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the wave's cameras that the rig holds, in its order.

    Raises InputError where the wave names cameras that the rig does not hold (but for those that its solve left out),
    where none is common, where a sensor has another size, or where the tracks name markers that the wand lacks.
    """
    left_out = rig.provenance.get("left_out", {})
    common = [n for n in rig.names if n in tracks.names]
    strange = [c.name for c in tracks.cameras if c.name not in rig.names and c.name not in left_out]
    if not common:
        raise InputError(
            "cameras", expected=f"tracks of the rig's cameras ({', '.join(rig.names)})",
            found=f"none of them, but {', '.join(tracks.names)}", remedy="Name the rig file solved from these cameras.",
        )  # fmt: skip
    if strange:
        raise InputError(
            "cameras", expected=f"tracks of the rig's cameras ({', '.join(rig.names)})",
            found=f"also {', '.join(strange)}",
            remedy="Name the rig file solved from these cameras, or solve a new one that holds them.",
        )  # fmt: skip
    for name in common:
        stored, given = rig.camera(name), tracks.camera(name)
        if (stored.width, stored.height) != (given.width, given.height):
            raise InputError(
                name, expected=f"the rig's sensor of {stored.width} × {stored.height} px",
                found=f"{given.width} × {given.height} px",
                remedy="Record with the sensor mode that the rig was solved in.",
            )  # fmt: skip
    tracks.check_markers(len(rig.wand.markers))
    return tracks.subset(common)


def judged(rig: Rig, tracks: Tracks) -> tuple[Tracks, dict[str, str]]:
    """Return the cameras that the wave joins, and why each of the others cannot be judged.

    Raises UnsolvableError where it joins no two.
    """
    why = {n: "no tracks in this wave" for n in rig.names if n not in tracks.names}
    kept = tracks
    while True:  # leaving out one camera takes points from its neighbours
        if len(kept.cameras) < 2:
            break
        table = overlap(kept)
        shared = _shared_points(kept)
        few = {n: int(k) for n, k in zip(kept.names, shared, strict=True) if k < MIN_POINTS}
        for name, k in few.items():
            why[name] = (
                f"{k} of its points are seen by other cameras as well, {MIN_POINTS} are needed: wave in front of it"
            )
        if few:
            kept = (
                kept.subset([n for n in kept.names if n not in few])
                if len(few) < len(kept.names)
                else kept.subset([kept.names[0]])
            )
            continue
        largest = camera_graph(table).islands[0]
        apart = [n for n in kept.names if n not in largest]
        for name in apart:
            why[name] = "shares too few points with the largest group of cameras: wave where both see the wand"
        kept = kept.subset([n for n in kept.names if n in largest])
        break
    if len(kept.cameras) < 2:
        raise UnsolvableError(
            "recheck", expected=f"two cameras or more that share {MIN_POINTS} identified points",
            found="none" if len(rig.names) > 1 else "a single camera",
            remedy="Wave where several cameras see the wand, with its markers identified.", cameras=rig.names,
        )  # fmt: skip
    return kept, why


def _shared_points(tracks: Tracks) -> np.ndarray:
    """Return how many of each camera's identified points (C,) another camera sees in the same frame."""
    keys = [c.frame[c.marker >= 0] * 32768 + c.marker[c.marker >= 0] for c in tracks.cameras]
    unique, count = np.unique(np.concatenate(keys), return_counts=True)
    twice = unique[count >= 2]
    return np.array([int(np.isin(k, twice).sum()) for k in keys])
