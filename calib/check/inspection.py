"""What an inspection of a capture finds, as records; ``calib.report.captures.inspection`` has
the words.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from calib.check.verdicts import Shortcoming, Verdict
from calib.printed import Reported
from calib.solve.start.graph import CameraGraph, Overlap
from calib.solve.start.motion import Depth


@dataclass(frozen=True, slots=True)
class CameraCapture:
    """One camera's part: counts, share of the sensor covered, and where its frames begin and end.

    ``placed`` counts identified points of frames that two cameras place, which alone a solve takes,
    and ``coverage`` is theirs. ``frames`` counts those with an identified point (of a capture
    without names, any), ``spread_px`` is the width and height that hold the middle 90 % of these
    points, ``partners`` the number of cameras linked to it and ``travel`` how far the wand went, in
    lengths of its own image, ``outside`` how many points beside the counted ones lay outside the
    sensor.
    """

    name: str
    points: int
    identified: int
    placed: int
    frames: int
    points_per_frame: float
    coverage: float
    spread_px: tuple[float, float]
    first_frame: int | None
    last_frame: int | None
    partners: int
    travel: float
    outside: int = 0


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
    """What is the matter: ``severity`` ACT keeps the capture from being good enough, NOTE does not.

    ``figures`` are those that the inspection's other records do not hold.
    """

    kind: Shortcoming
    severity: Verdict
    cameras: tuple[str, ...]
    figures: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Inspection(Reported):
    """What a capture holds and what is the matter with it; ``good`` where nothing needs action.

    Parameters
    ----------
    cameras : tuple of CameraCapture
        Counts and coverage of each camera.
    overlap : Overlap
        What pairs of cameras share.
    graph : CameraGraph
        How cameras hang together.
    timing : Timing
        Cameras out of step.
    travel : float
        How far the wand went, in shares of the sensor.
    depth : Depth
        Whether the wave has depth.
    findings : tuple of Finding
        What is the matter.
    """

    REPORT: ClassVar[str] = "captures.inspection"

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
        return all(f.severity != Verdict.ACT for f in self.findings)
