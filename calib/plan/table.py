"""The plan file (TOML): its keys, read and written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from calib.core.fields import Fields, Item, as_toml
from calib.core.geometry import Array
from calib.core.layout import Section
from calib.core.names import listed
from calib.core.wand import Wand
from calib.errors import CalibError, InputError
from calib.plan.records import Need, Obstacle, Plan, PlanCamera, PlanMarker, Rail, Wave
from calib.prove.volume import Box

TOP = (
    Item("name", "text", "what the plan is called; without it, the file's name"),
    Item("volume", "table", "where markers are to be tracked", True),
    Item("cameras", "table", "a table a camera, by name", True),
    Item("common", "table", "keys of [cameras.<name>], for those that do not state their own"),
    Item("room", "table", "floor, walls and ceiling"),
    Item("marker", "table", "the markers to be tracked"),
    Item("need", "table", "what must be reached everywhere in the volume"),
    Item("wand", "table", "a name and [x, y, z] in mm for each marker of the wand"),
    Item("wave", "table", "the calibration wave"),
    Item("rails", "tables", "rails and trusses that cameras hang on"),
    Item("obstacles", "tables", "boxes that no camera sees through"),
)
BOX = (
    Item("low_mm", "numbers", "x, y, z of its lowest corner, mm; z is up", True, ((3,),)),
    Item("high_mm", "numbers", "x, y, z of its highest corner, mm", True, ((3,),)),
)
OBSTACLE = (Item("name", "text", "what it is called", True), *BOX)
RAIL = (
    Item("name", "text", "what it is called", True),
    Item("from_mm", "numbers", "x, y, z where it begins, mm", True, ((3,),)),
    Item("to_mm", "numbers", "x, y, z where it ends, mm", True, ((3,),)),
)
MARKER = (
    Item("diameter_mm", "number", "diameter; without it, 14"),
    Item("gap_mm", "number", "smallest gap, edge to edge, of two that must stay two blobs"),
    Item("noise_px", "number", "noise of one coordinate; without it, from the size in the image"),
    Item("blur_px", "number", "blur that counts as sharp; without it, 2"),
)
NEED = (
    Item("cameras", "whole number", "cameras that see each place; without it, 2"),
    Item("precision_mm", "number", "3D standard deviation at each place, mm, at most"),
    Item("marker_px", "number", "diameter of a marker in the image, px, at least"),
)
WAVE = (
    Item("seconds", "number", "how long it lasts; without it, 60"),
    Item("frame_rate", "number", "Hz; without it, 25"),
    Item("walk_mm_s", "number", "how fast one walks with the wand, mm/s; without it, 700"),
    Item("lost_share", "number", "share of views lost to glare and hiding; without it, 0.2"),
)
CAMERA = (
    Item("width", "whole number", "sensor, px", True),
    Item("height", "whole number", "sensor, px", True),
    Item("pixel_pitch_mm", "number", "size of a pixel, mm", True),
    Item("focal_mm", "number", "focal length that the ring is set to, mm", True),
    Item(
        "zoom_mm",
        "numbers",
        "shortest and longest that the ring reaches; without it, fixed",
        shapes=((2,),),
    ),
    Item("f_number", "number", "aperture; with focus_mm, for the depth of field"),
    Item("focus_mm", "number", "distance that it is focused at, mm"),
    Item("range_mm", "number", "how far markers are lit and seen, mm; without it, any"),
    Item("position_mm", "numbers", "x, y, z, mm; or rail and along_mm", shapes=((3,),)),
    Item("rail", "text", "the rail it hangs on; suggestions may move it along"),
    Item("along_mm", "number", "how far along from the rail's from_mm, mm"),
    Item(
        "aim_mm",
        "numbers",
        "x, y, z of a point it looks at, mm; or pan_deg and tilt_deg",
        shapes=((3,),),
    ),
    Item("pan_deg", "number", "where it looks, from x towards y"),
    Item("tilt_deg", "number", "and up from level; down is below 0"),
    Item("roll_deg", "number", "turn about its axis, clockwise as it sees; without it, 0"),
    Item(
        "dist",
        "numbers",
        "distortion, if known: k1, k2, p1, p2, k3 and perhaps k4, k5, k6",
        shapes=((5,), (8,)),
    ),
    Item("held", "whole number", "1: suggestions leave it as it is"),
)
# Each camera's own: no two cameras share them.
OWN = ("position_mm", "rail", "along_mm", "aim_mm", "pan_deg", "tilt_deg")
COMMON = tuple(replace(i, is_needed=False) for i in CAMERA if i.key not in OWN)
PLAN_FILE = (
    Section("top level", "keys", TOP),
    Section("[volume]", "keys", BOX),
    Section("[room]", "keys", BOX, False),
    Section("[marker]", "keys", MARKER, False),
    Section("[need]", "keys", NEED, False),
    Section("[wave]", "keys", WAVE, False),
    Section("[cameras.<name>]", "keys", CAMERA),
    Section("[[rails]]", "keys", RAIL, False),
    Section("[[obstacles]]", "keys", OBSTACLE, False),
)
# A simulated rig's: three markers on a line, where the plan names none.
USUAL_WAND = Wand(
    "line3", ("p", "q", "r"), np.array([[0.0, 0, 0], [170.0, 0, 0], [460.0, 0, 0]]), 0.02
)
AIM_MM = 1000.0  # of a camera given by angles, to the point that it aims at


def plan_from_table(table: Mapping[str, Any], default_name: str = "plan") -> Plan:
    """Return the plan that a plan file's table states."""
    top = Fields(table)
    top.refuse_unknown(TOP)
    stated = top.read_all(TOP)
    rails = tuple(
        _rail(Fields(r, f"[[rails]] {k + 1}")) for k, r in enumerate(stated["rails"] or ())
    )
    obstacles = tuple(
        _obstacle(Fields(o, f"[[obstacles]] {k + 1}"))
        for k, o in enumerate(stated["obstacles"] or ())
    )
    common = Fields(stated["common"] or {}, "[common]")
    if own := [key for key in OWN if key in common.table]:
        raise InputError(
            common.where,
            expected="only what cameras share",
            found=listed(own),
            remedy=f"Put {listed(own)} into each [cameras.<name>].",
        )
    common.refuse_unknown(COMMON)
    cameras = tuple(
        _camera(name, row, common.table, {r.name: r for r in rails})
        for name, row in stated["cameras"].items()
    )
    room = stated["room"]
    return Plan(
        stated["name"] or default_name,
        _box(Fields(stated["volume"], "[volume]"), BOX),
        cameras,
        _wand(stated["wand"]),
        _record(PlanMarker, stated["marker"], "[marker]", MARKER),
        _record(Need, stated["need"], "[need]", NEED),
        _record(Wave, stated["wave"], "[wave]", WAVE),
        None if room is None else _box(Fields(room, "[room]"), BOX),
        rails,
        obstacles,
    )


