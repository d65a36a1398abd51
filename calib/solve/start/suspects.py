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

from calib.core.geometry import Array
from calib.core.names import command, listed
from calib.core.tracks import CameraTracks, Ints, Tracks, point_keys
from calib.core.wand import Wand
from calib.errors import UnsolvableError
from calib.solve.start.counts import likely_shifts
from calib.solve.start.epipolar import EPIPOLAR_PX, fundamental
from calib.solve.start.graph import MIN_SHARED_POINTS
from calib.solve.start.late import image_velocity
from calib.solve.start.motion import shared_points
from calib.solve.start.pair_bundle import Shared
from calib.solve.start.pair_views import PARTNERS, PairViews, as_shared, thin
from calib.solve.start.sides import groups, odd_ones

FITS = 0.8  # share of inliers of a sound pair: the rest are gross errors and what lasts
PEAK = 0.75  # share of inliers of the right reading at least
BETTER = 0.15  # and by how much it must stand above the reading given
# Share of inliers below which points are no late camera's: of another recording 5 to 25 % fit, of
# a count off by half a frame 50 to 60 %.
STRANGE = 0.35
END = 0.3  # share of a camera's points at the beginning and the end in which shifts are compared
PART = 1 / 3  # of a frame: a drifting count's ends are tried so far beside the whole one
MAX_SHIFT_S = 2.0  # every shift is tried this far either way, beyond those that speed tells
TELLS = 60  # points of a pair: fewer, of a short way of the wand, fit one of many shifts by chance
NEAR = 6  # frames by which the wand's speed may miss it: four in five within two


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
    for c, camera in enumerate(tracks.cameras):
        shares = {b if a == c else a: v.share for (a, b), v in views.items() if c in (a, b)}
        # Several that are read alike fit one another: they are held against the most.
        is_apart = c in sound and group[c] != 0
        fits = bool(shares) and np.median(list(shares.values())) >= FITS
        if camera.name in named or (fits and not is_apart):
            continue
        # A neighbour that fits nobody either is no witness.
        witnesses = most if is_apart else sound
        partners = [b for b in shares if b in witnesses]
        partners = partners or (_nearest(tracks, c, most) if is_apart else list(shares))
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


def _share(a: CameraTracks, b: CameraTracks) -> tuple[float, int]:
    """Return the share of common points that one fundamental matrix explains, and their number."""
    shared = thin(Shared(*as_shared(a, b)))
    n = len(shared.frame)
    if n < MIN_SHARED_POINTS:
        return 0.0, n
    return float(fundamental(shared.uv_a, shared.uv_b, 0.99, 500)[1].mean()), n


def reread(
    tracks: Tracks, c: int, partners: list[int], sound: list[int], n_markers: int
) -> Suspect | None:
    """Return the reading under which a camera's points fit its partners, or at another time those
    of the cameras that are sound; None if there is none.
    """
    camera, others = tracks.cameras[c], [tracks.cameras[b] for b in partners]
    witnesses = [tracks.cameras[b] for b in sound if b != c] or others
    before = _pooled(camera, others)
    turned = np.where(camera.marker >= 0, n_markers - 1 - camera.marker, -1).astype(np.int16)
    after = _pooled(replace(camera, marker=turned), others)
    if after >= max(PEAK, before + BETTER):
        text = f"so {_fits(after, before)}. Rename its markers, or let calib identify name them"
        return Suspect(camera.name, Reading.REVERSED, text)
    if not camera.n_points:
        return None
    ends = np.quantile(camera.frame, [END, 1.0 - END])
    early, late = camera.rows(camera.frame < ends[0]), camera.rows(camera.frame >= ends[1])
    parts = early, late
    found = [_best_shift(part, others, tracks.frame_rate_hz) for part in parts]
    if None in found:
        tried = sorted({s for part in (camera, *parts) for s in likely_shifts(part, witnesses)})
        whole = _shift_among(tried, camera, witnesses)
        if whole and all(of is None or of.frames == whole.frames for of in found):
            found = [whole, whole]
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
    lost = second.frames - first.frames
    counts = first.frames, second.frames
    since = _since(camera, others, *counts)
    if _is_drifting(camera, others, (early.frame, late.frame), counts, since):
        text = (
            f"with its count {_way(lost)} at the end than at the beginning, evenly between, {fits}."
            " It runs on its own clock: set it to the common trigger, check its sync cable, wave"
            " again"
        )
        return Suspect(camera.name, Reading.DRIFT, text, lost)
    text = (
        f"with its count {_way(lost)} from frame {since} on {fits}. Its recorder lost frames"
        " there, or counted some twice: wave again, or solve without it"
    )
    return Suspect(camera.name, Reading.LOST, text, lost, since)


