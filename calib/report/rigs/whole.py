"""What speaks against a rig as a whole, in words: what was seen, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from calib.check.verdicts import RigFault
from calib.core.names import listed, renaming
from calib.core.rig import Doubt
from calib.report.words import ended

MEASURE = "Measure the wand again, or give the file of the wand that was waved, and solve again"


def as_json(doubts: Sequence[Doubt]) -> dict[str, Any]:
    """Return verdict and findings about the rig."""
    return {
        "verdict": "act" if doubts else "ok",
        "findings": [
            {
                "finding": d.finding,
                "evidence": seen(d),
                "effect_mm": d.effect_mm,
                "cameras": list(d.cameras),
            }
            for d in doubts
        ],
    }


def as_blocks(doubt: Doubt) -> list[str]:
    """Return the line that a doubt prints."""
    return sentences([doubt])


def sentences(doubts: Sequence[Doubt]) -> list[str]:
    """Return a sentence for each finding, of all the doubts that follow one another with it, and
    what to do about it.
    """
    out = []
    for finding, same in groupby(doubts, key=lambda d: d.finding):
        of = list(same)
        remedies = dict.fromkeys(ended(_remedy(d)) for d in of)
        out.append(
            f"{finding[:1].upper()}{finding[1:]}: {'; '.join(map(seen, of))}. {' '.join(remedies)}"
        )
    return out


def named(doubts: Sequence[Doubt]) -> str:
    """Return in a phrase what speaks against the rig: each finding once, with its cameras."""
    of: dict[str, list[str]] = {}
    for doubt in doubts:
        of.setdefault(doubt.finding, []).extend(doubt.cameras)
    return listed(f"{name} ({listed(who)})" if who else name for name, who in of.items())


def seen(doubt: Doubt) -> str:
    """Return what was seen."""
    f, name = doubt.figures, doubt.finding
    if name == RigFault.MIRRORED:
        return "the wand fits what they saw only in a mirror"
    if name == RigFault.WAND:
        return _wand(f)
    if name == RigFault.REBUILT:
        which = "its markers stand" if f["marker"] is None else f"marker {f['marker']} stands"
        return (
            f"from about frame {f['frame']:.0f} on {which} otherwise to the others than before, by"
            f" {f['offset_mm']:.2f} mm"
        )
    if name == RigFault.OFF_LINE:
        return (
            f"marker {f['marker']} stands beside the line of the others, by {f['offset_mm']:.2f} mm"
        )
    if name == RigFault.BENT:
        return (
            f"marker {f['marker']} does not keep its place on the wand: it strays by"
            f" {f['offset_mm']:.2f} mm, the others do not"
        )
    if name in (RigFault.MARKER, RigFault.LEANING):
        return _aside(f)
    if name in {RigFault.LENGTHS, RigFault.GROWS}:
        return _length(f)
    if name == RigFault.CHANGED and "frame" in f:
        return (
            f"from frame {f['frame']:.0f} on the cameras stand otherwise to one another than"
            f" before; points move by {f['shift_px']:.2f} px ({listed(doubt.cameras)})"
        )
    if "first" in f:
        of = f"the points of {listed(doubt.cameras)}" if doubt.cameras else "all points"
        return (
            f"from frame {f['first']:.0f} to {f['last']:.0f} {f['share']:.0%} of {of} fit nothing,"
            " elsewhere few"
        )
    if name == RigFault.LEFT_OUT:
        verb = "their" if len(doubt.cameras) > 1 else "its"
        return f"of {listed(doubt.cameras)} up to {f['share']:.0%} of {verb} points fit nothing"
    if name == RigFault.MARKER_LOST:
        return (
            f"{f['share']:.0%} of marker {f['marker']}'s points fit nothing, of the other markers"
            f" {f['usual']:.1%}"
        )
    if name == RigFault.PLACE_LOST:
        return (
            f"where {listed(doubt.cameras)} sees columns {f['left']:.0f} to {f['right']:.0f} and"
            f" rows {f['top']:.0f} to {f['bottom']:.0f}, {f['share']:.0%} of its points fit"
            f" nothing, elsewhere {f['usual']:.1%}"
        )
    return _stated(doubt) if name == RigFault.STATED else _pair(f)


def _wand(f: Any) -> str:
    if "exchanged" in f:
        return f"markers {listed(f['exchanged'])} come out at one another's places"
    if f["marker"] is None:
        return (
            f"its markers lie off by some {f['offset_mm']:.2f} mm, and which one cannot be told"
            " from this capture; the scale is only as sure as that"
        )
    return (
        f"marker {f['marker']} lies {f['offset_mm']:.2f} mm from where the wand file has it, as"
        " the images show it"
    )


def _stated(doubt: Doubt) -> str:
    f = doubt.figures
    if "least_share" in f:
        return (
            f"those of {listed(doubt.cameras)} come out otherwise, by {f['least_share']:+z.2%} to"
            f" {f['most_share']:+z.2%} of focal length; held, they bend the rig and its size"
        )
    centre = f"({f['x_px']:+z.1f}, {f['y_px']:+z.1f}) px"
    off = f"{f['focal_share']:+z.2%} of focal length, centre {centre}"
    of = listed(doubt.cameras)
    if f["is_exchanged"]:
        return f"those of {of} come out as each other's ({doubt.cameras[0]}: {off})"
    if len(doubt.cameras) > 1:
        return f"{of} fit with another lens of either ({off}); which cannot be told"
    return f"that of {of} comes out otherwise ({off}), and its place is off by what that does"


def _length(f: Any) -> str:
    if "change_mm" in f:
        return f"over the wave its {f['length_mm']:.0f} mm change by {f['change_mm']:+z.2f} mm"
    return f"the wand's {f['length_mm']:.0f} mm come out {f['mean_mm']:+z.2f} mm in the mean"


def _aside(f: Any) -> str:
    if "longer_mm" in f:
        is_long = f["longer_mm"] > 0
        return (
            f"where the wand points to a camera, markers look up to {abs(f['size_mm']):.2f} mm"
            f" farther {'out' if f['size_mm'] > 0 else 'in'}; the wand seems"
            f" {abs(f['longer_mm']):.2f} mm too {'long' if is_long else 'short'}, and the rig comes"
            f" out too {'small' if is_long else 'large'} for it"
        )
    if "offset_mm" in f:
        return (
            f"all cameras see marker {f['marker']} off to one side of its place, by"
            f" {f['offset_mm']:.2f} mm"
        )
    px = f"by {f['shift_px']:.2f} px beyond what the wand's pose takes up"
    if f["marker"] is None:
        return f"all images show markers to one side, {px}; which one cannot be told"
    return f"all images show marker {f['marker']} to one side, {px}"


def _pair(f: Any) -> str:
    parts = [f"noise of {f['noise_px']:.2f} px"]
    if "frame" in f:
        parts.append(
            f"from frame {f['frame']:.0f} on they stand otherwise to one another, by"
            f" {f['shift_px']:.2f} px"
        )
    parts += f.get("what", [])
    return f"one pose, one clock and these lenses do not explain what they saw ({'; '.join(parts)})"


def _remedy(doubt: Doubt) -> str:
    if doubt.finding == RigFault.WAND and "exchanged" in doubt.figures:
        return "Put them right in the wand file, and solve again"
    if doubt.figures.get("is_exchanged"):
        names = renaming(doubt.cameras)
        return f"Their points, or their stated lenses, stand under each other's names: {names}"
    if doubt.finding == RigFault.LEFT_OUT and "first" in doubt.figures:
        if doubt.cameras:
            return (
                "Unless the wand was laid down or covered then, these cameras or the others were"
                " knocked: the rig is as it stood before. Look at mounts and truss, tighten them,"
                " wave again"
            )
        return (
            "Look for reflections, exchanged markers or cables, and wave again; but first whether"
            " frame counts differ from there on: calib inspect TRACKS --wand WAND"
        )
    remedies = {
        RigFault.STATED: "See which zoom, focus and binning it was measured at; measure it again,"
        " or solve with --lens free",
        RigFault.MIRRORED: "Switch mirroring or flipping of the images off, and wave again",
        RigFault.WAND: MEASURE,
        # Of three markers on a line the images do not tell a bend from one seen aside.
        RigFault.OFF_LINE: "Look whether the wand is bent, or a marker sits loose, is half covered"
        f" or shows a glint. {MEASURE}",
        RigFault.BENT: "Look whether the wand bends, or a marker sits loose, is half covered or"
        " shows a glint, and wave slower",
        RigFault.MARKER: "Look whether it is half covered, dirty or shows a glint, and wave again",
        RigFault.LEANING: "Look whether the wand's stick hides a part of its markers or shines:"
        " blacken it, or set them clear of it, and wave again, the wand square to the cameras",
        RigFault.LENGTHS: "Do not measure with this rig: check wand, clocks and lenses, and solve"
        " again",
        RigFault.GROWS: "Look whether a marker slides or sits loose, fasten it, measure the wand"
        " and wave again; if all are tight, whether a camera sags or its clock drifts",
        RigFault.REBUILT: "Look whether a marker slipped or was screwed on anew, or another wand"
        " was taken up; fasten all, measure the wand, and wave again with that one alone",
        RigFault.CHANGED: "Find out what was knocked or moved, tighten it, and wave again",
        RigFault.LEFT_OUT: "Look for reflections, exchanged markers or cables, a mount that"
        " trembles and a bent window, and wave again",
        RigFault.MARKER_LOST: "Look whether it is loose, dirty or half covered, and wave again",
        RigFault.PLACE_LOST: "Mask a lamp or reflection there and wipe its window; if nothing is"
        " there, the lens bends more than its model: solve with more lens terms (--terms)",
        RigFault.PAIR: "Check sync, mounts and stated lenses; a third camera would tell which",
    }
    return remedies[RigFault(doubt.finding)]
