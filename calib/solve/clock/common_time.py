"""A capture brought to a common time: offsets found, points moved, the rig solved anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.geometry import Array
from calib.core.progress import Progress
from calib.core.rig import Rig, RigCamera
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.solve.bundle.descent import BundleOptions
from calib.solve.bundle.problem import State
from calib.solve.clock.frame_slip import whole_frame_offsets
from calib.solve.clock.offsets import (
    SIGNIFICANT,
    TimeOffsets,
    about_zero,
    estimate_offsets,
    with_open_offsets,
)
from calib.solve.clock.path import corrected
from calib.solve.fit import Fit
from calib.solve.hold import place_frames, rig_state
from calib.solve.refine import LOSS_SCALE, refine

MATTERS = 0.25  # of its noise: added as squares, a camera's RMS grows by 3 %
# In sigmas: a round takes nine tenths or more of what is left, so this leaves a twentieth.
SETTLED = 0.5
MAX_ROUNDS = 8
# Share of a correction that is still missing where cameras out of time by all of it showed the ways
# (a hundredth was seen): poses take it up, and the next estimate sees a tenth of it.
LEAN = 0.02
# Points beyond the gate have a say in these: the first fit may have thrown out the fast ones.
ROBUST_ROUNDS = 2


def with_timing(
    tracks: Tracks,
    wand: Wand,
    fit: Fit,
    options: BundleOptions,
    progress: Progress,
    applied: Array | None = None,
) -> tuple[Fit, Tracks, TimeOffsets]:
    """Return the fit of the tracks moved to a common time, these tracks, and the offsets of the
    tracks as given.

    ``fit`` is of the tracks moved by offsets ``applied (C,)``, or as they are. Cameras whose offset
    is not significant are not moved; where none is, fit and tracks come back as they are.
    """
    applied = np.zeros(len(tracks.names)) if applied is None else applied
    moved, is_robust, is_settled = tracks, True, False
    off = np.zeros(len(tracks.names))  # how far out of time cameras were that showed the ways
    if applied.any():
        moved = earlier(tracks, wand, fit.result.state, applied)
    whole, start = whole_frame_offsets(fit, moved)
    if whole.any():
        applied = applied + whole
        moved = earlier(tracks, wand, start, applied)
        fit = refine(moved, wand, start, options, progress)
    for k in range(MAX_ROUNDS):
        progress("time offsets", k + 1, MAX_ROUNDS)
        left = estimate_offsets(fit, moved, loss_scale=LOSS_SCALE if is_robust else np.inf)
        known = np.isfinite(left.sigma_frames)
        found = about_zero(
            tracks, np.where(known, applied + left.offset_frames, np.nan), left.covariance
        )
        wanted = np.where(found.is_significant, found.offset_frames, np.where(known, 0.0, applied))
        left_over = np.maximum(np.abs(wanted - applied), LEAN * np.abs(off))
        is_settled = bool((left_over[known] <= SETTLED * found.sigma_frames[known]).all())
        if is_settled and not is_robust:
            break
        is_robust &= not is_settled and k + 1 < ROBUST_ROUNDS
        if not is_settled:
            # Whole frames go first and alone: they need no path, and bring frames back that only
            # then have one.
            is_whole = (np.abs(wanted - np.rint(applied)) > 0.6).any()
            off = np.zeros_like(wanted) if is_whole else wanted - applied
            applied = np.rint(wanted) if is_whole else wanted
            moved = earlier(tracks, wand, fit.result.state, applied)
            fit = refine(moved, wand, fit.result.state, options, progress)
    if applied.any():
        fit = with_open_offsets(fit, tracks.frame_rate_hz, applied != 0)
    return fit, moved, replace(found, is_settled=is_settled)


def least_that_matters(tracks: Tracks, sigma_px: Array) -> Array:
    """Return the time offset (C,) in frames below which a camera's points stay within a part of
    their noise (C,), at the usual speed of its image.
    """
    speed = np.array([_speed_px(c) for c in tracks.cameras])
    return np.asarray(MATTERS * sigma_px / np.maximum(np.nan_to_num(speed), 1e-9))


def _speed_px(camera: CameraTracks) -> float:
    """Return how far points go from frame to frame, in px: the median, nan where none is seen in
    two running.
    """
    named = np.flatnonzero(camera.marker >= 0)
    order = named[np.lexsort((camera.frame[named], camera.marker[named]))]
    frame, marker = camera.frame[order], camera.marker[order]
    runs = (np.diff(frame) == 1) & (np.diff(marker) == 0)
    away = np.linalg.norm(np.diff(camera.xy_px[order], axis=0)[runs], axis=1)
    return float(np.median(away)) if away.size else float("nan")


def earlier(tracks: Tracks, wand: Wand, cameras: State, offset_frames: Array) -> Tracks:
    """Return the tracks as they would be, had the cameras none of these time offsets (C,): whole
    frames go into the frame numbers, points move back along their ways by what is left.

    The ways are those that all points show to the cameras of ``cameras``, held: were they those of
    a fit, points that it left out while the cameras were not yet in time would never come back.
    """
    moved = _in_step(tracks, offset_frames)
    fraction = offset_frames - np.rint(offset_frames)
    # The first way still leans towards the late camera, the second hardly.
    for _ in range(2) if fraction.any() else ():
        moved = corrected(tracks, *place_frames(moved, wand, cameras), offset_frames)
    return moved


def at_common_time(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the tracks as they would be, had the cameras of the rig none of the time offsets that
    its solve found; the rig is held.
    """
    cameras = rig_state(rig, tracks.names)
    return earlier(tracks, rig.wand_used, cameras, _known_offsets(rig, tracks))


def in_step(rig: Rig, tracks: Tracks) -> Tracks:
    """Return the tracks with the whole frames of known offsets in their frame numbers: points of
    one moment come together.
    """
    return _in_step(tracks, _known_offsets(rig, tracks))


def without_fractions(rig: Rig, tracks: Tracks) -> Tracks:
    """Return tracks that are ``in_step`` with their points moved back along their ways by what is
    left of the known offsets; the rig is held.
    """
    cameras = rig_state(rig, tracks.names)
    return earlier(tracks, rig.wand_used, cameras, known_fractions(rig, tracks))


def _in_step(tracks: Tracks, offset_frames: Array) -> Tracks:
    whole = np.rint(offset_frames).astype(np.int64)
    cameras = (
        replace(c, frame=c.frame + w) if w else c
        for c, w in zip(tracks.cameras, whole, strict=True)
    )
    return replace(tracks, cameras=tuple(cameras)) if whole.any() else tracks


def _known_offsets(rig: Rig, tracks: Tracks) -> Array:
    """Return the offsets (C,) in frames that the rig's solve itself moved points by."""
    cameras = [rig.camera(name) for name in tracks.names]
    return np.array([c.time_offset_frames if is_known_late(c) else 0.0 for c in cameras])


def known_fractions(rig: Rig, tracks: Tracks) -> Array:
    """Return what is left of the known offsets (C,) in tracks that are ``in_step``."""
    offset = _known_offsets(rig, tracks)
    return offset - np.rint(offset)


def is_known_late(camera: RigCamera) -> bool:
    """Return whether the camera's solve found it to expose early or late."""
    sigma = camera.time_offset_sigma_frames
    return sigma is not None and abs(camera.time_offset_frames) > SIGNIFICANT * sigma
