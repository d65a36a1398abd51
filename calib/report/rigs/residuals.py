"""The residual table as people read it, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from itertools import groupby
from types import MappingProxyType
from typing import Any

import numpy as np

from calib.check.apart import UNSURE
from calib.check.causes import Cause
from calib.check.residuals import CameraRow, ResidualTable, WandLengths
from calib.check.verdicts import Fault, RigFault, Verdict
from calib.check.whole.find import is_symptom
from calib.core.names import all_of, command, counted, listed
from calib.core.rig import Doubt
from calib.report.rigs.causes import advice, evidence
from calib.report.rigs.serials import in_words as serial_in_words
from calib.report.rigs.whole import as_json as whole_as_json
from calib.report.rigs.whole import named, sentences
from calib.report.tables import Blocks, Column, Said, Table, following, strong
from calib.report.words import RMS, document, ended, filled, picked
from calib.solve.lasting.stretches import USUAL_SHARE

LETTERS = {"aspect": "a", "tangential": "p", "k3": "k", "rational": "r"}
MOST_NAMED = 5  # cameras in a line about errors that last, and of one cause
FEW = 3  # of more
HELD = (
    "Lenses were held as they are stated. First solve again with free lenses; what that no longer"
    " finds came of them: calib solve TRACKS --wand WAND --lens free -o NEW_RIG"
)
LEGEND = (
    "95 %: what 19 of 20 points stay within; noise is that of one coordinate, corrected for what "
    "fitting the wands takes up; bias is the mean of what is left; sensor is the share of it that "
    "points cover. Left out are points that fit nothing.",
    "Position and rotation: how sure the solve was of them, one standard uncertainty over x, y, z "
    "together; so are all figures with ±.",
    "Lens: a, pixels not quite square; p, decentring; k, k3; r, a denominator; plain, none of "
    "these; -, it was held.",
)


def as_blocks(
    found: ResidualTable,
    explain: bool = False,
    then: str = "",
    files: Mapping[str, str] = MappingProxyType({}),
) -> Blocks:
    """Return the verdict, what to do about each camera, the table, and what concerns the rig;
    ``then`` is the next command where all is good, ``files`` what RIG, TRACKS and WAND are.
    """
    left_out = [(name, f"left out: {why}") for name, why in found.left_out.items()]
    told = [("", verdict(found)), *left_out, *to_do(found, files)]
    out: Blocks = [strong(text, f"{label}: " if label else "") for label, text in told]
    asked = size_asked(found), filled(touch_asked(found), files)
    out += [strong(text) for text in asked if text]
    for new in found.serials:
        causes = {c.cause for row in found.cameras if row.name == new.name for c in row.causes}
        told_as = serial_in_words(
            new, is_exchanged=Fault.EXCHANGED in causes, is_as_before=not causes
        )
        out.append(Said(ended(told_as), f"{new.name}: "))
    if then and not found.needs_a_hand:
        out.append(following(then))
    lasting = lasting_sentences(found.lasting, explain)
    out += ["", _table(found), "", f"RMS is {RMS}.", *lasting, lengths_sentence(found.wand)]
    if found.sizes.cameras_mm:
        out.append(f"Sizes, to check against the room: {_sizes(found)}.")
    if not explain:
        return out
    behind = [(row.name, evidence(cause)) for row in found.cameras for cause in row.causes]
    return [*out, *LEGEND, *(Said(filled(ended(text), files), f"{n}: ") for n, text in behind)]


def to_do(
    found: ResidualTable, files: Mapping[str, str] = MappingProxyType({})
) -> list[tuple[str, str]]:
    """Return what to do, in the order in which it is told: the camera's name, or none where it is
    about the rig, and what was seen and what to do about it.
    """
    told: list[tuple[str, str]] = []
    stated = {n for d in found.doubts if d.finding == RigFault.STATED for n in d.cameras}
    if stated or any(row.lens_terms is None and is_of_lens(row) for row in found.cameras):
        told.append(("", HELD))
    for is_doubt, group in groupby(found.told, lambda one: isinstance(one, Doubt)):
        if is_doubt:
            told += [("", s) for s in sentences([d for d in group if isinstance(d, Doubt)])]
            continue
        told += _by_camera(
            (row.name, cause)
            for row in group
            if isinstance(row, CameraRow)
            for cause in row.causes
            if cause.cause != Fault.LENS or row.name not in stated  # the same once more
        )
    return [(name, filled(text, files)) for name, text in told]


def _by_camera(causes: Iterable[tuple[str, Cause]]) -> list[tuple[str, str]]:
    """Return what to do about each camera; of a cause that many have, the first few are told in
    full, the others by name.
    """
    causes = list(causes)
    of: dict[str, list[str]] = {}
    for name, cause in causes:
        of.setdefault(cause.cause, []).append(name)
    rest = {fault: names[FEW:] for fault, names in of.items() if len(names) > MOST_NAMED}
    told = [(n, advice(cause)) for n, cause in causes if n not in rest.get(cause.cause, ())]
    return told + [
        ("", f"{fault[:1].upper()}{fault[1:]} as well: {listed(names)}; --json tells each.")
        for fault, names in rest.items()
    ]


def is_of_lens(row: CameraRow) -> bool:
    """Return whether a lens that is not as stated may be what a camera's causes come of."""
    return any(cause.cause in UNSURE | {Fault.STRAY} for cause in row.causes)


