"""Names for a capture's points: reflections masked, the wand searched camera by camera, what is
doubtful left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.names import listed
from calib.core.progress import Progress, quiet
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import SINGLE_MARKER, Wand
from calib.errors import InputError, UnsolvableError
from calib.intake.stray import stray_masks
from calib.naming.camera import name_camera
from calib.naming.chains.records import shape_of
from calib.printed import Reported

# Views that show a second wand beside the first: in 24 simulated cameras among up to 30 stray
# points there was none.
TWO_WANDS_SHARE, TWO_WANDS_FRAMES = 0.02, 20
# Of views with enough points, those in which the wand is found: nine in ten and more of a sound
# capture, one in five among four stray points; as many or fewer where one of five markers in a
# plane lies off by a twentieth of the wand, one in fifty where one of three on a line does.
FEW_VIEWS = 0.3
# Of the frames that show points, those that show one alone, where a single marker was carried: of
# a wand's, seen one by one, nothing would tell that they are several.
LONE_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class CameraNames:
    """What became of one camera's points: how many there are, masked and named, frames with as many
    points beside those masked as the wand has markers, and those of them with the whole wand.
    """

    name: str
    points: int
    masks: int
    masked: int
    named: int
    enough: int
    frames: int

    @property
    def is_sparse(self) -> bool:
        """Whether few of its views that could hold the wand do."""
        return self.frames < FEW_VIEWS * self.enough


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Identification(Reported):
    """The capture with its markers named and its masks.

    Parameters
    ----------
    tracks : Tracks
        The capture.
    cameras : tuple of CameraNames
        What was named of each camera.
    """

    REPORT: ClassVar[str] = "captures.names"

    tracks: Tracks
    cameras: tuple[CameraNames, ...]

    @property
    def is_sparse(self) -> bool:
        """Whether few of the views that could hold the wand do."""
        found, enough = self.views
        return found < FEW_VIEWS * enough

    @property
    def views(self) -> tuple[int, int]:
        """In how many views of all cameras the wand is, and how many could hold it."""
        return sum(c.frames for c in self.cameras), sum(c.enough for c in self.cameras)


def masks_of(camera: CameraTracks) -> Array:
    """Return the camera's masks (k, 3), none where nobody looked for them."""
    return np.empty((0, 3)) if camera.masks_px is None else camera.masks_px


def is_unnamed(tracks: Tracks) -> bool:
    """Say whether a capture holds points and none of them carries a marker."""
    return any(c.n_points for c in tracks.cameras) and not any(
        (c.marker >= 0).any() for c in tracks.cameras
    )


def identify(tracks: Tracks, wand: Wand, progress: Progress = quiet) -> Identification:
    """Return the capture with each camera's points named by the wand's markers, as far as that is
    safe.

    Points in masks and those that fit no wand keep marker -1; none is lost. A single marker is what
    a camera sees alone.

    Parameters
    ----------
    tracks : Tracks
        Points without names.
    wand : Wand
        Its markers must be told apart in one image.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    Identification
        The named capture, and what was named of each camera.

    Raises
    ------
    InputError
        Markers are named already, or the wand's cannot be told apart.
    UnsolvableError
        No wand, a still one or two of them are found.
    """
    if any((c.marker >= 0).any() for c in tracks.cameras):
        raise InputError(
            "marker",
            expected="-1 throughout",
            found="markers that are identified already",
            remedy="Use it as it is.",
        )
    if not any(c.n_points for c in tracks.cameras):
        raise InputError("cameras", expected="points", found="none in any camera")
    cameras = [replace(c, masks_px=stray_masks(c, tracks.frame_rate_hz)) for c in tracks.cameras]
    alone = [_alone(c) for c in cameras]
    shows = sum(len(np.unique(c.frame[~c.is_masked])) for c in cameras)
    is_point = len(wand.markers) == 1 and sum(map(np.sum, alone)) > LONE_SHARE * shows
    shape = None if is_point else shape_of(wand)
    out, report, doubles = [], [], []
    for k, camera in enumerate(cameras):
        progress("identify", k, len(cameras))
        masks, masked = masks_of(camera), camera.is_masked
        if shape is None:
            marker = np.where(alone[k], 0, -1).astype(np.int16)
            n_double, n_frames = 0, int(alone[k].sum())
        else:
            marker, n_double, n_frames = name_camera(camera, ~masked, shape, tracks.frame_rate_hz)
        out.append(replace(camera, marker=marker))
        n_points = np.unique(camera.frame[~masked], return_counts=True)[1]
        report.append(
            CameraNames(
                name=camera.name,
                points=camera.n_points,
                masks=len(masks),
                masked=int(masked.sum()),
                named=int((marker >= 0).sum()),
                enough=int((n_points >= len(wand.markers)).sum()),
                frames=n_frames,
            )
        )
        doubles.append(n_double)
    _refuse_two_wands(report, doubles, wand)
    if not any(c.named for c in report):
        raise _nothing_named(report, tracks, wand)
    # Alone nothing tells a marker from what else moves: nothing to name anew once a rig stands.
    named = replace(tracks, cameras=tuple(out), is_identified=not is_point)
    return Identification(named, tuple(report))


