"""What speaks against a rig as a whole, each with its figures: the wand, the time, what was left
out, and pairs that nothing else checks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.check.verdicts import RigFault
from calib.check.whole.gathered import Seen, lost_marker, lost_places
from calib.check.whole.left_out import End, LeftOut, left_out
from calib.check.whole.rebuilt import find_rebuilt
from calib.check.whole.steps import MOMENTS, Moves
from calib.check.whole.wand import (
    MarkerReading,
    is_mirrored,
    marker_readings,
    marker_shift,
    ray_noise,
)
from calib.core.geometry import Array, rigid_fit
from calib.core.rig import Doubt, Rig
from calib.core.tracks import Tracks
from calib.solve.bundle.intersect import triangulate_markers
from calib.solve.hold import RigFit

# A marker is off where it lies this many times farther from its place than the cameras' noise lets
# expect (sound ones 0.7 to 1.2), and than the other markers do.
MARKER_EXCESS, MARKER_TIMES = 1.4, 1.3
KEPT = 1 / 3  # of a marker's points, to say of it where it is
STEADY, ALIKE = 0.35, 0.4  # of its offset: one size in all frames; one vector in the world
LEANING_SURE = (
    6.0  # standard deviations: a marker far off to one side leaves less in a few captures
)
# Lengths of a sound solve come out to a fraction of this; a share of the wand.
LENGTH_SHARE = 0.002
# Over a wave they change by 0.0004 at most in 36 sound captures, at 2.5 standard errors, and by
# 0.002 to 0.007 where one of two markers slides by a hundredth. Thirty parts leave 28 degrees of
# freedom: 4.5 standard errors come once in ten thousand captures (Student's law).
GROWS_SHARE, GROWS_SIGMAS, GROWS_PARTS = 0.001, 4.5, 30
# Times what a marker is seen aside: it stands twice that elsewhere on a wand turned round, and both
# are known to a quarter (assumed).
TURNED = 3.0
HALF = 0.5  # of the squares: what takes more is the cause
PAIR_SIGMA_PX = 1.0  # as for a camera: a good centroid is good to a tenth or two


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """What speaks against the rig, and the cameras that were knocked: by name the frame and by how
    many px their points moved.

    ``points_mm (F, M, 3)`` are the markers by intersecting the inliers' rays, which it is told by.
    """

    doubts: tuple[Doubt, ...]
    knocked: dict[str, tuple[int, float]]
    points_mm: Array


def is_symptom(doubt: Doubt) -> bool:
    """Return whether a doubt only says that points were left out, which a camera at fault does to
    its neighbours as well, or that lengths drift, as beside one that does: its cause is told first.
    """
    return doubt.finding in {
        RigFault.LEFT_OUT,
        RigFault.MARKER_LOST,
        RigFault.PLACE_LOST,
        RigFault.GROWS,
    }


def look_at_whole(rig: Rig, tracks: Tracks, fit: RigFit, moves: Moves, end: End | None) -> Whole:
    """Return what a capture held against a rig says of the rig and its wand as a whole.

    ``fit`` is of ``tracks`` with the rig's cameras, which come in the same order; ``moves`` are
    those of its cameras, ``end`` are those that stand off as the wave ends.
    """
    shares = left_out(fit)
    points = triangulate_markers(fit.problem.with_weight(fit.is_inlier.astype(float)), fit.state)
    reach = np.ptp(fit.problem.frame_number) / (MOMENTS + 1)  # a step knows its moment to that
    of_wand = doubts_of_wand(rig, fit)
    rebuilt = [d for d in of_wand if d.finding == RigFault.REBUILT]
    if rebuilt:  # cameras that follow a wand seem to move with it
        moves, end = Moves({}), None
    is_rigs = bool(moves.of) and moves.is_rigs
    if is_rigs:
        end = None
    elif end is not None:
        moves = moves.apart_from(end.first, reach)
    doubts = [
        *of_wand,
        *(_changed(fit, moves) if is_rigs else ()),
        *([ended(fit, end)] if end is not None else ()),
        *(() if rebuilt else _lengths(rig, points)),
    ]
    # Against another wave's rig what is off by little lasts as well; and a wand that is not as
    # stated leaves many points out.
    doubts += _much(tracks, shares.of_most(is_own=bool(fit.stats) and not doubts), shares)
    doubts += _gathered(rig, tracks, fit, doubts)
    if len(tracks.names) == 2:
        doubts = [*_pair(tracks, fit, moves, doubts)]
    is_one = len(tracks.names) > 2 and not is_rigs
    return Whole(tuple(doubts), moves.of if is_one else {}, points)


def doubts_of_wand(rig: Rig, fit: RigFit) -> list[Doubt]:
    """Return what is wrong with the wand or with how its markers are seen, that it changed alone
    where it did.
    """
    found = [*_of_wand(rig, fit)]
    return [*_rebuilt(rig, fit, found)] or found


def _rebuilt(rig: Rig, fit: RigFit, of_wand: list[Doubt]) -> Iterator[Doubt]:
    """Yield that the wand is another from some frame on, unless a marker strays all along by more
    than that, or is seen aside, which as the wand turns stands elsewhere on it: either side lies
    half of the change from the shape found. Which marker, of three on a line, is not known.
    """
    found = find_rebuilt(fit.weighted, fit.state)
    bent, aside = {RigFault.BENT, RigFault.OFF_LINE}, {RigFault.MARKER, RigFault.LEANING}
    strays, leans = (
        max((d.effect_mm or 0.0 for d in of_wand if d.finding in which), default=0.0)
        for which in (bent, aside)
    )
    least = max(rig.wand.sigma_mm, 2.0 * float(np.sqrt(HALF)) * strays, TURNED * leans)
    if found is not None and found.size_mm > least:
        name = rig.wand.markers[found.marker] if _tells_markers(rig) else None
        figures = {"marker": name, "frame": found.frame, "offset_mm": found.size_mm}
        yield Doubt(RigFault.REBUILT, (), figures, found.size_mm)


def _tells_markers(rig: Rig) -> bool:
    """Return whether more than one ratio shows of the wand's lengths."""
    return rig.wand.dimension > 1 or len(rig.wand.markers) > 3


