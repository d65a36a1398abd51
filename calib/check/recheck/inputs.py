"""Whether a rig and a wave belong together, and which cameras the wave can judge at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import point_keys
from calib.core.names import command, listed
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.solve.start.graph import camera_graph, overlap, smallest_cut

# A pose and a ring are nine numbers; five points (two numbers each) for each of them that other
# cameras see as well. How sure so few are is counted.
MIN_POINTS = 45
MANY = {2: "two", 3: "three"}
WAVE = (
    "Wave where several cameras see the wand, with its markers identified; by other markers than "
    "the wand's (recheck_any in Python): calib recheck RIG TRACKS --any"
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
            remedy="Name the rig file solved from these cameras; if they bear other names now: "
            "calib select TRACKS --rename NAME=RIGS_NAME -o NEW",
        )
    check_strangers(rig, strange)
    found = with_sensors_of(rig, tracks)
    if not any(c.n_points for c in found.cameras):
        raise InputError(
            "capture",
            expected="points in two cameras of the rig or more",
            found=f"none in any of {len(common)}",
            remedy="Record anew; to see what a file holds: calib describe TRACKS",
        )
    return found


def check_strangers(rig: Rig, strange: Sequence[str]) -> None:
    """Raise InputError for cameras that the rig does not hold, if there are any."""
    if strange:
        without = command("select", "TRACKS", "--without", ",".join(strange), "-o", "NEW")
        raise InputError(
            "cameras",
            expected=f"tracks of the rig's cameras ({listed(rig.names)})",
            found=f"also {listed(strange)}",
            remedy="Name the rig file solved from these cameras, solve a new one that holds them, "
            f"or leave them out: {without}",
        )


def with_sensors_of(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the cameras that the rig holds, in its order; InputError where a sensor has another
    size.
    """
    common = [n for n in rig.names if n in tracks.names]
    for name in common:
        stored, given = rig.camera(name), tracks.camera(name)
        if (stored.width, stored.height) != (given.width, given.height):
            raise InputError(
                name,
                expected=f"the rig's sensor of {stored.width} × {stored.height} px",
                found=f"{given.width} × {given.height} px",
                remedy="Record with the sensor mode that the rig was solved in; if this one is to "
                "stay, wave and solve anew: calib solve WAVE --wand WAND -o NEW_RIG",
            )
    return tracks.subset(common)


def joined(rig: Rig, tracks: Tracks) -> tuple[Tracks, dict[str, int | None]]:
    """Return the largest group of cameras that a wave joins, and of each other how many points it
    shares, as ``islands`` has them.
    """
    parts, shared = islands(rig, tracks, WAVE)
    return parts[0], {n: k for n, k in shared.items() if n not in parts[0].names}


def islands(
    rig: Rig, tracks: Tracks, remedy: str, least: int = 2
) -> tuple[tuple[Tracks, ...], dict[str, int | None]]:
    """Return the groups of cameras that a capture joins, largest first, and of each camera how many
    points it shares with others: None without tracks. A point counts where ``least`` cameras of its
    group see it, and those that do not are left out.

    Raises UnsolvableError with the remedy where it joins no so many.
    """
    shared: dict[str, int | None] = {n: None for n in rig.names if n not in tracks.names}
    parts = _joined(tracks, least, shared)
    if not parts:
        raise UnsolvableError(
            "recheck",
            expected=f"{MANY[least]} cameras or more that share {MIN_POINTS} matched points",
            found=_most(shared) if len(rig.names) > 1 else "a single camera",
            remedy=remedy,
            cameras=rig.names,
        )
    return tuple(sorted(parts, key=lambda part: -len(part.names))), shared


def _joined(tracks: Tracks, least: int, shared: dict[str, int | None]) -> list[Tracks]:
    """Return the groups, and write of each camera how many points it shared where it was left."""
    kept = _seen_by(tracks, least)
    of_each = _shared(kept, least)
    shared |= of_each
    enough = [n for n in kept.names if of_each[n] >= MIN_POINTS]
    if len(enough) < least:
        return []
    if len(enough) < len(of_each):  # a camera that goes takes points from its neighbours
        return _joined(kept.subset(enough), least, shared)
    groups = camera_graph(overlap(kept)).islands
    if len(groups) == 1 and least > 2:  # a wand shows its length on either side
        groups = _loose(kept)
    if len(groups) == 1:
        return [kept]
    of_groups = (kept.subset([n for n in kept.names if n in group]) for group in groups)
    return [part for group in of_groups for part in _joined(group, least, shared)]


def _loose(tracks: Tracks) -> tuple[tuple[str, ...], ...]:
    """Return the two groups that share the fewest points, one group where these are enough to hold
    them together: some chance matches would turn one against the other.
    """
    parts = smallest_cut(overlap(tracks))
    sides = [
        {*np.concatenate([point_keys(c.frame, c.marker) for c in tracks.subset(part).cameras])}
        for part in parts
    ]
    return (tracks.names,) if len(sides[0] & sides[1]) >= MIN_POINTS else parts


def _most(shared: Mapping[str, int | None]) -> str:
    enough = [n for n, k in shared.items() if (k or 0) >= MIN_POINTS]
    if enough:
        return f"{listed(enough)} alone"
    most = max(shared, key=lambda n: shared[n] or 0)
    return f"{shared[most]} at most ({most})" if shared[most] else "none in any camera"


def _seen_by(tracks: Tracks, least: int) -> Tracks:
    """Return the tracks with the points alone that so many cameras see."""
    if least <= 2:  # a wand's points tell of one another
        return tracks
    cameras = zip(tracks.cameras, _is_seen_by(tracks, least), strict=True)
    return replace(tracks, cameras=tuple(c.rows(is_seen) for c, is_seen in cameras))


def _shared(tracks: Tracks, least: int) -> dict[str, int]:
    """Return of each camera how many of its points so many cameras see."""
    is_seen = _is_seen_by(tracks, least)
    return {n: int(seen.sum()) for n, seen in zip(tracks.names, is_seen, strict=True)}


def _is_seen_by(tracks: Tracks, least: int) -> list[NDArray[np.bool_]]:
    """Return of each camera which of its points so many cameras see."""
    keys = [np.where(c.marker >= 0, point_keys(c.frame, c.marker), -1) for c in tracks.cameras]
    unique, count = np.unique(np.concatenate(keys), return_counts=True)
    many = unique[(count >= least) & (unique >= 0)]
    return [np.isin(k, many) for k in keys]
