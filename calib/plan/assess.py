"""What a planned rig would reach, place by place, and whether that is what is needed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, sigma_in_space
from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.errors import InputError, UnsolvableError
from calib.plan.coverage import Bools, Look, best_angle_deg, look, noise_sigma
from calib.plan.kernels import WORST
from calib.plan.optics import FLOOR_PX, size_px
from calib.plan.records import Plan, PlanCamera
from calib.plan.wave import seen_wave, solved_rig, wave_of
from calib.plan.way import Way, suggested_way
from calib.printed import Reported
from calib.prove.space.joint import effect_covariance
from calib.prove.space.views import cameras_of, views_where
from calib.solve.certainty.rig_errors import rig_errors
from calib.solve.start.graph import CameraGraph, camera_graph, overlap

STEPS = 20  # places along the longest side of the volume
MOST_JUDGED = 1500  # places whose precision is predicted: it changes slowly from one to the next


@dataclass(frozen=True, slots=True, eq=False)
class Tie:
    """How the calibration wave ties the cameras: the graph, how well each pose would be known
    (``position_mm`` and ``rotation_deg``, (C,), one standard deviation), and what is in the way of
    a solve, "" where nothing is.
    """

    graph: CameraGraph
    position_mm: Array
    rotation_deg: Array
    obstacle: str = ""

    @property
    def weak(self) -> tuple[str, ...]:
        """The cameras that hang on one other, or whose pose is twice as unsure as the rig's
        usual.
        """
        usual = float(np.nanmedian(self.position_mm)) if np.isfinite(self.position_mm).any() else 0
        unsure = [
            n for n, s in zip(self.graph.names, self.position_mm, strict=True) if s > 2.0 * usual
        ]
        loose = {*unsure, *self.graph.hanging, *self.graph.articulation, *self.graph.unlinked}
        return tuple(n for n in self.graph.names if n in loose)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Assessment(Reported):
    """What a plan would reach at n places of its volume.

    Parameters
    ----------
    plan : Plan
        The plan.
    places_mm : (n, 3) array
        The places, in the world of the plan.
    looks : tuple of Look
        What each camera sees of them.
    n_cameras : (n,) array
        How many see each.
    angle_deg : (n,) array
        Angle under which the best two rays meet.
    noise_mm : (n,) array
        3D standard deviation by the centroids' noise alone; inf: not placed.
    judged : (k,) array
        The places whose precision is predicted.
    sigma_mm : (k,) array
        It, the rig's own uncertainty after the wave counted; inf where the wave leaves the rig
        open.
    tie : Tie
        How the wave ties the cameras together.
    way : Way
        Where to walk.
    rig : Rig or None
        The planned rig with the covariance that a solve would state.
    """

    REPORT: ClassVar[str] = "planned.judged"

    plan: Plan
    places_mm: Array
    looks: tuple[Look, ...]
    n_cameras: NDArray[np.int64]
    angle_deg: Array
    noise_mm: Array
    judged: NDArray[np.intp]
    sigma_mm: Array
    tie: Tie
    way: Way
    rig: Rig | None

    @property
    def lacks_cameras(self) -> Bools:
        """Which places (n,) fewer cameras see than are needed."""
        return np.asarray(self.n_cameras < self.plan.need.cameras)

    @property
    def lacks_precision(self) -> Bools:
        """Which of the judged places (k,) are less precise than needed."""
        most = self.plan.need.precision_mm
        return np.asarray(self.sigma_mm > (np.inf if most is None else most))

    @property
    def is_met(self) -> bool:
        """Whether the need is met everywhere and the wave ties all cameras."""
        return not (self.lacks_cameras.any() or self.lacks_precision.any() or self.tie.obstacle)

    @property
    def shortfall(self) -> float:
        """How far the plan is from its need, 0 where it is met: the mean share of cameras that
        places lack (all of them count as not placed at all), and the mean logarithm by which they
        lack precision.
        """
        need = self.plan.need
        missing = np.maximum(0.0, need.cameras - self.n_cameras) / need.cameras
        total = WORST * float(missing.mean())
        if need.precision_mm is not None:
            total += float(np.clip(np.log(self.sigma_mm / need.precision_mm), 0.0, WORST).mean())
        return total


def default_places(plan: Plan, step_mm: float | None = None) -> Array:
    """Return the places (n, 3) of a grid over the volume, by default twenty along its longest
    side.
    """
    return plan.volume.grid(step_mm or plan.volume.size_mm.max() / STEPS, to_faces=True)


@one_blas_thread
def assess(plan: Plan, step_mm: float | None = None) -> Assessment:
    """Return what the plan would reach, with the wave that it suggests.

    Parameters
    ----------
    plan : Plan
        A rig before it hangs.
    step_mm : float, optional
        Step of the grid of places in mm; by default a twentieth of the volume.

    Returns
    -------
    Assessment
        What cameras see of the volume, and the precision to expect there.

    Raises
    ------
    InputError
        The plan's cameras cannot reach the need wherever they hang; with the number that shows it.
    """
    require_possible(plan)
    places = default_places(plan, step_mm)
    looks = tuple(look(plan, c, places) for c in plan.cameras)
    is_seen = np.stack([one.is_seen for one in looks])
    if not (is_seen.sum(axis=0) >= 2).any():
        raise InputError(
            "[volume]",
            expected="places that two cameras see",
            found=f"none of {len(places)}",
            remedy="Correct aims and positions; all lengths are in mm.",
            cameras=plan.names,
        )
    noise = noise_sigma(np.sum([one.information for one in looks], axis=0))
    judged = np.unique(np.linspace(0, len(places) - 1, MOST_JUDGED).astype(np.intp))
    way = suggested_way(plan)
    rig, tie = tie_of(plan, way)
    sigma = np.full(len(judged), np.inf)
    if rig is not None:
        sigma = np.hypot(noise[judged], rig_share(rig, places[judged], is_seen[:, judged]))
    return Assessment(
        plan,
        places,
        looks,
        is_seen.sum(axis=0),
        best_angle_deg(plan.cameras, is_seen, places),
        noise,
        judged,
        sigma,
        tie,
        way,
        rig,
    )


def tie_of(plan: Plan, way: Way) -> tuple[Rig | None, Tie]:
    """Return the rig with the covariance that a solve of the wave would state, None where it would
    state none, and how the wave ties the cameras.
    """
    motion = wave_of(plan, way.hand_mm(plan))
    tracks = seen_wave(plan, motion)
    graph = camera_graph(overlap(tracks))
    open_ = np.full(len(plan.cameras), np.nan)
    if len(graph.islands) > 1:
        apart = [listed(island) for island in graph.islands[1:]]
        told = f"no marker is seen by {'; '.join(apart)} and the other cameras together"
        return None, Tie(graph, open_, open_, told)
    try:
        rig = solved_rig(plan, motion, tracks)
    except UnsolvableError as error:
        return None, Tie(graph, open_, open_, f"the wave leaves open {error.where}")
    sigmas = [rig.sigmas(name) for name in plan.names]
    position = np.array([np.linalg.norm(s[0]) for s in sigmas])
    rotation = np.array([np.linalg.norm(s[1]) for s in sigmas])
    return rig, Tie(graph, position, rotation)


def rig_share(rig: Rig, places_mm: Array, is_seen: Bools) -> Array:
    """Return what the rig's own uncertainty makes of the precision at places (n,), seen by cameras
    (C, n): a standard deviation in mm, nan where fewer than two see.
    """
    views, errors = views_where(is_seen), rig_errors(rig)
    return sigma_in_space(effect_covariance(errors, views, places_mm, cameras_of(rig)))


def require_possible(plan: Plan) -> None:
    """Raise InputError where the need is beyond the plan's cameras even if each of them hung at the
    edge of its place nearest to the volume, zoomed in and aimed at the place in question.
    """
    need = plan.need
    if need.marker_px is not None:
        best = [_largest_px(plan, c) for c in plan.cameras]
        k = int(np.argsort(best)[-need.cameras])
        if best[k] < need.marker_px:
            raise InputError(
                "[need]: marker_px",
                expected=f"at most {best[k]:.2f} px, which is what "
                f"{plan.cameras[k].name} shows at best where it hangs",
                found=f"{need.marker_px:g} px",
                remedy="Hang cameras nearer, take longer lenses or larger markers.",
            )
    if need.precision_mm is not None:
        least = _least_sigma(plan, plan.volume.middle_mm)
        if least > need.precision_mm:
            raise InputError(
                "[need]: precision_mm",
                expected=f"at least {least:.3f} mm, which is what all {len(plan.cameras)} cameras "
                "reach in the middle of the volume if all look there, zoomed in",
                found=f"{need.precision_mm:g} mm",
                remedy="Lower the need, hang cameras nearer or add some.",
            )


def _largest_px(plan: Plan, camera: PlanCamera) -> float:
    nearest = np.clip(camera.position_mm, plan.volume.low_mm, plan.volume.high_mm)
    away = max(float(np.linalg.norm(nearest - camera.position_mm)), 1.0)
    return size_px(plan.marker.diameter_mm, away, camera.ring_mm[1], camera.pixel_pitch_mm)


def _least_sigma(plan: Plan, place: Array) -> float:
    """Return the 3D standard deviation at a place with all cameras turned to it at their longest,
    by noise alone: nothing that hangs there does better.
    """
    total = np.zeros((3, 3))
    for camera in plan.cameras:
        ray = place - camera.position_mm
        away = float(np.linalg.norm(ray))
        if away < 1.0 or away > camera.range_mm:
            continue
        scale = size_px(1.0, away, camera.ring_mm[1], camera.pixel_pitch_mm)
        across = np.eye(3) - np.outer(ray, ray) / away**2
        total += across * (scale / (plan.marker.noise_px or FLOOR_PX)) ** 2
    return float(noise_sigma(total[None])[0])
