"""What a file holds, as people read it and as JSON."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from calib.check.verdicts import RigFault
from calib.core.frames import Ints
from calib.core.geometry import sigma_in_space
from calib.core.names import counted, listed
from calib.core.points import Points
from calib.core.rig import Doubt, Rig, RigCamera
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.intake.centroids.names import ImageList
from calib.intake.table import CameraList, bare_camera
from calib.plan.records import Plan
from calib.report.papers.description import Description, of_images, of_plan, of_scenario, of_wand
from calib.report.papers.stored import (
    Fact,
    alignment_facts,
    in_brief,
    in_words,
    options_in_words,
    verification_facts,
    when,
)
from calib.report.rigs import whole
from calib.report.tables import Column, xyz
from calib.report.words import RMS, by_fault, picked
from calib.simulate.scenario import Scenario

NOT_DONE = "not done"


def describe(held: object) -> Description:
    """Return what a record holds that one of the files is of.

    Parameters
    ----------
    held : Tracks, Rig, Points, Wand, Plan, CameraList, ImageList or Scenario
        As a file's reader returns it.

    Returns
    -------
    Description
        Prints as ``calib describe`` does.

    Raises
    ------
    TypeError
        ``held`` is none of these.
    """
    for kind, told in _KINDS:
        if isinstance(held, kind):
            return told(held)
    raise TypeError(f"describe: a record of a file expected, {type(held).__name__} found")


# ---- one function a kind


def of_tracks(tracks: Tracks) -> Description:
    """Describe a capture: its cameras and what they saw."""
    cameras = tracks.cameras
    counts = [c.n_points for c in cameras]
    named = [int((c.marker >= 0).sum()) for c in cameras]
    masks = [0 if c.masks_px is None else len(c.masks_px) for c in cameras]
    numbers = np.unique(np.concatenate([c.frame for c in cameras]))
    markers = sorted({int(m) for c in cameras for m in np.unique(c.marker[c.marker >= 0])})
    frames = "none"
    if len(numbers):
        span_s = (numbers[-1] - numbers[0] + 1) / tracks.frame_rate_hz
        frames = f"{numbers[0]} to {numbers[-1]} ({span_s:.1f} s), {len(numbers)} with points"
    how = "by calib identify" if tracks.is_identified else "as the file states"
    facts = (
        *_stated_facts(tracks),
        ("frames", frames),
        ("points", f"{sum(counts)}, {sum(named)} of them with a marker"),
        ("markers", f"{listed([str(m) for m in markers])}, {how}" if markers else "not identified"),
    )
    columns = (
        Column("camera", [c.name for c in cameras], is_left=True),
        Column("points", counts),
        Column("with a|marker", named),
        Column("frames", [len(np.unique(c.frame)) for c in cameras]),
        Column("masks", masks),
        *_stated_columns(cameras),
    )
    document = {
        "kind": "tracks",
        **picked(tracks, *_STATED),
        **_frames(numbers),
        "markers": markers,
        "identified": tracks.is_identified,
        "cameras": [
            _camera(c, points=n, with_marker=k, masks=m)
            for c, n, k, m in zip(cameras, counts, named, masks, strict=True)
        ],
    }
    title = f"Tracks file: {counted(len(cameras), 'camera')}, {counted(sum(counts), 'point')}"
    return Description(title, facts, columns, document)


_STATED = ("title", "captured_at", "frame_rate_hz")


def _stated_facts(of: Tracks | CameraList) -> tuple[Fact, ...]:
    return (
        ("title", of.title or "-"),
        ("captured", of.captured_at or "not stated"),
        ("rate", f"{of.frame_rate_hz:g} Hz"),
    )


def _stated_columns(cameras: Sequence[CameraTracks]) -> tuple[Column, ...]:
    return (
        Column("sensor|px", [f"{c.width} × {c.height}" for c in cameras], is_left=True),
        Column("lens", [_lens_known(c) for c in cameras], is_left=True),
        Column("serial", [c.serial or "-" for c in cameras], is_left=True, rank=1),
        Column("model", [c.model or "-" for c in cameras], is_left=True, rank=2),
    )


def _camera(c: CameraTracks, **seen: int) -> dict[str, Any]:
    more = {"lens": _lens_known(c)} | picked(c, "serial", "model")
    return picked(c, "name", "width", "height") | seen | more


def _frames(numbers: Ints) -> dict[str, Any]:
    """Return first and last of the frame numbers with points, and how many there are."""
    ends = [int(numbers[at]) if len(numbers) else None for at in (0, -1)]
    return {"first_frame": ends[0], "last_frame": ends[1], "frames_with_points": len(numbers)}


def _lens_known(camera: CameraTracks) -> str:
    if camera.lens is not None:
        return f"measured, {camera.lens.fx:.0f} px"
    if camera.focal_mm is not None:
        return f"nominal, {camera.focal_mm:g} mm"
    return "not stated"


def of_rig(rig: Rig) -> Description:
    """Describe a rig: its cameras, how it came about and what was done with it since."""
    cameras = rig.cameras
    position, rotation = zip(*(rig.sigmas(c.name) for c in cameras), strict=True)
    columns = (
        Column("camera", [c.name for c in cameras], is_left=True),
        *xyz((c.position_mm for c in cameras), ".1f"),
        Column("position|± mm", [np.linalg.norm(s) for s in position], ".3f"),
        Column("rotation|± deg", [np.linalg.norm(s) for s in rotation], ".4f"),
        Column("focal|px", [c.lens.fx for c in cameras], ".1f"),
        Column("sensor|px", [f"{c.width} × {c.height}" for c in cameras], is_left=True, rank=2),
        Column("points", [getattr(c.stats, "points", None) for c in cameras]),
        Column("RMS|px", [getattr(c.stats, "rms_px", None) for c in cameras], ".3f"),
        Column("late by|frames", [known_offset(c) for c in cameras], ".3f", rank=1),
        Column("serial", [c.serial or "-" for c in cameras], is_left=True, rank=3),
    )
    document = {
        "kind": "rig",
        "cameras": [
            {
                **picked(c, "name", "width", "height", "position_mm"),
                "sigma_position_mm": s,
                "sigma_rotation_deg": r,
                "focal_px": c.lens.fx,
                "points": getattr(c.stats, "points", None),
                "rms_px": getattr(c.stats, "rms_px", None),
                "time_offset_frames": known_offset(c),
                **picked(c, "serial", "faults"),
            }
            for c, s, r in zip(cameras, position, rotation, strict=True)
        ],
        "wand": {"name": rig.wand.name, "markers": rig.wand.markers},
        **picked(rig, "captured_at", "parent_sha256"),
        "left_out": dict(rig.left_out),
        "findings": rig.findings,
        "doubts": [asdict(doubt) for doubt in rig.doubts],
        **picked(rig, "alignment", "verification"),
        "provenance": dict(rig.provenance),
    }
    title = f"Rig file: {counted(len(cameras), 'camera')}"
    return Description(title, (*rig_facts(rig), ("RMS", RMS)), columns, document)


def rig_facts(rig: Rig) -> tuple[Fact, ...]:
    """Return where a rig comes from and what was done with it."""
    made = rig.provenance
    facts = [
        ("captured", rig.captured_at or "not stated"),
        ("made", _made(made)),
        *((key, file_read(made.get(key))) for key in ("tracks", "wand")),
        ("wand used", f"{rig.wand.name}, {counted(len(rig.wand.markers), 'marker')}"),
        ("repair of", rig.parent_sha256 or "none: solved as a whole"),
    ]
    if made.get("repaired"):
        facts.append(("solved anew", in_words(made["repaired"])))
    if made.get("options"):
        facts.append(("options", options_in_words(made["options"])))
    facts += [
        ("left out", "; ".join(f"{k}: {v}" for k, v in rig.left_out.items()) or "no camera"),
        *at_fault(rig),
        *(("finding", text) for text in rig.findings),
        *(("in doubt", doubted(doubt)) for doubt in rig.doubts),
        ("alignment", _brief(rig.alignment, alignment_facts)),
        ("verification", _brief(rig.verification, verification_facts)),
    ]
    return tuple(facts)


def at_fault(rig: Rig) -> tuple[Fact, ...]:
    """Return what the rig's solve found wrong with its cameras, a fault a line."""
    return tuple(("at fault", text) for text in by_fault({c.name: c.faults for c in rig.cameras}))


