"""Captures cut, put right and joined: fewer cameras or frames, names that were mixed up, several
waves of one rig as one.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.core.names import listed
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError

# What follows from one frame to the next ends within seconds: paths of the wand, errors that last.
GAP_S = 10.0
ROUND = 1000  # shifts are whole thousands, so that a person reads the old number off the new one
_POINTS = ("frame", "xy_px", "marker", "radius_px", "masks_px", "n_outside")
_STATED = ("pixel_pitch_mm", "focal_mm", "lens", "lens_sigma", "serial", "model")


def select(
    tracks: Tracks,
    *,
    only: Collection[str] = (),
    without: Collection[str] = (),
    frames: tuple[int | None, int | None] = (None, None),
    rename: Mapping[str, str] | None = None,
) -> Tracks:
    """Return the capture of some cameras, by the names it has, and of some frames, with points
    given to other names.

    The points recorded as a camera of the capture go to the camera that ``rename`` says, which
    keeps its own sensor, lens and serial number, as when cables were swapped; to a name that the
    capture does not have, all of the camera goes.

    Parameters
    ----------
    tracks : Tracks
        The capture.
    only, without : collection of str
        Cameras to keep, and to leave out; none given: all, and none.
    frames : tuple of int or None
        First and last frame, both included; None: from the start, to the end.
    rename : mapping of str to str, optional
        Names as they are to names as they should be, all at once.

    Returns
    -------
    Tracks
        What was chosen.

    Raises
    ------
    InputError
        The capture does not have a name, two cameras would bear one, or no camera is left.
    """
    rename = dict(rename or {})
    for name in (*only, *without, *rename):
        tracks.camera(name)  # refuses a name that is not there
    kept = [n for n in tracks.names if (not only or n in only) and n not in set(without)]
    if not kept:
        raise InputError(
            "cameras",
            expected="one camera or more to keep",
            found="none of them",
            remedy=f"The capture has {listed(tracks.names)}.",
        )
    if gone := [name for name in rename if name not in kept]:
        raise InputError(
            "--rename", expected=f"cameras that are kept, {listed(kept)}", found=listed(gone)
        )
    new = [rename.get(name, name) for name in kept]
    if double := sorted({n for n in new if new.count(n) > 1}):
        others = [f"{name} as well" for name in double if name in kept and name not in rename]
        raise InputError(
            "--rename",
            expected="each name once",
            found=f"{', '.join(double)} twice",
            remedy=f"Rename {', '.join(others)}, or leave it out." if others else "",
        )
    first, last = frames
    start, end = -np.inf if first is None else first, np.inf if last is None else last + 1
    cameras = [
        _renamed(tracks.camera(name), to, tracks).between(start, end)
        for name, to in zip(kept, new, strict=True)
    ]
    if frames != (None, None) and not any(c.n_points for c in cameras):
        reach = "no points" if tracks.span is None else "frames {} to {}".format(*tracks.span)
        raise InputError(
            "frames",
            expected="points of these cameras in them",
            found="none",
            remedy=f"The capture has {reach}.",
        )
    return replace(tracks, cameras=tuple(cameras))


def _renamed(camera: CameraTracks, to: str, tracks: Tracks) -> CameraTracks:
    if to == camera.name:
        return camera
    if to not in tracks.names:
        return replace(camera, name=to)
    return replace(tracks.camera(to), **{key: getattr(camera, key) for key in _POINTS})


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """Captures joined.

    Parameters
    ----------
    tracks : Tracks
        All of them as one.
    shifts : tuple of int
        By how much the frame numbers of each were shifted.
    """

    tracks: Tracks
    shifts: tuple[int, ...]


def join(captures: Sequence[Tracks], names: Sequence[str] = ()) -> Joined:
    """Return captures of one rig as one: each later one's frame numbers shifted past those before,
    with a gap of at least ten seconds.

    Cameras are matched by name and may be in some captures only; what their files state must agree
    where both state it.

    Parameters
    ----------
    captures : sequence of Tracks
        Two or more, in the order wanted.
    names : sequence of str
        What errors call the captures; by default by number.

    Returns
    -------
    Joined
        The capture, and by how much the frames of each part were shifted.

    Raises
    ------
    InputError
        Rates, sensors, lenses or serial numbers differ.
    """
    labels = list(names) or [f"capture {i + 1}" for i in range(len(captures))]
    if len(captures) < 2:
        raise InputError("captures", expected="two or more", found=str(len(captures)))
    first = captures[0]
    for capture, label in zip(captures, labels, strict=True):
        if capture.frame_rate_hz != first.frame_rate_hz:
            raise InputError(
                f"{label}: frame_rate",
                expected=f"{first.frame_rate_hz:g} Hz, as in {labels[0]}",
                found=f"{capture.frame_rate_hz:g} Hz",
                remedy="Only waves at one frame rate make one capture.",
            )
    if (
        len({c.is_identified for c in captures if any((k.marker >= 0).any() for k in c.cameras)})
        > 1
    ):
        raise InputError(
            "markers",
            expected="names from calib identify in all captures or in none",
            found=", ".join(
                f"{label} {'identified' if c.is_identified else 'not'}"
                for c, label in zip(captures, labels, strict=True)
            ),
            remedy="Identify the markers of each, or of the joined capture.",
        )
    shifts = _shifts(captures)
    parts: dict[str, list[tuple[CameraTracks, str]]] = {}
    for capture, shift, label in zip(captures, shifts, labels, strict=True):
        for c in capture.cameras:
            moved = replace(c, frame=c.frame + shift)
            parts.setdefault(c.name, []).append((moved, label))
    cameras = tuple(_merged(own) for own in parts.values())
    is_identified = any(c.is_identified for c in captures)
    return Joined(replace(first, cameras=cameras, is_identified=is_identified), shifts)


def _shifts(captures: Sequence[Tracks]) -> tuple[int, ...]:
    gap = int(np.ceil(GAP_S * captures[0].frame_rate_hz))
    shifts, last = [], None
    for capture in captures:
        numbers = np.concatenate([c.frame for c in capture.cameras])
        shift = 0
        if last is not None and len(numbers):
            shift = -(-(last + gap - int(numbers.min())) // ROUND) * ROUND
        shifts.append(shift)
        if len(numbers):
            last = int(numbers.max()) + shift
    return tuple(shifts)


def _merged(parts: Sequence[tuple[CameraTracks, str]]) -> CameraTracks:
    """Return a camera with the points of all its parts, in order."""
    first, label = parts[0]
    stated: dict[str, Any] = {key: None for key in _STATED}
    for c, own in parts:
        if (c.width, c.height) != (first.width, first.height):
            raise InputError(
                f"{own}: {c.name}: sensor",
                expected=f"{first.width} × {first.height} px, as in {label}",
                found=f"{c.width} × {c.height} px",
                remedy="Only waves of the same cameras make one capture.",
            )
        for key in _STATED:
            value = getattr(c, key)
            if value is None:
                continue
            if stated[key] is not None and not _same(stated[key], value):
                raise InputError(
                    f"{own}: {c.name}: {_NAMES.get(key, key)}",
                    expected="the same in all captures",
                    found="another",
                    remedy="Only waves of the same cameras and lenses make one capture.",
                )
            stated[key] = value
    seen = [c for c, _ in parts if c.n_points]
    radii = [c.radius_px for c in seen if c.radius_px is not None]
    masks = [c.masks_px for c, _ in parts if c.masks_px is not None]
    return replace(
        first,
        frame=np.concatenate([c.frame for c, _ in parts]),
        xy_px=np.concatenate([c.xy_px for c, _ in parts]),
        marker=np.concatenate([c.marker for c, _ in parts]),
        # A radius that some points lack cannot be told by a column that all have.
        radius_px=np.concatenate(radii) if radii and len(radii) == len(seen) else None,
        masks_px=np.unique(np.concatenate(masks), axis=0) if masks else None,
        n_outside=sum(c.n_outside for c, _ in parts),
        **stated,
    )


_NAMES = {"lens": "K, dist"}


def _same(a: Any, b: Any) -> bool:
    if hasattr(a, "vector"):
        a, b = a.vector, b.vector
    return np.array_equal(a, b)
