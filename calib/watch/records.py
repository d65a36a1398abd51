"""What is known of a wave while it goes on, as records; ``calib.report.captures.watch`` has the
words.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np

from calib.core.geometry import Array
from calib.printed import Reported
from calib.solve.start.graph import CameraGraph, Overlap

INNER = 95.0  # percent of places within the second figure of a forecast


class Call(StrEnum):
    """What is called out at once about a camera."""

    SILENT = "silent"
    STRAY = "stray points"
    MISFIT = "does not fit"
    LATE = "out of step"
    LARGE = "large spots"


class Lack(StrEnum):
    """What a camera still lacks."""

    BLIND = "has not seen the wand"
    LINK = "shares too little with any other camera"
    ONE_LINK = "shares enough with one camera alone"
    POINTS = "few points"
    COVERAGE = "little of its sensor"


class Ending(StrEnum):
    """Why a capture suffices."""

    NEED = "the need is met"
    NO_GAIN = "ten more seconds would gain less than a tenth"


@dataclass(frozen=True, slots=True)
class CalledOut:
    """Something to see to at a camera now, with the figures that say so (see ``calls``)."""

    call: Call
    camera: str
    figures: dict[str, float]


@dataclass(frozen=True, slots=True)
class Region:
    """A part of a camera's image: -1, 0 or 1 from left to right and from top to bottom."""

    column: int
    row: int


@dataclass(frozen=True, slots=True)
class CameraSoFar:
    """One camera so far: counts, the share of its sensor, from where to where it saw the wand (mm,
    nan before a first solve), with how many cameras it is linked, and what it ``lacks``; ``empty``
    is the part of its image that the wand was in least.
    """

    name: str
    points: int
    named: int
    frames: int
    coverage: float
    near_mm: float
    far_mm: float
    links: int
    lacks: tuple[Lack, ...]
    empty: Region


@dataclass(frozen=True, slots=True)
class Walk:
    """Where to take the wand next: ``cameras`` that are to see it (one: towards it, two: where both
    see it), ``height`` -1 low, 0 middle, 1 high, None where nothing is known; ``region`` of the
    first camera's image. ``sigma_mm`` is what ten seconds there would give.
    """

    cameras: tuple[str, ...]
    height: int | None = None
    region: Region | None = None
    is_middle: bool = False
    sigma_mm: float = float("nan")


@dataclass(frozen=True, slots=True)
class Figure:
    """A precision over the places where the wand went, 3D standard deviations in mm: half of them
    are better than ``half_mm``, 19 of 20 than ``most_mm``.
    """

    half_mm: float
    most_mm: float

    @classmethod
    def of(cls, sigma_mm: Array) -> Figure:
        """Return the figure of places (n,), nan where none is known."""
        half, most = np.nanpercentile(sigma_mm, [50.0, INNER])
        return cls(float(half), float(most))


@dataclass(frozen=True, slots=True)
class Forecast:
    """The precision that a solve of all frames so far would state, and of ten more seconds like
    those so far.
    """

    now: Figure
    later: Figure


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class View(Reported):
    """All of a wave that a person is told.

    ``n_frames`` show the wand. ``trouble`` is why the frames so far could not be solved,
    ``against`` what keeps them from being enough whatever the precision; ``ending`` is why they
    suffice, None as long as they do not; ``solved`` the figure that the last solve itself came to,
    ``solved_frames`` how many frames it held.
    """

    REPORT: ClassVar[str] = "captures.watch"

    duration_s: float
    n_frames: int
    need_mm: float | None
    is_everywhere: bool
    is_named: bool
    cameras: tuple[CameraSoFar, ...]
    overlap: Overlap
    graph: CameraGraph
    called_out: tuple[CalledOut, ...]
    forecast: Forecast | None
    solved: Figure | None
    solved_frames: int
    walk: Walk | None
    is_fast: bool
    trouble: str
    against: tuple[str, ...]
    ending: Ending | None
