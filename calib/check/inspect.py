"""Is a capture good enough to solve? Counts, overlap, timing and the wave itself, judged before
anything is solved.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from calib.check.inspection import CameraCapture, Finding, Inspection, Timing
from calib.check.verdicts import MIN_COVERAGE, MIN_POINTS, Shortcoming, Verdict
from calib.core.camera import coverage
from calib.core.frames import N_KEYS, Ints, group_starts, point_keys
from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.threads import one_blas_thread
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.errors import CalibError
from calib.naming.identify import identify, is_unnamed
from calib.solve.start.graph import CameraGraph, Overlap, camera_graph, overlap
from calib.solve.start.late import late_cameras
from calib.solve.start.lenses import is_lens_free
from calib.solve.start.motion import STILL_TRAVEL, Depth, camera_travel, depth, travel
from calib.solve.start.pair_views import exchanged_markers, odd_length, pair_views
from calib.solve.start.suspects import suspects

# Pose and lens of a camera have ten unknowns; twenty points to each leave their noise a tenth of
# itself or so.
FEW_POINTS = 200
# What lies beyond a quarter of the sensor is extrapolated (common practice, no source).
LOW_COVERAGE = 0.25
# strays and missed markers reach a tenth or two in a usual room (common practice, no source)
MANY_UNNAMED = 0.3
SILENCE_S = 1.0  # a wand out of all cameras' sight for longer is worth a word
MISSING_SIGHTINGS = 100.0  # so many frames short before a camera counts as having stopped
ACT, NOTE = Verdict.ACT, Verdict.NOTE


@one_blas_thread
def inspect(tracks: Tracks, wand: Wand | None = None, progress: Progress = quiet) -> Inspection:
    """Return what the capture holds and whether it is good enough to solve.

    Points without names are named by the wand first, as a solve does; without a wand they are
    judged by the frames in which cameras saw anything.

    Parameters
    ----------
    tracks : Tracks
        The wave.
    wand : Wand, optional
        Names points, and says of pairs of cameras what a solve would say of them.
    progress : Progress
        Told stage, done and total.

    Returns
    -------
    Inspection
        Counts, coverage, camera graph, timing and what is the matter; ``good`` says whether to
        solve it.

    Raises
    ------
    InputError
        A point names a marker that ``wand`` does not have.
    """
    if wand is not None:
        tracks.check_markers(len(wand.markers))
    named, unnamed = _named(tracks, wand, progress)
    is_bare = is_unnamed(named)
    seen = _one_a_frame(named) if is_bare else named
    table = overlap(seen)
    graph = camera_graph(table)
    placed = _placed(seen)
    cameras = tuple(
        _camera(c, placed, graph, i, is_bare=is_bare) for i, c in enumerate(named.cameras)
    )
    timing, moved, flat = _timing(named), travel(named), depth(named, None if is_bare else table)
    findings = [
        *([unnamed] if unnamed else _identity(named, cameras, wand)),
        *(() if is_bare else _missing(named, wand)),
        *_wave(moved, flat, named.names),
        *_links(graph),
        *_amounts(cameras, is_still=moved < STILL_TRAVEL),
        *_times(seen, timing, table),
    ]
    if wand is not None and not moved < STILL_TRAVEL and not flat.is_planar:
        findings += _pairs(named, wand, table, progress)
    findings.sort(key=lambda f: f.severity != ACT)
    return Inspection(cameras, table, graph, timing, moved, flat, tuple(findings))


def _named(tracks: Tracks, wand: Wand | None, progress: Progress) -> tuple[Tracks, Finding | None]:
    """Return the capture with names as a solve would give them, and what there is to say of that;
    None where it had names.
    """
    if not is_unnamed(tracks):
        return tracks, None
    figures: dict[str, object] = {"points": sum(c.n_points for c in tracks.cameras)}
    if wand is None:
        return tracks, Finding(Shortcoming.UNIDENTIFIED, NOTE, (), figures)
    try:
        named = identify(tracks, wand, progress)
    except CalibError as error:
        figures["error"] = str(error)
        return tracks, Finding(Shortcoming.UNIDENTIFIED, ACT, error.cameras, figures)
    figures["named"] = sum(c.named for c in named.cameras)
    return named.tracks, Finding(Shortcoming.UNIDENTIFIED, NOTE, (), figures)


def _one_a_frame(tracks: Tracks) -> Tracks:
    """Return the capture with one point of each camera's frames named alike: links are then frames
    in which both saw anything.
    """

    def one(camera: CameraTracks) -> CameraTracks:
        marker = np.full(camera.n_points, -1, np.int16)
        marker[group_starts(camera.frame)] = 0
        return replace(camera, marker=marker)

    return replace(tracks, cameras=tuple(map(one, tracks.cameras)))


def _placed(tracks: Tracks) -> Ints:
    """Return the frames in which two cameras see the same marker."""
    keys = [point_keys(c.frame, c.marker)[c.marker >= 0] for c in tracks.cameras]
    key, n_views = np.unique(np.concatenate(keys), return_counts=True)
    return np.unique(key[n_views > 1] // N_KEYS)


def _pairs(tracks: Tracks, wand: Wand, table: Overlap, progress: Progress) -> Iterable[Finding]:
    """Yield what pairs of cameras show: points to be read otherwise, a wand unlike its file."""
    if len(wand.markers) < 2:
        return
    views = pair_views(tracks, wand, table, is_lens_free(tracks, "auto"), progress)
    misread = suspects(tracks, wand, views)
    for s in misread:
        yield Finding(Shortcoming.MISREAD, ACT, (s.camera,), {"text": str(s)})
    for late in late_cameras(tracks, views):
        if late.camera not in {s.camera for s in misread}:
            delay = {"frames": late.frames, "sigma": late.sigma, "px": late.px}
            yield Finding(Shortcoming.TIMING, ACT, (late.camera,), delay)
    if names := exchanged_markers(wand, views):
        yield Finding(Shortcoming.WAND, ACT, (), {"exchanged": names})
    elif (odd := odd_length(wand, views)) is not None:
        figures = {"between": (odd.first, odd.second), "share": odd.share}
        yield Finding(Shortcoming.WAND, ACT, (), figures)


def _camera(
    camera: CameraTracks, placed: Ints, graph: CameraGraph, index: int, *, is_bare: bool
) -> CameraCapture:
    """Return a camera's line; of a ``is_bare`` capture, without names, by all points."""
    named = camera.marker >= 0
    told = np.ones_like(named) if is_bare else named
    xy, n = camera.xy_px[told], int(told.sum())
    is_placed = told & np.isin(camera.frame, placed)
    frames = int(group_starts(camera.frame[told]).size)
    low, high = np.percentile(xy, [5, 95], axis=0) if n else (np.zeros(2), np.zeros(2))
    return CameraCapture(
        name=camera.name,
        points=camera.n_points,
        identified=int(named.sum()),
        placed=int((is_placed & named).sum()),
        frames=frames,
        points_per_frame=n / frames if frames else 0.0,
        coverage=coverage(camera.xy_px[is_placed], camera.width, camera.height),
        spread_px=(float(high[0] - low[0]), float(high[1] - low[1])),
        first_frame=int(camera.frame[0]) if camera.n_points else None,
        last_frame=int(camera.frame[-1]) if camera.n_points else None,
        partners=sum(index in edge for edge in graph.edges),
        travel=camera_travel(camera),
        outside=camera.n_outside,
    )


