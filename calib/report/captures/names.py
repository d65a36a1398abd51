"""What became of nameless points, as people read it and as JSON."""

from __future__ import annotations

from typing import Any

from calib.core.names import command, counted
from calib.naming.identify import Identification, masks_of
from calib.report.tables import Blocks, Column, Said, Table, following, strong
from calib.report.words import document, picked, sentence


def as_blocks(found: Identification, output: str = "NAMED", wand: str = "WAND") -> Blocks:
    """Return how many points were named, what to do, the same camera by camera, and every mask;
    ``output`` and ``wand`` are the files that the next command names.
    """
    rows = found.cameras
    columns = [
        Column("camera", [c.name for c in rows], is_left=True),
        Column("points", [c.points for c in rows]),
        Column("masked", [c.masked for c in rows]),
        Column("named", [c.named for c in rows]),
        Column("frames with|points enough", [c.enough for c in rows]),
        Column("frames with|the wand", [c.frames for c in rows]),
        Column("masks", [c.masks for c in rows]),
    ]
    masks = [
        f"mask: {camera.name} at ({x:.1f}, {y:.1f}) px, radius {radius:.1f} px"
        for camera in found.tracks.cameras
        for x, y, radius in masks_of(camera)
    ]
    whole = sentence(summary(found))
    out: Blocks = [strong(whole)]
    if found.is_sparse:
        n, enough = found.views
        few = (
            f"Too little of the wand was found: {n} of {counted(enough, 'view')} with points "
            f"enough {'shows' if n == 1 else 'show'} it. See that the wand file is that of the "
            "wand that was waved, and keep other bright things out of the cameras' sight."
        )
        out = [strong(few), whole]
    if masks:
        out.append(
            "Cover or remove what reflects where you can: a masked place sees no wand either."
        )
    then = command("solve", output, "--wand", wand, "-o", "rig.h5")
    if found.is_sparse:
        then = command("inspect", output, "--wand", wand) + "    # can what was named be solved?"
    out.append(following(then))
    out += ["", Table(columns)]
    return [*out, "", *(Said(m, is_whole=True) for m in masks)] if masks else out


def summary(found: Identification, what: str = "markers of the wand") -> str:
    """Return the whole in one line; ``what`` the points were named as."""
    named, points = sum(c.named for c in found.cameras), sum(c.points for c in found.cameras)
    masks, masked = sum(c.masks for c in found.cameras), sum(c.masked for c in found.cameras)
    return f"named {named} of {points} points as {what}" + (
        f"; {counted(masked, 'point')} lie{'s' if masked == 1 else ''} in "
        f"{counted(masks, 'place')} masked, where reflections stay put"
        if masks
        else "; no reflections that stay put"
    )


def as_json(found: Identification) -> dict[str, Any]:
    """Return what ``calib identify --json`` prints."""
    cameras = [
        picked(c, "name", "points", "masked", "named", "enough", "frames")
        | {"masks": [dict(zip(("x_px", "y_px", "radius_px"), m, strict=True)) for m in masks_of(t)]}
        for c, t in zip(found.cameras, found.tracks.cameras, strict=True)
    ]
    return document({"is_sparse": found.is_sparse, "cameras": cameras})
