"""What is suggested for a plan, as people read it and as JSON: what to set, and what that gains."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from calib.core.names import command, counted, listed
from calib.plan.reach import Losses
from calib.plan.records import Plan, PlanCamera
from calib.plan.suggest import Suggestion
from calib.report.planned import judged
from calib.report.planned.judged import LEGEND, in_mm, layers, of_losses, optics, verdict, wave
from calib.report.tables import Blocks, Column, Table, following
from calib.report.words import picked, plain


def as_blocks(
    found: Suggestion,
    file: str = "PLAN.toml",
    lost: Losses | None = None,
    explain: bool = False,
    kept: str = "",
) -> Blocks:
    """Return the verdict on what is suggested, what it gained, what to set, and its tables;
    ``kept`` is the file that it was written to.
    """
    before, after = found.before, found.after
    out: Blocks = [verdict(after), gained(found)]
    if not after.is_met and (found.changed or found.added):
        out.append("No setting of these cameras was found that meets all of it.")
    if then := _next(found, file, kept):
        out.append(following(then))
    if lost is not None:
        out.append(of_losses(lost))
    rows = [c for c in after.plan.cameras if c.name in {*found.changed, *found.added}]
    if rows:
        out += ["", _settings(before.plan, rows)]
    out += ["", optics(after), "", layers(after), "", *wave(after)]
    return [*out, "", LEGEND] if explain else out


def _next(found: Suggestion, file: str, kept: str) -> str:
    """Return the command that goes on from a suggestion; none where there is nothing to do."""
    new = "-o", "NEW.toml"
    n_added, n_dropped = len(found.added), len(found.dropped)
    if not found.after.is_met and ((kept and found.changed) or n_added):
        n = 1 if kept else n_added + 1
        then = command("plan", kept or file, "--add", str(n), *new)
        return f"{then}    # one camera more may"
    if kept or not (found.changed or n_added or (found.after.is_met and n_dropped)):
        return ""
    how = ("--add", str(n_added)) if n_added else ("--drop", str(n_dropped)) if n_dropped else ()
    return f"{command('plan', file, *(how or ('--suggest',)), *new)}    # writes it as a plan"


def gained(found: Suggestion) -> str:
    """Return in a sentence what a suggestion changes and what that gains."""
    before, after = found.before, found.after
    told = []
    if found.changed:
        told.append(f"set {counted(len(found.changed), 'camera')} as below")
    if found.added:
        told.append(f"add {listed(found.added)}")
    if found.dropped:
        told.append(f"go without {listed(found.dropped)}")
    if not told and before.is_met:
        return "Suggestion: leave all as it is; the need is met."
    if not told:
        return "Suggestion: leave all as it is; nothing tried comes nearer to the need."
    usual = [float(np.median(a.sigma_mm)) for a in (before, after)]
    worst = [float(a.sigma_mm.max()) for a in (before, after)]
    return (
        f"Suggestion: {listed(told)}. Too few cameras then see {after.lacks_cameras.sum()} of "
        f"{len(after.places_mm)} places, {before.lacks_cameras.sum()} before; a marker is placed "
        f"{_to(usual[1])} in half of them, {_to(usual[0])} before, at worst {_to(worst[1])}, "
        f"{_to(worst[0])} before."
    )


def _to(value: float) -> str:
    return f"to {in_mm(value)}" if np.isfinite(value) else in_mm(value)


def _settings(before: Plan, cameras: Sequence[PlanCamera]) -> Table:
    old = {c.name: c for c in before.cameras}
    turned = [_angle_deg(old[c.name], c) if c.name in old else None for c in cameras]
    moved = [
        float(np.linalg.norm(c.position_mm - old[c.name].position_mm)) if c.name in old else None
        for c in cameras
    ]
    columns = [
        Column("set|camera", [c.name for c in cameras], is_left=True),
        Column("position|mm", [", ".join(f"{v:.0f}" for v in c.position_mm) for c in cameras]),
        Column("moved|mm", moved, ".0f"),
        Column("aim at|mm", [", ".join(f"{v:.0f}" for v in c.aim_mm) for c in cameras]),
        Column("turned|deg", turned, ".1f"),
        Column("lens|mm", [c.focal_mm for c in cameras], ".1f"),
        Column("was|mm", [old[c.name].focal_mm if c.name in old else None for c in cameras], ".1f"),
    ]
    return Table(columns)


def _angle_deg(a: PlanCamera, b: PlanCamera) -> float:
    return float(np.degrees(np.arccos(np.clip(a.direction @ b.direction, -1.0, 1.0))))


def as_json(found: Suggestion, lost: Losses | None = None) -> dict[str, Any]:
    """Return a suggestion as ``calib plan --json`` prints it: the plan after it, and what
    changed.
    """
    told = {
        "changed": list(found.changed),
        "added": list(found.added),
        "dropped": list(found.dropped),
        "was_met": found.before.is_met,
        "summary": gained(found),
        "settings": [
            picked(c, "name", "position_mm", "aim_mm", "focal_mm") for c in found.after.plan.cameras
        ],
    }
    return judged.as_json(found.after, lost) | {"suggestion": plain(told)}
