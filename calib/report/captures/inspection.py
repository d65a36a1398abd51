"""An inspection of a capture as people read it, and as JSON."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from calib.check.inspection import CameraCapture, Finding, Inspection
from calib.check.verdicts import Shortcoming, Verdict
from calib.core.names import command, counted, listed
from calib.report.tables import Blocks, Column, Said, Table, following, lines_of, strong
from calib.report.words import document, filled, picked
from calib.solve.start.graph import Overlap, wave_between
from calib.solve.start.motion import PLANAR_PARALLAX, STILL_TRAVEL

WIDEST_TABLE = 12  # cameras whose overlap still fits a line of the console
MOST_ISLANDS = 6


def as_blocks(
    found: Inspection, explain: bool = False, files: tuple[str, str] = ("TRACKS", "WAND")
) -> Blocks:
    """Return the verdict and what to do, the capture as a whole, and what each camera saw;
    ``files`` are those that the next command names.
    """
    named = dict(zip(("TRACKS", "WAND"), files, strict=True))
    out: Blocks = [strong(_verdict(found))]
    for f in found.findings:
        text = filled(f"{f.kind}: {in_words(found, f)}", named)
        out.append(Said(text, f"{f.severity:<5} ", is_strong=f.severity == Verdict.ACT))
    if found.good:
        is_single = any(
            f.kind == Shortcoming.MARKERS and "index" in f.figures for f in found.findings
        )
        scale = ["--distance", "CAM,CAM,MM"] if is_single else ["--wand", files[1]]
        scale += ["--drop-outside"] if any(c.outside for c in found.cameras) else []
        out.append(following(command("solve", files[0], *scale, "-o", "rig.h5")))
    return [*out, "", *_head(found, explain), "", _cameras(found), *shared(found.overlap)]


def as_json(found: Inspection) -> dict[str, Any]:
    """Return the inspection as ``calib inspect --json`` prints it."""
    graph = found.graph
    return document(
        {
            "good": found.good,
            "cameras": [asdict(c) for c in found.cameras],
            "overlap": picked(found.overlap, "names", "points", "frames"),
            **picked(graph, "islands", "articulation", "hanging", "unlinked"),
            "wave_between": graph.waves,
            "timing": asdict(found.timing),
            "wave": {
                "travel": found.travel,
                "parallax": found.depth.parallax,
                "pairs_judged": found.depth.n_pairs,
            },
            "findings": [
                picked(f, "kind", "severity", "cameras") | {"text": in_words(found, f)}
                for f in found.findings
            ],
        }
    )


def in_words(found: Inspection, f: Finding) -> str:
    """Return what a finding says and what to do about it."""
    if f.kind in {Shortcoming.SILENCE, Shortcoming.TIMING}:
        return _times(found, f)
    if f.kind in {Shortcoming.STILL, Shortcoming.PLANAR}:
        return _wave(found, f)
    if f.kind == Shortcoming.UNIDENTIFIED and "points" in f.figures:
        return _names(f)
    if f.kind in {Shortcoming.UNIDENTIFIED, Shortcoming.MARKERS}:
        return _markers(found, f)
    if f.kind == Shortcoming.MISREAD:
        return f"{f.figures['text']}."
    if f.kind == Shortcoming.WAND:
        return _wand(f)
    if f.kind in {Shortcoming.POINTS, Shortcoming.COVERAGE, Shortcoming.OUTSIDE}:
        return _amounts(found, f)
    return _links(found, f)


def _verdict(found: Inspection) -> str:
    if found.good:
        return "Good enough to solve."
    act = [f for f in found.findings if f.severity == Verdict.ACT]
    of_kind: dict[str, list[str]] = {}
    for f in act:
        of_kind.setdefault(f.kind, []).extend(f.cameras)
    kinds = [f"{kind} ({listed(who)})" if who else kind for kind, who in of_kind.items()]
    return f"Not good enough to solve, {len(act)} to act on: {listed(kinds)}."


def _head(found: Inspection, explain: bool) -> list[str]:
    points, named = sum(c.points for c in found.cameras), sum(c.identified for c in found.cameras)
    t = found.timing
    share = f", {named / points:.1%} of them named" if points else ""
    lines = [f"{counted(len(found.cameras), 'camera')}, {counted(points, 'point')}{share}"]
    if t.first_frame is not None:
        lines.append(
            f"frames {t.first_frame} to {t.last_frame} at {t.frame_rate_hz:g} Hz, "
            f"{t.duration_s:.1f} s"
        )
    if explain and math.isfinite(found.travel):
        lines.append(f"the wand moves by {found.travel:.3g} of its own lengths in the images")
    if explain and math.isfinite(found.depth.parallax) and found.travel >= STILL_TRAVEL:
        lines.append(
            f"depth: one plane would put the points off by {found.depth.parallax:.1%} of their "
            f"spread ({found.depth.n_pairs} camera pairs; a flat wave gives less than "
            f"{PLANAR_PARALLAX:.0%})"
        )
    return lines


def _cameras(found: Inspection) -> Table:
    rows = found.cameras

    def pair(a: float | None, b: float | None, between: str) -> str:
        return f"{a:.0f}{between}{b:.0f}" if a is not None and b is not None else "-"

    columns = [
        Column("camera", [c.name for c in rows], is_left=True),
        Column("points", [c.points for c in rows]),
        Column("named", [c.identified / c.points if c.points else None for c in rows], ".1%"),
        Column("frames", [c.frames for c in rows]),
        Column("points|a frame", [c.points_per_frame for c in rows], ".1f"),
        Column("sensor|seen", [c.coverage for c in rows], ".0%"),
        Column(
            "spread|px", [pair(*c.spread_px, " × ") if c.identified else "-" for c in rows], rank=1
        ),
        Column("seen in|frames", [pair(c.first_frame, c.last_frame, " to ") for c in rows]),
        Column("cameras|linked to", [c.partners for c in rows]),
    ]
    return Table(columns)


def shared(of: Overlap) -> Blocks:
    """Return below an empty line the frames that each two cameras share; none of one camera."""
    return ["", Shared(of)] if len(of.names) > 1 else []


@dataclass(frozen=True, slots=True)
class Shared:
    """The frames that each two cameras share; of many cameras, with whom each shares most."""

    of: Overlap

    def laid(self, width: int | None) -> list[str]:
        names, frames, points = self.of.names, self.of.frames, self.of.points
        in_a_line = len("shared frames") + sum(len(n) + 2 for n in names)
        if len(names) <= WIDEST_TABLE and (width is None or in_a_line <= width):
            columns = [Column("shared frames", names, is_left=True)]
            for j, name in enumerate(names):
                own = ["·" if i == j else str(n) for i, n in enumerate(frames[:, j])]
                columns.append(Column(name, own))
            return Table(columns).laid(width)
        out: Blocks = ["frames (and points) shared with the nearest three"]
        for i, name in enumerate(names):
            order = np.argsort(-frames[i], kind="stable").tolist()
            most = [j for j in order if j != i and frames[i, j]][:3]
            told = ", ".join(f"{names[j]} ({frames[i, j]}, {points[i, j]})" for j in most)
            out.append(Said(told or "nobody", f"{name}  "))
        return lines_of(out, width)


def _camera(found: Inspection, name: str) -> CameraCapture:
    return next(c for c in found.cameras if c.name == name)


def _names(f: Finding) -> str:
    n = f.figures["points"]
    if "error" in f.figures:
        return f"None of the {n} points carries a marker, and naming them failed: " + str(
            f.figures["error"]
        )
    if "named" not in f.figures:
        return (
            f"None of the {n} points carries a marker, and links are by frames alone: calib solve "
            "names the points by the wand's shape. Give --wand WAND to see what that comes to."
        )
    return (
        f"None of the {n} points carries a marker: by the wand's shape {f.figures['named'] / n:.0%}"
        " of them were named for this, as calib solve does. Keep the names with calib identify."
    )


def _wand(f: Finding) -> str:
    if "exchanged" in f.figures:
        return (
            f"Markers {listed(f.figures['exchanged'])} come out at one another's places in all "
            "pairs of cameras. Put them right in the wand file."
        )
    (a, b), share = f.figures["between"], f.figures["share"]
    return (
        f"The wand is not as its file says: from {a} to {b} it comes out "
        f"{abs(share):.0%} {'longer' if share > 0 else 'shorter'} in all pairs of cameras, against "
        "its other lengths. Measure it again, or give the file of the wand that was waved."
    )


def _markers(found: Inspection, f: Finding) -> str:
    if "index" in f.figures and f.severity == Verdict.NOTE:
        return (
            "A single marker was carried about: a known distance of two cameras gives the scale "
            "(calib solve --distance)."
        )
    if "index" in f.figures:
        return (
            f"Only one marker (index {f.figures['index']}) was ever identified: without a length "
            "there is no scale. Identify two or more."
        )
    if "missing" in f.figures:
        return (
            f"Never identified of the wand's markers: {listed(f.figures['missing'])}. "
            "Check that this is the wand that was waved, and that none of its markers came off."
        )
    of = [_camera(found, name) for name in f.cameras]
    worst = listed([f"{c.name} ({1 - c.identified / c.points:.0%})" for c in of])
    return (
        f"Many points without a marker: {worst}. Look for reflections and lamps in view, or for a "
        "wand that is often hidden."
    )


def _wave(found: Inspection, f: Finding) -> str:
    if f.kind == Shortcoming.STILL:
        return (
            f"The wand was held still: it moves by {found.travel:.3f} of its own length in the "
            "images, where a wave gives several lengths. Keep it moving and turning through the "
            "whole volume."
        )
    return (
        f"The wave is flat: the wand hardly left one plane ({found.depth.parallax:.1%} of its "
        f"spread, where a wave in depth has more than {PLANAR_PARALLAX:.0%}). Wave up and "
        "down, near and far, and tilt the wand."
    )


def _links(found: Inspection, f: Finding) -> str:
    names = listed(f.cameras)
    if f.kind == Shortcoming.BLIND:
        return f"No identified point in {names}. Check aim, threshold and cable, and wave in view."
    if f.kind == Shortcoming.ARTICULATION:
        return f"The rig falls apart without {names}: wave where other cameras see past it."
    if f.kind == Shortcoming.HANGING:
        phrase = listed([f"{name} (to {f.figures[name]})" for name in f.cameras])
        return (
            f"Linked to one camera alone, which nothing cross-checks: {phrase}. Wave where a third "
            "camera sees it too."
        )
    if "islands" not in f.figures:
        return f"{names} is the only camera: two or more are needed for a wand wave."
    islands = f.figures["islands"]
    told = [listed(island) for island in islands[:MOST_ISLANDS]]
    told += [f"and {len(islands) - MOST_ISLANDS} more"] if len(islands) > MOST_ISLANDS else []
    return (
        f"The cameras fall into {len(islands)} islands that share too few wand frames: "
        f"{' | '.join(told)}. {wave_between(found.graph)}"
    )


def _amounts(found: Inspection, f: Finding) -> str:
    of = [_camera(found, name) for name in f.cameras]
    if f.kind == Shortcoming.OUTSIDE:
        shares = [f"{c.name} ({c.outside}, {c.outside / (c.points + c.outside):.1%})" for c in of]
        return (
            f"Points outside the sensor: {listed(shares)}. They are left out here; a solve leaves "
            "them out with --drop-outside. Check width and height, and what draws points there."
        )
    needed = f.figures["needed"]
    if f.kind == Shortcoming.POINTS:
        few = listed([f"{c.name} ({c.placed})" for c in of])
        return (
            f"Fewer than {needed} identified points in frames that another camera sees as well: "
            f"{few}. Wave longer where they see it together."
        )
    what = (
        "too little to determine a lens or a pose"
        if f.severity == Verdict.ACT
        else "distortion beyond is extrapolated"
    )
    worst = listed([f"{c.name} ({c.coverage:.0%})" for c in of])
    return (
        f"Points that another camera sees as well cover less than {needed:.0%} of the sensor, "
        f"{what}: {worst}. Carry the wand into their corners, in sight of others."
    )


def _times(found: Inspection, f: Finding) -> str:
    t = found.timing
    if f.kind == Shortcoming.SILENCE:
        a, b = max(t.silences, key=lambda s: s[1] - s[0])
        n = len(t.silences) - 1
        others = f" and in {n} other stretch{'es' if n > 1 else ''}" if n else ""
        return (
            f"No camera has a point in frames {a} to {b} ({(b - a + 1) / t.frame_rate_hz:.1f} s)"
            f"{others}. A pause does no harm; otherwise look for lost data."
        )
    c = _camera(found, f.cameras[0])
    if "px" in f.figures:
        frames, way = f.figures["frames"], "later" if f.figures["frames"] > 0 else "earlier"
        return (
            f"{c.name} exposes {abs(frames):.2f} ± {f.figures['sigma']:.2f} frames "
            f"({1000 * abs(frames) / t.frame_rate_hz:.1f} ms) {way} than its neighbours, which "
            f"moves its points by {f.figures['px']:.1f} px. Check its sync cable and trigger "
            "delay, or solve with --timing."
        )
    if f.severity == Verdict.ACT:
        return (
            f"{c.name} has frames {c.first_frame} to {c.last_frame}, all others "
            f"{f.figures['start']} to {f.figures['end']}: it saw the wand at another time only, or "
            "its frame counter started elsewhere. Start all counters together."
        )
    return (
        f"{c.name} {f.figures['word']} at frame {f.figures['frame']} while its neighbours go on "
        f"seeing the wand where it would: some {f.figures['missing']:.0f} frames are missing. "
        "Check its link and its recording."
    )