def _of_wand(rig: Rig, fit: RigFit) -> Iterator[Doubt]:
    """Yield what is wrong with the wand or with how its markers are seen; what leaning may make of
    a marker's place is told as that alone.
    """
    leaning, least = fit.leaning, 0.0
    if leaning is not None and abs(leaning.size_mm) > LEANING_SURE * leaning.sigma_mm:
        longer_mm = -leaning.growth * rig.wand.span_mm  # as the wand looks
        if abs(longer_mm) > _least_mm(rig):
            figures = {"size_mm": leaning.size_mm, "longer_mm": longer_mm}
            yield Doubt(RigFault.LEANING, (), figures, abs(longer_mm))
            least = abs(leaning.size_mm)
    for doubt in [*_wand(rig, fit)] or _seen_aside(rig, fit):
        if doubt.effect_mm is None or doubt.effect_mm > least:
            yield doubt


def _least_mm(rig: Rig) -> float:
    """Return by how much the wand may be another than its file says before it is told."""
    return max(5.0 * rig.wand.sigma_mm, 1e-4 * rig.wand.span_mm)


def _wand(rig: Rig, fit: RigFit) -> Iterator[Doubt]:
    """Yield what is wrong with the wand: its shape as the solve found it, or one marker."""
    off = np.linalg.norm(_aligned(rig.wand_used.points_mm, rig.wand.points_mm), axis=1)
    every = fit.problem.with_weight((fit.problem.row >= 0) / fit.sigma_px[fit.problem.cam])
    points = triangulate_markers(every, fit.state)
    if rig.wand.dimension == 3 and is_mirrored(rig.wand, points):
        yield Doubt(RigFault.MIRRORED)
        return
    readings = marker_readings(every, fit.state, points)
    names = rig.wand.markers
    if len(names) > 1 and off.max() > _least_mm(rig):
        far = int(off.argmax())
        yield Doubt(
            RigFault.WAND, (), {"marker": names[far], "offset_mm": float(off[far])}, float(off[far])
        )
    excess = _excess(readings)
    if np.isfinite(excess).sum() < 2:
        return
    # A marker that is seen worse by every camera strays as well.
    noise = ray_noise(every, fit.state, points)
    excess /= np.fmax(noise / np.nanmedian(noise), 1.0)
    m = int(np.nanargmax(excess))
    reading = readings[m]
    # The pose gives way to a marker that is off, and takes its neighbour along.
    usual = float(np.nanquantile(np.delete(excess, m), 0.25))
    if reading is None or excess[m] < max(MARKER_EXCESS, MARKER_TIMES * usual):
        return
    if _keeps_its_place(fit, m):
        return  # some of its points are lost, which ``gathered`` tells
    size = reading.offset_mm * float(np.sqrt(max(1.0 - (usual / excess[m]) ** 2, 0.0)))
    yield Doubt(_marker_fault(rig, reading), (), {"marker": names[m], "offset_mm": size}, size)


