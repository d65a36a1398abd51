"""What an inspection of a capture finds, as records, and how it prints."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from calib.solve.start.graph import CameraGraph, Overlap, listed
from calib.solve.start.motion import PLANAR_PARALLAX, STILL_TRAVEL, Depth

WIDEST_TABLE = 12  # cameras whose overlap still fits a line of the console


@dataclass(frozen=True, slots=True)
class CameraCapture:
    """One camera's part: counts, share of the sensor covered, and where its frames begin and end.

    ``frames`` counts those with an identified point, ``spread_px`` is the width and height that
    hold the middle 90 % of the identified points, ``partners`` the number of cameras linked to it
    and ``travel`` how far the wand went, in lengths of its own image.
    """

    name: str
    points: int
    identified: int
    frames: int
    points_per_frame: float
    coverage: float
    spread_px: tuple[float, float]
    first_frame: int | None
    last_frame: int | None
    partners: int
    travel: float


@dataclass(frozen=True, slots=True)
class Timing:
    """Frame range over all cameras, rate, and the stretches (first, last) in which no camera saw
    anything.
    """

    frame_rate_hz: float
    first_frame: int | None
    last_frame: int | None
    duration_s: float
    silences: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """What is the matter: ``severity`` "act" keeps the capture from being good enough, "note" does
    not.
    """

    kind: str
    severity: str
    cameras: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What a capture holds and what is the matter with it; prints as plain text."""

    cameras: tuple[CameraCapture, ...]
    overlap: Overlap
    graph: CameraGraph
    timing: Timing
    travel: float
    depth: Depth
    findings: tuple[Finding, ...]

    @property
    def good(self) -> bool:
        """Whether nothing has to be done before solving."""
        return all(f.severity != "act" for f in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the inspection as JSON can hold it; what is not known is null."""
        graph = self.graph
        table = {"names": list(self.overlap.names)}
        return _plain(
            {
                "good": self.good,
                "cameras": [asdict(c) for c in self.cameras],
                "overlap": {
                    **table,
                    "points": self.overlap.points.tolist(),
                    "frames": self.overlap.frames.tolist(),
                },
                "islands": graph.islands,
                "articulation": graph.articulation,
                "hanging": graph.hanging,
                "unlinked": graph.unlinked,
                "wave_between": graph.waves,
                "timing": asdict(self.timing),
                "wave": {
                    "travel": self.travel,
                    "parallax": self.depth.parallax,
                    "pairs_judged": self.depth.n_pairs,
                },
                "findings": [asdict(f) for f in self.findings],
            }
        )

    def __str__(self) -> str:
        return "\n\n".join(
            filter(None, [_head(self), _camera_table(self), _overlap_text(self), _verdict(self)])
        )


def _plain(value: Any) -> Any:
    """Return ``value`` as JSON can hold it: lists for tuples, null for numbers that are
    not finite.
    """
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def aligned(rows: list[list[str]]) -> str:
    """Return rows of cells as columns, the first to the left and the others to the right.

    >>> print(aligned([["camera", "points"], ["cam01", "7"]]))
    camera  points
    cam01        7
    """
    width = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    lines = []
    for first, *rest in rows:
        cells = [
            first.ljust(width[0]),
            *(cell.rjust(w) for cell, w in zip(rest, width[1:], strict=True)),
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def _head(found: Inspection) -> str:
    points, named = sum(c.points for c in found.cameras), sum(c.identified for c in found.cameras)
    t = found.timing
    share = f", {named / points:.1%} of them identified" if points else ""
    lines = [f"{len(found.cameras)} cameras, {points} points{share}"]
    if t.first_frame is not None:
        lines.append(
            f"frames {t.first_frame} to {t.last_frame} at {t.frame_rate_hz:g} Hz, "
            f"{t.duration_s:.1f} s"
        )
    if math.isfinite(found.travel):
        lines.append(f"the wand moves by {found.travel:.3g} of its own lengths in the images")
    if math.isfinite(found.depth.parallax) and found.travel >= STILL_TRAVEL:
        lines.append(
            f"depth: one plane would put the points off by {found.depth.parallax:.1%} of "
            f"their spread"
            f" ({found.depth.n_pairs} camera pairs; a flat wave gives less than "
            f"{PLANAR_PARALLAX:.0%})"
        )
    return "\n".join(lines)


def _camera_table(found: Inspection) -> str:
    rows = [
        [
            "camera",
            "points",
            "identified",
            "frames",
            "a frame",
            "coverage",
            "spread px",
            "seen in",
            "linked to",
        ]
    ]
    for c in found.cameras:
        rows.append(
            [
                c.name,
                str(c.points),
                f"{c.identified / c.points:.1%}" if c.points else "-",
                str(c.frames),
                f"{c.points_per_frame:.1f}",
                f"{c.coverage:.0%}",
                f"{c.spread_px[0]:.0f} × {c.spread_px[1]:.0f}" if c.identified else "-",
                f"{c.first_frame} to {c.last_frame}" if c.points else "-",
                str(c.partners),
            ]
        )
    return aligned(rows)


def _overlap_text(found: Inspection) -> str:
    names, frames, points = found.overlap.names, found.overlap.frames, found.overlap.points
    if len(names) < 2:
        return ""
    if len(names) <= WIDEST_TABLE:
        rows = [["shared frames", *names]]
        for i, name in enumerate(names):
            rows.append([name, *("·" if i == j else str(frames[i, j]) for j in range(len(names)))])
        return aligned(rows)
    lines = ["shares most with (frames, points)"]
    for i, name in enumerate(names):
        best = [int(j) for j in np.argsort(-frames[i], kind="stable") if j != i and frames[i, j]][
            :3
        ]
        shared = ", ".join(f"{names[j]} ({frames[i, j]}, {points[i, j]})" for j in best)
        lines.append(f"{name}  {shared or 'nobody'}")
    return "\n".join(lines)


def _verdict(found: Inspection) -> str:
    n = sum(f.severity == "act" for f in found.findings)
    kinds = listed([f.kind for f in found.findings if f.severity == "act"])
    lines = [
        "Good enough to solve."
        if found.good
        else f"Not good enough to solve, {n} to act on: {kinds}."
    ]
    return "\n".join([*lines, *(f"{f.severity:<5} {f.kind}: {f.text}" for f in found.findings)])
