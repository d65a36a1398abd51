"""The calibration wave of a planned rig: where the wand goes, what the cameras see of it, and how
sure a solve of that would be of poses and lenses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.core.geometry import Array
from calib.core.parameters import AUTO, term_names
from calib.core.rig import CameraStats, Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.plan.coverage import is_hidden
from calib.plan.optics import centroid_noise, size_px
from calib.plan.records import Plan
from calib.simulate.imaging import is_behind_person
from calib.simulate.path import Motion, hand_turns, wander
from calib.solve.bundle.descent import BundleOptions, BundleResult, normal_equations
from calib.solve.bundle.monotonic import monotonic_prior
from calib.solve.bundle.problem import Problem, State, problem_from_tracks
from calib.solve.bundle.shape import shape_prior, wand_axes
from calib.solve.certainty.covariance import joint_covariance
from calib.solve.hold import rig_state
from calib.solve.start.lenses import lens_prior

# The hand about its place: how far it goes to each side (SD), how fast it goes and turns; common
# practice, no source.
SWAY_MM, SWAY_MM_S, TURN_RAD_S = 250.0, 600.0, 2.0
ARM_MM = 650.0  # from the person to the wand
TERMS = term_names(AUTO)  # what a solve frees by default


@dataclass(frozen=True, slots=True, eq=False)
class Stop:
    """A place (3,) at which the wand is waved for some seconds."""

    place_mm: Array
    seconds: float


def walk(plan: Plan, stops: tuple[Stop, ...]) -> Array:
    """Return the place (F, 3) of the hand by frame: from stop to stop at walking speed, and so long
    at each.
    """
    times, places, now = [], [], 0.0
    for k, stop in enumerate(stops):
        if k:
            way = float(np.linalg.norm(stop.place_mm - stops[k - 1].place_mm))
            now += way / plan.wave.walk_mm_s
        times += [now, now + stop.seconds]
        places += [stop.place_mm] * 2
        now += stop.seconds
    frames = np.arange(max(int(now * plan.wave.frame_rate), 2)) / plan.wave.frame_rate
    at = np.array(places)
    return np.stack([np.interp(frames, times, at[:, k]) for k in range(3)], axis=1)


def wave_of(plan: Plan, hand_mm: Array, seed: int = 0) -> Motion:
    """Return the wand's motion about the way (F, 3) of the hand, which sways and turns it.

    The same seed gives the same; the wand's middle stays in the volume.
    """
    rng, n = np.random.default_rng(seed), len(hand_mm)
    time = np.arange(n) / plan.wave.frame_rate
    sway = SWAY_MM * wander(time, SWAY_MM_S / SWAY_MM / np.sqrt(3.0), 3, rng)
    centre = np.clip(hand_mm + sway, plan.volume.low_mm, plan.volume.high_mm)
    R = hand_turns(time, TURN_RAD_S, rng).as_matrix()
    azimuth = 2.0 * np.pi * wander(time, 0.3, 1, rng)[:, 0]
    person = centre[:, :2] + ARM_MM * np.stack([np.cos(azimuth), np.sin(azimuth)], -1)
    return Motion(R, centre - R @ plan.wand.points_mm.mean(axis=0), person)


def seen_wave(plan: Plan, motion: Motion) -> Tracks:
    """Return what the cameras see of a wave, without noise: on the sensor, within range, neither
    behind an obstacle nor the person, and not lost.
    """
    rng = np.random.default_rng([0, 1])
    points = motion.markers_world_mm(plan.wand)
    flat, cameras = points.reshape(-1, 3), []
    for camera in plan.cameras:
        uv, is_seen = camera.as_built().image_of(flat, camera.range_mm)
        is_seen &= rng.random(len(flat)) >= plan.wave.lost_share
        is_seen &= ~is_hidden(plan.obstacles, camera.position_mm, flat)
        behind = is_behind_person(camera.position_mm, motion.person_mm, points)
        is_seen &= ~behind.ravel()
        frame, marker = np.divmod(np.flatnonzero(is_seen), len(plan.wand.markers))
        cameras.append(
            CameraTracks(
                camera.name,
                camera.width,
                camera.height,
                frame,
                uv[is_seen],
                marker.astype(np.int16),
                pixel_pitch_mm=camera.pixel_pitch_mm,
                focal_mm=camera.focal_mm,
            )
        )
    return Tracks(tuple(cameras), plan.wave.frame_rate, title=f"planned: {plan.name}")


def typical_noise_px(plan: Plan) -> Array:
    """Return each camera's noise (C,) of a centroid in the middle of the volume."""
    if plan.marker.noise_px is not None:
        return np.full(len(plan.cameras), plan.marker.noise_px)
    middle = plan.volume.middle_mm
    away = [max(float(np.linalg.norm(c.position_mm - middle)), 1.0) for c in plan.cameras]
    return np.array(
        [
            centroid_noise(size_px(plan.marker.diameter_mm, mm, c.focal_mm, c.pixel_pitch_mm))
            for c, mm in zip(plan.cameras, away, strict=True)
        ]
    )


def planned_rig(plan: Plan) -> Rig:
    """Return the plan's cameras as a rig that is known exactly, with their noise."""
    cameras = tuple(
        replace(c.as_built(), stats=_stats(s))
        for c, s in zip(plan.cameras, typical_noise_px(plan), strict=True)
    )
    return Rig(cameras, plan.wand, plan.wand)


def _stats(sigma: float) -> CameraStats:
    two_d, nan = float(np.sqrt(2.0) * sigma), float("nan")
    return CameraStats(0, 0, two_d, nan, nan, float(sigma), (0.0, 0.0), nan)


def bundle_of(
    plan: Plan, motion: Motion, tracks: Tracks, terms: tuple[str, ...] = TERMS
) -> tuple[Problem, State, BundleOptions]:
    """Return the bundle of a wave at its minimum: the planned cameras, with all freed that a solve
    frees by default and known what it knows.
    """
    wand = plan.wand
    problem = problem_from_tracks(
        tracks, len(wand.markers), wand.dimension, sigma_px=typical_noise_px(plan)
    )
    axes, middle = wand_axes(wand)
    R, t = motion.R[problem.frame_number], motion.t_mm[problem.frame_number]
    cameras = rig_state(planned_rig(plan), plan.names)
    state, lens = replace(cameras, wand_R=R @ axes.T, wand_t=R @ middle + t), cameras.lens
    widths, heights = np.array([(c.width, c.height) for c in plan.cameras], float).T
    prior = lens_prior(lens, terms, widths, is_usual=True)
    prior = monotonic_prior(prior, terms, lens[:, 0], widths, heights, is_usual=True)
    return problem, state, BundleOptions(terms=terms, prior=prior, shape=shape_prior(wand))


def solved_rig(plan: Plan, motion: Motion, tracks: Tracks) -> Rig:
    """Return the plan's rig with the covariance that a solve of the wave would state.

    Raises UnsolvableError, naming cameras, where the wave leaves one open.
    """
    problem, state, options = bundle_of(plan, motion, tracks)
    blocks, cost = normal_equations(problem, state, options)
    result = BundleResult(state, cost, blocks, 0, True, 0.0)
    rig = planned_rig(plan)
    covariance = joint_covariance(problem, result, options, plan.names, plan.wand.markers)
    return replace(
        rig, covariance=covariance, wave_mm=state.wand_t[:: max(1, len(state.wand_t) // 400)]
    )
