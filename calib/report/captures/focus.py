"""Whether cameras' spots are fit to measure, as people read it and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from calib.core.names import counted, listed
from calib.intake.centroids.focus import Focus
from calib.report.tables import Blocks, Column, Said, Table, strong
from calib.report.words import document, ended, picked


def as_blocks(found: Focus | Sequence[Focus]) -> Blocks:
    """Return which cameras' spots are fit to measure, what to turn, and what was judged."""
    found = [found] if isinstance(found, Focus) else found
    bad = [f for f in found if not f.is_fit]
    if len(found) == 1:
        (one,) = found
        verdict = "fit to measure" if one.is_fit else "not fit to measure yet"
        spots = f"{counted(one.n_spots, 'spot')} in {counted(one.n_images, 'image')}"
        told = strong(f"{one.camera}: {verdict} ({spots}).")
        return [told, *_remedies(one), "", _checks(one)]
    says = f"{len(found) - len(bad)} of {len(found)} cameras fit to measure"
    names = f"; not yet: {listed([f.camera for f in bad])}" if bad else ""
    out: Blocks = [strong(f"{says}{names}.")]
    alike: dict[str, list[str]] = {}
    for f in bad:
        for text in _remedies(f):
            alike.setdefault(text, []).append(f.camera)
    for text, cameras in alike.items():
        out.append(Said(text, f"{listed(cameras)}: "))
    numbers = [f.numbers for f in found]
    columns = [
        Column("camera", [f.camera for f in found], is_left=True),
        Column("images", [f.n_images for f in found]),
        Column("spots", [f.n_spots for f in found]),
        Column("across|px", [n.get("diameter_px") for n in numbers], ".1f"),
        Column("blur|px", [n.get("blur_px") for n in numbers], ".2f"),
        Column("peak", [n.get("peak_share") for n in numbers], ".0%"),
        Column("clipped|of a spot", [n.get("clipped_share") for n in numbers], ".0%"),
        Column("roundness", [n.get("roundness") for n in numbers], ".2f"),
        Column("verdict", [_verdict(f.is_fit) for f in found], is_left=True),
    ]
    rows = [k for k, f in enumerate(found) if not f.is_fit]
    return [*out, "", Table(columns, rows)]


def _remedies(one: Focus) -> list[str]:
    """Return what to turn and why, in the order in which one would: nothing else can be judged of
    a picture that is out of focus.
    """
    wrong = sorted((c for c in one.checks if not c.is_ok), key=lambda c: c.turn[:1] != ("focus",))
    out = []
    for advice, checks in groupby(wrong, key=lambda c: c.advice):
        acting = list(checks)
        names, turn = ", ".join(c.name for c in acting), ", then ".join(acting[0].turn)
        out.append(ended(f"{names} (turn {turn}): {advice}"))
    return out


def _checks(one: Focus) -> Table:
    rows = one.checks
    columns = [
        Column("what", [c.name for c in rows], is_left=True),
        Column("verdict", [_verdict(c.is_ok) for c in rows], is_left=True),
        Column("found", [c.found for c in rows], is_left=True),
        Column("wanted", [c.wanted for c in rows], is_left=True),
    ]
    return Table(columns, [k for k, c in enumerate(rows) if not c.is_ok])


def as_json(found: Focus) -> dict[str, Any]:
    """Return what ``calib focus --json`` prints."""
    checks = [
        picked(c, "name", "found", "wanted")
        | {"verdict": _verdict(c.is_ok)}
        | ({} if c.is_ok else {"turn": c.turn, "advice": c.advice})
        for c in found.checks
    ]
    return document(
        {
            "camera": found.camera,
            "images": found.n_images,
            "spots": found.n_spots,
            "verdict": _verdict(found.is_fit),
            "refused": found.refused,
            "numbers": found.numbers,
            "checks": checks,
        }
    )


def _verdict(is_ok: bool) -> str:
    return "ok" if is_ok else "act"