def _excess(readings: Sequence[MarkerReading | None]) -> Array:
    return np.array([r.excess if r else np.nan for r in readings])


def _keeps_its_place(fit: RigFit, m: int) -> bool:
    """Return whether a marker lies where the others do, by the points that were not left out, and
    these are a good part of its points.
    """
    seen = fit.problem.row >= 0
    if fit.is_inlier[m].sum() < KEPT * seen[m].sum():
        return False
    problem = fit.weighted
    excess = _excess(marker_readings(problem, fit.state, triangulate_markers(problem, fit.state)))
    others = np.delete(excess, m)
    if not np.isfinite(excess[m]) or not np.isfinite(others).any():
        return False
    return bool(excess[m] < MARKER_TIMES * float(np.nanquantile(others, 0.25)))


def _seen_aside(rig: Rig, fit: RigFit) -> Iterator[Doubt]:
    """Yield a marker that all images show aside; of three on a line it is not known which it is."""
    shift = marker_shift(fit)
    if shift is None:
        return
    m, px = shift
    figures = {"marker": rig.wand.markers[m] if _tells_markers(rig) else None, "shift_px": px}
    yield Doubt(RigFault.MARKER, (), figures, px * mm_a_px(fit))


def _marker_fault(rig: Rig, reading: MarkerReading) -> RigFault:
    if reading.in_world > ALIKE:
        return RigFault.MARKER
    if rig.wand.dimension == 1 and reading.steadiness > STEADY:
        return RigFault.OFF_LINE
    return RigFault.BENT


def _aligned(points: Array, onto: Array) -> Array:
    """Return what is left between two shapes once the first is moved on to the second."""
    _, R, t = rigid_fit(points, onto)
    return np.asarray(points @ R.T + t - onto)


def _changed(fit: RigFit, moves: Moves) -> Iterator[Doubt]:
    frame, _ = next(iter(moves.of.values()))
    px = float(np.sqrt(np.mean([shift**2 for _, shift in moves.of.values()])))
    yield Doubt(
        RigFault.CHANGED, tuple(moves.of), {"frame": frame, "shift_px": px}, px * mm_a_px(fit)
    )


def ended(fit: RigFit, end: End) -> Doubt:
    """Return that cameras fit nothing from some frame to the wave's end: they moved, where all
    others fit there; else it is not known which did.
    """
    if end.others_fit:
        figures = {"frame": end.first, "shift_px": end.size_px}
        return Doubt(RigFault.CHANGED, end.cameras, figures, end.size_px * mm_a_px(fit))
    figures = {"first": end.first, "last": end.last, "share": end.share}
    return Doubt(RigFault.LEFT_OUT, end.cameras, figures)


def mm_a_px(fit: RigFit) -> float:
    """Return what a pixel is in mm where the wand was, in the median over views."""
    problem = fit.problem
    depth_mm = fit.state.depth_mm(problem.cam, problem.frame)
    return float(np.median(depth_mm / fit.state.lens[problem.cam, 0]))


