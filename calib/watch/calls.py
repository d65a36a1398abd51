"""What is called out about a camera at once, from the last seconds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.tracks import Tracks
from calib.watch.counts import Counts
from calib.watch.records import Call, CalledOut
from calib.watch.seen import Seen

WINDOW_S = 10.0  # somebody in the way hides the wand from a camera for some seconds, not for ten
SILENT_S = 5.0
EXPECTED = 150  # markers where the camera saw the wand before: one in the way hides fewer
ENOUGH = 100  # points in the window to judge by
MISFIT_SHARE = 0.5  # sound cameras keep nine of ten (simulated rigs with errors that last)
# Spots so many times as wide as the others', distances counted: light spills over where pixels are
# full, and out of focus (common practice, no source).
LARGE = 1.6
LATE_FRAMES, SURE = 0.1, 6.0  # below a tenth of a frame a solve bears it; and standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class Lately:
    """``n_frames`` of the last seconds: ``end`` is the last of them; points and identified ones by
    camera (C,), and what they showed against cameras that stand, where these do.
    """

    end: int
    points: Ints
    named: Ints
    n_frames: int
    seen: Seen | None

    @classmethod
    def of(cls, tracks: Tracks, seen: Seen | None) -> Lately:
        first, last = tracks.span or (0, -1)
        return cls(
            last,
            np.array([c.n_points for c in tracks.cameras]),
            np.array([(c.marker >= 0).sum() for c in tracks.cameras]),
            last - first + 1,
            seen,
        )


def called_out(
    counts: Counts,
    lately: Sequence[Lately],
    late: tuple[Array, Array] | None,
    n_markers: int,
    missed: Ints | None,
) -> tuple[CalledOut, ...]:
    """Return what is to be called out; ``late`` are the cameras' time offsets in frames and their
    standard uncertainties (C,), where they are known, ``missed (C,)`` the markers that each ought
    to have seen since it last saw any.
    """
    of_time = [] if late is None else list(_late(counts.names, *late))
    found = [*_silent(counts, missed), *of_time, *_doubtful(counts, lately, n_markers)]
    # Cameras that were placed beside one out of step do not tell who does not fit.
    return tuple(c for c in found if c.call != Call.MISFIT or not of_time)


def _silent(counts: Counts, missed: Ints | None) -> Iterable[CalledOut]:
    """Yield cameras that show nothing though others go on, and would see the wand."""
    if counts.last_frame is None or counts.first_frame is None:
        return
    for c, name in enumerate(counts.names):
        since = counts.latest[c] if counts.points[c] else counts.first_frame - 1
        silent_s = float(counts.last_frame - since) / counts.rate_hz
        if missed is not None and counts.points[c]:
            if silent_s >= SILENT_S and missed[c] >= EXPECTED:
                figures = {"silent_s": silent_s, "expected": float(missed[c])}
                yield CalledOut(Call.SILENT, name, figures)
        elif silent_s >= WINDOW_S:
            yield CalledOut(Call.SILENT, name, {"silent_s": silent_s})


def _doubtful(counts: Counts, lately: Sequence[Lately], n_markers: int) -> Iterable[CalledOut]:
    """Yield cameras with many points that are no markers, or markers that are not where the others
    see them.
    """
    if not lately:
        return
    points = np.sum([part.points for part in lately], axis=0)
    named = np.sum([part.named for part in lately], axis=0)
    n_frames = sum(part.n_frames for part in lately)
    seen = [part.seen for part in lately if part.seen is not None]
    wide = _middles(np.array([s.wide_mm for s in seen]).reshape(-1, len(points)).T)
    usual = float(_middles(wide[None])[0])
    for c, name in enumerate(counts.names):
        stray = float(points[c] - named[c]) / n_frames
        if counts.named.any() and points[c] >= ENOUGH and stray >= 2 * n_markers:
            yield CalledOut(Call.STRAY, name, {"per_frame": stray})
        judged, fitting = sum(int(s.named[c]) for s in seen), sum(int(s.fitting[c]) for s in seen)
        if judged >= ENOUGH and fitting < MISFIT_SHARE * judged:
            yield CalledOut(Call.MISFIT, name, {"share": 1.0 - fitting / judged})
        if judged >= ENOUGH and wide[c] > LARGE * usual:
            yield CalledOut(Call.LARGE, name, {"wide_mm": float(wide[c]), "others_mm": usual})


def _middles(of: Array) -> Array:
    """Return the median of each row's known values (C,), nan where there are none."""
    known = (row[np.isfinite(row)] for row in of)
    return np.array([np.median(row) if len(row) else np.nan for row in known])


def _late(names: Sequence[str], late: Array, sigma: Array) -> Iterable[CalledOut]:
    """Yield cameras that expose at another time than the rig."""
    for name, frames, sure in zip(names, late.tolist(), sigma.tolist(), strict=True):
        if is_late(frames, sure):
            yield CalledOut(Call.LATE, name, {"late_frames": frames, "sigma_frames": sure})


def is_late(late_frames: float, sigma_frames: float) -> bool:
    """Return whether a time offset is one to see to; nan is none."""
    return abs(late_frames) > max(LATE_FRAMES, SURE * sigma_frames)
