"""A wave that goes on, as people read it: how good it is by now, where to walk, what is wrong; and
the same as JSON.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from calib.core.names import counted, listed
from calib.report.captures.inspection import shared
from calib.report.tables import Blocks, Column, Said, Table, strong
from calib.report.words import document, picked
from calib.watch.records import Call, CalledOut, Ending, Figure, Lack, Region, View, Walk

HEIGHTS = {-1: "low", 0: "at half height", 1: "high"}
ROWS, COLUMNS = {-1: "upper", 0: "", 1: "lower"}, {-1: "left", 0: "", 1: "right"}


def as_blocks(found: View) -> Blocks:
    """Return the verdict and where to walk, what is called out, and what each camera and pair has
    so far.
    """
    out: Blocks = [strong(verdict(found))]
    if found.ending is None and (way := where_to(found)):
        out.append(way)
    for call in found.called_out:
        out.append(strong(in_words(call), f"{call.camera}: "))
    if found.trouble:
        out.append(Said(found.trouble, "Not solvable: "))
    if found.against:
        out.append(f"Not good enough to solve as yet: {listed(found.against)}.")
    return [*out, "", _cameras(found), *shared(found.overlap)]


def one_line(found: View) -> str:
    """Return the verdict, and where to walk, as one line."""
    way = where_to(found) if found.ending is None else ""
    return f"{verdict(found)} {way}".rstrip()


def as_json(found: View) -> dict[str, Any]:
    """Return the state as ``calib watch --json`` prints it."""
    return document(
        {
            "enough": found.ending is not None,
            "reason": found.ending,
            "seconds": found.duration_s,
            "frames": found.n_frames,
            "need_mm": found.need_mm,
            "everywhere": found.is_everywhere,
            "precision": None if found.forecast is None else asdict(found.forecast.now),
            "ten_seconds_more": None if found.forecast is None else asdict(found.forecast.later),
            "solved": None
            if found.solved is None
            else asdict(found.solved) | {"frames": found.solved_frames},
            "walk": None if found.walk is None else asdict(found.walk) | {"text": where_to(found)},
            "called_out": [
                {"camera": c.camera, "call": c.call, "text": in_words(c)} | c.figures
                for c in found.called_out
            ],
            "trouble": found.trouble or None,
            "against": found.against,
            "cameras": [asdict(c) for c in found.cameras],
            "overlap": picked(found.overlap, "names", "points", "frames", "cells"),
            "islands": found.graph.islands,
            "wave_between": found.graph.waves,
        }
    )


def verdict(found: View) -> str:
    """Return how good the wave is by now, in a sentence or two."""
    time = f"{found.duration_s:.0f} s, {counted(found.n_frames, 'frame')}"
    if found.ending is not None and found.solved is not None:
        solved = _figure(found.solved)
        if found.ending == Ending.NEED:
            return f"Enough after {time}: {solved}; {_need(found)}. Stop waving and solve."
        return (
            f"Enough after {time}: {solved}, and ten more seconds would gain less than a tenth. "
            "Stop waving and solve."
        )
    if found.forecast is None:
        islands = len(found.graph.islands)
        if not found.is_named:
            state = "no wand found yet"
        elif islands > 1:
            state = f"the cameras are still in {islands} groups that share too little"
        else:
            state = "too little to place the cameras yet"
        return f"{time}: {state}. Keep waving."
    now, later = found.forecast.now, found.forecast.later
    more = later.most_mm if found.is_everywhere else later.half_mm
    need = f"; {_need(found)}" if found.need_mm is not None else ""
    return f"{time}: {_figure(now)}. Ten more seconds like these: {more:.2f} mm{need}. Keep waving."


def where_to(found: View) -> str:
    """Return where to walk next, in the words of a person; empty where nothing is to be said."""
    pace = "slowly: the wand goes too fast" if found.is_fast else ""
    if found.walk is None:
        return f"Go on {pace}." if pace else ""
    place = ", ".join(filter(None, [_place(found.walk), pace]))
    gain = found.walk.sigma_mm
    told = f" Ten seconds there would give {gain:.2f} mm." if math.isfinite(gain) else ""
    return f"Walk {place}.{told}"


def in_words(c: CalledOut) -> str:
    """Return what is called out and what to do."""
    f = c.figures
    if c.call == Call.SILENT:
        if "expected" in f:
            return (
                f"silent for {f['silent_s']:.0f} s, though {f['expected']:.0f} markers passed "
                "where it saw the wand before. Check its link, power and recording."
            )
        return (
            f"silent for {f['silent_s']:.0f} s. Bring the wand into its view; if it stays silent, "
            "check link, power, aim and threshold."
        )
    if c.call == Call.STRAY:
        return (
            f"full of stray points, {f['per_frame']:.1f} a frame. Look for reflections and lamps "
            "in its view; cover them or raise its threshold."
        )
    if c.call == Call.MISFIT:
        return (
            f"does not fit: {f['share']:.0%} of its markers lie off where the others see them. Was "
            "it knocked, or are its frames late? If so, begin the wave anew."
        )
    if c.call == Call.LARGE:
        return (
            f"large spots: a marker looks {f['wide_mm']:.0f} mm wide, {f['others_mm']:.0f} mm in "
            "half of the cameras: too much light or out of focus. See calib focus IMAGE of it."
        )
    late = f["late_frames"]
    word = "late" if late > 0 else "early"
    return (
        f"out of step: {abs(late):.2f} frames {word} (± {f['sigma_frames']:.2f}). Check its sync "
        "cable and trigger delay."
    )


def _figure(of: Figure) -> str:
    return (
        f"a marker is placed to ± {of.half_mm:.2f} mm in half of the places where the wand "
        f"went, ± {of.most_mm:.2f} mm in 19 of 20"
    )


def _need(found: View) -> str:
    where = "19 of 20" if found.is_everywhere else "half of them"
    return f"the need is {found.need_mm:g} mm in {where}"


def _place(walk: Walk) -> str:
    if len(walk.cameras) == 2:
        return f"to where {walk.cameras[0]} and {walk.cameras[1]} both see the wand"
    camera = walk.cameras[0]
    if walk.region is not None:
        return f"to where {camera} has it in the {_part(walk.region)} of its image"
    if walk.height is None and not walk.is_middle and not math.isfinite(walk.sigma_mm):
        return f"into the view of {camera}, which has not seen the wand"
    height = f", {HEIGHTS[walk.height]}" if walk.height is not None else ""
    return f"{'in the middle' if walk.is_middle else f'towards {camera}'}{height}"


def _part(region: Region) -> str:
    words = [ROWS[region.row], COLUMNS[region.column]]
    return " ".join(filter(None, words)) + " part" if any(words) else "middle"


def _cameras(found: View) -> Table:
    rows = found.cameras

    def distance(near: float, far: float) -> str:
        known = math.isfinite(near) and math.isfinite(far)
        return f"{near / 1000:.1f}-{far / 1000:.1f}" if known else "-"

    called = {c.camera: str(c.call) for c in found.called_out}
    short = {
        Lack.BLIND: "the wand",
        Lack.LINK: "links",
        Lack.ONE_LINK: "a second link",
        Lack.POINTS: "points",
        Lack.COVERAGE: "sensor",
    }
    columns = [
        Column("camera", [c.name for c in rows], is_left=True),
        Column("points", [c.named for c in rows]),
        Column("frames", [c.frames for c in rows]),
        Column("sensor", [c.coverage for c in rows], ".0%"),
        Column("seen at|m", [distance(c.near_mm, c.far_mm) for c in rows]),
        Column("linked|to", [c.links for c in rows]),
        Column("still lacks", [listed([short[k] for k in c.lacks]) for c in rows], is_left=True),
        Column("now", [called.get(c.name, "") for c in rows], is_left=True),
    ]
    return Table(columns, [k for k, c in enumerate(rows) if c.name in called])
