"""A camera whose points fit no other camera as they are given, but do under another reading.

A mirrored image obeys epipolar geometry as well as a true one: an essential matrix times a
reflection is an essential matrix again, and one of its four poses has all points before both
cameras (Hartley & Zisserman, Multiple View Geometry, 2nd edition, results 9.17 and 9.19). But space
comes out bent: only the wand, of one length everywhere, tells the two readings apart. Names in
reverse order and frame numbers that are off break epipolar geometry itself: the share of inliers
has its peak at another reading than the one given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from calib.core.names import command, listed
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.errors import UnsolvableError
from calib.solve.start.counts import beyond_others, likely_shifts
from calib.solve.start.pair_views import PARTNERS, PairViews
from calib.solve.start.recount import (
    BETTER,
    END,
    PEAK,
    TIP,
    Jump,
    Shift,
    best_shift,
    changes_at,
    is_drifting,
    jump,
    pooled,
    shift_among,
)
from calib.solve.start.sides import groups, odd_ones

FITS = 0.8  # share of inliers of a sound pair: the rest are gross errors and what lasts
# Share of inliers below which points are no late camera's: of another recording 5 to 25 % fit, of
# a count off by half a frame 50 to 60 %.
STRANGE = 0.35
ALONE = 0.02  # of a camera's points, in frames beyond all others': more, and its count is asked for


class Reading(StrEnum):
    """How a camera's points may have to be read."""

    MIRRORED = "mirrored"
    UPSIDE_DOWN = "y upwards"
    EXCHANGED = "x and y exchanged"
    REVERSED = "marker names reversed"
    SHIFTED = "frame numbers shifted"
    FOREIGN = "points of another recording"
    LOST = "frames lost during the wave"
    DRIFT = "its clock drifts"


# Of which a camera's points are all off, so that no rig with it is right.
OF_ALL_POINTS = {Reading.MIRRORED, Reading.UPSIDE_DOWN, Reading.EXCHANGED, Reading.REVERSED}


@dataclass(frozen=True, slots=True)
class Suspect:
    """A camera and the reading under which it fits its neighbours; ``frames`` is by how much its
    frame numbers are off (later positive), ``since_frame`` from when on, 0: throughout.
    """

    camera: str
    reading: Reading
    evidence: str
    frames: int = 0
    since_frame: int = 0

    def __str__(self) -> str:
        return f"{self.camera}: {self.reading}: {self.evidence}"


def suspects(tracks: Tracks, wand: Wand, views: PairViews) -> list[Suspect]:
    """Return the cameras that fit their neighbours only under another reading than the one given.

    Nothing is said of a camera that fits no neighbour under any reading.
    """
    out = _mirrored(tracks, views)
    named = {s.camera for s in out}
    fitting = [pair for pair, v in views.items() if v.share >= FITS]
    sound = sorted({b for pair in fitting for b in pair})
    group = groups(fitting, len(tracks.cameras))
    most = [b for b in sound if group[b] == 0]
    beyond = beyond_others(tracks)
    for c, camera in enumerate(tracks.cameras):
        shares = {b if a == c else a: v.share for (a, b), v in views.items() if c in (a, b)}
        # Several that are read alike fit one another: they are held against the most.
        is_apart = c in sound and group[c] != 0
        # One that fits all but one may share points with that one alone after its count jumped.
        fits = bool(shares) and np.median(list(shares.values())) >= FITS
        fits = fits and min(shares.values()) >= STRANGE and beyond[c] <= ALONE
        if camera.name in named or (fits and not is_apart):
            continue
        # A neighbour that fits nobody either is no witness.
        witnesses = most if is_apart else sound
        partners = [b for b in shares if b in witnesses]
        partners = partners or (_nearest(tracks, c, most) if is_apart else list(shares))
        nearest = [tracks.cameras[b] for b in partners[:PARTNERS]]
        if is_apart and pooled(camera, nearest) >= FITS:  # no pair was chosen that says so
            continue
        found = reread(tracks, c, partners[:PARTNERS], witnesses, len(wand.markers))
        is_kin = is_apart and found is not None and found.reading == Reading.FOREIGN
        out += [found] if found and not is_kin else []  # its group fits it, so it is of this wave
    return out


