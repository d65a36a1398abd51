"""Which cameras of a residual table need a hand, the likeliest cause of each, and the figures that
say so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.check.causes.certainty import known_to
from calib.check.causes.examine import Examination, examine
from calib.check.causes.last_seen import LastSeen
from calib.check.causes.levels import USUAL_REPEATED, is_straying, noise_against
from calib.check.causes.record import Record, of_cameras
from calib.check.causes.slips import Slip, slips
from calib.check.causes.sway import STILL, Sway
from calib.check.verdicts import MIN_COVERAGE, MIN_POINTS, Fault
from calib.core.camera import LEAST_NOISE_PX
from calib.core.geometry import Array
from calib.core.rig import CameraStats, Rig
from calib.core.tracks import Tracks
from calib.printed import Printed
from calib.solve.hold import RigFit
from calib.solve.lasting.stretches import STEP_PX

Figures = dict[str, float]  # behind a cause, by name, with the unit at the name's end
ROOT_2 = float(np.sqrt(2.0))  # of one coordinate to both
# common practice, no source: the centre of a round marker is good to a tenth or two of a pixel
MAX_SIGMA_PX = 1.0
# Uncertainty over the whole sensor that the camera's own points leave, in its noise (RMS against
# RMS of two coordinates, so 2.3 here is 1.6 there): at the root of 3 the error at a point anywhere
# would be twice the noise.
MAX_CORNER = 2.3
# Of the squares: what takes more is the cause, and what it leaves is the rest of a large fault, not
# another one.
HALF, CLEAR = 0.5, 0.9
GEOMETRY = Fault.MOVED, Fault.LENS
# Off one way as often as the other: a pose or a place averages it out as it does noise.
SCATTER = {Fault.VIBRATION, Fault.JITTER}
# What warms up drifts over a wave and between two: less than counts as a move is no fault.
WARMS = {Fault.MOVED, Fault.CREEPS}
# By which such a cause must raise a camera's noise, its own or the others' usual: cameras of a rig
# differ by a tenth with nothing wrong (``levels.USUAL_SPREAD``), so this is beyond two sigmas.
MIN_RAISED = 1.25
# Cameras taken out of the wand poses before the others are believed. Where more are at fault it is
# no single camera's doing (a rig or a wand that is not this one), and each takes one more pass over
# all points.
MOST_OUT = 12


@dataclass(frozen=True, slots=True, eq=False)
class Cause(Printed):
    """What may be wrong, and the figures that say so; ``is_bare`` where points cover too little of
    the sensor, wherever they are.
    """

    REPORT: ClassVar[str] = "rigs.causes"

    cause: Fault
    figures: Figures
    other: str = ""  # the camera whose points stand under its name
    is_bare: bool = False

    @property
    def size_px(self) -> float:
        """By how much it moves or scatters the camera's points, RMS; 0 of what does neither."""
        f = self.figures
        # Beyond all others: half of the points, or all, are elsewhere.
        if self.cause in {Fault.LOST, Fault.EXCHANGED}:
            return float("inf")
        if "size_px" not in f and {"share", "left_px"} <= f.keys():
            return f["left_px"] * float(np.sqrt(f["share"] / (1.0 - f["share"])))
        return f.get("size_px", f.get("sigma_px", 0.0) if self.cause == Fault.NOISE else 0.0)