def _alone(camera: CameraTracks) -> NDArray[np.bool_]:
    """Return which points (n,) a frame shows alone, but for those in masks."""
    _, at, count = np.unique(
        camera.frame[~camera.is_masked], return_inverse=True, return_counts=True
    )
    out = np.zeros(camera.n_points, bool)
    out[~camera.is_masked] = count[at] == 1
    return out


def _refuse_two_wands(report: list[CameraNames], doubles: list[int], wand: Wand) -> None:
    frames, double = sum(c.frames for c in report), sum(doubles)
    if double > max(TWO_WANDS_FRAMES, TWO_WANDS_SHARE * frames):
        names = [
            c.name
            for c, n in zip(report, doubles, strict=True)
            if n > TWO_WANDS_SHARE * max(c.frames, 1)
        ]
        raise UnsolvableError(
            listed(names),
            expected=f"one wand {wand.name}",
            found=f"two of its shape at once in {double} of {frames} views",
            remedy="Keep all other wands out of the cameras' sight; see that no point is in the "
            "tracks twice.",
            cameras=names,
        )


def hardly_named(
    named: Identification, error: UnsolvableError, wand: Wand
) -> UnsolvableError | None:
    """Return the error that a solve ended in with few names before it, where few of the views that
    could hold the wand do, all or those of the cameras that it names; else None.
    """
    few = [c for c in named.cameras if named.is_sparse or (c.is_sparse and c.name in error.cameras)]
    if not few:
        return None
    found, could = sum(c.frames for c in few), sum(c.enough for c in few)
    of = "" if named.is_sparse else f" of {listed([c.name for c in few])}"
    remedy = error.remedy[:1].lower() + error.remedy[1:]
    return UnsolvableError(
        "wand",
        expected=f"the {len(wand.markers)} markers of {wand.name} in most views of as many points",
        found=f"them in {found} of {could} such views{of} ({error.where}: {error.found})",
        remedy="See that the wand file is that of the wand that was waved, and keep other bright "
        f"things out of the cameras' sight. If both are so: {remedy}",
        cameras=error.cameras,
    )


def _nothing_named(report: list[CameraNames], tracks: Tracks, wand: Wand) -> UnsolvableError:
    points, masked = sum(c.points for c in report), sum(c.masked for c in report)
    n = len(wand.markers)
    most = max(
        int(np.unique(c.frame, return_counts=True)[1].max(initial=0)) for c in tracks.cameras
    )
    found = "none"
    remedy = (
        "Check that this is the wand that was waved, that none of its markers came off, and that "
        "each camera sees all of it at times."
    )
    if most < n:
        found = f"{most} at most"
        remedy = "Lower the detection threshold or move closer: all markers must show."
        remedy += f" {SINGLE_MARKER}" if most == 1 else ""
    elif masked > 0.5 * points:
        found = f"none, and {masked} of {points} points that never move"
        remedy = "Keep the wand moving and turning through the whole volume."
    return UnsolvableError(
        "wand",
        expected=f"frames in which a camera shows all {n} markers of {wand.name}",
        found=found,
        remedy=remedy,
        cameras=tracks.names,
    )
