"""The hand-over record of a rig: what was solved, from what, how well, and what was not done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.core.parameters import DIST_NAMES
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.report.describe import NOT_DONE, SHAPES, doubted, file_read, in_words, told
from calib.report.document import Document, Section
from calib.report.tables import Column
from calib.report.words import CAUTION, counted, listed

SIGNERS = ("Calibrated by", "Checked by", "Taken over by")
CAUTIONS = (
    CAUTION,
    "A camera that was touched, or whose zoom or focus ring was turned, is no longer the camera of "
    "this record: calib recheck RIG TRACKS says which, from a short wave.",
    "± is one standard uncertainty, of positions and rotations over x, y and z together.",
)


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """A file that the record is of: its name, its SHA-256 and what it holds."""

    name: str
    sha256: str
    record: Any


def hand_over(
    rig: Read, tracks: Read | None = None, earlier: Sequence[Read] = (), printed_at: str = ""
) -> Document:
    """Return the record of a rig; serial numbers are those of the tracks, repairs are followed
    through ``earlier`` rig files as far as they go.
    """
    solved: Rig = rig.record
    return Document(
        f"Camera rig {rig.name}",
        (
            _verdict(solved, printed_at),
            Section("Cautions", CAUTIONS),
            _cameras(solved, None if tracks is None else tracks.record),
            _poses(solved),
            _lenses(solved),
            _wand(solved),
            _told("Alignment: origin and axes", solved.alignment, "calib align RIG -o RIG"),
            _told(
                "Verification: lengths tested", solved.verification,
                "calib verify RIG TRACKS --bar BAR.toml",
            ),
            _solve(solved),
            _repairs(rig, earlier),
            _files(rig, tracks),
            Section("Signatures", signers=SIGNERS),
        ),
    )  # fmt: skip


def _verdict(rig: Rig, printed_at: str) -> Section:
    open_ = [
        *([] if rig.alignment is not None else ["alignment"]),
        *([] if rig.verification is not None else ["verification"]),
    ]
    sentences = [
        f"{counted(len(rig.cameras), 'camera')} in the rig"
        + (
            f", {len(rig.left_out)} left out: {listed(list(rig.left_out))}."
            if rig.left_out
            else "."
        )
    ]
    sentences.append(
        f"Not done: {listed(open_)}."
        if open_
        else "Alignment and verification are on record below."
    )
    if rig.doubts:
        names = listed([doubt.finding for doubt in rig.doubts])
        sentences.insert(0, f"The rig as a whole is in doubt: {names}. See Solve.")
    n = len(rig.findings)
    if n:
        sentences.append(f"The solve had {counted(n, 'finding')}: see Solve.")
    if printed_at:
        sentences.append(f"This record was made on {printed_at}.")
    return Section("Summary", tuple(sentences))


def _cameras(rig: Rig, tracks: Tracks | None) -> Section:
    known = {} if tracks is None else {c.name: c for c in tracks.cameras}
    stats = [c.stats for c in rig.cameras]

    def stated(key: str) -> list[str]:
        return [getattr(known.get(c.name), key, None) or "-" for c in rig.cameras]

    columns = (
        Column("camera", rig.names, is_left=True),
        Column("serial", stated("serial"), is_left=True),
        Column("model", stated("model"), is_left=True),
        Column("sensor px", [f"{c.width} × {c.height}" for c in rig.cameras], is_left=True),
        Column("points", [None if s is None else s.points for s in stats]),
        Column("RMS px", [None if s is None else s.rms_px for s in stats], ".3f"),
        Column("95 % px", [None if s is None else s.p95_px for s in stats], ".3f"),
        Column("noise px", [None if s is None else s.sigma_px for s in stats], ".3f"),
        Column("sensor seen", [None if s is None else s.coverage for s in stats], ".0%"),
        Column("late by frames", [None if c.time_offset_sigma_frames is None
                                  else c.time_offset_frames for c in rig.cameras], ".3f"),
    )  # fmt: skip
    sentences = ["RMS is sqrt(mean(dx² + dy²)) of what the fit leaves of the points."]
    if tracks is None:
        sentences.append("Serial numbers are in the tracks file: add --tracks TRACKS.")
    return Section("Cameras", tuple(sentences), columns=columns)


def _poses(rig: Rig) -> Section:
    places = np.array([c.position_mm for c in rig.cameras])
    looks = np.array([c.cam_from_world.R[2] for c in rig.cameras])  # the camera's z in the world
    position, rotation = zip(*(rig.sigmas(n) for n in rig.names), strict=True)
    columns = (
        Column("camera", rig.names, is_left=True),
        *(Column(f"{a} mm", places[:, k].tolist(), ".2f") for k, a in enumerate("xyz")),
        Column("± mm", [np.linalg.norm(s) for s in position], ".3f"),
        *(Column(f"looks along {a}", looks[:, k].tolist(), ".5f") for k, a in enumerate("xyz")),
        Column("± deg", [np.linalg.norm(s) for s in rotation], ".4f"),
    )
    first = rig.cameras[0].cam_from_world
    is_first = np.allclose(first.R, np.eye(3)) and np.allclose(first.t_mm, 0.0, atol=1e-6)
    world = "Origin and axes are those of the alignment below."
    if rig.alignment is None:
        world = "Not aligned: origin and axes are " + (
            f"those of {rig.names[0]}, x right, y down, z forward." if is_first else "the file's."
        )
    return Section("Poses", (world,), columns=columns)


def _lenses(rig: Rig) -> Section:
    vectors = np.array([c.lens.vector for c in rig.cameras])
    keys = ("fx px", "fy px", "cx px", "cy px", *DIST_NAMES)
    columns = [Column("camera", rig.names, is_left=True)]
    known = rig.covariance
    if known is not None:
        focal = [known.sigma(name, ("focal",))[0] for name in rig.names]
        columns.append(Column("focal ± px", focal, ".2f"))
    for k, key in enumerate(keys):
        if k < 9 or vectors[:, k].any():
            columns.append(Column(key, vectors[:, k].tolist(), ".2f" if k < 4 else ".6f"))
    note = "Distortion in OpenCV's order; the centre of the top-left pixel is (0, 0)."
    return Section("Lenses", (note,), columns=tuple(columns))


def _wand(rig: Rig) -> Section:
    wand, used = rig.wand, rig.wand_used
    names = wand.markers
    certified = [
        f"{names[c.i]} to {names[c.j]}: {c.length_mm:g} mm ± {c.sigma_mm:g} mm"
        for c in wand.certified
    ]
    change = np.abs(used.lengths_mm - wand.lengths_mm).max()
    facts = (
        ("wand", f"{wand.name}, {counted(len(names), 'marker')}, {SHAPES[wand.dimension]}"),
        ("from end to end", f"{wand.span_mm:.3f} mm"),
        ("coordinates", f"± {wand.sigma_mm:g} mm each, as its file states"),
        ("certificate", "; ".join(certified) or NOT_DONE),
        ("as solved", f"lengths within {change:.3f} mm of the file's"),
    )
    return Section("Wand", facts=facts)


def _told(title: str, table: Any, command: str) -> Section:
    if table is None:
        return Section(title, (f"{NOT_DONE.capitalize()}. To do it: {command}.",))
    return Section(title, facts=tuple((str(k), in_words(v)) for k, v in told(table).items()))


def _solve(rig: Rig) -> Section:
    made = rig.provenance
    how = " ".join(str(made[k]) for k in ("tool", "version", "command") if made.get(k))
    facts = [
        ("captured", rig.captured_at or "not stated"),
        ("solved", str(made.get("time") or "not stated")),
        ("with", how or "not stated"),
        ("options", in_words(made["options"]) if made.get("options") else "not stated"),
        *((f"left out: {name}", reason) for name, reason in rig.left_out.items()),
        *(("in doubt", doubted(doubt)) for doubt in rig.doubts),
        *(("finding", text) for text in rig.findings),
        ("errors that last", f"{rig.lasting_share:.1%} of all points, left out"),
    ]
    return Section("Solve", facts=tuple(facts))


def _repairs(rig: Read, earlier: Sequence[Read]) -> Section:
    """Follow the parents of a rig file, newest repair first."""
    known = {e.sha256: e for e in earlier}
    rows: list[tuple[str, str, str, str]] = []
    here: Read | None = rig
    while here is not None and here.record.parent_sha256 and len(rows) <= len(known):
        made, parent = here.record.provenance, here.record.parent_sha256
        source = known.get(parent)
        rows.append(
            (
                str(made.get("time") or here.record.captured_at or "-"),
                here.name,
                in_words(made["repaired"]) if made.get("repaired") else "-",
                parent if source is None else source.name,
            )
        )
        here = source
    if not rows:
        return Section("Repairs", ("None: the rig was solved as a whole.",))
    headings = ("when", "file", "solved anew", "from")
    columns = tuple(
        Column(heading, list(texts), is_left=True)
        for heading, texts in zip(headings, zip(*rows, strict=True), strict=True)
    )
    return Section("Repairs", ("Newest first.",), columns=columns)


def _files(rig: Read, tracks: Read | None) -> Section:
    made = rig.record.provenance
    stated = made.get("tracks")
    of_solve = stated.get("sha256") if isinstance(stated, dict) else None
    facts = [
        ("rig file", f"{rig.name}, SHA-256 {rig.sha256}"),
        ("tracks it was solved from", file_read(stated)),
        ("wand file", file_read(made.get("wand"))),
    ]
    sentences: tuple[str, ...] = ()
    if tracks is not None:
        facts.append(("tracks read for this record", f"{tracks.name}, SHA-256 {tracks.sha256}"))
        if of_solve != tracks.sha256:
            sentences = (
                "The tracks read for this record are not those that the rig was solved from: "
                "see that serial numbers are of the cameras that hang there.",
            )
    return Section("Files", sentences, tuple(facts))