def as_error(found: list[Suspect]) -> UnsolvableError:
    """Return the error that names the cameras and what to do."""
    return UnsolvableError(
        listed([s.camera for s in found]),
        expected="points as the camera saw them, under their markers' names and frame numbers",
        found="; ".join(str(s) for s in found),
        cameras=[s.camera for s in found],
    )


def _nearest(tracks: Tracks, c: int, others: list[int]) -> list[int]:
    """Return the ``others``, those first that share most frames with a camera."""
    own = tracks.cameras[c].frame
    return sorted(others, key=lambda b: -len(np.intersect1d(own, tracks.cameras[b].frame)))


def _mirrored(tracks: Tracks, views: PairViews) -> list[Suspect]:
    """Return the cameras in the smaller of the two groups between which pairs fit only mirrored."""
    parity = {pair: v.is_mirrored for pair, v in views.items() if v.is_mirrored is not None}
    out = []
    for c in odd_ones(parity, len(tracks.cameras)):
        with_it = [v for pair, v in parity.items() if c in pair]
        if not any(with_it):
            continue
        camera = tracks.cameras[c]
        down = sum(views[pair].down for pair, odd in parity.items() if c in pair and odd)
        reading = Reading.MIRRORED if down > 0 else Reading.UPSIDE_DOWN
        reading = Reading.EXCHANGED if _is_turned(tracks, c) else reading
        text = (
            f"with its image mirrored it fits {sum(with_it)} of {len(with_it)} neighbours, as given"
            " the wand has no one length. Switch mirroring, flipping or"
            f" turning of the image off at {camera.name}"
        )
        out.append(Suspect(camera.name, reading, text))
    return out


def _is_turned(tracks: Tracks, c: int) -> bool:
    """Whether a camera's sensor has another format than the others', high for wide."""
    camera = tracks.cameras[c]
    others = [o for k, o in enumerate(tracks.cameras) if k != c]
    return all((o.width - o.height) * (camera.width - camera.height) < 0 for o in others)


def reread(
    tracks: Tracks, c: int, partners: list[int], sound: list[int], n_markers: int
) -> Suspect | None:
    """Return the reading under which a camera's points fit its partners, or at another time those
    of the cameras that are sound; None if there is none.
    """
    camera, others = tracks.cameras[c], [tracks.cameras[b] for b in partners]
    witnesses = [tracks.cameras[b] for b in sound if b != c] or others
    before = pooled(camera, others)
    turned = np.where(camera.marker >= 0, n_markers - 1 - camera.marker, -1).astype(np.int16)
    after = pooled(replace(camera, marker=turned), others)
    if after >= max(PEAK, before + BETTER):
        text = f"so {_fits(after, before)}. Rename its markers, or let calib identify name them"
        return Suspect(camera.name, Reading.REVERSED, text)
    if not camera.n_points:
        return None
    first, last = np.quantile(camera.frame, [END, 1.0 - END])
    early, late = camera.rows(camera.frame < first), camera.rows(camera.frame >= last)
    parts = early, late
    found = [best_shift(part, others, tracks.frame_rate_hz) for part in parts]
    counts = {of.frames for of in found if of}
    # Frames may be lost in one of the parts, or far away.
    fitting = []
    if None in found:
        tried = sorted({s for part in (camera, *parts) for s in likely_shifts(part, witnesses)})
        whole = shift_among(tried, camera, witnesses)
        if whole and counts <= {whole.frames}:
            found = [whole, whole]
        fitting = [(camera, whole)] if whole else _fitting_parts(camera, parts, found, witnesses)
    elif len(counts) == 1:  # all points of one knocked between them have no one geometry
        ends = [(end, of) for end, of in zip(parts, found, strict=True) if of]
        fitting = [max(ends, key=lambda of: of[1].share)]
    for part, of in fitting:
        if jumped := jump(camera, witnesses, part, of.frames, tracks.frame_rate_hz):
            return _lost(camera, jumped, _fits(min(of.share, jumped.share), before))
    first, second = found
    if first is None or second is None:
        return _foreign(camera, witnesses, before) if len(sound) > 1 else None
    if not (first.frames or second.frames):
        return None
    others = others or witnesses
    fits = _fits(min(first.share, second.share), min(first.before, second.before))
    if first.frames == second.frames:
        text = (
            f"with its count {_way(first.frames)} {fits}. Look at its sync and at how its frames"
            " are counted, let all cameras count as one, and wave again"
        )
        return Suspect(camera.name, Reading.SHIFTED, text, first.frames)
    since = changes_at(camera, others, first.frames, second.frames)
    changed = Jump(first.frames, second.frames, since, min(first.share, second.share))
    if is_drifting(camera, others, (early.frame, late.frame), changed):
        lost = second.frames - first.frames
        text = (
            f"with its count {_way(lost)} at the end than at the beginning, evenly between, {fits}."
            " It runs on its own clock: set it to the common trigger, check its sync cable, wave"
            " again"
        )
        return Suspect(camera.name, Reading.DRIFT, text, lost)
    return _lost(camera, changed, fits)