def _record(kind: Any, table: Any, where: str, items: tuple[Item, ...]) -> Any:
    fields = Fields(table or {}, where)
    fields.refuse_unknown(items)
    return kind(**{k: v for k, v in fields.read_all(items).items() if v is not None})


def _box(fields: Fields, items: tuple[Item, ...]) -> Box:
    fields.refuse_unknown(items)
    low, high = fields.array("low_mm", (3,)), fields.array("high_mm", (3,))
    if not (high > low).all():
        raise InputError(
            fields.where,
            expected="high_mm above low_mm in x, y and z",
            found=f"{low.tolist()} to {high.tolist()}",
        )
    return Box(low, high)


def _obstacle(fields: Fields) -> Obstacle:
    return Obstacle(fields.text("name"), _box(fields, OBSTACLE))


def _rail(fields: Fields) -> Rail:
    fields.refuse_unknown(RAIL)
    stated = fields.read_all(RAIL)
    return Rail(stated["name"], stated["from_mm"], stated["to_mm"])


def _wand(table: Mapping[str, Any] | None) -> Wand:
    if table is None:
        return USUAL_WAND
    fields = Fields(table, "[wand]")
    points = np.array([fields.array(name, (3,)) for name in table]).reshape(-1, 3)
    if len(points) < 2:
        raise InputError("[wand]", expected="two or more markers", found=str(len(points)))
    try:
        return Wand("wand", tuple(table), points, USUAL_WAND.sigma_mm)
    except CalibError as error:
        raise error.inside("[wand]") from None


def _camera(
    name: str, row: Any, common: Mapping[str, Any], rails: Mapping[str, Rail]
) -> PlanCamera:
    where = f"[cameras.{name}]"
    if not isinstance(row, Mapping):
        raise InputError(where, expected="a table", found=repr(row))
    Fields(row, where).refuse_unknown(CAMERA)
    stated = Fields({**common, **row}, where).read_all(CAMERA)
    fields = Fields(row, where)
    position = _position(fields, stated, rails)
    aim = _aim(fields, stated, position)
    zoom = stated["zoom_mm"]
    given: dict[str, Any] = {
        key: stated[key]
        for key in ("roll_deg", "f_number", "focus_mm", "range_mm", "rail", "dist")
        if stated[key] is not None
    }
    return PlanCamera(
        name,
        stated["width"],
        stated["height"],
        stated["pixel_pitch_mm"],
        stated["focal_mm"],
        position,
        aim,
        zoom_mm=None if zoom is None else (float(zoom[0]), float(zoom[1])),
        is_held=bool(stated["held"]),
        **given,
    )


