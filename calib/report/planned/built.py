"""A rig as built against its plan, as people read it and as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.names import counted, listed
from calib.plan.compare import Comparison, Deviation
from calib.plan.pointing import Pointing
from calib.report.planned import judged
from calib.report.planned.judged import layers, verdict
from calib.report.tables import Blocks, Column, Table, strong, xyz
from calib.report.words import document, plain

LEGEND = (
    "Off: built minus planned. Aim off: the angle between where it looks and where it is to look. "
    "Lens: by how much the focal length is longer than planned."
)

THEN = (
    "Whatever its turn, points and places in space are right again only once it is solved anew: "
    "calib recheck RIG TRACKS --repair -o NEW_RIG."
)


def as_blocks(found: Comparison, explain: bool = False) -> Blocks:
    """Return whether the need is met as built, who is off by most, and the tables."""
    out: Blocks = [f"As built: {verdict(found.found)}"]
    for missing, told in (
        (found.missing, "of the plan are not in the rig"),
        (found.unplanned, "of the rig are not in the plan, and not counted"),
    ):
        if missing:
            out.append(f"{counted(len(missing), 'camera')} {told}: {listed(missing)}.")
    if found.is_fitted:
        out.append(
            "Nobody set the rig's world (calib align): it is laid on the plan's as a whole, and a "
            "camera that is far off draws the others along."
        )
    ranked = sorted(found.deviations, key=lambda d: -d.aim_deg)
    columns = [
        Column("camera", [d.name for d in ranked], is_left=True),
        Column("off|mm", [float(np.linalg.norm(d.off_mm)) for d in ranked], ".0f"),
        *xyz((d.off_mm for d in ranked), "+.0f"),
        Column("aim off|deg", [d.aim_deg for d in ranked], ".1f"),
        Column("turn it, as it sees, to look as planned", [turns(d) for d in ranked], is_left=True),
        Column("lens|%", [100 * d.focal_share for d in ranked], "+.1f"),
    ]
    out += ["", Table(columns), "", layers(found.found)]
    return [*out, "", LEGEND] if explain else out


def turns(d: Deviation, form: str = ".1f") -> str:
    """Return in words how to turn a camera to look as planned; what the form shows as 0 is none."""
    ways = (
        (d.right_deg, "right", "left"),
        (d.up_deg, "up", "down"),
        (d.clockwise_deg, "clockwise", "anticlockwise"),
    )
    told = [
        f"{abs(a):{form}}° {one if a > 0 else other}"
        for a, one, other in ways
        if float(f"{abs(a):{form}}") > 0
    ]
    return ", ".join(told) or "-"


def as_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison as ``calib plan --compare --json`` prints it."""
    told = {
        "world_fitted": found.is_fitted,
        "missing": found.missing,
        "unplanned": found.unplanned,
        "deviations": [
            {"name": d.name, "off_mm": d.off_mm, **_turns_as_json(d)} for d in found.deviations
        ],
    }
    return judged.as_json(found.found) | {"comparison": plain(told)}


def _turns_as_json(d: Deviation) -> dict[str, float]:
    return {
        "aim_off_deg": d.aim_deg,
        "turn_right_deg": d.right_deg,
        "turn_up_deg": d.up_deg,
        "turn_clockwise_deg": d.clockwise_deg,
        "focal_share": d.focal_share,
    }


def aim_as_blocks(found: Pointing) -> Blocks:
    """Return whether a camera looks as planned, or as in its rig, and how far to turn it and its
    ring.
    """
    d, as_stated = found.deviation, "as in the rig" if found.is_of_rig else "as planned"
    if found.focal_mm is None:
        zoom = f"its focal length is {100 * d.focal_share:+z.2f} % off"
        turned = turns(d, ".2f")
    else:
        now = found.focal_mm * (1.0 + d.focal_share)
        zoom = f"its lens is at {now:.1f} mm, {found.focal_mm:.1f} mm planned"
        turned = turns(d)
    if found.is_as_stated():
        off = f"{d.aim_deg:.2f}" if found.is_of_rig else f"{d.aim_deg:.1f}"
        told = f"{d.name}: looks {as_stated}, {off}° off; {zoom}."
    else:
        told = f"{d.name}: does not look {as_stated}. Turn it, as it sees: {turned}; {zoom}."
    by = (
        f"From {found.n_matched} of {counted(found.n_marks, 'mark')} in view, within "
        f"{found.rms_px:.1f} px (RMS), its place taken {as_stated}."
    )
    out: Blocks = [strong(told), by]
    return [*out, THEN] if found.is_of_rig else out


def aim_as_json(found: Pointing) -> dict[str, Any]:
    """Return it as ``calib focus --json`` prints it."""
    d, stated = found.deviation, "as_in_rig" if found.is_of_rig else "as_planned"
    return document(
        {
            "camera": d.name,
            stated: found.is_as_stated(),
            **_turns_as_json(d),
            "marks": found.n_marks,
            "matched": found.n_matched,
            "rms_px": found.rms_px,
        }
    )