def _timing(tracks: Tracks) -> Timing:
    frame = np.unique(np.concatenate([c.frame for c in tracks.cameras]))
    if not frame.size:
        return Timing(tracks.frame_rate_hz, None, None, 0.0, ())
    # A capture of single views has no gaps but between all of them: only what stands out is a
    # silence.
    step = np.diff(frame)
    usual = float(np.percentile(step, 90)) if step.size else 1.0
    at = np.flatnonzero(step > max(SILENCE_S * tracks.frame_rate_hz, 10.0 * usual))
    silences = tuple((int(frame[i]) + 1, int(frame[i + 1]) - 1) for i in at)
    duration = float(frame[-1] - frame[0] + 1) / tracks.frame_rate_hz
    return Timing(tracks.frame_rate_hz, int(frame[0]), int(frame[-1]), duration, silences)


def _identity(
    tracks: Tracks, cameras: Sequence[CameraCapture], wand: Wand | None
) -> Iterable[Finding]:
    named = sum(c.identified for c in cameras)
    many = [c for c in cameras if c.identified and c.identified < (1 - MANY_UNNAMED) * c.points]
    if many:
        many.sort(key=lambda c: c.identified / c.points)
        yield Finding(Shortcoming.UNIDENTIFIED, NOTE, tuple(c.name for c in many))
    seen = np.unique(np.concatenate([c.marker[c.marker >= 0] for c in tracks.cameras]))
    if named and seen.size < 2:
        # Without a wand it is one marker that was carried about, and a distance gives the scale.
        severity, names = (NOTE, ()) if wand is None else (ACT, tracks.names)
        yield Finding(Shortcoming.MARKERS, severity, names, {"index": int(seen[0])})


def _missing(tracks: Tracks, wand: Wand | None) -> Iterable[Finding]:
    seen = {int(m) for c in tracks.cameras for m in np.unique(c.marker)} - {-1}
    missing = [name for i, name in enumerate(wand.markers if wand else ()) if i not in seen]
    if missing and len(seen) > 1:
        yield Finding(Shortcoming.MARKERS, NOTE, (), {"missing": missing})


def _wave(moved: float, flat: Depth, names: tuple[str, ...]) -> Iterable[Finding]:
    if moved < STILL_TRAVEL:
        yield Finding(Shortcoming.STILL, ACT, names)
    elif flat.is_planar:
        yield Finding(Shortcoming.PLANAR, ACT, names)


