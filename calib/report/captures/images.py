"""What images held, and whether a camera's spots are fit to measure, as people read it and as
JSON.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from calib.core.names import command, counted, listed
from calib.intake.centroids.focus import Focus
from calib.intake.centroids.stream import CameraSummary, Extraction
from calib.report.tables import Blocks, Column, Said, Table, following, strong
from calib.report.words import document, ended, picked

LEGEND = (
    "Radius, roundness and peak (of full scale) are medians over the spots; clipping: spots that "
    "have pixels at full scale."
)


def extraction_blocks(found: Extraction, explain: bool = False, output: str = "TRACKS") -> Blocks:
    """Return what was found, the next command (on ``output``), what each camera's images held, and
    below it why blobs were refused.
    """
    rows = found.cameras
    n_points, n_images = sum(c.n_points for c in rows), sum(c.n_images for c in rows)
    counts = [counted(n_points, "point"), counted(n_images, "image"), counted(len(rows), "camera")]
    out: Blocks = [strong("{} in {} of {}.".format(*counts))]
    if n_points:
        then = command("identify", output, "--wand", "WAND", "-o", "named.h5")
        out.append(following(then))
    columns = [
        Column("camera", [c.name for c in rows], is_left=True),
        Column("images", [c.n_images for c in rows]),
        Column("points", [c.n_points for c in rows]),
        Column(
            "points|an image",
            [c.n_points / c.n_images if c.n_images else None for c in rows],
            ".1f",
        ),
        Column("images|empty", [c.n_without_spots for c in rows]),
        Column("radius|px", [c.radius_px for c in rows], ".2f"),
        Column("roundness", [c.roundness for c in rows], ".2f", rank=2),
        Column("peak", [c.peak_share for c in rows], ".0%"),
        Column("spots with|clipping", [c.saturated_share for c in rows], ".0%"),
        Column("threshold", [c.threshold for c in rows], ".0f", rank=3),
        Column("refused", [sum(c.refused.values()) for c in rows]),
    ]
    out += ["", Table(columns), ""]
    for c in rows:
        if c.refused:
            worst = sorted(c.refused.items(), key=lambda r: -r[1])
            reasons = ", ".join(f"{n} {reason}" for reason, n in worst)
            out.append(Said(f"refused {reasons}", f"{c.name}: "))
    return [*out, LEGEND] if explain else out


def extraction_as_json(found: Extraction) -> dict[str, Any]:
    """Return what ``calib centroids --json`` prints."""
    bad = [str(error) for error in found.bad]
    return document({"cameras": [_summary(c) for c in found.cameras], "not_used": bad})


def _summary(c: CameraSummary) -> dict[str, Any]:
    return {
        "name": c.name,
        "images": c.n_images,
        "points": c.n_points,
        "images_without_spots": c.n_without_spots,
        "images_capped": c.n_capped,
        "missing_frames": c.missing,
        "refused": c.refused,
        **picked(c, "threshold", "background", "noise", "radius_px", "roundness", "peak_share"),
        "saturated_share": c.saturated_share,
    }


def focus_blocks(found: Sequence[Focus]) -> Blocks:
    """Return which cameras' spots are fit to measure, what to turn, and what was judged."""
    bad = [f for f in found if not f.is_fit]
    if len(found) == 1:
        (one,) = found
        verdict = "fit to measure" if one.is_fit else "not fit to measure yet"
        spots = f"{counted(one.n_spots, 'spot')} in {counted(one.n_images, 'image')}"
        told = strong(f"{one.camera}: {verdict} ({spots}).")
        return [told, *_remedies(one), "", _checks(one)]
    says = f"{len(found) - len(bad)} of {len(found)} cameras fit to measure"
    names = f"; not yet: {listed([f.camera for f in bad])}" if bad else ""
    out: Blocks = [strong(f"{says}{names}.")]
    alike: dict[str, list[str]] = {}
    for f in bad:
        for text in _remedies(f):
            alike.setdefault(text, []).append(f.camera)
    for text, cameras in alike.items():
        out.append(Said(text, f"{listed(cameras)}: "))
    numbers = [f.numbers for f in found]
    columns = [
        Column("camera", [f.camera for f in found], is_left=True),
        Column("images", [f.n_images for f in found]),
        Column("spots", [f.n_spots for f in found]),
        Column("across|px", [n.get("diameter_px") for n in numbers], ".1f"),
        Column("blur|px", [n.get("blur_px") for n in numbers], ".2f"),
        Column("peak", [n.get("peak_share") for n in numbers], ".0%"),
        Column("clipped|of a spot", [n.get("clipped_share") for n in numbers], ".0%"),
        Column("roundness", [n.get("roundness") for n in numbers], ".2f"),
        Column("verdict", [_verdict(f.is_fit) for f in found], is_left=True),
    ]
    rows = [k for k, f in enumerate(found) if not f.is_fit]
    return [*out, "", Table(columns, rows)]


def _remedies(one: Focus) -> list[str]:
    """Return what to turn and why, in the order in which one would: nothing else can be judged of
    a picture that is out of focus.
    """
    wrong = sorted((c for c in one.checks if not c.is_ok), key=lambda c: c.turn[:1] != ("focus",))
    out = []
    for advice, checks in groupby(wrong, key=lambda c: c.advice):
        acting = list(checks)
        names, turn = ", ".join(c.name for c in acting), ", then ".join(acting[0].turn)
        out.append(ended(f"{names} (turn {turn}): {advice}"))
    return out


def _checks(one: Focus) -> Table:
    rows = one.checks
    columns = [
        Column("what", [c.name for c in rows], is_left=True),
        Column("verdict", [_verdict(c.is_ok) for c in rows], is_left=True),
        Column("found", [c.found for c in rows], is_left=True),
        Column("wanted", [c.wanted for c in rows], is_left=True),
    ]
    return Table(columns, [k for k, c in enumerate(rows) if not c.is_ok])


def focus_as_json(found: Focus) -> dict[str, Any]:
    """Return what ``calib focus --json`` prints."""
    checks = [
        picked(c, "name", "found", "wanted")
        | {"verdict": _verdict(c.is_ok)}
        | ({} if c.is_ok else {"turn": c.turn, "advice": c.advice})
        for c in found.checks
    ]
    return document(
        {
            "camera": found.camera,
            "images": found.n_images,
            "spots": found.n_spots,
            "verdict": _verdict(found.is_fit),
            "refused": found.refused,
            "numbers": found.numbers,
            "checks": checks,
        }
    )


def _verdict(is_ok: bool) -> str:
    return "ok" if is_ok else "act"


def spots_as_csv(found: Extraction) -> str:
    """Return every spot with what a tracks file has no place for; rows in the order of the tracks
    file's points.
    """
    lines = ["camera,frame,x,y,radius,roundness,peak,saturated,fitted"]
    for c, summary in zip(found.tracks.cameras, found.cameras, strict=True):
        e = summary.extras
        assert c.radius_px is not None
        columns = (
            c.frame,
            *c.xy_px.T,
            c.radius_px,
            e["roundness"],
            e["peak"],
            e["saturated"],
            e["is_fitted"],
        )
        for frame, x, y, radius, roundness, peak, saturated, is_fitted in zip(
            *(v.tolist() for v in columns), strict=True
        ):
            own = f"{radius:.3f},{roundness:.3f},{peak:.0f},{saturated:.3f},{int(is_fitted)}"
            lines.append(f"{c.name},{frame},{x!r},{y!r},{own}")
    return "\n".join(lines) + "\n"
