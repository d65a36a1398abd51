"""What a file holds, as people read it and as JSON; here of the files that are written by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from calib.core.names import counted, listed
from calib.core.wand import Wand
from calib.intake.centroids.names import ImageList
from calib.plan.records import Plan
from calib.report.papers.stored import Fact, in_words
from calib.report.tables import Blocks, Column, Listing, Table, lines_of, xyz
from calib.report.words import picked, plain, printable
from calib.simulate.scenario import Scenario

SHAPES = ("a single marker", "on a line", "in a plane", "in space")


@dataclass(frozen=True, slots=True, eq=False)
class Description:
    """What a file holds.

    Parameters
    ----------
    title : str
        Its kind, in words.
    facts : tuple of (str, str)
        By label.
    columns : tuple of Column
        A table of its cameras or markers.
    document : mapping
        The same for JSON.
    """

    title: str
    facts: tuple[Fact, ...]
    columns: tuple[Column, ...]
    document: Mapping[str, Any]

    def __str__(self) -> str:
        return "\n".join(lines_of(as_blocks(self)))


def as_blocks(found: Description, sha256: str = "") -> Blocks:
    """Return the title, the facts, with the hash where it is known, and the table."""
    facts = [*found.facts, *([("SHA-256", sha256)] if sha256 else [])]
    out: Blocks = [found.title, Listing([(label, printable(text)) for label, text in facts])]
    if found.columns and found.columns[0].values:
        out += ["", Table(found.columns)]
    return out


def as_json(found: Description, file: str, sha256: str) -> dict[str, Any]:
    """Return the description as ``calib describe --json`` prints it."""
    return {"file": file, "sha256": sha256, **plain(dict(found.document))}


def of_wand(wand: Wand) -> Description:
    """Describe a wand: its markers, its lengths and what certifies them."""
    names, n = wand.markers, len(wand.markers)
    facts = (
        ("name", wand.name),
        ("markers", f"{n}, {SHAPES[wand.dimension]}, {wand.span_mm:.1f} mm from end to end"),
        ("coordinates", f"± {wand.sigma_mm:g} mm each"),
        ("certified", certified(wand, " ") or "no length"),
    )
    columns = (
        Column("marker", names, is_left=True),
        *xyz(wand.points_mm, ".3f"),
        *(Column(f"to {m}|mm", wand.lengths_mm[:, k].tolist(), ".3f") for k, m in enumerate(names)),
    )
    document = {
        "kind": "wand",
        **picked(wand, "name", "sigma_mm", "dimension", "span_mm"),
        "markers": dict(zip(names, wand.points_mm.tolist(), strict=True)),
        "certified": [
            {"between": [names[c.i], names[c.j]], "length_mm": c.length_mm, "sigma_mm": c.sigma_mm}
            for c in wand.certified
        ],
    }
    return Description(f"Wand file: {counted(n, 'marker')}", facts, columns, document)


def certified(wand: Wand, sign: str) -> str:
    """Return the certified lengths of a wand, each after where it is and a sign."""
    names = wand.markers
    return "; ".join(
        f"{names[c.i]} to {names[c.j]}{sign}{c.length_mm:g} mm ± {c.sigma_mm:g} mm"
        for c in wand.certified
    )


def of_plan(plan: Plan) -> Description:
    """Describe a plan: volume, need, and where its cameras are to hang."""
    cameras, need = plan.cameras, plan.need
    low, high = plan.volume.low_mm, plan.volume.high_mm
    wanted = [f"{need.cameras} cameras"]
    wanted += [] if need.precision_mm is None else [f"{need.precision_mm:g} mm"]
    wanted += [] if need.marker_px is None else [f"markers of {need.marker_px:g} px"]
    facts = (
        ("name", plan.name),
        ("volume", f"{' × '.join(f'{s:g}' for s in plan.volume.size_mm)} mm"),
        ("need", listed(wanted)),
        ("marker", f"{plan.marker.diameter_mm:g} mm"),
        ("wand", f"{counted(len(plan.wand.markers), 'marker')}, {plan.wand.span_mm:g} mm"),
        ("wave", f"{plan.wave.seconds:g} s at {plan.wave.frame_rate:g} Hz"),
        ("rails", listed([r.name for r in plan.rails]) or "none"),
        ("obstacles", listed([o.name for o in plan.obstacles]) or "none"),
    )
    columns = (
        Column("camera", [c.name for c in cameras], is_left=True),
        *xyz((c.position_mm for c in cameras), ".0f"),
        Column("aim|mm", [", ".join(f"{v:.0f}" for v in c.aim_mm) for c in cameras]),
        Column("lens|mm", [c.focal_mm for c in cameras], ".1f"),
        Column("rail", [c.rail or "-" for c in cameras], is_left=True),
        Column("sensor|px", [f"{c.width} × {c.height}" for c in cameras], is_left=True),
    )
    document = {
        "kind": "plan",
        "name": plan.name,
        "volume_mm": [low, high],
        "need": asdict(need),
        "cameras": [
            picked(c, "name", "position_mm", "aim_mm", "focal_mm") | {"rail": c.rail or None}
            for c in cameras
        ],
    }
    return Description(f"Plan file: {counted(len(cameras), 'camera')}", facts, columns, document)


def of_images(images: ImageList) -> Description:
    """Describe an image list: what it adds to the names of image files."""
    rate = images.frame_rate_hz
    facts = (
        ("rate", "not stated" if rate is None else f"{rate:g} Hz"),
        ("file names", images.file_names or "as usual: camera and frame in the name"),
    )
    names = list(images.cameras)
    columns = (
        Column("camera", names, is_left=True),
        Column("stated", [in_words(dict(images.cameras[n])) for n in names], is_left=True),
    )
    document = {
        "kind": "images",
        "frame_rate_hz": rate,
        "file_names": images.file_names,
        "cameras": [{"name": n, **images.cameras[n]} for n in names],
    }
    title = f"Image list (for calib centroids): {counted(len(names), 'camera')}"
    return Description(title, facts, columns, document)


def of_scenario(scenario: Scenario) -> Description:
    """Describe a scenario: what it draws, and where that differs from the default."""
    usual, chosen = Scenario().as_dict(), scenario.as_dict()
    differs: Sequence[str] = [key for key, v in chosen.items() if v != usual.get(key)]
    facts = (
        ("rig", f"{scenario.layout}, {counted(scenario.n_cameras, 'camera')}"),
        ("wave", f"{scenario.wand}, path {scenario.path}, {scenario.frame_rate_hz:g} Hz"),
        ("seed", f"{scenario.seed}, wave {scenario.wave}"),
    )
    columns = (
        Column("not as usual", list(differs), is_left=True),
        Column("here", [in_words(chosen[k]) for k in differs], is_left=True),
        Column("usually", [in_words(usual.get(k)) for k in differs], is_left=True),
    )
    title = "Scenario (for calib simulate)"
    return Description(title, facts, columns, {"kind": "scenario", "scenario": chosen})