def _links(graph: CameraGraph) -> Iterable[Finding]:
    if len(graph.names) == 1:
        yield Finding(Shortcoming.ISLANDS, ACT, graph.names)
        return
    if graph.blind:
        yield Finding(Shortcoming.BLIND, ACT, graph.blind)
    islands = [island for island in graph.islands if not set(island) <= set(graph.blind)]
    if len(islands) > 1:
        apart = tuple(name for island in islands[1:] for name in island)
        yield Finding(Shortcoming.ISLANDS, ACT, apart, {"islands": islands})
    if graph.articulation:
        yield Finding(Shortcoming.ARTICULATION, NOTE, graph.articulation)
    if graph.hanging:
        only = {
            graph.names[a]: graph.names[b] for edge in graph.edges for a, b in (edge, edge[::-1])
        }
        partners = {name: only[name] for name in graph.hanging}
        yield Finding(Shortcoming.HANGING, NOTE, graph.hanging, partners)


def _amounts(cameras: Sequence[CameraCapture], *, is_still: bool) -> Iterable[Finding]:
    if outside := tuple(c.name for c in cameras if c.outside):
        yield Finding(Shortcoming.OUTSIDE, NOTE, outside)
    if is_still:
        return
    seen = [c for c in cameras if c.coverage]
    for low, high, severity in ((1, MIN_POINTS, ACT), (MIN_POINTS, FEW_POINTS, NOTE)):
        if few := tuple(c.name for c in seen if low <= c.placed < high):
            yield Finding(Shortcoming.POINTS, severity, few, {"needed": high})
    for least, most, severity in ((0.0, MIN_COVERAGE, ACT), (MIN_COVERAGE, LOW_COVERAGE, NOTE)):
        bare = sorted((c for c in seen if least <= c.coverage < most), key=lambda c: c.coverage)
        if bare:
            names = tuple(c.name for c in bare)
            yield Finding(Shortcoming.COVERAGE, severity, names, {"needed": most})


def _times(tracks: Tracks, timing: Timing, table: Overlap) -> Iterable[Finding]:
    if timing.silences:
        yield Finding(Shortcoming.SILENCE, NOTE, ())
    for camera in tracks.cameras:
        rest = [c for c in tracks.cameras if c is not camera and c.n_points]
        if not camera.n_points or not rest:
            continue
        start, end = min(c.frame[0] for c in rest), max(c.frame[-1] for c in rest)
        if camera.frame[-1] < start or camera.frame[0] > end:
            others = {"start": int(start), "end": int(end)}
            yield Finding(Shortcoming.TIMING, ACT, (camera.name,), others)
            continue
        for word, missing, at in _absences(tracks, table, camera):
            figures = {"word": word, "missing": missing, "frame": at}
            yield Finding(Shortcoming.TIMING, NOTE, (camera.name,), figures)


def _absences(
    tracks: Tracks, table: Overlap, camera: CameraTracks
) -> Iterable[tuple[str, float, int]]:
    """Tell where a camera falls silent for good, or starts late, though the wand is where it used
    to see it.

    Its best neighbour says where: of the frames with the wand in one cell of the neighbour's
    sensor, the camera saw a share while it was on, and would have seen the same share of those
    before and after.
    """
    i = tracks.names.index(camera.name)
    partner = int(np.argmax(np.where(np.arange(len(tracks.cameras)) == i, -1, table.frames[i])))
    if table.frames[i, partner] == 0:
        return
    other = tracks.cameras[partner]
    frame, cell = _whereabouts(other)
    own = np.unique(camera.frame[camera.marker >= 0])
    is_on = (frame >= own[0]) & (frame <= own[-1])
    share = np.bincount(cell[is_on], np.isin(frame[is_on], own), 65) / np.maximum(
        np.bincount(cell[is_on], None, 65), 1
    )
    for word, outside, at in (
        ("stops", frame > own[-1], own[-1]),
        ("starts", frame < own[0], own[0]),
    ):
        missing = float(share[cell[outside]].sum())
        if missing >= MISSING_SIGHTINGS:
            yield word, missing, int(at)


def _whereabouts(camera: CameraTracks) -> tuple[Ints, Ints]:
    """Return the frames in which a camera saw the wand and the cell of an 8 by 8 grid it then was
    in.
    """
    named = camera.marker >= 0
    frame, xy = camera.frame[named], camera.xy_px[named]
    first = group_starts(frame)
    middle: Array = np.add.reduceat(xy, first) / np.diff(np.append(first, frame.size))[:, None]
    cell = np.clip((middle + 0.5) * 8 / np.array([camera.width, camera.height]), 0, 7).astype(
        np.int64
    )
    return frame[first], cell[:, 0] * 8 + cell[:, 1]
