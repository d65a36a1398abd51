"""A rig that stands against its plan, and a plan of what stands."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from calib.core.geometry import Array, Pose, rigid_fit
from calib.core.names import listed
from calib.core.rig import Rig, RigCamera
from calib.core.threads import one_blas_thread
from calib.errors import InputError
from calib.plan.assess import Assessment, assess, rig_share
from calib.plan.records import Need, Plan, PlanCamera, PlanMarker, Wave, looking
from calib.printed import Reported
from calib.prove.volume import seen_box, wave_box
from calib.prove.world import moved

ARM_MM = 1000.0  # weighs a camera's directions against its place where a world is fitted


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """How one camera stands against its plan: ``off_mm (3,)`` built minus planned; how far to turn
    it right and up, as it would see upright, and clockwise about its axis, to look as planned; and
    by which share its focal length is longer than planned.
    """

    name: str
    off_mm: Array
    right_deg: float
    up_deg: float
    clockwise_deg: float
    focal_share: float

    @property
    def aim_deg(self) -> float:
        """The angle between where it looks and where it is to look."""
        cosine = np.cos(np.radians(self.right_deg)) * np.cos(np.radians(self.up_deg))
        return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def deviation_by(
    before: PlanCamera | RigCamera, built: RigCamera, seen: Array, turned_deg: float, fx: float
) -> Deviation:
    """Return how a camera stands that is to look along ``seen`` (3,) as it sees, turned by so much
    and with a focal length in px.
    """
    x, y, z = seen
    return Deviation(
        before.name,
        built.position_mm - before.position_mm,
        float(np.degrees(np.arctan2(x, z))),
        float(np.degrees(np.arctan2(-y, np.hypot(x, z)))),
        turned_deg,
        float(built.lens.fx / fx - 1.0),
    )


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Comparison(Reported):
    """A rig against its plan: camera by camera, those that only one of them has, whether its world
    had to be ``is_fitted`` to the plan's, and what it reaches as it stands.
    """

    REPORT: ClassVar[str] = "planned.built"

    deviations: tuple[Deviation, ...]
    missing: tuple[str, ...]
    unplanned: tuple[str, ...]
    is_fitted: bool
    found: Assessment


@one_blas_thread
def compare(plan: Plan, rig: Rig, step_mm: float | None = None) -> Comparison:
    """Return how a calibrated rig stands against its plan.

    A rig whose world nobody set is fitted to the plan's, rigidly. Precision is that of the rig's
    own covariance where it states one, else that of the suggested wave. Raises InputError where
    fewer than two cameras are common.
    """
    names = tuple(n for n in plan.names if n in rig.names)
    if len(names) < 2:
        raise InputError(
            "--compare",
            expected=f"a rig with cameras of the plan: {listed(plan.names)}",
            found=listed(rig.names),
            remedy="Give both the same names (calib select --rename).",
        )
    is_fitted = rig.alignment is None
    if is_fitted:
        rig = moved(rig, _fitted(plan, rig, names))
    built = {n: as_planned(rig.camera(n), plan.camera(n)) for n in names}
    deviations = tuple(deviation(plan.camera(n), rig.camera(n)) for n in names)
    stands = replace(
        plan, cameras=tuple(built[n] for n in names), room=None, rails=(), obstacles=plan.obstacles
    )
    found = assess(stands, step_mm)
    if rig.covariance is not None:
        is_seen = np.stack([one.is_seen[found.judged] for one in found.looks])
        cameras = tuple(rig.camera(n) for n in names)
        share = rig_share(replace(rig, cameras=cameras), found.places_mm[found.judged], is_seen)
        share = np.where(np.isfinite(share), share, np.inf)
        found = replace(found, sigma_mm=np.hypot(found.noise_mm[found.judged], share))
    return Comparison(
        deviations,
        tuple(n for n in plan.names if n not in names),
        tuple(n for n in rig.names if n not in names),
        is_fitted,
        found,
    )


def _fitted(plan: Plan, rig: Rig, names: tuple[str, ...]) -> Pose:
    """Return the pose of the rig's world in the plan's, by where cameras are and how they look."""

    def marks(camera: RigCamera) -> Array:
        at = camera.position_mm
        return np.stack([at, *(at + ARM_MM * camera.cam_from_world.R)])

    there = np.concatenate([marks(plan.camera(n).as_built()) for n in names])
    here = np.concatenate([marks(rig.camera(n)) for n in names])
    _, R, t = rigid_fit(here, there)
    return Pose(R, t)


def deviation(planned: PlanCamera, built: RigCamera) -> Deviation:
    """Return how a camera stands against its plan."""
    R = built.cam_from_world.R
    # The plan's direction as the camera would see it, were it upright: where to turn.
    seen, turned = looking(R[2]) @ planned.direction, planned.roll_deg - roll_deg(R)
    return deviation_by(planned, built, seen, turned, planned.lens.fx)


def roll_deg(R: Array) -> float:
    """Return how far a camera is turned clockwise about its axis from upright."""
    rest = R @ looking(R[2]).T
    return float(np.degrees(np.arctan2(rest[0, 1], rest[0, 0])))


def as_planned(built: RigCamera, planned: PlanCamera) -> PlanCamera:
    """Return a camera of a rig as a plan has it; what the rig does not know, as planned."""
    away = float(np.linalg.norm(planned.aim_mm - planned.position_mm))
    focal = built.lens.fx * planned.pixel_pitch_mm
    return replace(
        planned,
        width=built.width,
        height=built.height,
        focal_mm=focal,
        zoom_mm=None,
        rail="",
        position_mm=built.position_mm,
        aim_mm=built.position_mm + away * built.cam_from_world.R[2],
        roll_deg=roll_deg(built.cam_from_world.R),
        dist=built.lens.dist,
    )


def plan_of(rig: Rig, pitch_mm: float, name: str = "as built") -> Plan:
    """Return a plan of a rig as it stands: its cameras, and as volume where the wand went.

    Principal points are taken to be in the middle. Raises InputError for a rig whose z is not up.
    """
    if rig.alignment is None or rig.alignment.get("up", "z") != "z":
        raise InputError(
            "--from",
            expected="a rig whose world has z up",
            found="y up" if rig.alignment else "one whose world nobody set",
            remedy="Set it: calib align RIG FLOOR -o ALIGNED",
        )
    volume = wave_box(rig) or seen_box(rig)
    cameras = []
    for c in rig.cameras:
        axis = c.cam_from_world.R[2]
        away = max(float((volume.middle_mm - c.position_mm) @ axis), ARM_MM)
        cameras.append(
            PlanCamera(
                c.name,
                c.width,
                c.height,
                pitch_mm,
                c.lens.fx * pitch_mm,
                c.position_mm,
                c.position_mm + away * axis,
                roll_deg(c.cam_from_world.R),
                dist=c.lens.dist,
            )
        )
    sigmas = [c.stats.sigma_px for c in rig.cameras if c.stats is not None and c.stats.sigma_px > 0]
    noise = float(np.round(np.median(sigmas), 4)) if sigmas else None
    return Plan(name, volume, tuple(cameras), rig.wand, PlanMarker(noise_px=noise), Need(), Wave())