def _pooled(camera: CameraTracks, others: list[CameraTracks]) -> float:
    """Return the share of the points common with others that fit, each pair by itself, of those
    that share enough.
    """
    found = [(share * n, n) for share, n in (_share(camera, other) for other in others)]
    fitting, points = np.sum([of for of in found if of[1] >= TELLS] or [(0, 0)], axis=0)
    return float(fitting / points) if points else 0.0


@dataclass(frozen=True, slots=True)
class _Shift:
    """By how many frames a count is off, and the share that fits with and without."""

    frames: int
    share: float
    before: float


def _fits(after: float, before: float) -> str:
    return f"{after:.0%} of its points fit its neighbours, as given {before:.0%}"


def _way(frames: int) -> str:
    n = abs(frames)
    return f"{n} {'frame' if n == 1 else 'frames'} {'later' if frames > 0 else 'earlier'}"


def _shifted(camera: CameraTracks, frames: int) -> CameraTracks:
    return replace(camera, frame=camera.frame + frames)


def _best_shift(camera: CameraTracks, others: list[CameraTracks], rate_hz: float) -> _Shift | None:
    """Return the shift of a camera's frame numbers at which the share that fits has its peak; None
    where there is none.
    """
    reach = max(3, round(MAX_SHIFT_S * rate_hz))
    share = {0: _pooled(camera, others)}
    for shift in sorted(range(-reach, reach + 1), key=abs):
        if shift:
            share[shift] = _pooled(_shifted(camera, shift), others)
        # Shares fall steadily on either side of the peak: three steps down and it is passed.
        best = max(share, key=lambda k: share[k])
        if share[best] >= PEAK and abs(shift) >= abs(best) + 3:
            break
    if share[best] < PEAK or (best and share[best] < share[0] + BETTER):
        return None
    return _Shift(best, share[best], share[0])


def _shift_among(
    shifts: list[int], camera: CameraTracks, witnesses: list[CameraTracks]
) -> _Shift | None:
    """Return which of some shifts, or of those about them, makes a camera's points fit witnesses,
    each time those that it shares most with; None where none does.
    """
    about = {shift + step for shift in (0, *shifts) for step in range(-NEAR, NEAR + 1)}
    found = {shift: _beside(_shifted(camera, shift), witnesses) for shift in about}
    most = max(n for _, n in found.values())
    share = {shift: of if 2 * n >= most else 0.0 for shift, (of, n) in found.items()}
    best = max(share, key=lambda k: (share[k], -abs(k)))
    if share[best] < PEAK or (best and share[best] < found[0][0] + BETTER):
        return None
    return _Shift(best, share[best], found[0][0])


def _beside(camera: CameraTracks, witnesses: list[CameraTracks]) -> tuple[float, int]:
    """Return the share of the points common with the witnesses that it shares most with that fit,
    and their number.
    """
    common = [len(shared_points(camera, other)[2]) for other in witnesses]
    nearest = np.argsort(common)[::-1][:PARTNERS]
    return _pooled(camera, [witnesses[k] for k in nearest]), int(sum(common[k] for k in nearest))


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