def find_causes(
    fit: RigFit, tracks: Tracks, stats: Sequence[CameraStats], rig: Rig
) -> list[tuple[Cause, ...]]:
    """Return for each camera what its residuals follow, likeliest first; nothing where they are as
    they should be, by what the rig's own solve left and how sure that was of its cameras.
    """
    lost = slips(fit, tracks)
    found = _examine_all(fit, tracks, {name: known_to(rig, name) for name in tracks.names})
    radius = np.array([_radius(c.radius_px, c.marker) for c in tracks.cameras])
    sigma = np.array(
        [
            (e or s).sigma_px if s.points >= MIN_POINTS else np.nan
            for e, s in zip(found, stats, strict=True)
        ]
    )
    stray = np.array(
        [[e.share_stray, e.share_stray * e.repeated] if e else [np.nan] * 2 for e in found]
    )
    out: list[tuple[Cause, ...]] = []
    for c, (s, e, slip) in enumerate(zip(stats, found, lost, strict=True)):
        if s.points < MIN_POINTS:
            out.append((Cause(Fault.TOO_FEW, {"points": s.points, "needed": MIN_POINTS}),))
            continue
        before = rig.camera(tracks.names[c]).stats
        noise = None if slip else _noise(sigma, c, before, e)
        others = np.delete(stray, c, axis=0), np.delete(sigma, c)
        if slip:
            causes = [of_slip(slip)]
        elif e is not None and _sways(e, noise):
            swings = {"size_px": e.sway.size_px * ROOT_2, "lasts_s": e.sway.lasts_s}
            causes = [Cause(Fault.SWAYS, swings), *_structured(e, *others, e.sway)]
            noise = None
        else:
            causes = _structured(e, *others)
        if noise is not None:
            name = Fault.ALSO_NOISY if causes else Fault.NOISE
            causes.append(Cause(name, noise | _looks(e, radius, c)))
        bare = _coverage(s, before, e)
        # Few points in a corner follow any pose or lens.
        if bare is not None and (not causes or bare.is_bare or _is_of(e, *GEOMETRY)):
            causes.insert(0, bare)
        out.append(tuple(causes))
    return out


def of_slip(found: Slip) -> Cause:
    """Return the cause that a camera's count jumps."""
    figures = {"frames": float(found.frames), "since": float(found.since_frame)}
    return Cause(Fault.LOST, figures)


def of_last(found: LastSeen) -> Cause:
    """Return the cause that a camera saw the wand elsewhere to the last."""
    if found.frames:
        return of_slip(Slip(found.frames, found.first))
    return Cause(Fault.KNOCK, {"frame": float(found.first), "size_px": found.size_px})


def _structured(
    e: Examination | None, others_stray: Array, others_px: Array, beside: Sway = STILL
) -> list[Cause]:
    """Return the explanation that the residuals follow and what strays, as far as there is such.
    ``others_stray (C, 2)`` are shares, and of those that lie where they were a frame before: who
    sends frames twice takes the frames of few along, whose points stray as well.

    Some swings follow a step, or a pattern where the wand went: a cause is more than those that go
    on ``beside`` it.
    """
    causes = []
    if e is not None and e.explanation is not None and _matters(e, others_px, beside):
        left = {"share": e.explanation.share, "left_px": e.sigma_px}
        cause = Cause(e.explanation.cause, e.figures | left)
        if cause.cause not in WARMS or cause.size_px > STEP_PX:
            causes.append(cause)
    if e is None or _explained(e) >= CLEAR:
        return causes
    of_others, repeats = others_stray.T
    is_repeating = e.repeated > HALF
    repeated = e.share_stray * e.repeated
    if is_straying(e.share_stray, e.n_judged, of_others) or (
        is_repeating and is_straying(repeated, e.n_judged, repeats, USUAL_REPEATED)
    ):
        name = Fault.REPEATED if is_repeating else Fault.STRAY
        known = of_others[np.isfinite(of_others)]
        of_stray = {
            "share": e.share_stray,
            "usual": float(np.median(known)) if len(known) else float("nan"),
            "swapped": e.swapped,
            "repeated": e.repeated,
        }
        causes.append(Cause(name, of_stray))
    return causes


def _matters(e: Examination, others_px: Array, beside: Sway) -> bool:
    """Return whether an explanation is worth a word: what only scatters points does no more than
    noise does, and is weighed against the camera's own and the others' usual.
    """
    assert e.explanation is not None
    if e.explanation.cause not in SCATTER:
        return _size(e) > beside.size_px**2
    known = others_px[np.isfinite(others_px)]
    usual = max(e.sigma_px, float(np.median(known)) if len(known) else 0.0)
    return bool(e.sigma_px / np.sqrt(1.0 - e.explanation.share) > MIN_RAISED * usual)