def as_json(found: ResidualTable) -> dict[str, Any]:
    """Return the table as ``calib residuals --json`` prints it."""
    cameras = [
        {
            "name": row.name,
            "points": row.stats.points,
            "left_out": row.stats.n_left_out,
            "outside": row.n_outside,
            **picked(row.stats, "rms_px", "median_px", "p95_px", "sigma_px"),
            "sigma_position_mm": row.sigma_position_mm,
            "sigma_rotation_deg": row.sigma_rotation_deg,
            "bias_px": row.stats.bias_px,
            "coverage": row.stats.coverage,
            "verdict": row.verdict,
            "lens_terms": row.lens_terms,
            "causes": [{"cause": c.cause, "evidence": evidence(c)} for c in row.causes],
        }
        for row in found.cameras
    ]
    return document(
        {
            "rig": whole_as_json(found.doubts),
            "cameras": cameras,
            "wand": asdict(found.wand),
            "frames": found.n_frames,
            "lasting": found.lasting,
            "left_out": found.left_out,
            "serials": [asdict(s) for s in found.serials],
            "sizes": asdict(found.sizes) | {"is_usual": found.sizes.is_usual},
        }
    )


def verdict(found: ResidualTable) -> str:
    """Return whether the rig as a whole is in doubt, how many cameras are good, and which are
    not, or not in the rig.
    """
    acting = [row.name for row in found.cameras if row.verdict == Verdict.ACT]
    n = len(found.cameras)
    doubts = [d for d in found.doubts if not (acting and is_symptom(d))]
    doubt = f"The rig as a whole is in doubt: {named(doubts)}." if doubts else ""
    good = "" if doubt else f"{all_of(n, 'camera').capitalize()} good"
    if acting:
        needs = "needs" if len(acting) == 1 else "need"
        good = f"{n - len(acting)} of {counted(n, 'camera')} good; {listed(acting)} {needs} action"
    absent = listed(list(found.left_out))
    if absent:
        absent += " is left out" if len(found.left_out) == 1 else " are left out"
    rest = "; ".join(filter(None, (good, absent)))
    return " ".join(filter(None, (doubt, rest and f"{rest}.")))


def size_asked(found: ResidualTable) -> str:
    """Return a question where wand or markers are of no usual size, as in a file in centimetres or
    inches; empty where they are.
    """
    if found.sizes.is_usual:
        return ""
    file = "the wand file is" if found.sizes.wand_mm else "the distance was"
    return f"Is this so: {_sizes(found)}? If not, {file} in another unit: state mm and solve again."


def touch_asked(found: ResidualTable) -> str:
    """Return a question where sound cameras lay off until the wave ended, which shimmer does and a
    knock as well: the rig then holds for before it; empty where none did or the rig is in doubt.
    """
    cameras = found.lasting.get("cameras", {})
    acting = {row.name for row in found.cameras if row.verdict == Verdict.ACT}
    since = {
        name: c["off_until_end_since"]
        for name, c in cameras.items()
        if "off_until_end_since" in c and name not in acting
    }
    return "" if found.doubts else touched(since)


