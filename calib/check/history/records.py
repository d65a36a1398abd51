"""The history of a rig's files as records; ``calib.report.changes.history`` puts it in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import ClassVar

import numpy as np

from calib.check.placed import unsure
from calib.check.verdicts import Course
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.errors import require_kinds
from calib.printed import Reported

N_SHOWN = 7  # turn, position, focal length


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A rig file of a history.

    Parameters
    ----------
    name : str
        The file.
    rig : Rig
        What it holds.
    sha256 : str
        Its hash.
    """

    name: str
    rig: Rig
    sha256: str = ""

    def __post_init__(self) -> None:
        require_kinds(self, "entry: ")

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
    focal length (share); rows of files that lack the camera are nan. ``at_file`` is the index of
    the first file after a jump.
    """

    name: str
    verdict: Course
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

    def numbers(self, k: int) -> dict[str, float]:
        """Return the figures of file k against the first, nan where they are not known."""
        turn, shift = self.length(k, slice(0, 3)), self.length(k, slice(3, 6))
        return {
            "rotation_deg": float(np.degrees(turn[0])),
            "sigma_rotation_deg": float(np.degrees(turn[1])),
            "translation_mm": shift[0],
            "sigma_translation_mm": shift[1],
            "focal_change": float(self.change[k, 6]),
            "sigma_focal_change": float(self.sigma[k, 6]),
        }


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class History(Reported):
    """All cameras over all files, in order of time where every file states one, else as given.

    Parameters
    ----------
    entries : tuple of Entry
        The files.
    cameras : tuple of CameraHistory
        Each camera over them.
    is_by_time : bool
        Whether every file states its time.
    without_majority : tuple of str
        Files in which no more than half of the cameras agree with the first.
    silent : tuple of str
        Files that do not say what errors of held lenses did.
    added : tuple of str
        Cameras that the first file lacks.
    grown : mapping
        Files whose whole rig has another size than the first's, and by which share it is larger.
    """

    REPORT: ClassVar[str] = "changes.history"

    entries: tuple[Entry, ...]
    cameras: tuple[CameraHistory, ...]
    is_by_time: bool
    without_majority: tuple[str, ...]
    silent: tuple[str, ...]
    added: tuple[str, ...]
    grown: Mapping[str, float] = field(default_factory=dict)

    @property
    def needs_a_hand(self) -> bool:
        """Whether a camera jumped or drifts, or changed between the only two files, the last file
        does not know where one stands, or the whole rig changed in size.
        """
        return bool(self.grown or unsure(self.entries[-1].rig)) or any(
            c.verdict in {Course.JUMP, Course.DRIFT, Course.CHANGED} for c in self.cameras
        )

    def parent(self, k: int) -> str:
        """Return the name of the file that file k is a repair of, its hash where that file is not
        among these.
        """
        sha = self.entries[k].rig.parent_sha256 or ""
        return next((e.name for e in self.entries if e.sha256 and e.sha256 == sha), sha[:12])
