"""What is planned before anything hangs: room, volume, cameras, markers, wave, and what must be
reached.

The world has z up. A camera stands upright but for its roll and looks at its aim point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from calib.core.camera import Lens
from calib.core.geometry import Array, Pose, frozen
from calib.core.names import camera_named, listed
from calib.core.rig import RigCamera
from calib.core.wand import Wand
from calib.errors import InputError, require_kinds
from calib.plan.checks import above_0, as_corners, as_place, as_size, place_each, within
from calib.prove.volume import Box

NEAREST_MM = 100.0  # nearer to the camera a point gives no direction to look in
# Sizes outside of these are of another unit, not of another rig (common sense, no source).
LEAST_VOLUME_MM, MOST_VOLUME_MM = 200.0, 1e6
SENSOR_MM = (1.0, 100.0)
FOCAL_MM = (1.0, 2000.0)
MARKER_MM = (0.2, 500.0)
NO_DISTORTION = np.zeros(5)


@dataclass(frozen=True, slots=True, eq=False)
class Rail:
    """A straight rail or truss that cameras may be moved along, from end to end (3,) in mm."""

    name: str
    start_mm: Array
    end_mm: Array

    def __post_init__(self) -> None:
        where = f"[[rails]] {self.name}: "
        require_kinds(self, where)
        place_each(self, where, "start_mm", "end_mm")
        if self.length_mm < NEAREST_MM:
            raise InputError(
                f"[[rails]] {self.name}",
                expected=f"{NEAREST_MM:g} mm from end to end or more",
                found=f"{self.length_mm:g} mm",
                remedy="Correct from_mm or to_mm.",
            )

    @property
    def length_mm(self) -> float:
        return float(np.linalg.norm(self.end_mm - self.start_mm))

    def at(self, along_mm: float) -> Array:
        """Return the place (3,) so far from its start."""
        return np.asarray(self.start_mm + (self.end_mm - self.start_mm) * along_mm / self.length_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Obstacle:
    """A box that no camera sees through."""

    name: str
    box: Box

    def __post_init__(self) -> None:
        require_kinds(self, f"[[obstacles]] {self.name}: ")


@dataclass(frozen=True, slots=True, eq=False)
class PlanCamera:
    """A camera as it is to hang: sensor in px, pitch and focal length in mm, ``position_mm (3,)``
    and ``aim_mm (3,)``, what its optical axis goes through.

    ``zoom_mm`` are the shortest and the longest focal length that its ring reaches, None of a fixed
    lens. ``f_number`` and ``focus_mm`` are aperture and focus distance, None where depth of field
    is no matter. ``rail`` names the rail it hangs on. ``is_held``: suggestions leave it as it is.
    ``dist (5,)`` or (8,) is its distortion in OpenCV's order, None of an ideal lens.
    """

    name: str
    width: int
    height: int
    pixel_pitch_mm: float
    focal_mm: float
    position_mm: Array
    aim_mm: Array
    roll_deg: float = 0.0
    zoom_mm: tuple[float, float] | None = None
    f_number: float | None = None
    focus_mm: float | None = None
    range_mm: float = np.inf
    rail: str = ""
    is_held: bool = False
    dist: Array | None = None

    def __post_init__(self) -> None:
        where = f"cameras.{self.name}"
        require_kinds(self, f"{where}: ")
        place_each(self, f"{where}: ", "position_mm", "aim_mm")
        if self.dist is not None:
            dist = frozen(self.dist, where=f"{where}: dist")
            object.__setattr__(self, "dist", dist)
            try:
                Lens(1.0, 1.0, 0.0, 0.0, dist)
            except InputError as error:
                raise error.inside(where) from None
        if not math.isfinite(self.roll_deg):
            raise InputError(f"{where}: roll_deg", expected="degrees", found=f"{self.roll_deg:g}")
        if self.width < 1 or self.height < 1:
            raise InputError(
                f"{where}: width and height",
                expected="1 px or more",
                found=f"{self.width} × {self.height}",
            )
        within(
            f"{where}: sensor",
            self.width * self.pixel_pitch_mm,
            SENSOR_MM,
            "mm wide",
            f"Give pixel_pitch_mm in mm, as 0.0045; it is {self.pixel_pitch_mm:g}.",
        )
        within(f"{where}: focal_mm", self.focal_mm, FOCAL_MM, "mm", "Give it in mm.")
        if self.zoom_mm is not None:
            short, long = self.zoom_mm
            if not 0 < short <= long:
                raise InputError(
                    f"{where}: zoom_mm",
                    expected="the shortest and the longest focal length",
                    found=f"{short:g} to {long:g} mm",
                )
            if not short - 1e-9 <= self.focal_mm <= long + 1e-9:
                raise InputError(
                    f"{where}: focal_mm",
                    expected=f"{short:g} to {long:g} mm, as zoom_mm says",
                    found=f"{self.focal_mm:g} mm",
                    remedy="Correct one of them.",
                )
        away = float(np.linalg.norm(self.aim_mm - self.position_mm))
        if away < NEAREST_MM:
            raise InputError(
                f"{where}: aim_mm",
                expected=f"a point {NEAREST_MM:g} mm or more from the camera",
                found=f"one {away:g} mm from its position",
                remedy="Give what it is to look at.",
            )
        above_0(self, where, "f_number", "focus_mm", "range_mm")
        if self.focus_mm is not None and self.focus_mm <= 2.0 * self.focal_mm:
            raise InputError(
                f"{where}: focus_mm",
                expected="a distance in mm, well beyond the focal length",
                found=f"{self.focus_mm:g} mm with a lens of {self.focal_mm:g} mm",
                remedy="Give it in mm.",
            )

    @property
    def sensor_mm(self) -> Array:
        """Width and height (2,)."""
        return np.array([self.width, self.height]) * self.pixel_pitch_mm

    @property
    def ring_mm(self) -> tuple[float, float]:
        """The shortest and the longest focal length that it can be set to."""
        return self.zoom_mm or (self.focal_mm, self.focal_mm)

    @property
    def direction(self) -> Array:
        """Where it looks: a unit vector (3,)."""
        ray = self.aim_mm - self.position_mm
        return np.asarray(ray / np.linalg.norm(ray))

    @property
    def lens(self) -> Lens:
        """The lens, its axis in the middle of the sensor."""
        focal = self.focal_mm / self.pixel_pitch_mm
        centre = (self.width - 1) / 2.0, (self.height - 1) / 2.0
        return Lens(focal, focal, *centre, NO_DISTORTION if self.dist is None else self.dist)

    @property
    def R(self) -> Array:
        """The rotation (3, 3) of cam_from_world."""
        return looking(self.direction, self.roll_deg)

    def as_built(self) -> RigCamera:
        """Return the camera as a rig has it."""
        R = self.R
        pose = Pose(R, -R @ self.position_mm)
        return RigCamera(self.name, self.width, self.height, self.lens, pose)


def looking(direction: Array, roll_deg: float = 0.0) -> Array:
    """Return the rotation (3, 3) of cam_from_world of a camera that looks along ``direction``
    (3,), upright but for a roll about its axis; straight up or down, its top is towards +y.
    """
    x, y, z = direction.tolist()
    # direction × up, level; and direction × right, which points down.
    rx, ry, rz = (y, -x, 0.0) if abs(z) < 1.0 - 1e-9 else (-z, 0.0, x)
    size = math.hypot(rx, ry, rz)
    rx, ry, rz = rx / size, ry / size, rz / size
    down = [y * rz - z * ry, z * rx - x * rz, x * ry - y * rx]
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    roll = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(roll @ np.array([[rx, ry, rz], down, [x, y, z]]))


@dataclass(frozen=True, slots=True)
class PlanMarker:
    """The markers to be tracked: diameter, the gap from edge to edge of two that must stay two
    blobs, and what is known of their images; None where that follows from their size.
    """

    diameter_mm: float = 14.0  # a common size for rooms (common practice, no source)
    gap_mm: float | None = None
    noise_px: float | None = None
    blur_px: float = 2.0  # that counts as sharp: hides no gap of two px (assumed)

    def __post_init__(self) -> None:
        require_kinds(self, "[marker]: ")
        within("[marker]: diameter_mm", self.diameter_mm, MARKER_MM, "mm", "Give it in mm.")
        above_0(self, "[marker]", "gap_mm", "noise_px", "blur_px")


@dataclass(frozen=True, slots=True)
class Need:
    """What must be reached everywhere in the volume: so many cameras, and if stated a standard
    deviation in space and a diameter of markers in the image.
    """

    cameras: int = 2  # two place a point
    precision_mm: float | None = None
    marker_px: float | None = None

    def __post_init__(self) -> None:
        require_kinds(self, "[need]: ")
        if self.cameras < 2:
            raise InputError(
                "[need]: cameras",
                expected="2 or more, as two place a point",
                found=str(self.cameras),
            )
        above_0(self, "[need]", "precision_mm", "marker_px")


@dataclass(frozen=True, slots=True)
class Wave:
    """The calibration wave: how long, at which rate, and which share of views is lost besides those
    that the person hides (glare, markers one before another).
    """

    seconds: float = 60.0  # of a common wave (common practice, no source)
    frame_rate: float = 25.0
    walk_mm_s: float = 700.0  # while waving (assumed)
    lost_share: float = 0.2  # assumed

    def __post_init__(self) -> None:
        require_kinds(self, "[wave]: ")
        within("[wave]: seconds", self.seconds, (5.0, 3600.0), "s", "")
        within("[wave]: frame_rate", self.frame_rate, (1.0, 2000.0), "Hz", "")
        within("[wave]: walk_mm_s", self.walk_mm_s, (50.0, 3000.0), "mm/s", "Give it in mm/s.")
        within("[wave]: lost_share", self.lost_share, (0.0, 0.9), "", "It is a share, 0 to 1.")


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """A rig before it hangs.

    Parameters
    ----------
    name : str
        What it is called.
    volume : Box
        Where markers are to be placed.
    cameras : tuple of PlanCamera
        Where they are to hang, and their lenses.
    wand : Wand
        The wand of the wave.
    marker : PlanMarker
        The markers of the work.
    need : Need
        What is to be reached.
    wave : Wave
        The wave to plan with.
    room : Box, optional
        Walls, floor and ceiling.
    rails : tuple of Rail
        Where cameras can hang.
    obstacles : tuple of Obstacle
        What stands in the way.
    """

    name: str
    volume: Box
    cameras: tuple[PlanCamera, ...]
    wand: Wand
    marker: PlanMarker = field(default_factory=PlanMarker)
    need: Need = field(default_factory=Need)
    wave: Wave = field(default_factory=Wave)
    room: Box | None = None
    rails: tuple[Rail, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()

    def __post_init__(self) -> None:
        require_kinds(self, "plan: ")
        names = [c.name for c in self.cameras]
        if len(names) < 2 or len(set(names)) != len(names):
            raise InputError(
                "[cameras]", expected="two or more, each name once", found=listed(names) or "none"
            )
        size = self.volume.size_mm
        if size.min() < LEAST_VOLUME_MM or size.max() > MOST_VOLUME_MM:
            raise InputError(
                "[volume]",
                expected=f"{LEAST_VOLUME_MM:g} to {MOST_VOLUME_MM:g} mm each way",
                found=as_size(size),
                remedy="Give every length in mm.",
            )
        if self.need.cameras > len(names):
            raise InputError(
                "[need]: cameras",
                expected=f"at most the {len(names)} that the plan has",
                found=str(self.need.cameras),
                remedy="Add cameras or lower the need.",
            )
        if self.room is not None and not self.room.holds(self.volume):
            raise InputError(
                "[volume]",
                expected=f"a box within the room, {as_corners(self.room)}",
                found=as_corners(self.volume),
                remedy="Correct one of them; all lengths are in mm.",
            )
        for camera in self.cameras:
            self._check(camera)

    def _check(self, camera: PlanCamera) -> None:
        where, at = f"cameras.{camera.name}: position_mm", camera.position_mm
        if np.abs(at).max() < NEAREST_MM and at.any() and self.volume.size_mm.max() > 2000.0:
            raise InputError(
                where,
                expected=f"millimetres, as of the volume ({as_size(self.volume.size_mm)})",
                found=f"{as_place(at)}: less than {NEAREST_MM:g} mm from the world's origin",
                remedy="Give it in mm, not in m.",
            )
        if self.room is not None and not self.room.has(at):
            raise InputError(
                where,
                expected=f"a place within the room, {as_corners(self.room)}",
                found=as_place(at),
                remedy="Correct one of them; all lengths are in mm.",
            )
        for obstacle in self.obstacles:
            if obstacle.box.has(at):
                raise InputError(
                    where,
                    expected=f"a place outside the obstacle {obstacle.name}, "
                    f"{as_corners(obstacle.box)}",
                    found=as_place(at),
                    remedy="Move the camera or the obstacle.",
                )
        if camera.rail and camera.rail not in {r.name for r in self.rails}:
            raise InputError(
                f"cameras.{camera.name}: rail",
                expected=f"one of {', '.join(r.name for r in self.rails) or 'none: no [[rails]]'}",
                found=repr(camera.rail),
            )

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.cameras)

    def camera(self, name: str) -> PlanCamera:
        """Return the camera of that name, or raise InputError with the names there are."""
        return camera_named(self.cameras, name)

    def rail_of(self, camera: PlanCamera) -> Rail | None:
        """Return the rail that a camera hangs on."""
        return next((r for r in self.rails if r.name == camera.rail), None)

    def with_camera(self, index: int, camera: PlanCamera) -> Plan:
        """Return the plan with another camera in that place."""
        cameras = (*self.cameras[:index], camera, *self.cameras[index + 1 :])
        return replace(self, cameras=cameras)