def _noise(
    sigma: Array, c: int, before: CameraStats | None, e: Examination | None
) -> Figures | None:
    """Return camera c's noise and what it is large against, None where it is not."""
    if not sigma[c] > LEAST_NOISE_PX or _explained(e) >= HALF:  # nan as well
        return None
    grown = None
    if before is not None and before.points >= MIN_POINTS and before.sigma_px > 0:
        grown = float(sigma[c]) / before.sigma_px
    large = noise_against(sigma[c], np.delete(sigma, c), grown)
    if large is None and sigma[c] > MAX_SIGMA_PX:
        large = {"limit_px": MAX_SIGMA_PX}
    return None if large is None else {"sigma_px": float(sigma[c])} | large


def _looks(e: Examination | None, radius_px: Array, c: int) -> Figures:
    """Return what camera c's noise looks like: along x against along y, over the sensor, and its
    blobs beside the others'; what is not known is left out.
    """
    out = dict(e.levels) if e is not None else {}
    others = np.delete(radius_px, c)
    others = others[np.isfinite(others)]
    if np.isfinite(radius_px[c]) and len(others):
        out |= {"radius_px": float(radius_px[c]), "others_radius_px": float(np.median(others))}
    return out


def _sways(e: Examination, noise: Figures | None) -> bool:
    """Return whether the whole image swings for a while by more than it steps or than a lens bends
    it, or by most of what the camera's noise is too large by.
    """
    square = e.sway.size_px**2
    if noise is None:
        # A pattern over the sensor follows most of a swing, as the wand goes from part to part;
        # what a bent window leaves swings by a quarter of it.
        least = HALF**2 if _is_of(e, Fault.LENS) else 1.0
        return _is_of(e, Fault.KNOCK, Fault.CREEPS, Fault.LENS) and square > least * _size(e)
    usual = noise["sigma_px"] / noise["grown"] if "grown" in noise else noise.get("others_px", 0.0)
    return square > HALF * (noise["sigma_px"] ** 2 - usual**2)


def _explained(e: Examination | None) -> float:
    return e.explanation.share if e and e.explanation else 0.0


def _is_of(e: Examination | None, *causes: Fault) -> bool:
    return e is not None and e.explanation is not None and e.explanation.cause in causes


def _coverage(s: CameraStats, before: CameraStats | None, e: Examination | None) -> Cause | None:
    """Return that a camera's points are too much on one side, None where they, or those that the
    rig knows it by, ``before``, are not.
    """
    share = {"coverage": s.coverage}
    if max(s.coverage, 0.0 if before is None else before.coverage) < MIN_COVERAGE:
        return Cause(Fault.ONE_SIDED, share | {"needed": MIN_COVERAGE}, is_bare=True)
    if e is not None and e.corner_px > MAX_CORNER * e.sigma_px:
        box = dict(zip(("left", "top", "right", "bottom"), e.box_px.tolist(), strict=True))
        of_corner = {"corner_px": e.corner_px, "times": e.corner_px / e.sigma_px}
        return Cause(Fault.ONE_SIDED, share | box | of_corner)
    return None


def _radius(radius: NDArray[np.float32] | None, marker: NDArray[np.int16]) -> float:
    named = np.asarray(marker) >= 0
    return float(np.median(radius[named])) if radius is not None and named.any() else float("nan")


def _examine_all(
    fit: RigFit, tracks: Tracks, known: Mapping[str, Array]
) -> list[Examination | None]:
    """Return each camera's examination, the worst one first taken out of the wand poses, then the
    next.

    A camera in trouble pulls the wands and with them the residuals of the others, which then seem
    to follow its fault. ``known`` is by camera how sure the rig is of it (11, 11).
    """

    def look(record: Record) -> Examination | None:
        return examine(record, known[record.name])

    weight = np.ones(len(tracks.cameras))
    found = of_cameras(fit, tracks, look)
    for _ in range(min(len(weight) - 2, MOST_OUT)):
        pending = [
            c
            for c, e in enumerate(found)
            if weight[c] and e is not None and e.explanation is not None
        ]
        if not pending:
            break
        weight[max(pending, key=lambda c: _size(found[c]))] = 0.0
        if len(pending) == 1:
            break
        again = of_cameras(fit, tracks, look, weight)
        found = [old if new is None else new for old, new in zip(found, again, strict=True)]
    return found


def _size(e: Examination | None) -> float:
    """Return the explained mean square in px²."""
    assert e is not None and e.explanation is not None
    return e.sigma_px**2 * e.explanation.share / (1.0 - e.explanation.share)