def _position(fields: Fields, stated: Mapping[str, Any], rails: Mapping[str, Rail]) -> Array:
    if stated["position_mm"] is not None:
        if stated["along_mm"] is not None:
            raise InputError(
                fields.where, expected="position_mm, or rail and along_mm", found="both"
            )
        return np.asarray(stated["position_mm"])
    if stated["rail"] is None or stated["along_mm"] is None:
        raise InputError(
            fields.place("position_mm"),
            expected="x, y, z in mm, or rail and along_mm",
            found="neither",
            remedy="Add position_mm.",
        )
    rail = rails.get(stated["rail"])
    if rail is None:
        raise InputError(
            fields.place("rail"),
            expected=f"one of {', '.join(rails) or 'none: no [[rails]]'}",
            found=repr(stated["rail"]),
        )
    if not 0 <= stated["along_mm"] <= rail.length_mm:
        raise InputError(
            fields.place("along_mm"),
            expected=f"0 to {rail.length_mm:g} mm, the rail's length",
            found=f"{stated['along_mm']:g} mm",
        )
    return rail.at(stated["along_mm"])


def _aim(fields: Fields, stated: Mapping[str, Any], position: Array) -> Array:
    angles = stated["pan_deg"], stated["tilt_deg"]
    if stated["aim_mm"] is not None:
        if angles != (None, None):
            raise InputError(fields.where, expected="aim_mm, or pan_deg and tilt_deg", found="both")
        return np.asarray(stated["aim_mm"])
    if None in angles:
        raise InputError(
            fields.place("aim_mm"),
            expected="x, y, z in mm, or pan_deg and tilt_deg",
            found="neither",
            remedy="Add aim_mm.",
        )
    pan, tilt = np.radians(np.array(angles, float))
    ray = np.array([np.cos(pan) * np.cos(tilt), np.sin(pan) * np.cos(tilt), np.sin(tilt)])
    return np.asarray(position + AIM_MM * ray)


def plan_as_toml(plan: Plan) -> str:
    """Return the text of a plan file; numbers are rounded to what a person can set."""
    table: dict[str, Any] = {"name": plan.name, "volume": _box_table(plan.volume)}
    if plan.room is not None:
        table["room"] = _box_table(plan.room)
    for key, record in (("marker", plan.marker), ("need", plan.need), ("wave", plan.wave)):
        own = {f: getattr(record, f) for f in record.__slots__}
        table[key] = {f: v for f, v in own.items() if v is not None}
    table["wand"] = dict(zip(plan.wand.markers, plan.wand.points_mm.round(4).tolist(), strict=True))
    table["rails"] = [
        {"name": r.name, "from_mm": _rounded(r.start_mm), "to_mm": _rounded(r.end_mm)}
        for r in plan.rails
    ]
    table["obstacles"] = [{"name": o.name, **_box_table(o.box)} for o in plan.obstacles]
    table["cameras"] = {c.name: _camera_table(c) for c in plan.cameras}
    return as_toml({k: v for k, v in table.items() if v != []})


def _camera_table(c: PlanCamera) -> dict[str, Any]:
    table: dict[str, Any] = {
        "width": c.width,
        "height": c.height,
        "pixel_pitch_mm": c.pixel_pitch_mm,
        "focal_mm": round(c.focal_mm, 3),
        "zoom_mm": None if c.zoom_mm is None else list(c.zoom_mm),
        "f_number": c.f_number,
        "focus_mm": c.focus_mm,
        "range_mm": c.range_mm if np.isfinite(c.range_mm) else None,
        "position_mm": _rounded(c.position_mm),
        "rail": c.rail or None,
        "aim_mm": _rounded(c.aim_mm),
        "roll_deg": round(c.roll_deg, 3) or None,
        "dist": None if c.dist is None else c.dist.round(8).tolist(),
        "held": 1 if c.is_held else None,
    }
    return {k: v for k, v in table.items() if v is not None}


def _box_table(box: Box) -> dict[str, Any]:
    return {"low_mm": _rounded(box.low_mm), "high_mm": _rounded(box.high_mm)}


def _rounded(place: Array) -> list[float]:
    return [float(v) for v in np.round(place, 1) + 0.0]