def _is_drifting(
    camera: CameraTracks,
    others: list[CameraTracks],
    ends: tuple[Ints, Ints],
    counts: tuple[int, int],
    since: int,
) -> bool:
    """Return whether a camera's points fit its neighbours better under a count that runs evenly
    through those of its beginning and end, told from the frames ``ends``, than under one that
    jumps.
    """
    frame, marker = camera.frame, camera.marker
    velocity = image_velocity(camera, frame, marker, 1)
    known = np.isfinite(velocity).all(axis=1) & (marker >= 0)
    camera, velocity, frame = camera.rows(known), velocity[known], frame[known]
    at = [float(np.median(end)) for end in ends]
    way = np.asarray((frame - at[0]) / (at[1] - at[0]), float)
    jumping = _away(
        camera, others, velocity, np.where(frame >= since, float(counts[1]), float(counts[0]))
    )
    # Counts at the ends are known to the whole frame.
    first, second = ([k - PART, float(k), k + PART] for k in counts)
    return any(
        _away(camera, others, velocity, a + (b - a) * way) < jumping for a in first for b in second
    )


def _away(camera: CameraTracks, others: list[CameraTracks], velocity: Array, late: Array) -> float:
    """Return how far a camera's points lie from the lines of its neighbours' in the median, each
    seen ``late (n,)`` frames after what its number says and moved back along its ``velocity``.
    """
    whole = np.round(late).astype(np.int64)
    xy = camera.xy_px - (late - whole)[:, None] * velocity
    xy = np.clip(xy, -0.5, np.array([camera.width, camera.height]) - 0.5)  # none leaves the sensor
    _, first = np.unique(point_keys(camera.frame + whole, camera.marker), return_index=True)
    first = first[np.argsort((camera.frame + whole)[first], kind="stable")]
    timed = replace(
        camera,
        frame=(camera.frame + whole)[first],
        xy_px=xy[first],
        marker=camera.marker[first],
        radius_px=None,
    )
    away = [np.array([np.inf])]
    for other in others:
        shared = Shared(*as_shared(timed, other))
        if len(shared.frame) >= MIN_SHARED_POINTS:
            some = thin(shared)
            F, _ = fundamental(some.uv_a, some.uv_b, 0.99, 500)
            away += [] if F is None else [_epipolar_px(F, shared)]
    return float(np.median(np.concatenate(away)))


def _since(camera: CameraTracks, others: list[CameraTracks], first: int, second: int) -> int:
    """Return the frame from which on the second shift fits rather than the first.

    One geometry holds throughout: that of the camera's beginning, under the first shift. Every
    point that fits under one shift alone votes for its side of the change.
    """
    frames, votes = [], []
    for other in others:
        for shift, vote in ((first, 1), (second, -1)):
            shared = Shared(*as_shared(_shifted(camera, shift), other))
            number = shared.frame - shift
            if vote > 0:
                early = thin(shared.rows(number < np.quantile(number, END)))
                F, _ = fundamental(early.uv_a, early.uv_b, 0.99, 500)
            if F is None:
                break
            frames.append(number)
            votes.append(vote * (_epipolar_px(F, shared) < 2 * EPIPOLAR_PX))
    at = np.concatenate(frames)
    order = np.argsort(at, kind="stable")
    most = int(np.cumsum(np.concatenate(votes)[order].astype(int)).argmax())
    return int(at[order][min(most + 1, len(at) - 1)])


def _epipolar_px(F: Array, shared: Shared) -> Array:
    """Return the distances (n,) of the second image's points from their epipolar lines."""
    one = np.ones((len(shared.frame), 1))
    line = np.hstack([shared.uv_a, one]) @ F.T
    off = (line * np.hstack([shared.uv_b, one])).sum(axis=1)
    return np.asarray(np.abs(off) / np.maximum(np.hypot(line[:, 0], line[:, 1]), 1e-300))
