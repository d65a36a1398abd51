"""What a recheck found, as records; ``calib.report.changes.recheck`` puts it in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from calib.check.causes import Cause
from calib.check.recheck.drift import Drift, RigidMove, Scale
from calib.check.serials import NewSerial
from calib.check.verdicts import NEED_A_HAND, Change, Majority, Standing
from calib.core.geometry import Array
from calib.core.parameters import RING
from calib.core.rig import Doubt
from calib.core.tracks import Tracks
from calib.printed import Reported

NAN = float("nan")
UPRIGHT_DEG = (
    20.0  # cameras hang upright or upside down to within this (common practice, no source)
)
TURN, SHIFT = slice(0, 3), slice(3, 6)  # of a change (9,)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CameraChange:
    """One camera: its verdict and the figures behind it.

    ``change (9,)`` is turn (rad, on the left of cam_from_world), position (mm, world), focal, cx,
    cy (px) and ``covariance (9, 9)`` its own, both uncertainties counted; of a camera not named
    they are of a change of pose, and ``kind`` is None. ``shift_px`` is RMS over the sensor at the
    distance of the volume's middle with its sigma, ``shift_mm`` the same there. ``noise_ratio`` is
    its noise against that of the rig's solve, in units of what the other cameras show, and
    ``offset_frames`` how late it is beyond what the rig knows (``is_known_late``). Of a camera
    that the wave cannot judge all is nan, and ``n_shared`` how many points it shares with others
    (None: it has no tracks). ``shift_camera_mm (3,)`` is the shift in its own axes: right, down,
    forward. ``borne`` is the camera whose points stand under its name, ``since_frame`` the frame
    from which on it stood elsewhere in this wave and ``step_px`` by how much its points moved then.
    ``serial`` is set where the capture states another serial number than the rig, and ``misread``
    is what is wrong with points that it cannot be judged by; ``cause`` is what is wrong with its
    clock, if it is more than a constant offset. ``faults`` are those that the rig keeps of its
    solve; ``bent`` are the lens terms that came out wrong with the pose where they leave its place
    open, else None.
    """

    name: str
    verdict: Standing
    change: Array
    covariance: Array
    shift_px: float = NAN
    shift_mm: float = NAN
    sigma_shift_px: float = NAN
    p_value: float = NAN
    matters: bool = False
    kind: Change | None = None
    is_separable: bool = True
    correlation: float = NAN
    focal_px: float = NAN
    is_late: bool = False
    may_have_moved: bool = False
    is_known_late: bool = False
    offset_frames: float = 0.0
    sigma_frames: float = NAN
    sigma_px: float = NAN
    noise_ratio: float = NAN
    n_shared: int | None = None
    shift_camera_mm: Array = field(default_factory=lambda: np.full(3, NAN))
    borne: str | None = None
    since_frame: int | None = None
    step_px: float = NAN
    serial: NewSerial | None = None
    misread: str | None = None
    cause: Cause | None = None
    faults: tuple[str, ...] = ()
    bent: tuple[str, ...] | None = None

    @classmethod
    def unseen(cls, name: str, n_shared: int | None) -> CameraChange:
        """Return what there is of a camera that the wave cannot judge."""
        return cls(
            name=name,
            verdict=Standing.UNSEEN,
            n_shared=n_shared,
            change=np.full(9, NAN),
            covariance=np.full((9, 9), NAN),
        )

    @property
    def needs_a_hand(self) -> bool:
        return self.verdict in NEED_A_HAND

    @property
    def is_slight(self) -> bool:
        """Whether it changed by too little to matter."""
        return self.verdict in {Standing.MOVED, Standing.LENS} and not self.matters

    @property
    def was_elsewhere(self) -> bool:
        """Whether that it stands elsewhere than stored is no news: the rig's solve did not place
        it.
        """
        may_differ = {Standing.MOVED, Standing.LENS, Standing.UNDECIDED}
        return self.bent is not None and self.verdict in may_differ

    @property
    def rotation_deg(self) -> float:
        return float(np.degrees(np.linalg.norm(self.change[TURN])))

    @property
    def turn_camera_deg(self) -> Array:
        """The camera's own turn (3,) in degrees: tilted up, turned right, rolled clockwise as one
        stands behind it.

        A change w turns what the camera sees, so the camera itself turned by -w: about x, which
        points right, its view goes up; about y, down, it goes right; about z, forward, its right
        side goes down.
        """
        return np.asarray(-np.degrees(self.change[TURN]))

    @property
    def is_upside_down(self) -> bool:
        """Whether its image stands on its head beside what it was: nearly half a turn about its
        viewing direction.
        """
        return abs(float(self.turn_camera_deg[2])) > 180.0 - UPRIGHT_DEG

    @property
    def translation_mm(self) -> float:
        return float(np.linalg.norm(self.change[SHIFT]))

    def sigma(self, at: slice) -> float:
        """Return the standard uncertainty of the length of a part of the change, along it."""
        v, C = self.change[at], self.covariance[at, at]
        length = float(np.linalg.norm(v))
        return (
            float(np.sqrt(v @ C @ v) / length)
            if length > 0
            else float(np.sqrt(np.trace(C) / len(v)))
        )

    @property
    def sigma_rotation_deg(self) -> float:
        return float(np.degrees(self.sigma(TURN)))

    @property
    def sigma_translation_mm(self) -> float:
        return self.sigma(SHIFT)

    @property
    def focal_change(self) -> float:
        """The share by which the focal length grew, nan where it was not free."""
        return float(self.change[6] / self.focal_px) if self.covariance[6, 6] > 0 else NAN

    @property
    def sigma_focal_change(self) -> float:
        variance = self.covariance[6, 6]
        return float(np.sqrt(variance) / self.focal_px) if variance > 0 else NAN


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Recheck(Reported):
    """All cameras in the rig's order, and what concerns the rig as a whole.

    Parameters
    ----------
    cameras : tuple of CameraChange
        A verdict on each.
    agreeing : tuple of str
        Cameras that agree among themselves.
    groups : tuple of tuple of str
        The others, as far as they agree with one another.
    majority : Majority
        Whether those that agree are enough.
    scale : Scale
        The wave's size against the rig's.
    drift : Drift or None
        What the rig as a whole did.
    rigid_moves : tuple of RigidMove
        Cameras that moved as one.
    is_exact : bool
        The file states no uncertainty.
    is_silent : bool
        The file does not say what errors of held lenses did.
    lacks_terms : bool
        The file lacks lens terms that the wave would need.
    tracks : Tracks
        The wave at a common time, for a repair; where ``is_any``, each marker at each moment is a
        frame of its own.
    frame_rate_hz : float
        That of the capture.
    is_any : bool
        Any markers were seen instead of a wave.
    doubts : tuple of Doubt
        What the stored rig was in doubt for when it was solved.
    of_wave : tuple of Doubt
        What speaks against the new wave, which then says nothing of the cameras.
    islands : tuple of tuple of str
        Groups of cameras that were judged each by itself, where there are several.
    off_until_end : mapping of str to int
        Cameras whose points lay off until the wave ended, and were left out, and from which frame
        on: a knock or what passes.
    """

    REPORT: ClassVar[str] = "changes.recheck"

    cameras: tuple[CameraChange, ...]
    agreeing: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    majority: Majority
    scale: Scale
    drift: Drift | None
    rigid_moves: tuple[RigidMove, ...]
    is_exact: bool
    is_silent: bool
    lacks_terms: bool
    tracks: Tracks
    frame_rate_hz: float
    is_any: bool = False
    doubts: tuple[Doubt, ...] = ()
    of_wave: tuple[Doubt, ...] = ()
    islands: tuple[tuple[str, ...], ...] = ()
    off_until_end: Mapping[str, int] = field(default_factory=dict)

    @property
    def has_majority(self) -> bool:
        return self.majority == Majority.CLEAR

    @property
    def is_moving(self) -> bool:
        """Whether a camera moved during the wave, which then tells no one place of it."""
        return any(c.verdict == Standing.MOVING for c in self.cameras)

    @property
    def moved(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.cameras if c.verdict == Standing.MOVED)

    @property
    def may_hang_loose(self) -> bool:
        """Whether a camera or the rig gave way by more than is worth a ladder, not names, clocks or
        light alone.
        """
        gave = {Standing.MOVED, Standing.MOVING, Standing.LENS}
        is_open = self.drift is not None or not self.has_majority
        return is_open or any(c.verdict in gave and c.matters for c in self.cameras)

    @property
    def repairable(self) -> dict[str, tuple[str, ...]]:
        """The cameras that a repair solves anew, with the lens terms to solve; none without a
        reference to hold.
        """
        if self.drift or not self.has_majority or self.is_moving:
            return {}
        known = any(c.verdict == Standing.UNMOVED for c in self.cameras)
        if not known and any(c.was_elsewhere for c in self.cameras):
            return {}
        return {
            c.name: RING if c.kind in {Change.LENS, Change.BOTH} else ()
            for c in self.cameras
            if c.verdict in {Standing.MOVED, Standing.LENS} or c.was_elsewhere
        } | {c.name: c.bent for c in self.cameras if c.was_elsewhere and c.bent and not self.is_any}

    @property
    def needs_a_hand(self) -> bool:
        return (
            any(c.needs_a_hand or c.verdict == Standing.UNSEEN for c in self.cameras)
            or self.drift is not None
            or not self.has_majority
        )

    @property
    def is_settled(self) -> bool:
        """Whether every camera was judged and stands as before."""
        is_open = any(c.verdict == Standing.UNDECIDED for c in self.cameras)
        return not self.needs_a_hand and not is_open

    def camera(self, name: str) -> CameraChange:
        return next(c for c in self.cameras if c.name == name)


def as_one(largest: Recheck, others: Sequence[Recheck]) -> Recheck:
    """Return the rechecks of several groups of cameras as one; of groups beside the largest those
    that have a majority.
    """
    parts = [largest, *(o for o in others if o.has_majority and o.drift is None)]
    if len(parts) == 1 or not largest.has_majority:
        return largest
    changes = {name: part.camera(name) for part in parts for name in part.tracks.names}
    tracks = {c.name: c for part in parts for c in part.tracks.cameras}
    names = [c.name for c in largest.cameras]
    return replace(
        largest,
        cameras=tuple(changes.get(c.name, c) for c in largest.cameras),
        agreeing=tuple(n for n in names if any(n in part.agreeing for part in parts)),
        groups=tuple(group for part in parts for group in part.groups),
        rigid_moves=tuple(move for part in parts for move in part.rigid_moves),
        tracks=replace(largest.tracks, cameras=tuple(tracks[n] for n in names if n in tracks)),
        islands=tuple(part.tracks.names for part in parts),
    )
