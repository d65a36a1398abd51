"""The hand-over record of a rig: what was solved, from what, how well, and what was not done."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.core.names import command, counted, listed
from calib.core.parameters import DIST_NAMES
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.prove.precision import one_line
from calib.report.papers.describe import NOT_DONE, at_fault, doubted, known_offset, made_with
from calib.report.papers.description import SHAPES, certified
from calib.report.papers.document import Document, Section
from calib.report.papers.stored import (
    Fact,
    alignment_facts,
    in_brief,
    in_words,
    options_in_words,
    verification_facts,
    when,
)
from calib.report.proofs.verify import MODELLED
from calib.report.rigs.whole import named
from calib.report.tables import Column, xyz
from calib.report.words import CAUTION, RMS, filled

SIGNERS = ("Calibrated by", "Checked by", "Taken over by")
CAUTIONS = (
    CAUTION,
    "A camera that was touched, or whose zoom or focus ring was turned, is no longer the camera of "
    "this record: calib recheck RIG TRACKS says which, from a short wave.",
    "± is one standard uncertainty, of positions and rotations over x, y and z together.",
)


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """A file that a record is of.

    Parameters
    ----------
    name : str
        The file.
    sha256 : str
        Its hash.
    record : Rig or Tracks
        What it holds.
    """

    name: str
    sha256: str
    record: Any


def hand_over(
    rig: Read, tracks: Read | None = None, earlier: Sequence[Read] = (), printed_at: str = ""
) -> Document:
    """Return the hand-over record of a rig, to print, sign and keep; what was not done says so.

    Parameters
    ----------
    rig : Read
        A rig file.
    tracks : Read, optional
        The tracks file, for serial numbers.
    earlier : sequence of Read
        Earlier rig files; repairs are followed through them as far as they go.
    printed_at : str
        When the record is made, ISO 8601.

    Returns
    -------
    Document
        ``str()`` gives Markdown, ``as_html()`` a page for A4.
    """
    solved: Rig = rig.record
    line = _line(rig, earlier)
    return Document(
        f"Camera rig {rig.name}",
        (
            _verdict(solved, printed_at),
            Section("Cautions", tuple(filled(text, {"RIG": rig.name}) for text in CAUTIONS)),
            _cameras(solved, None if tracks is None else tracks.record),
            _poses(solved),
            _lenses(solved),
            _wand(solved),
            _stored(
                "Alignment: origin and axes",
                solved.alignment,
                alignment_facts,
                command("align", rig.name, "FLOOR", "-o", "NEW_RIG"),
            ),
            _stored(
                "Verification: lengths tested",
                solved.verification,
                verification_facts,
                command("verify", rig.name, "BAR", "--bar", "BAR.toml", "-o", "NEW_RIG"),
                MODELLED[0],
            ),
            _solve(solved),
            _repairs(line),
            _files(line, tracks),
            Section("Signatures", signers=SIGNERS),
        ),
    )


def _verdict(rig: Rig, printed_at: str) -> Section:
    open_ = [key for key in ("alignment", "verification") if getattr(rig, key) is None]
    sentences = [
        f"{counted(len(rig.cameras), 'camera')} in the rig"
        + (
            f", {len(rig.left_out)} left out: {listed(list(rig.left_out))}."
            if rig.left_out
            else "."
        )
    ]
    if rig.verification is not None:
        brief = in_brief(verification_facts(rig.verification))
        sentences.append(f"Lengths tested: {brief or 'see below'}.")
    if figure := one_line(rig):
        sentences.append(figure)
    if open_:
        sentences.append(f"Not done: {listed(open_)}.")
    if names := [c.name for c in rig.cameras if c.faults]:
        sentences.insert(0, f"At fault when the rig was solved: {listed(names)}. See Solve.")
    if rig.doubts:
        sentences.insert(0, f"The rig as a whole is in doubt: {named(rig.doubts)}. See Solve.")
    if n := len(rig.findings):
        sentences.append(f"The solve had {counted(n, 'finding')}: see Solve.")
    if printed_at:
        sentences.append(f"This record was made on {when(printed_at)}.")
    return Section("Summary", tuple(sentences))


def _cameras(rig: Rig, tracks: Tracks | None) -> Section:
    known = {} if tracks is None else {c.name: c for c in tracks.cameras}

    def of_fit(key: str) -> list[Any]:
        return [getattr(c.stats, key, None) for c in rig.cameras]

    def stated(key: str) -> list[str]:
        return [
            getattr(known.get(c.name), key, None) or getattr(c, key, None) or "-"
            for c in rig.cameras
        ]

    columns: tuple[Column, ...] = (
        Column("camera", rig.names, is_left=True),
        Column("serial", stated("serial"), is_left=True),
        Column("model", stated("model"), is_left=True),
        Column("sensor px", [f"{c.width} × {c.height}" for c in rig.cameras], is_left=True),
        Column("points", of_fit("points")),
        Column("RMS px", of_fit("rms_px"), ".3f"),
        Column("95 % px", of_fit("p95_px"), ".3f"),
        Column("noise px", of_fit("sigma_px"), ".3f"),
        Column("sensor seen", of_fit("coverage"), ".0%"),
    )
    late = [known_offset(c) for c in rig.cameras]
    if any(frames is not None for frames in late):
        columns = (*columns, Column("late by frames", late, ".3f"))
    sentences = [f"RMS is {RMS}."]
    if tracks is None:
        sentences.append("Serial numbers are in the tracks file: add --tracks TRACKS.")
    return Section("Cameras", tuple(sentences), columns=columns)


def _poses(rig: Rig) -> Section:
    looks = [c.cam_from_world.R[2] for c in rig.cameras]  # the camera's z in the world
    position, rotation = zip(*(rig.sigmas(n) for n in rig.names), strict=True)
    columns = (
        Column("camera", rig.names, is_left=True),
        *xyz((c.position_mm for c in rig.cameras), ".2f", "{} mm"),
        Column("± mm", [np.linalg.norm(s) for s in position], ".3f"),
        *xyz(looks, ".5f", "looks along {}"),
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
    if len(names) == 1:
        by = rig.provenance.get("options", {}).get("distance")
        scale = (("scale by", in_words(by)),) if by else ()
        return Section("Wand", facts=(("wand", "none: a single marker was carried about"), *scale))
    change = np.abs(used.lengths_mm - wand.lengths_mm).max()
    facts = (
        ("wand", f"{wand.name}, {counted(len(names), 'marker')}, {SHAPES[wand.dimension]}"),
        ("from end to end", f"{wand.span_mm:.3f} mm"),
        ("coordinates", f"± {wand.sigma_mm:g} mm each, as its file states"),
        ("certificate", certified(wand, ": ") or NOT_DONE),
        ("as solved", f"lengths within {change:.3f} mm of the file's"),
    )
    return Section("Wand", facts=facts)


def _stored(
    title: str,
    stored: Mapping[str, Any] | None,
    facts: Callable[[Mapping[str, Any]], tuple[Fact, ...]],
    then: str,
    note: str = "",
) -> Section:
    if stored is None:
        return Section(title, (f"{NOT_DONE.capitalize()}. To do it: {then}",))
    return Section(title, (note,) if note else (), facts(stored))


def _solve(rig: Rig) -> Section:
    made = rig.provenance
    facts = [
        ("captured", when(rig.captured_at or "not stated")),
        ("solved", when(made.get("time") or "not stated")),
        ("with", made_with(made) or "not stated"),
        ("options", options_in_words(made.get("options"))),
        *((f"left out: {name}", reason) for name, reason in rig.left_out.items()),
        *at_fault(rig),
        *(("in doubt", doubted(doubt)) for doubt in rig.doubts),
        *(("finding", text) for text in rig.findings),
        ("errors that last", f"{rig.lasting_share:.1%} of all points, left out"),
    ]
    return Section("Solve", facts=tuple(facts))


def _line(rig: Read, earlier: Sequence[Read]) -> list[Read]:
    """Return the rig and, as far as they are among ``earlier``, the rigs that it is a repair of."""
    known = {e.sha256: e for e in earlier}
    out = [rig]
    while len(out) <= len(known) and (parent := known.get(out[-1].record.parent_sha256)):
        out.append(parent)
    return out


def _repairs(line: Sequence[Read]) -> Section:
    """Return the repairs of a line of rig files, newest first."""
    rows = []
    for k, here in enumerate(line):
        made, parent = here.record.provenance, here.record.parent_sha256
        if parent:
            rows.append(
                (
                    when(made.get("time") or here.record.captured_at or "-"),
                    here.name,
                    in_words(made["repaired"]) if made.get("repaired") else "-",
                    line[k + 1].name if k + 1 < len(line) else parent,
                )
            )
    if not rows:
        return Section("Repairs", ("None: the rig was solved as a whole.",))
    columns = _texts(("when", "file", "solved anew", "from"), rows)
    return Section("Repairs", ("Newest first.",), columns=columns)


def _files(line: Sequence[Read], tracks: Read | None) -> Section:
    rig: Rig = line[0].record
    read = [here.record.provenance.get("tracks") for here in line]
    rows = [("rig file", line[0].name, line[0].sha256)]
    for here, stated in zip(line, read, strict=True):
        was = "repaired" if here.record.parent_sha256 else "solved"
        rows.append((f"tracks it was {was} from", *_stated(stated)))
    rows.append(("wand file", *_stated(rig.provenance.get("wand"))))
    for what, stored in (("alignment", rig.alignment), ("verification", rig.verification)):
        of = (stored or {}).get("read")
        for key, stated in of.items() if isinstance(of, Mapping) else ():
            rows.append((f"{what}: {key}", *_stated(stated)))
    sentences: tuple[str, ...] = ()
    if tracks is not None:
        rows.append(("tracks read for this record", tracks.name, tracks.sha256))
        hashes = [stated.get("sha256") for stated in read if isinstance(stated, Mapping)]
        if tracks.sha256 not in hashes:
            sentences = (
                "The tracks read for this record are not those that the rig was solved from: "
                "see that serial numbers are of the cameras that hang there.",
            )
    return Section("Files", sentences, columns=_texts(("what", "file", "SHA-256"), rows))


def _stated(stated: Any) -> tuple[str, str]:
    """Return name and hash of a file that a command read, as the provenance states them."""
    if not isinstance(stated, Mapping):
        return "not stated", "-"
    return str(stated.get("file", "-")), str(stated.get("sha256", "not stated"))


def _texts(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[Column, ...]:
    return tuple(
        Column(heading, list(texts), is_left=True)
        for heading, texts in zip(headings, zip(*rows, strict=True), strict=True)
    )
