"""Is a capture good enough to solve? Counts, overlap, timing and the wave itself, judged before
anything is solved.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from calib.check.inspection import CameraCapture, Finding, Inspection, Timing
from calib.core.camera import coverage
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks, Ints, Tracks, group_starts
from calib.core.wand import Wand
from calib.solve.start.graph import (
    CameraGraph,
    Overlap,
    camera_graph,
    listed,
    overlap,
    wave_between,
)
from calib.solve.start.motion import (
    PLANAR_PARALLAX,
    STILL_TRAVEL,
    Depth,
    camera_travel,
    depth,
    travel,
)

# Pose and lens of a camera have ten unknowns; twenty points to each leave their noise a tenth of
# itself or so.
FEW_POINTS = 200
# A focal length and a distortion are told from a bend over the sensor: five cells of a hundred show
# none, and what lies beyond a quarter of the sensor is extrapolated (common practice, no source).
NO_COVERAGE, LOW_COVERAGE = 0.05, 0.25
# strays and missed markers reach a tenth or two in a usual room (common practice, no source)
MANY_UNNAMED = 0.3
SILENCE_S = 1.0  # a wand out of all cameras' sight for longer is worth a word
MISSING_SIGHTINGS = 100.0  # so many frames short before a camera counts as having stopped


def inspect(tracks: Tracks, wand: Wand | None = None) -> Inspection:
    """Return what the capture holds and whether it is good enough to solve.

    Raises InputError where a point names a marker that ``wand`` does not have.
    """
    if wand is not None:
        tracks.check_markers(len(wand.markers))
    table = overlap(tracks)
    graph = camera_graph(table)
    cameras = tuple(_camera(c, graph, i) for i, c in enumerate(tracks.cameras))
    timing, moved, flat = _timing(tracks), travel(tracks), depth(tracks, table)
    findings = [
        *_identity(tracks, cameras, wand),
        *_wave(moved, flat, tracks.names),
        *_links(graph, table, tracks),
        *_amounts(cameras, is_still=moved < STILL_TRAVEL),
        *_times(tracks, timing, table),
    ]
    findings.sort(key=lambda f: f.severity != "act")
    return Inspection(cameras, table, graph, timing, moved, flat, tuple(findings))


def _camera(camera: CameraTracks, graph: CameraGraph, index: int) -> CameraCapture:
    named = camera.marker >= 0
    xy, n = camera.xy_px[named], int(named.sum())
    frames = int(group_starts(camera.frame[named]).size)
    low, high = np.percentile(xy, [5, 95], axis=0) if n else (np.zeros(2), np.zeros(2))
    return CameraCapture(
        name=camera.name,
        points=camera.n_points,
        identified=n,
        frames=frames,
        points_per_frame=n / frames if frames else 0.0,
        coverage=coverage(xy, camera.width, camera.height) if n else 0.0,
        spread_px=(float(high[0] - low[0]), float(high[1] - low[1])),
        first_frame=int(camera.frame[0]) if camera.n_points else None,
        last_frame=int(camera.frame[-1]) if camera.n_points else None,
        partners=sum(index in edge for edge in graph.edges),
        travel=camera_travel(camera),
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
    points, named = sum(c.points for c in cameras), sum(c.identified for c in cameras)
    if points and not named:
        text = f"None of the {points} points carries a marker: identify the wand's markers first."
        yield Finding("unidentified", "act", tracks.names, text)
        return
    many = [c for c in cameras if c.identified and c.identified < (1 - MANY_UNNAMED) * c.points]
    if many:
        many.sort(key=lambda c: c.identified / c.points)
        worst = listed([f"{c.name} ({1 - c.identified / c.points:.0%})" for c in many])
        text = (
            f"Points without a marker, over {MANY_UNNAMED:.0%}: {worst}. Look for "
            f"reflections and lamps in view, or for"
            " a wand that is often hidden."
        )
        yield Finding("unidentified", "note", tuple(c.name for c in many), text)
    seen = np.unique(np.concatenate([c.marker[c.marker >= 0] for c in tracks.cameras]))
    if named and seen.size < 2:
        text = (
            f"Only one marker (index {seen[0]}) was ever identified: without a length "
            f"there is no scale."
        )
        yield Finding("markers", "act", tracks.names, f"{text} Identify two or more.")
    elif named and wand is not None and seen.size < len(wand.markers):
        missing = [name for i, name in enumerate(wand.markers) if i not in seen]
        text = (
            f"Marker {listed(missing)} of the wand was never identified. Check that "
            f"this is the wand that was waved."
        )
        yield Finding("markers", "note", (), text)


def _wave(moved: float, flat: Depth, names: tuple[str, ...]) -> Iterable[Finding]:
    if moved < STILL_TRAVEL:
        text = (
            f"The wand was held still: it moves by {moved:.3f} of its own length in the "
            f"images, where a wave gives"
            " several lengths. Keep it moving and turning through the whole volume."
        )
        yield Finding("still", "act", names, text)
    elif flat.is_planar:
        text = (
            f"The wave is flat: one plane explains the shared points to "
            f"{flat.parallax:.1%} of their spread, where a"
            f" wave in depth leaves more than {PLANAR_PARALLAX:.0%}. Wave up and down, "
            f"near and far, and tilt the wand."
        )
        yield Finding("planar", "act", names, text)


def _links(graph: CameraGraph, table: Overlap, tracks: Tracks) -> Iterable[Finding]:
    if len(graph.names) == 1:
        text = f"{graph.names[0]} is the only camera: two or more are needed for a wand wave."
        yield Finding("islands", "act", graph.names, text)
        return
    if graph.blind:
        text = (
            f"No identified point in {listed(graph.blind)}. Check aim, threshold and "
            f"cable, and wave in view."
        )
        yield Finding("blind", "act", graph.blind, text)
    islands = [island for island in graph.islands if not set(island) <= set(graph.blind)]
    if len(islands) > 1:
        text = f"The cameras fall into {len(islands)} islands that share too few wand frames: "
        text += " | ".join(listed(island) for island in islands[:6])
        if len(islands) > 6:
            text += f" | and {len(islands) - 6} more"
        apart = tuple(name for island in islands[1:] for name in island)
        yield Finding("islands", "act", apart, f"{text}. {wave_between(graph)}")
    if graph.articulation:
        text = (
            f"The rig falls apart without {listed(graph.articulation)}: wave where "
            f"other cameras see past it."
        )
        yield Finding("articulation", "note", graph.articulation, text)
    if graph.hanging:
        only = {
            graph.names[a]: graph.names[b] for edge in graph.edges for a, b in (edge, edge[::-1])
        }
        phrase = listed([f"{name} (to {only[name]})" for name in graph.hanging])
        text = (
            f"Linked to one camera alone, which nothing cross-checks: {phrase}. Wave "
            f"where a third camera sees it too."
        )
        yield Finding("hanging", "note", graph.hanging, text)


def _amounts(cameras: Sequence[CameraCapture], *, is_still: bool) -> Iterable[Finding]:
    if is_still:
        return
    seen = [c for c in cameras if c.identified]
    few = [c for c in seen if c.identified < FEW_POINTS]
    if few:
        text = (
            f"Fewer than {FEW_POINTS} identified points: "
            f"{listed([f'{c.name} ({c.identified})' for c in few])}."
        )
        yield Finding(
            "points", "note", tuple(c.name for c in few), f"{text} Wave longer in their view."
        )
    for low, high, severity, what in (
        (0.0, NO_COVERAGE, "act", "too little to determine a lens or a pose"),
        (NO_COVERAGE, LOW_COVERAGE, "note", "distortion beyond is extrapolated"),
    ):
        bare = sorted((c for c in seen if low <= c.coverage < high), key=lambda c: c.coverage)
        if bare:
            worst = listed([f"{c.name} ({c.coverage:.0%})" for c in bare])
            text = (
                f"Points cover less than {high:.0%} of the sensor, {what}: {worst}. "
                f"Carry the wand into their corners."
            )
            yield Finding("coverage", severity, tuple(c.name for c in bare), text)


def _times(tracks: Tracks, timing: Timing, table: Overlap) -> Iterable[Finding]:
    if timing.silences:
        a, b = max(timing.silences, key=lambda s: s[1] - s[0])
        others = (
            f" and in {len(timing.silences) - 1} other stretches"
            if len(timing.silences) > 1
            else ""
        )
        text = (
            f"No camera has a point in frames {a} to {b} "
            f"({(b - a + 1) / tracks.frame_rate_hz:.1f} s){others}."
        )
        text += " A pause does no harm; otherwise look for lost data."
        yield Finding("silence", "note", (), text)
    for camera in tracks.cameras:
        rest = [c for c in tracks.cameras if c is not camera and c.n_points]
        if not camera.n_points or not rest:
            continue
        start, end = min(c.frame[0] for c in rest), max(c.frame[-1] for c in rest)
        first, last = camera.frame[0], camera.frame[-1]
        if last < start or first > end:
            text = (
                f"{camera.name} has frames {first} to {last}, all others {start} to "
                f"{end}: it saw the wand at another"
                " time only, or its frame counter started elsewhere. Start all counters together."
            )
            yield Finding("timing", "act", (camera.name,), text)
            continue
        for word, missing, at in _absences(tracks, table, camera):
            text = (
                f"{camera.name} {word} at frame {at} while its neighbours go on seeing "
                f"the wand where it would:"
                f" some {missing:.0f} frames are missing. Check its link and its recording."
            )
            yield Finding("timing", "note", (camera.name,), text)


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
