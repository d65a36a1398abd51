"""The calibrated rig: every camera's pose and lens, how sure they are, and where they came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, check_sensor, project, undistort
from calib.core.geometry import Array, Pose, frozen, read_only
from calib.core.names import camera_named, check_name, listed
from calib.core.parameters import POSITION, ROTATION, CameraParameter, Parameter
from calib.core.wand import Wand
from calib.errors import InputError, require_kinds
from calib.printed import Printed, Reported

ROUNDED = 1e-6  # by how much rounding may leave a covariance uneven, in its standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class CameraStats:
    """Reprojection residuals of one camera over the points used.

    Parameters
    ----------
    points : int
        Points used.
    n_left_out : int
        Gross outliers.
    rms_px : float
        sqrt(mean(dx² + dy²)).
    median_px, p95_px : float
        Within which half, and 95 %, of the points lie.
    sigma_px : float
        Robust standard deviation of one coordinate.
    bias_px : tuple of float
        Mean residual, x and y.
    coverage : float
        Share of the sensor that has points, 0 to 1.
    """

    points: int
    n_left_out: int
    rms_px: float
    median_px: float
    p95_px: float
    sigma_px: float
    bias_px: tuple[float, float]
    coverage: float


@dataclass(frozen=True, slots=True, eq=False)
class RigCamera:
    """One camera of a rig.

    Parameters
    ----------
    name : str
        The camera.
    width, height : int
        Sensor in px.
    lens : Lens
        Its intrinsics.
    cam_from_world : Pose
        Its pose.
    stats : CameraStats, optional
        Its residuals.
    time_offset_frames : float
        How much later than the rig it exposes, as its solve found it.
    time_offset_sigma_frames : float, optional
        Its standard uncertainty; None where no solve looked, or none could tell.
    serial : str, optional
        The serial number that the capture stated.
    faults : tuple of str
        What its solve found wrong with it, as the residual table names it.
    is_placed : bool
        False where such a fault, or one of the rig, puts it elsewhere by more than its sigmas say.
    """

    name: str
    width: int
    height: int
    lens: Lens
    cam_from_world: Pose
    stats: CameraStats | None = None
    time_offset_frames: float = 0.0
    time_offset_sigma_frames: float | None = None
    serial: str | None = None
    faults: tuple[str, ...] = ()
    is_placed: bool = True

    def __post_init__(self) -> None:
        size = check_sensor(f"{self.name}: width, height", self.width, self.height)
        for attribute, side in zip(("width", "height"), size, strict=True):
            object.__setattr__(self, attribute, side)
        require_kinds(self, f"{self.name}: ")
        offset, sigma = self.time_offset_frames, self.time_offset_sigma_frames
        if not np.isfinite(offset) or not (sigma is None or 0 <= sigma < np.inf):
            raise InputError(
                f"{self.name}: time offset",
                expected="a number of frames, and a sigma of 0 or more",
                found=f"{offset}, {sigma}",
            )
        if sigma is None and offset:
            raise InputError(
                f"{self.name}: time offset", expected="a sigma beside it", found="none"
            )
        check_name(self.name, "camera name")
        if not self.name:
            raise InputError("camera name", expected="a name", found="none")

    @property
    def position_mm(self) -> Array:
        """The camera's position in the world (3,)."""
        return self.cam_from_world.origin_mm

    def image_of(
        self, points_mm: Array, range_mm: float = np.inf
    ) -> tuple[Array, NDArray[np.bool_]]:
        """Return image points (n, 2) of points (n, 3) in the world, and which of them (n,) the
        camera sees: in front, on the sensor, within ``range_mm``, nothing in between.
        """
        in_cam = self.cam_from_world.apply(points_mm)
        with np.errstate(all="ignore"):  # behind the camera: nan, not seen
            uv = project(self.lens, in_cam)
            on = ((uv >= 0) & (uv <= np.array([self.width, self.height]) - 1.0)).all(axis=1)
            on &= np.linalg.norm(in_cam, axis=1) <= range_mm
            # Far off the axis the distortion may fold back on to the sensor: there, undistorting
            # leads elsewhere.
            back = undistort(self.lens, np.where(on[:, None], uv, np.nan))
            on &= np.abs(back - in_cam[:, :2] / in_cam[:, 2:]).max(axis=1) < 1e-6
        return uv, on


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Covariance:
    """Joint covariance of the rig's n parameters, as far as they were free: of each camera turn
    (radian, small, on the left of ``cam_from_world``), position (mm, world) and lens terms
    (``calib.core.parameters``), then the wand's coordinates (mm). ``row`` says where each is.

    Poses are in the gauge of least trace: the rig as a whole is held where it is, by its cameras
    but for those that are loose among the others. The matrix counts nothing of the lens terms that
    were held; ``sigma`` does.

    Parameters
    ----------
    parameters : tuple of Parameter
        What the rows are.
    matrix : (n, n) array
        The covariance.
    held : tuple of CameraParameter
        Lens terms that the solve held, h of them.
    sensitivity : (n, h) array
        What a unit of error of each does to the parameters.
    held_sigma : (h,) array
        Standard uncertainty known or assumed of each.
    """

    parameters: tuple[Parameter, ...]
    matrix: Array
    held: tuple[CameraParameter, ...] = ()
    sensitivity: Array = field(default_factory=lambda: np.zeros(0))
    held_sigma: Array = field(default_factory=lambda: np.zeros(0))
    row: Mapping[Parameter, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        matrix = frozen(self.matrix)
        sensitivity = frozen(self.sensitivity if self.held else np.zeros((len(self.parameters), 0)))
        if (
            sensitivity.shape != (len(self.parameters), len(self.held))
            or not np.isfinite(sensitivity).all()
        ):
            raise InputError(
                "covariance: sensitivity (pull in a rig file)",
                expected=f"{len(self.parameters)} × {len(self.held)} finite numbers",
                found=" × ".join(map(str, sensitivity.shape))
                if np.isfinite(sensitivity).all()
                else "some that are not",
            )
        held_sigma = frozen(
            self.held_sigma if self.held and np.size(self.held_sigma) else np.zeros(len(self.held))
        )
        if (
            held_sigma.shape != (len(self.held),)
            or not (np.isfinite(held_sigma) & (held_sigma >= 0)).all()
        ):
            raise InputError(
                "covariance: held_sigma",
                expected="0 or more for each held term",
                found=str(held_sigma),
            )
        object.__setattr__(self, "held_sigma", held_sigma)
        if matrix.shape != (len(self.parameters),) * 2:
            raise InputError(
                "covariance",
                expected=f"{len(self.parameters)} rows and columns",
                found=str(matrix.shape),
            )
        row = {parameter: i for i, parameter in enumerate(self.parameters)}
        if len(row) != len(self.parameters):
            raise InputError(
                "covariance",
                expected="each parameter once",
                found="; ".join(map(str, self.parameters)),
            )
        object.__setattr__(self, "row", row)
        is_bad = ~np.isfinite(matrix).all(axis=1) | ~(np.diag(matrix) >= 0)
        if is_bad.any():
            first = int(is_bad.argmax())
            raise InputError(
                f"covariance of {self.parameters[first]}",
                expected="finite numbers and a variance of 0 or more",
                found=f"variance {matrix[first, first]:g}",
            )
        sigma = np.sqrt(np.diag(matrix))
        most = np.outer(sigma, sigma)  # by Cauchy and Schwarz
        is_odd = np.abs(matrix) > (1.0 + ROUNDED) * most
        is_odd |= np.abs(matrix / 2.0 - matrix.T / 2.0) > ROUNDED * most
        if is_odd.any():
            i, j = np.argwhere(is_odd)[0]
            raise InputError(
                f"covariance of {self.parameters[i]} and {self.parameters[j]}",
                expected=f"one number both ways, within ± {most[i, j]:g}, the product of their "
                "standard deviations",
                found=f"{matrix[i, j]:g} and {matrix[j, i]:g}",
            )
        object.__setattr__(self, "matrix", matrix)
        object.__setattr__(self, "sensitivity", sensitivity)

    def frees(self, camera: str) -> bool:
        """Return whether the solve freed the camera's lens."""
        return CameraParameter(camera, "focal") in self.row

    def sigma(self, camera: str, kinds: Sequence[str]) -> Array:
        """Return the standard deviations (n,) of a camera's parameters of these kinds, such as
        ``ROTATION`` (radian) or ``POSITION`` (mm); nan where one of them is not known.
        """
        found = self._rows(camera, kinds)
        return (
            np.full(len(kinds), np.nan) if found is None else np.sqrt(np.diag(self._block(found)))
        )

    def pose_block(self, camera: str) -> Array | None:
        """Return the covariance (6, 6) of a camera's position (mm) and turn (radian, on the left of
        ``cam_from_world``), held lens terms counted; None where not known.
        """
        found = self._rows(camera, (*POSITION, *ROTATION))
        return None if found is None else self._block(found)

    def _rows(self, camera: str, kinds: Sequence[str]) -> list[int] | None:
        found = [self.row.get(CameraParameter(camera, kind), -1) for kind in kinds]
        return None if -1 in found else found

    def _block(self, rows: list[int]) -> Array:
        sensitivity = self.sensitivity[rows] * self.held_sigma
        return np.asarray(self.matrix[np.ix_(rows, rows)] + sensitivity @ sensitivity.T)


@dataclass(frozen=True, slots=True, eq=False)
class Doubt(Printed):
    """What speaks against a rig as a whole.

    Parameters
    ----------
    finding : str
        Its name.
    cameras : tuple of str
        Those that it is about; none: the wand, or all.
    figures : mapping
        The numbers that say so.
    effect_mm : float, optional
        About how much it may cost; None where that cannot be said.
    """

    REPORT: ClassVar[str] = "rigs.whole"

    finding: str
    cameras: tuple[str, ...] = ()
    figures: Mapping[str, Any] = field(default_factory=dict)
    effect_mm: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "figures", read_only(self.figures))


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Rig(Reported):
    """A calibrated rig.

    Parameters
    ----------
    cameras : tuple of RigCamera
        Its cameras.
    wand : Wand
        As its file states it.
    wand_used : Wand
        The shape that the solve ended with; the same where it was held.
    covariance : Covariance, optional
        Of poses, lenses and wand together.
    provenance : mapping
        For the record, as JSON can: version, command, options, files read, time.
    left_out : mapping of str to str
        Cameras of the capture that the rig does not hold, and why.
    findings : tuple of str
        What the solve had to say.
    doubts : tuple of Doubt
        What speaks against the rig as a whole.
    captured_at : str, optional
        When its wave was taken, ISO 8601.
    parent_sha256 : str, optional
        SHA-256 of the rig file that it repairs.
    lasting_share : float
        Share of points in errors that last.
    wave_mm : (n, 3) array
        Places in the world where the wand was, some hundreds at most.
    alignment, verification : mapping, optional
        How its world was chosen and its lengths were tested, as JSON can; None where they were
        not.
    """

    REPORT: ClassVar[str] = "rigs.rig"

    cameras: tuple[RigCamera, ...]
    wand: Wand
    wand_used: Wand
    covariance: Covariance | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)
    left_out: Mapping[str, str] = field(default_factory=dict, kw_only=True)
    findings: tuple[str, ...] = field(default=(), kw_only=True)
    doubts: tuple[Doubt, ...] = field(default=(), kw_only=True)
    captured_at: str | None = field(default=None, kw_only=True)
    parent_sha256: str | None = field(default=None, kw_only=True)
    lasting_share: float = field(default=0.0, kw_only=True)
    wave_mm: Array = field(default_factory=lambda: np.empty((0, 3)), kw_only=True)
    alignment: Mapping[str, Any] | None = field(default=None, kw_only=True)
    verification: Mapping[str, Any] | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        require_kinds(self)
        names = self.names
        if not names or len(set(names)) != len(names):
            raise InputError(
                "cameras",
                expected="one camera or more, each name once",
                found=listed(names) or "none",
            )
        for name in self.left_out:
            check_name(name, "left_out")
        if both := [name for name in self.left_out if name in names]:
            raise InputError(
                "left_out", expected="cameras that the rig does not hold", found=listed(both)
            )
        wave = frozen(self.wave_mm)
        if wave.ndim != 2 or wave.shape[1] != 3 or not np.isfinite(wave).all():
            raise InputError("wave_mm", expected="finite x, y, z", found=f"shape {wave.shape}")
        object.__setattr__(self, "wave_mm", wave)
        for name in ("provenance", "left_out", "alignment", "verification"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        if not 0 <= self.lasting_share <= 1:
            raise InputError(
                "lasting_share", expected="a share, 0 to 1", found=str(self.lasting_share)
            )
        if self.wand_used.markers != self.wand.markers:
            raise InputError(
                "wand_used",
                expected=f"the wand's markers {', '.join(self.wand.markers)}",
                found=", ".join(self.wand_used.markers),
            )

    def __repr__(self) -> str:
        first, last = self.names[0], self.names[-1]
        told = f", {len(self.doubts)} doubts" if self.doubts else ""
        return f"<Rig: {len(self.names)} cameras, {first} to {last}; wand {self.wand.name}{told}>"

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.cameras)

    @property
    def enlarged(self) -> float:
        """By what its lengths were enlarged since it was solved: to a survey's."""
        return float((how := self.alignment or {}).get("enlarged", how.get("scale", 1.0)))

    def camera(self, name: str) -> RigCamera:
        """Return the camera of that name, or raise InputError with the names there are."""
        return camera_named(self.cameras, name)

    def sigmas(self, name: str) -> tuple[Array, Array]:
        """Return 1σ of a camera's position (3,) in mm and rotation (3,) in degrees; nan where not
        known.
        """
        if self.covariance is None or not self.camera(name).is_placed:
            return np.full(3, np.nan), np.full(3, np.nan)
        return self.covariance.sigma(name, POSITION), np.degrees(
            self.covariance.sigma(name, ROTATION)
        )
