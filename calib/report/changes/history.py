"""A rig's history as people read it, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calib.check.history.records import CameraHistory, History
from calib.check.placed import unsure
from calib.check.verdicts import Course
from calib.core.names import all_of, command, listed
from calib.report.papers.stored import when
from calib.report.tables import Blocks, Column, Said, Table, strong
from calib.report.words import document, picked

QUIET = {Course.STEADY, Course.UNKNOWN}
PHRASES = {
    Course.JUMP: "jumped",
    Course.DRIFT: "drifted",
    Course.CHANGED: "changed",
    Course.UNKNOWN: "not known",
}
LEGEND = (
    "Changes are against the first file, once every rig is moved on to it by the cameras that "
    "agree; ± is one standard uncertainty. A rig that moved or turned as one looks the same."
)


def as_blocks(found: History, explain: bool = False, last: str = "RIG") -> Blocks:
    """Return the verdict, the files, every camera's changes, and what concerns the files; ``last``
    is the last rig file, for a command.
    """
    out: Blocks = [strong(verdict(found))]
    for text, label, then in _what_to_do(found, last):
        out.append(strong(text))
        out += [Said(then, label, is_whole=True)] if then else []
    files = [
        Column("file", [e.name for e in found.entries], is_left=True),
        Column("time", [when(e.time) or "-" for e in found.entries], is_left=True),
        Column("parent", [found.parent(k) or "-" for k in range(len(found.entries))], is_left=True),
    ]
    told = [*findings(found), *([LEGEND] if explain else [])]
    return [*out, "", _table(found), "", Table(files), *([""] if told else []), *told]


def _what_to_do(found: History, last: str) -> list[tuple[str, str, str]]:
    """Return what to do about cameras that moved, and by what command, after its label."""
    grown = [
        f"{name}: the whole rig {'grew' if share > 0 else 'shrank'} by {abs(share):.2%} against "
        f"{found.entries[0].name}: look which wand file each was solved with, and in which unit. "
        "Cameras are judged with that taken off."
        for name, share in found.grown.items()
    ]
    out = [(text, "", "") for text in grown]
    if moved := [c.name for c in found.cameras if c.verdict in {Course.JUMP, Course.CHANGED}]:
        stand = "they stand" if len(moved) > 1 else "it stands"
        text = f"Look at mount, clamp and rings of {listed(moved)}."
        again = command("recheck", last, "TRACKS")
        out.append((text, f"Whether {stand} now, by a new wave: ", again))
    if here := unsure(found.entries[-1].rig):
        text = (
            f"The last file does not know where {listed(here)} "
            f"{'stands' if len(here) == 1 else 'stand'}: see to what its solve found there, wave "
            "again and solve."
        )
        out.append((text, "", ""))
    if drifting := [c.name for c in found.cameras if c.verdict == Course.DRIFT]:
        text = (
            f"Look what gives at {listed(drifting)}: a clamp that creeps, a mount that warms up or "
            "a cable that pulls."
        )
        repair = command("recheck", last, "TRACKS", "--repair", "-o", "NEW_RIG")
        out.append((text, "Until then: ", repair))
    return out


def as_json(found: History) -> dict[str, Any]:
    """Return the document that ``calib history --json`` prints."""
    files = [
        {
            "file": e.name,
            "time": e.time or None,
            "sha256": e.sha256 or None,
            "parent": found.parent(k) or None,
            "growth": found.grown.get(e.name, 0.0),
        }
        for k, e in enumerate(found.entries)
    ]
    cameras = [
        {
            **picked(c, "name", "verdict", "p_value"),
            "jump_at": None if c.at_file is None else found.entries[c.at_file].name,
            "changes": [{"file": e.name, **c.numbers(k)} for k, e in enumerate(found.entries)],
        }
        for c in found.cameras
    ]
    return document({"files": files, "cameras": cameras, "findings": findings(found)})


def findings(found: History) -> list[str]:
    """Return what is to be said of the files."""
    first = found.entries[0].name
    out = (
        [] if found.is_by_time else ["Some files state no time: they are taken in the order given."]
    )
    out += [
        f"{name}: no more than half of the cameras agree with {first}; treat it with care."
        for name in found.without_majority
    ]
    for e in found.entries:
        if here := [f"{name} ({why})" for name, why in unsure(e.rig).items()]:
            out.append(
                f"Where {listed(here)} stood is unsure in {e.name}: of that nothing is told here."
            )
    if found.added:
        out.append(f"Not in {first}, so without a history: {listed(found.added)}.")
    if found.silent:
        out.append(
            "Solved with measured lenses, without a word on what their errors did to the poses: "
            f"{listed(found.silent)}. Small changes may be these errors; solve the captures "
            "anew."
        )
    return out


def verdict(found: History) -> str:
    """Return who is steady, and who is not."""
    n_steady = sum(c.verdict == Course.STEADY for c in found.cameras)
    told = []
    for verdict, phrase in PHRASES.items():
        of = [c for c in found.cameras if c.verdict == verdict]
        names = [
            f"{c.name} (in {found.entries[c.at_file].name})" if c.at_file is not None else c.name
            for c in of
        ]
        told += [f"{listed(names)} {phrase}"] if of else []
    n = len(found.cameras)
    told = [*(["the whole rig changed in size"] if found.grown else []), *told]
    steady = f"{n_steady} of {n} cameras" if told else all_of(n, "camera").capitalize()
    return "; ".join([f"{steady} steady", *told]) + "."


def _table(found: History) -> Table:
    last = len(found.entries) - 1
    rows: list[tuple[CameraHistory, int]] = []
    for c in sorted(found.cameras, key=lambda c: (c.verdict in QUIET, c.p_value, c.name)):
        rows += [(c, k) for k in (range(1, last + 1) if c.verdict not in QUIET else [last])]
    is_first = [k == 0 or rows[k - 1][0] is not c for k, (c, _) in enumerate(rows)]
    numbers = [c.numbers(k) for c, k in rows]

    def words(texts: Sequence[str]) -> list[str]:
        return [t if first else "" for t, first in zip(texts, is_first, strict=True)]

    def column(heading: str, name: str, form: str, factor: float = 1.0) -> Column:
        return Column(heading, [factor * n[name] for n in numbers], form)

    columns = [
        Column("camera", words([c.name for c, _ in rows]), is_left=True),
        Column("verdict", words([c.verdict for c, _ in rows]), is_left=True),
        Column("file", [found.entries[k].name for _, k in rows], is_left=True),
        column("rotation|deg", "rotation_deg", ".3f"),
        column("|± deg", "sigma_rotation_deg", ".3f"),
        column("shift|mm", "translation_mm", ".2f"),
        column("|± mm", "sigma_translation_mm", ".2f"),
        column("focal|length %", "focal_change", "+.3f", 100.0),
        column("|± %", "sigma_focal_change", ".3f", 100.0),
        Column("", ["<- jump" if c.at_file == k else "" for c, k in rows], is_left=True),
    ]
    return Table(columns, [k for k, (c, _) in enumerate(rows) if c.verdict not in QUIET])