def _made(provenance: Mapping[str, Any]) -> str:
    told = [made_with(provenance), when(provenance.get("time") or "")]
    return ", ".join(filter(None, told)) or "not stated"


def made_with(provenance: Mapping[str, Any]) -> str:
    """Return the program that wrote a file and its command, empty where that is not stated."""
    return " ".join(str(v) for k in ("tool", "version", "command") if (v := provenance.get(k)))


def _brief(
    stored: Mapping[str, Any] | None, facts: Callable[[Mapping[str, Any]], Sequence[Fact]]
) -> str:
    return NOT_DONE if stored is None else in_brief(facts(stored))


def doubted(doubt: Doubt) -> str:
    """Return what speaks against a rig, whatever version of calib found it."""
    if doubt.finding in set(RigFault):
        return whole.sentences([doubt])[0]
    return f"{doubt.finding}: {in_words(doubt.figures)}"


def file_read(stated: Any) -> str:
    """Return a file that a command read, as the provenance states it."""
    if not isinstance(stated, Mapping):
        return "not stated"
    return f"{stated.get('file', '-')}, SHA-256 {stated.get('sha256', 'not stated')}"


def known_offset(camera: RigCamera) -> float | None:
    """Return by how many frames a camera exposes late, None where its solve did not tell."""
    return None if camera.time_offset_sigma_frames is None else camera.time_offset_frames


