"""A plan as people read it, and as JSON: verdict, what to do, optics, volume, wave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from calib.core.geometry import Array
from calib.core.names import command, counted, listed
from calib.plan.assess import Assessment
from calib.plan.coverage import Look, sharp_of
from calib.plan.optics import angle_of_view_deg, merging_mm
from calib.plan.reach import Losses
from calib.plan.records import Plan, PlanCamera
from calib.prove.volume import THIRDS
from calib.report.proofs.precision import by_height
from calib.report.tables import Blocks, Column, Table, following, xyz
from calib.report.words import document

MOST_LAYERS = 6
LEGEND = (
    "View: width, height and diagonal of the image in degrees. Distance: the nearest, a middle and "
    "the farthest place of the volume that the camera sees, and how large a marker is there; "
    "markers with the stated gap are one blob beyond 'merge'. Sharp: from where to where, and the "
    "hyperfocal distance. Sees: share of the volume's places. Position and rotation: how sure a "
    "solve of the wave would be; placed to: how sure a marker's place would then be, in half of "
    "the places and in the worst; both one standard uncertainty. Rays meet: at the angle of the "
    "two cameras that stand best to a place; 90 degrees is best."
)


def as_blocks(
    found: Assessment, file: str = "PLAN.toml", lost: Losses | None = None, explain: bool = False
) -> Blocks:
    """Return the verdict, what to do, what a loss would do, and the tables."""
    out: Blocks = [verdict(found), *todos(found)]
    if not found.is_met:
        then = command("plan", file, "--suggest", "-o", "NEW.toml")
        out.append(following(f"{then}    # turns, zooms and moves cameras"))
    if lost is not None:
        out.append(of_losses(lost))
    out += ["", optics(found), "", layers(found), "", *wave(found)]
    return [*out, "", LEGEND] if explain else out


def verdict(found: Assessment) -> str:
    """Return in a sentence whether the need is met, with the figures that say so."""
    need, n = found.plan.need, len(found.places_mm)
    few = int(found.lacks_cameras.sum())
    fewest, worst = int(found.n_cameras.argmin()), int(found.sigma_mm.argmax())
    sigma = float(found.sigma_mm[worst])
    told = []
    if few:
        told.append(
            f"at {few} of {n} places fewer than {need.cameras} cameras see a marker "
            f"({found.n_cameras[fewest]} near {_near(found.places_mm[fewest])})"
        )
    if found.tie.obstacle:
        told.append(f"no wave can calibrate these cameras together: {found.tie.obstacle}")
    elif found.lacks_precision.any():
        told.append(
            f"at {int(found.lacks_precision.sum())} of {len(found.sigma_mm)} places a marker is "
            f"placed less well than to {need.precision_mm:g} mm "
            f"({in_mm(sigma)} near {_near(found.places_mm[found.judged[worst]])})"
        )
    if told:
        return f"The need is not met: {'; '.join(told)}."
    limit = "" if need.precision_mm is None else f", {need.precision_mm:g} mm allowed"
    return (
        f"The need is met: {found.n_cameras[fewest]} cameras or more see each of {n} places, "
        f"{need.cameras} needed, and place a marker to {in_mm(sigma)} at worst{limit}."
    )


def of_losses(lost: Losses) -> str:
    """Return in a sentence which camera's loss breaks the need, and which two cameras'."""
    pairs = [f"{a} with {b}" for a, b in lost.pairs]
    one = (
        f"The loss of one camera breaks the need if it is {_or(lost.single)}"
        if lost.single
        else "The loss of any one camera leaves the need met"
    )
    if not lost.n_pairs:
        return f"{one}."
    two = (
        f"of two others, if they are {_or(pairs)} ({len(pairs)} of {lost.n_pairs} pairs)"
        if pairs
        else f"of any two {'others' if lost.single else 'as well'}, it stays met"
    )
    return f"{one}; {two}."


def _or(names: Sequence[str]) -> str:
    return listed(names).replace(" and ", " or ")


def todos(found: Assessment) -> list[str]:
    """Return what to do about the plan."""
    out = []
    if not found.is_met and (unsharp := _only_unsharp(found)):
        out.append(
            f"At {counted(unsharp, 'place')} enough cameras look, but markers there are too small "
            "or not sharp: take longer lenses, larger markers or a smaller aperture."
        )
    if found.tie.weak and not found.tie.obstacle:
        out.append(
            f"The wave hardly joins {listed(found.tie.weak)} to the others: wave where they and "
            "their neighbours see, or turn them towards what the others see."
        )
    return out


def _only_unsharp(found: Assessment) -> int:
    """Return how many places lack cameras only because markers are too small or not sharp."""
    shown = np.sum([one.is_shown for one in found.looks], axis=0)
    return int((found.lacks_cameras & (shown >= found.plan.need.cameras)).sum())


def _near(place: Array) -> str:
    return f"({place[0]:.0f}, {place[1]:.0f}, {place[2]:.0f})"


def in_mm(value: float) -> str:
    return f"{value:.2f} mm" if np.isfinite(value) else "not at all"


def _m(value: float) -> str:
    return f"{value / 1000:.1f}" if np.isfinite(value) else "any"


def optics(found: Assessment) -> Table:
    plan, cameras = found.plan, found.plan.cameras
    rows = [_optics_of(plan, c, one) for c, one in zip(cameras, found.looks, strict=True)]
    views = ["×".join(f"{a:.0f}" for a in r["view_deg"][:2]) for r in rows]
    sizes = [" ".join("-" if s is None else f"{s:.1f}" for s in r["marker_px"]) for r in rows]
    columns = [
        Column("camera", [c.name for c in cameras], is_left=True),
        Column("lens|mm", [c.focal_mm for c in cameras], ".1f"),
        Column("view|deg", views),
        Column("diagonal|deg", [r["view_deg"][2] for r in rows], ".0f", rank=2),
        Column("sees", [r["share"] for r in rows], ".0%"),
        Column("distance|m", [" ".join(_m(d) for d in r["distance_mm"]) for r in rows]),
        Column("marker|px", sizes),
    ]
    if plan.marker.gap_mm is not None:
        columns.append(Column("merge|m", [r["merge_mm"] / 1000 for r in rows], ".1f", rank=2))
    if any(r["sharp_mm"] is not None for r in rows):
        texts = [
            "-" if r["sharp_mm"] is None else " to ".join(map(_m, r["sharp_mm"])) for r in rows
        ]
        columns.append(Column("sharp|m", texts))
        columns.append(
            Column(
                "hyperfocal|m",
                [None if r["hyperfocal_mm"] is None else r["hyperfocal_mm"] / 1000 for r in rows],
                ".1f",
                rank=3,
            )
        )
    columns += [
        Column("position|± mm", found.tie.position_mm.tolist(), ".2f"),
        Column("rotation|± deg", found.tie.rotation_deg.tolist(), ".4f", rank=1),
    ]
    return Table(columns)


def _optics_of(plan: Plan, camera: PlanCamera, one: Look) -> dict[str, Any]:
    sharp = sharp_of(plan, camera)
    sides = [*camera.sensor_mm.tolist(), float(np.hypot(*camera.sensor_mm))]
    seen = np.flatnonzero(one.is_shown)
    by_distance = seen[np.argsort(one.distance_mm[seen])]
    at = by_distance[[0, len(by_distance) // 2, -1]] if len(by_distance) else by_distance
    away = [float(one.distance_mm[k]) for k in at]
    gap = plan.marker.gap_mm
    return {
        "name": camera.name,
        "focal_mm": camera.focal_mm,
        "view_deg": [angle_of_view_deg(s, camera.focal_mm) for s in sides],
        "share": float(one.is_seen.mean()),
        "distance_mm": away,
        "marker_px": [float(one.marker_px[k]) for k in at],
        "image_mm": [[s * d / camera.focal_mm for s in sides[:2]] for d in away],
        "merge_mm": None
        if gap is None
        else merging_mm(gap, camera.focal_mm, camera.pixel_pitch_mm),
        "sharp_mm": None if sharp is None else [sharp.near_mm, sharp.far_mm],
        "hyperfocal_mm": None if sharp is None else sharp.hyperfocal_mm,
    }


def layers(found: Assessment) -> Table:
    layer, words = by_height(found.places_mm[:, 2], MOST_LAYERS)  # a grid: each has places
    rows = [layer == k for k in range(len(words))]
    of_judged = [layer[found.judged] == k for k in range(len(words))]
    columns = [
        Column("z|mm", words),
        Column("places", [int(m.sum()) for m in rows]),
        Column("too few|cameras", [int(found.lacks_cameras[m].sum()) for m in rows]),
        Column("fewest", [int(found.n_cameras[m].min()) for m in rows]),
        Column("median", [float(np.median(found.n_cameras[m])) for m in rows], ".0f"),
        Column("rays meet|deg", [_angles(found.angle_deg[m]) for m in rows]),
        Column("placed to|half, mm", [_median(found.sigma_mm[m]) for m in of_judged], ".2f"),
        Column("at worst|mm", [_most(found.sigma_mm[m]) for m in of_judged], ".2f"),
    ]
    return Table(columns)


def _angles(values: Array) -> str:
    known = values[np.isfinite(values)]
    return f"{known.min():.0f} to {known.max():.0f}" if len(known) else "-"


def _most(values: Array) -> float:
    return float(np.nanmax(values)) if np.isfinite(values).any() else float("nan")


def _median(values: Array) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def wave(found: Assessment) -> Blocks:
    stops = found.way.stops
    walked = found.way.seconds - sum(s.seconds for s in stops)
    said = (
        f"Wave: {found.way.seconds:.0f} s, {walked:.0f} s of them from stop to stop. At each stop "
        "turn the wand to all sides and move it as far as the arm reaches."
    )
    thirds = found.plan.volume.cells(np.array([s.place_mm for s in stops]))[:, 2]
    columns = [
        Column("stop", [k + 1 for k in range(len(stops))]),
        *xyz((s.place_mm for s in stops), ".0f"),
        Column("height", [THIRDS[k] for k in thirds], is_left=True),
        Column("seconds", [f"{s.seconds:.0f}" if s.seconds >= 0.5 else "pass" for s in stops]),
    ]
    return [said, "", Table(columns)]


def as_json(found: Assessment, lost: Losses | None = None) -> dict[str, Any]:
    """Return the assessment as ``calib plan --json`` prints it."""
    cameras = [
        _optics_of(found.plan, c, one)
        | {
            "sigma_position_mm": float(p),
            "sigma_rotation_deg": float(r),
            "weakly_tied": c.name in found.tie.weak,
        }
        for c, one, p, r in zip(
            found.plan.cameras,
            found.looks,
            found.tie.position_mm,
            found.tie.rotation_deg,
            strict=True,
        )
    ]
    return document(
        {
            "is_met": found.is_met,
            "verdict": verdict(found),
            "need": asdict(found.plan.need),
            "lacks_cameras": int(found.lacks_cameras.sum()),
            "lacks_precision": int(found.lacks_precision.sum()),
            "worst_mm": float(found.sigma_mm.max()),
            "median_mm": float(np.median(found.sigma_mm)),
            "cameras": cameras,
            "loss_breaks": None
            if lost is None
            else {"one": lost.single, "two": lost.pairs, "pairs": lost.n_pairs},
            "wave": {
                "seconds": found.way.seconds,
                "in_the_way": found.tie.obstacle or None,
                "stops": [{"place_mm": s.place_mm, "seconds": s.seconds} for s in found.way.stops],
            },
            "places": {
                "place_mm": found.places_mm,
                "cameras": found.n_cameras,
                "angle_deg": found.angle_deg,
                "noise_sigma_mm": found.noise_mm,
            },
            "judged": {"place": found.judged, "sigma_mm": found.sigma_mm},
        }
    )
