"""The history of a rig's files as records, as the JSON document and as a table for people."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import Rig

N_SHOWN = 7  # turn, position, focal length


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A rig file: its name, the rig and its SHA-256."""

    name: str
    rig: Rig
    sha256: str = ""

    @property
    def time(self) -> str:
        """When its wave was captured, else when it was solved, as ISO 8601; empty where neither is
        stated.
        """
        return str(self.rig.captured_at or self.rig.provenance.get("time") or "")

    @property
    def moment(self) -> float | None:
        """The time in seconds, None where it is not stated or no ISO 8601."""
        try:
            return datetime.fromisoformat(self.time).timestamp()
        except ValueError:
            return None


@dataclass(frozen=True, slots=True, eq=False)
class CameraHistory:
    """One camera over the files (K): its change against the first (K, 7) and the standard
    uncertainties of each.

    Columns are turn (rad, on the left of cam_from_world), position (mm, first file's world) and
    focal length (share); rows of files that lack the camera are nan. ``verdict`` is "steady",
    "jump", "drift", "changed" or "unknown"; ``at_file`` the index of the first file after a jump.
    """

    name: str
    verdict: str
    change: Array
    sigma: Array
    p_value: float
    at_file: int | None

    def length(self, k: int, at: slice) -> tuple[float, float]:
        """Return the length of a part of file k's change and its standard uncertainty."""
        v, s = self.change[k, at], self.sigma[k, at]
        size = float(np.linalg.norm(v))
        return size, float(np.sqrt((v**2) @ (s**2)) / size) if size > 0 else float(
            np.sqrt((s**2).mean())
        )


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """All cameras over all files, in order of time where every file states one, else as given."""

    entries: tuple[Entry, ...]
    cameras: tuple[CameraHistory, ...]
    is_by_time: bool
    findings: tuple[str, ...]

    def parent(self, k: int) -> str:
        """Return the name of the file that file k is a repair of, its hash where that file is not
        among these.
        """
        sha = self.entries[k].rig.parent_sha256 or ""
        return next((e.name for e in self.entries if e.sha256 and e.sha256 == sha), sha[:12])

    def as_json(self) -> dict[str, Any]:
        """Return the document that ``calib history --json`` prints; numbers that do not exist are
        None.
        """
        files = [
            {
                "file": e.name,
                "time": e.time or None,
                "sha256": e.sha256 or None,
                "parent": self.parent(k) or None,
            }
            for k, e in enumerate(self.entries)
        ]
        cameras = []
        for c in self.cameras:
            rows = [{"file": e.name, **self.numbers(c, k)} for k, e in enumerate(self.entries)]
            at = None if c.at_file is None else self.entries[c.at_file].name
            cameras.append(
                {
                    "name": c.name,
                    "verdict": c.verdict,
                    "p_value": _or_none(c.p_value),
                    "jump_at": at,
                    "changes": rows,
                }
            )
        return {"files": files, "cameras": cameras, "findings": list(self.findings)}

    def numbers(self, camera: CameraHistory, k: int) -> dict[str, float | None]:
        """Return a camera's figures in file k against the first."""
        turn, shift = camera.length(k, slice(0, 3)), camera.length(k, slice(3, 6))
        figures = {
            "rotation_deg": np.degrees(turn[0]), "sigma_rotation_deg": np.degrees(turn[1]),
            "translation_mm": shift[0], "sigma_translation_mm": shift[1],
            "focal_change": camera.change[k, 6], "sigma_focal_change": camera.sigma[k, 6],
        }  # fmt: skip
        return {key: _or_none(float(v)) for key, v in figures.items()}

    def __str__(self) -> str:
        lines = [
            "file"
            + " " * (max(len(e.name) for e in self.entries) - 2)
            + "time                       parent"
        ]
        width = max(len(e.name) for e in self.entries)
        for k, e in enumerate(self.entries):
            lines.append(
                f"{e.name:<{width}}  {e.time or '-':<25}  {self.parent(k) or '-'}".rstrip()
            )
        names = max(6, *(len(c.name) for c in self.cameras))
        lines += ["", f"{'camera':<{names}}  verdict  {'file':<{width}}  {FIGURES}"]
        last = len(self.entries) - 1
        for c in sorted(
            self.cameras, key=lambda c: (c.verdict in {"steady", "unknown"}, c.p_value, c.name)
        ):
            shown = range(1, last + 1) if c.verdict in {"jump", "drift", "changed"} else [last]
            for k in shown:
                name, verdict = (c.name, c.verdict) if k == shown[0] else ("", "")
                n = self.numbers(c, k)
                cells = (
                    _cell(n["rotation_deg"], 6, 3), _cell(n["sigma_rotation_deg"], 6, 3),
                    _cell(n["translation_mm"], 8, 2), _cell(n["sigma_translation_mm"], 6, 2),
                    _cell(n["focal_change"], 7, 3, 100.0, "+"), _cell(n["sigma_focal_change"], 6,
                    3, 100.0),
                )  # fmt: skip
                p = _chance(c.p_value) if name else ""
                mark = "  <- jump" if c.at_file == k else ""
                words = f"{name:<{names}}  {verdict:<7}  {self.entries[k].name:<{width}}"
                lines.append(f"{words}  {'  '.join(cells)}  {p:>6}{mark}".rstrip())
        return "\n".join([*lines, *self.findings, LEGEND])


FIGURES = "turn °     ± °  shift mm    ± mm  focal %     ± %       p"
LEGEND = (
    "Changes are against the first file, once every rig is moved on to it by the cameras "
    "that agree; ± is one standard"
    " uncertainty, p the chance that nothing changed, corrected for the number of "
    "cameras. A rig that moved"
    " or turned as one looks the same."
)


def _cell(value: float | None, width: int, digits: int, factor: float = 1.0, sign: str = "") -> str:
    return f"{'-':>{width}}" if value is None else f"{factor * value:{sign}{width}.{digits}f}"


def _chance(p: float) -> str:
    return "-" if not np.isfinite(p) else "<1e-9" if p < 1e-9 else f"{p:.2g}"


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