def of_points(points: Points) -> Description:
    """Describe markers in space: how many of each, how sure, placed by how many cameras."""
    frames, markers = np.unique(points.frame), np.unique(points.marker)
    rows = [points.marker == m for m in markers]
    sigma = sigma_in_space(points.covariance_mm2)
    made = points.provenance
    rate = points.frame_rate_hz
    facts = (
        ("made", _made(made)),
        *((key, file_read(made[key])) for key in ("rig", "tracks") if made.get(key)),
        ("rate", "not stated" if rate is None else f"{rate:g} Hz"),
        (
            "frames",
            f"{frames[0]} to {frames[-1]}, {len(frames)} with points" if len(frames) else "none",
        ),
        ("not placed", f"{counted(points.n_open, 'more point')}, no two cameras agree on them"),
    )
    figures: dict[str, list[Any]] = {
        "points": [int(of.sum()) for of in rows],
        "sigma_mm": [float(np.median(sigma[of])) for of in rows],
        "rms_px": [float(np.median(points.rms_px[of])) for of in rows],
        "n_cameras": [float(np.median(points.n_cameras[of])) for of in rows],
    }
    columns = (
        Column("marker", markers.tolist()),
        Column("points", figures["points"]),
        Column("typical|± mm", figures["sigma_mm"], ".3f"),
        Column("RMS, median|px", figures["rms_px"], ".3f"),
        Column("cameras,|median", figures["n_cameras"], ".0f"),
    )
    document = {
        "kind": "points",
        "frame_rate_hz": rate,
        **_frames(frames),
        "n_open": points.n_open,
        "markers": [
            {"marker": int(m), **{key: of[k] for key, of in figures.items()}}
            for k, m in enumerate(markers)
        ],
        "provenance": dict(made),
    }
    title = f"Points file: {counted(len(points.frame), 'marker')} in space"
    return Description(title, facts, columns, document)


def of_cameras(listed_cameras: CameraList) -> Description:
    """Describe a camera list: sensors and lenses."""
    bare = [bare_camera(name, own) for name, own in listed_cameras.sensors.items()]
    columns = (Column("camera", [c.name for c in bare], is_left=True), *_stated_columns(bare))
    document = {
        "kind": "cameras",
        **picked(listed_cameras, *_STATED),
        "cameras": [_camera(c) for c in bare],
    }
    title = f"Camera list (for calib import): {counted(len(bare), 'camera')}"
    return Description(title, _stated_facts(listed_cameras), columns, document)


_KINDS: tuple[tuple[type, Callable[[Any], Description]], ...] = (
    (Tracks, of_tracks),
    (Rig, of_rig),
    (Points, of_points),
    (Wand, of_wand),
    (Plan, of_plan),
    (CameraList, of_cameras),
    (ImageList, of_images),
    (Scenario, of_scenario),
)