def _lengths(rig: Rig, points: Array) -> Iterator[Doubt]:
    """Yield the wand's length where it comes out another than the file's in the mean."""
    if points.shape[1] < 2:  # a single marker carried about has none
        return
    i, j = np.unravel_index(rig.wand.lengths_mm.argmax(), rig.wand.lengths_mm.shape)
    measured = np.linalg.norm(points[:, i] - points[:, j], axis=1)
    error = measured[np.isfinite(measured)] - rig.wand.lengths_mm[i, j]
    if len(error) < 2:
        return
    change, sure = change_over(error)
    if abs(change) > GROWS_SHARE * rig.wand.span_mm and sure > GROWS_SIGMAS:
        figures = {"change_mm": change, "length_mm": float(rig.wand.lengths_mm[i, j])}
        yield Doubt(RigFault.GROWS, (), figures, abs(change) / 2)
    mean, sigma = float(np.median(error)), float(1.253 * error.std() / np.sqrt(len(error)))
    if abs(mean) > max(LENGTH_SHARE * rig.wand.span_mm, 5.0 * sigma, 3.0 * rig.wand.sigma_mm):
        figures = {"mean_mm": mean, "length_mm": float(rig.wand.lengths_mm[i, j])}
        yield Doubt(RigFault.LENGTHS, (), figures, abs(mean))


def change_over(error: Array) -> tuple[float, float]:
    """Return by how much errors (n,), in order of time, change from the first to the last along a
    line through the medians of equal parts, and of how many of its standard errors that is.
    """
    if len(error) < 3 * GROWS_PARTS:
        return 0.0, 0.0
    median = np.array([np.median(part) for part in np.array_split(error, GROWS_PARTS)])
    at = np.linspace(-0.5, 0.5, GROWS_PARTS)
    slope = float(at @ median / (at @ at))
    left = median - median.mean() - slope * at
    sigma = float(np.sqrt(left @ left / (GROWS_PARTS - 2) / (at @ at)))
    return slope, abs(slope) / max(sigma, 1e-12)


def _much(tracks: Tracks, most: Mapping[int, float], shares: LeftOut) -> Iterator[Doubt]:
    """Yield the cameras most of whose points were left out, or the time in which most were."""
    if most:
        names = tuple(tracks.names[c] for c in most)
        figures = {"share": max(most.values())}
        yield Doubt(RigFault.LEFT_OUT, names, figures)
    elif (stretch := shares.stretch(tracks.frame_rate_hz)) is not None:
        figures = dict(zip(("first", "last", "share"), map(float, stretch), strict=True))
        yield Doubt(RigFault.LEFT_OUT, (), figures)


def _gathered(rig: Rig, tracks: Tracks, fit: RigFit, found: list[Doubt]) -> Iterator[Doubt]:
    """Yield the marker and the parts of images on which left-out points gather; of two cameras no
    part, as each loses what the other sees wrong.
    """
    seen = Seen.of(fit, tracks.frame_rate_hz)
    told = {d.figures.get("marker") for d in found}
    lost = lost_marker(seen, len(rig.wand.markers))
    if lost is not None and (name := rig.wand.markers[lost.marker]) not in told:
        figures = {"marker": name, "share": lost.share, "usual": lost.usual}
        yield Doubt(RigFault.MARKER_LOST, (), figures)
    for place in lost_places(seen, tracks) if len(tracks.names) > 2 else ():
        edges = dict(zip(("left", "top", "right", "bottom"), place.window_px, strict=True))
        figures = {**edges, "share": place.share, "usual": place.usual}
        yield Doubt(RigFault.PLACE_LOST, (tracks.names[place.camera],), figures)


def _pair(tracks: Tracks, fit: RigFit, moves: Moves, found: list[Doubt]) -> Iterator[Doubt]:
    """Yield what was found of two cameras as one finding: nothing tells which of the two it is, or
    a bent space from a bent wand.
    """
    noise = float(fit.sigma_px.max())
    if (
        not moves.of
        and noise <= PAIR_SIGMA_PX
        and {d.finding for d in found} <= {RigFault.WAND, RigFault.MARKER_LOST}
    ):
        yield from found
        return
    figures = {"noise_px": noise, "what": [str(d.finding) for d in found]}
    if moves.of:
        frame, px = max(moves.of.values(), key=lambda of: of[1])
        figures |= {"frame": frame, "shift_px": px}
    effects = [d.effect_mm for d in found if d.effect_mm is not None]
    yield Doubt(RigFault.PAIR, tracks.names, figures, max(effects, default=None))