def _fitting_parts(
    camera: CameraTracks,
    ends: tuple[CameraTracks, CameraTracks],
    found: list[Shift | None],
    witnesses: list[CameraTracks],
) -> list[tuple[CameraTracks, Shift]]:
    """Return the end of a camera's points that fits under the shift ``found`` for it; where both
    hold a jump, the tips that fit as given.
    """
    fitting = [(end, of) for end, of in zip(ends, found, strict=True) if of]
    if fitting:
        return fitting
    first, last = np.quantile(camera.frame, [TIP, 1.0 - TIP])
    tips = camera.rows(camera.frame < first), camera.rows(camera.frame >= last)
    shares = [pooled(tip, witnesses) for tip in tips]
    return [(t, Shift(0, of, of)) for t, of in zip(tips, shares, strict=True) if of >= PEAK]


def _lost(camera: CameraTracks, found: Jump, fits: str) -> Suspect:
    lost = found.second - found.first
    text = (
        f"with its count {_way(lost)} from frame {found.since} on {fits}. Its count jumps there, as"
        " its recorder lost frames or counted some twice: wave again, or solve without it"
    )
    return Suspect(camera.name, Reading.LOST, text, lost, found.since)


def _fits(after: float, before: float) -> str:
    # What is given may be fewer points, of the frames that others have as well.
    as_given = f", as given {before:.0%}" if before < after else ""
    return f"{after:.0%} of its points fit its neighbours{as_given}"


def _way(frames: int) -> str:
    n = abs(frames)
    return f"{n} {'frame' if n == 1 else 'frames'} {'later' if frames > 0 else 'earlier'}"


def _foreign(camera: CameraTracks, witnesses: list[CameraTracks], share: float) -> Suspect | None:
    """Return the camera as one of another recording, where it fits none of the witnesses, which fit
    one another, or shares no moment with them.
    """
    if share >= STRANGE:
        return None
    first = min(int(w.frame[0]) for w in witnesses)
    last = max(int(w.frame[-1]) for w in witnesses)
    seen = f"{share:.0%} of its points fit its neighbours"
    if camera.frame[-1] < first or camera.frame[0] > last:
        seen = (
            f"its frames run from {camera.frame[0]} to {camera.frame[-1]}, the others' from {first}"
            f" to {last}"
        )
    elif not share:
        return None
    text = (
        f"{seen}, and no other count brings it in step. See that its points are of this recording,"
        " at the same frame rate and with the same names of markers; to solve without it: "
        + command("select", "TRACKS", "--without", camera.name, "-o", "PART")
    )
    return Suspect(camera.name, Reading.FOREIGN, text)