def touched(since: Mapping[str, int]) -> str:
    """Return the question about cameras that lay off from a frame on, empty of none."""
    if not since:
        return ""
    was, its = ("Was", "its") if len(since) == 1 else ("Were", "their")
    return (
        f"{was} {listed(since, MOST_NAMED)} touched? From frame {min(since.values())} until the"
        f" wave ended {its} points lay off together, and were left out. If so, or not sure, wave"
        f" again for some seconds: {command('recheck', 'RIG', 'NEW_TRACKS')}"
    )


def _sizes(found: ResidualTable) -> str:
    """The sizes by which centimetres or inches taken for millimetres show."""
    sizes = found.sizes
    told = [f"wand {sizes.wand_mm:.0f} mm"] if sizes.wand_mm else []
    told += [f"markers some {sizes.marker_mm:.2g} mm wide"] if np.isfinite(sizes.marker_mm) else []
    metres = [f"{v / 1000:.1f}" for v in sizes.cameras_mm]
    # Two cameras, or three, have no more extents than one, or two.
    span = " × ".join(metres[: max(1, len(found.cameras) - 1)])
    return ", ".join([*told, f"cameras over {span} m"])


def _table(found: ResidualTable) -> Table:
    acting = [k for k, row in enumerate(found.cameras) if row.verdict == Verdict.ACT]
    return Table(columns(found), acting)


def columns(found: ResidualTable) -> list[Column]:
    """Return the table's columns, a row a camera."""
    rows = found.cameras
    stats = [row.stats for row in rows]
    outside = [row.n_outside for row in rows]
    bias_x, bias_y = zip(*(s.bias_px for s in stats), strict=True)
    return [
        Column("camera", [row.name for row in rows], is_left=True),
        Column("verdict", [row.verdict for row in rows], is_left=True),
        Column("points|used", [s.points for s in stats]),
        Column("left|out", [s.n_left_out for s in stats], rank=2),
        *([Column("outside|sensor", outside)] if any(outside) else []),
        Column("RMS|px", [s.rms_px for s in stats], ".3f"),
        Column("95 %|px", [s.p95_px for s in stats], ".3f", rank=3),
        Column("noise|px", [s.sigma_px for s in stats], ".3f"),
        Column("bias x|px", bias_x, ".3f", rank=5),
        Column("bias y|px", bias_y, ".3f", rank=5),
        Column("position|± mm", [np.linalg.norm(r.sigma_position_mm) for r in rows], ".3f"),
        Column("rotation|± deg", [np.linalg.norm(r.sigma_rotation_deg) for r in rows], ".4f"),
        Column("sensor|seen", [s.coverage for s in stats], ".0%"),
        Column("lens", [_letters(row.lens_terms) for row in rows], is_left=True, rank=4),
    ]


def _letters(terms: tuple[str, ...] | None) -> str:
    return "-" if terms is None else "".join(LETTERS[term] for term in terms) or "plain"


def lasting_sentences(lasting: dict[str, Any], explain: bool = True) -> list[str]:
    """Return what to say of errors that last (``calib.solve.lasting.find.in_words``), when and how
    much only to ``explain``; nothing where there are few.
    """
    if lasting.get("share", 0.0) <= USUAL_SHARE:
        return []
    of = sorted(lasting["cameras"].items(), key=lambda item: -item[1]["seconds"])
    out = [
        f"For a while all points of a camera lay off together ({lasting['share']:.0%} of all, left "
        f"out): {listed((name for name, _ in of), MOST_NAMED)}. Look for hidden markers, warm air "
        "and mounts that tremble."
    ]
    if explain:
        words = [
            f"{name} {counted(c['count'], 'time')}, {c['seconds']:.1f} s "
            f"in all, at most {c['largest_px']:.2f} px (frames {c['largest_frames'][0]} to "
            f"{c['largest_frames'][1]})"
            for name, c in of
        ]
        out.append(f"{'; '.join(words)}.")
    return out


def lengths_sentence(w: WandLengths) -> str:
    """Return how far the wand's lengths come out off."""
    if not w.span_mm:
        return (
            "A single marker has no lengths: the scale is as sure as the distance that was given."
        )
    if not w.n_lengths:
        return "Wand lengths: none, no frame shows two markers in two cameras each."
    return (
        f"Wand lengths ({w.n_lengths}): {w.length_mean_mm:+z.3f} mm off on average, 95 % within "
        f"{w.length_p95_mm:.3f} mm."
    )
