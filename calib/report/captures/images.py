"""What images held, as people read it and as JSON."""

from __future__ import annotations

from typing import Any

from calib.core.names import command, counted
from calib.intake.centroids.stream import CameraSummary, Extraction
from calib.report.tables import Blocks, Column, Said, Table, following, strong
from calib.report.words import document, picked

LEGEND = (
    "Radius, roundness and peak (of full scale) are medians over the spots; clipping: spots that "
    "have pixels at full scale."
)


def as_blocks(found: Extraction, explain: bool = False, output: str = "TRACKS") -> Blocks:
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


def as_json(found: Extraction) -> dict[str, Any]:
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
