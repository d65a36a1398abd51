"""Markers of a capture in space, each by itself, with covariance and residual."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from calib.check.placed import known_part
from calib.check.recheck.inputs import of_rig
from calib.core.points import Points
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import CameraTracks, Tracks
from calib.prove.space.joint import effect_covariance
from calib.prove.space.place import place
from calib.prove.space.views import cameras_of, views_of_tracks
from calib.solve.certainty.rig_errors import RigErrors, rig_errors
from calib.solve.clock.common_time import is_known_late


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Frames from ``first`` to before ``last`` of a capture; ``tracks`` holds some more to either
    side.
    """

    tracks: Tracks
    first: int
    last: int


def reconstruct(rig: Rig, tracks: Tracks, noise_px: float | None = None) -> Points:
    """Return every named point of a capture that two cameras of the rig see, in space.

    Names are taken as the tracks have them, whatever they are of. Points of cameras that the rig
    knows to expose late are first moved along their way in the image. Cameras whose place a fault
    of the rig's solve spoils take no part, if two others do.

    Parameters
    ----------
    rig : Rig
        Of the cameras of the tracks.
    tracks : Tracks
        With markers; those of a wave that has none are found by ``named_tracks``.
    noise_px : float, optional
        Standard deviation of a centroid's coordinate; by default each camera's own.

    Returns
    -------
    Points
        Places (N, 3) in mm, each with covariance and residual.

    Raises
    ------
    InputError
        The capture is of another rig.
    """
    first, last = tracks.span or (0, 0)
    found = next(in_pieces(rig, [Piece(tracks, first, last + 1)], noise_px))
    return replace(found, frame_rate_hz=tracks.frame_rate_hz)


def in_pieces(rig: Rig, pieces: Iterable[Piece], noise_px: float | None = None) -> Iterator[Points]:
    """Yield the points of one piece of a capture after another; see ``reconstruct``.

    What is yielded does not depend on where the pieces end, if each holds ``margin_frames`` more to
    either side.
    """
    errors: RigErrors | None = None
    part = known_part(rig)
    for piece in pieces:
        tracks = of_rig(part, piece.tracks)
        if errors is None or errors.names != tracks.names:
            errors = rig_errors(rig, tracks.names)
        yield _piece(rig, replace(piece, tracks=tracks), errors, noise_px)


@one_blas_thread
def _piece(rig: Rig, piece: Piece, errors: RigErrors, noise_px: float | None) -> Points:
    offset = known_offsets(rig, piece.tracks.names)
    cameras = tuple(
        (in_time(c, o) if o else c).between(piece.first, piece.last)
        for c, o in zip(piece.tracks.cameras, offset, strict=True)
    )
    tracks, cams = replace(piece.tracks, cameras=cameras), cameras_of(rig, errors.names, noise_px)
    views, frame, marker = views_of_tracks(tracks)
    placed = place(views, cams)
    covariance = effect_covariance(errors, views, placed.points_mm, cams, placed.is_used)
    covariance += placed.covariance_mm2
    good = placed.is_placed
    return Points(
        frame[good],
        marker[good],
        placed.points_mm[good],
        covariance[good],
        placed.rms_px[good],
        placed.rms_mm[good],
        placed.n_used[good],
        int((~good).sum()),
    )


def known_offsets(rig: Rig, names: tuple[str, ...]) -> list[float]:
    """Return by how many frames each camera exposes late, 0 where the rig's solve found none."""
    cameras = [rig.camera(n) for n in names]
    return [c.time_offset_frames if is_known_late(c) else 0.0 for c in cameras]


def margin_frames(rig: Rig) -> int:
    """Return how many frames to either side of a piece its points depend on."""
    most = max((abs(o) for o in known_offsets(rig, rig.names)), default=0.0)
    return int(np.ceil(most)) + 1 if most else 0


def in_time(camera: CameraTracks, offset_frames: float) -> CameraTracks:
    """Return a camera's named points as they would be, had it exposed ``offset_frames`` earlier.

    Whole frames go into the frame number; the rest moves a point along its way in the image, by the
    difference of the frames before and after. Points that are not seen in both lose the rest of a
    frame only where it is none; else they are left out.
    """
    camera = camera.rows(camera.marker >= 0)
    order = np.lexsort((camera.frame, camera.marker))
    whole = round(offset_frames)
    rest = offset_frames - whole
    frame, marker, xy = camera.frame[order], camera.marker[order], camera.xy_px[order]
    keep = np.zeros(len(frame), bool)
    if len(frame) > 2:
        keep[1:-1] = (
            (frame[2:] - frame[:-2] == 2) & (marker[2:] == marker[:-2]) & (np.diff(frame)[1:] == 1)
        )
    moved = xy.copy()
    at = np.flatnonzero(keep)
    before, after = xy[at - 1], xy[at + 1]
    slope, bend = 0.5 * (after - before), after - 2.0 * xy[at] + before
    moved[at] = xy[at] - rest * slope + 0.5 * rest**2 * bend
    keep &= ((moved >= 0) & (moved <= [camera.width - 1, camera.height - 1])).all(axis=1)
    frame = frame + whole
    kept = np.flatnonzero(keep)
    kept = kept[np.lexsort((marker[kept], frame[kept]))]
    return replace(
        camera, frame=frame[kept], xy_px=moved[kept], marker=marker[kept], radius_px=None
    )
