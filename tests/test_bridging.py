"""Frames that no two cameras place get their names from the wand's motion, and strays get none from
it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from calib.core.camera import project
from calib.core.geometry import Array, rigid_fit, rotation_from_vector
from calib.core.tracks import CameraTracks
from calib.naming.bridging import Poses, bridged
from calib.naming.renaming import rename
from calib.naming.wand_motion import AT_START, LEAST_RUNS, Motion, images, jerk_of, least_turn
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.bundle.problem import State
from calib.solve.hold import rig_state
from tests.captures import RATES_HZ, at_rate, with_points
from tests.test_renaming import EMPTY, right, with_names, wrong

# ---- the filter


def test_derivatives_are_those_of_the_projection() -> None:
    sim = simulated("solid6", 51)
    state = rig_state(sim.truth, sim.tracks.names)
    R, t = sim.R_world_from_wand[[10]], sim.t_world_from_wand_mm[[10]]
    for cam, c in enumerate(sim.truth.cameras):
        uv, J = images(state, np.array([cam]), R, t)
        want = project(c.lens, c.cam_from_world.apply(state.shape_mm @ R[0].T + t[0]))
        np.testing.assert_allclose(uv[0], want, atol=1e-9)
        for k in range(6):
            # Central differences of 1 mm or 1 mrad: their own error is some 1e-6 of the derivative.
            step = np.zeros(6)
            step[k] = 1.0 if k < 3 else 1e-3
            ends = [
                images(
                    state,
                    np.array([cam]),
                    rotation_from_vector(s * step[None, 3:]) @ R,
                    t + s * step[:3],
                )[0]
                for s in (1.0, -1.0)
            ]
            np.testing.assert_allclose(
                (ends[0] - ends[1]) / (2 * step[k]), J[..., k], rtol=1e-4, atol=1e-4
            )


def test_the_filter_is_least_squares_over_all_frames() -> None:
    """A filter's last estimate is the least-squares solution of all that it has seen, by
    ``numpy.linalg.lstsq``.
    """
    rng = np.random.default_rng(5)
    n, dt, jerk, sigma = 9, 0.05, np.array([9000.0, 20.0]), 0.3
    path = np.cumsum(np.cumsum(rng.normal(0, 1, (n, 3)), axis=0), axis=0)
    motion = Motion.at(np.eye(3)[None], path[[0]])
    information = np.diag([sigma**-2] * 3 + [0.0] * 3)[None]
    for k in range(n):
        motion = motion.after(dt, jerk) if k else motion
        motion = motion.updated(motion.R, path[[k]], information, np.zeros((1, 6)))
    # One coordinate: start (place, velocity, acceleration), then the jerk of each frame, all with
    # their weights.
    step = np.array([[1, dt, 0.5 * dt**2], [0, 1, dt], [0, 0, 1.0]])
    rows, state = [], np.hstack([np.eye(3), np.zeros((3, n - 1))])
    for k in range(n):
        if k:
            state = step @ state
            state[:, 2 + k] += [dt**3 / 6, dt**2 / 2, dt]
        rows.append(state[0] / sigma)
    # A jerk that holds for dt and wanders by jerk² a second has the variance jerk² / dt.
    known = 1 / np.array([*AT_START[::6], *[jerk[0] / np.sqrt(dt)] * (n - 1)])
    A = np.vstack([rows, np.diag(known)])
    for i in range(3):
        b = np.concatenate([path[:, i] / sigma, [path[0, i] / 1e4], np.zeros(n + 1)])
        x = np.linalg.lstsq(A, b, rcond=None)[0]
        got = [motion.t[0, i], motion.rates[0, i], motion.rates[0, 6 + i]]
        np.testing.assert_allclose(got, state @ x, rtol=1e-6, atol=1e-6)
    C = state @ np.linalg.inv(A.T @ A) @ state.T
    np.testing.assert_allclose(motion.P[0][np.ix_([0, 6, 12], [0, 6, 12])], C, rtol=1e-5)


def test_a_filter_foretells_a_steady_turn() -> None:
    """With steady velocities in world axes the next pose is known: turns add up to one rotation
    about a fixed axis.
    """
    axis = np.array([0.3, -0.5, 0.8]) * 0.12
    poses = [Rotation.from_rotvec(k * axis).as_matrix() for k in range(20)]
    motion = Motion.at(poses[0][None], np.zeros((1, 3)))
    for k in range(19):
        motion = motion.after(0.04, np.array([1e-3, 1e-6])) if k else motion
        t = np.array([[40.0 * k, -10.0 * k, 5.0]])
        motion = motion.updated(
            poses[k][None], t, np.diag([1e4] * 3 + [1e8] * 3)[None], np.zeros((1, 6))
        )
    ahead = motion.after(0.04, np.array([1e-3, 1e-6]))
    np.testing.assert_allclose(ahead.R[0], poses[19], atol=1e-4)
    np.testing.assert_allclose(ahead.t[0], [760.0, -190.0, 5.0], atol=1e-2)


def test_jerk_is_the_third_difference_and_needs_runs_of_four() -> None:
    rng = np.random.default_rng(2)
    number = np.arange(2000)
    t = np.cumsum(np.cumsum(np.cumsum(rng.normal(0, 0.4, (2000, 3)), axis=0), axis=0), axis=0)
    R = rotation_from_vector(np.outer(np.sin(number / 50), [0, 0.5, 0]))
    found = jerk_of(number, R, t, 25.0)
    # The median of n lengths is good to some 1 / sqrt(n) of itself, three differences in a row are
    # independent here.
    assert found is not None and found[0] * 0.04**2.5 == pytest.approx(0.4, rel=0.1)
    np.testing.assert_allclose(jerk_of(4 * number, R, t, 100.0), found, rtol=1e-12)
    assert jerk_of(3 * number, R, t, 25.0) is None
    few = slice(LEAST_RUNS + 2)
    assert jerk_of(number[few], R[few], t[few], 25.0) is None


def test_a_line_turns_no_more_than_its_direction_does() -> None:
    rng = np.random.default_rng(3)
    R, goal = Rotation.random(50, rng).as_matrix(), Rotation.random(50, rng).as_matrix()
    out = least_turn(R, goal)
    np.testing.assert_allclose(out[:, :, 0], goal[:, :, 0], atol=1e-9)
    angle = np.arccos((R[:, :, 0] * goal[:, :, 0]).sum(axis=1))
    np.testing.assert_allclose(
        Rotation.from_matrix(out @ np.swapaxes(R, 1, 2)).magnitude(), angle, atol=1e-7
    )
    np.testing.assert_allclose(least_turn(R, R), R, atol=1e-12)


# ---- stretches without a pose


@cache
def simulated(wand: str, seed: int, strays: float = 10.0) -> Simulation:
    return simulate(
        Scenario(
            n_cameras=5,
            n_frames=240,
            wand=wand,
            seed=seed,
            strays=strays,
            is_named=False,
            connected=False,
        )
    )


def told(sim: Simulation, hidden: range) -> tuple[tuple[CameraTracks, ...], State, Array, Poses]:
    """Return what ``bridged`` takes: the true poses and names of all frames but ``hidden``, where
    nothing is named.
    """
    names = [
        np.where(np.isin(c.frame, hidden), -1, m)
        for c, m in zip(sim.tracks.cameras, right(sim), strict=True)
    ]
    row = np.full((240, 5, len(sim.wand.markers)), -1)
    for k, (c, m) in enumerate(zip(sim.tracks.cameras, names, strict=True)):
        r = np.flatnonzero(m >= 0)
        row[c.frame[r], k, m[r]] = r
    number = np.flatnonzero((row >= 0).sum(axis=1).min(axis=1) >= 2)
    state = rig_state(sim.truth, sim.tracks.names)
    points = sim.markers_world_mm[
        number
    ]  # the solve's axes of the wand are its own, not the file's
    _, R, t = rigid_fit(np.broadcast_to(state.shape_mm, points.shape), points)
    poses = Poses(number, R, t, row[number])
    return with_names(sim, names).cameras, state, np.full(5, 0.12), poses


@pytest.mark.parametrize(
    ("wand", "seed", "strays"), [("line3", 52, 10.0), ("plane5", 53, 10.0), ("line3", 54, 30.0)]
)
def test_a_second_without_any_name_is_named_from_both_its_ends(
    wand: str, seed: int, strays: float
) -> None:
    """25 frames carry no name at all; the wand's motion and the cameras together name nearly all of
    what shows it.
    """
    sim, hidden = simulated(wand, seed, strays), range(100, 125)
    cameras, state, sigma, poses = told(sim, hidden)
    names = bridged(cameras, state, sigma, poses, 25.0)
    true = right(sim)
    n_true = n_right = 0
    for c, m, want in zip(cameras, names, true, strict=True):
        at = np.isin(c.frame, hidden)
        n_true += (want[at] >= 0).sum()
        n_right += (m[at] == want[at])[want[at] >= 0].sum()
    assert n_true > 100
    assert wrong(sim, with_names(sim, list(names))) == 0
    assert n_right > 0.9 * n_true


def test_names_are_left_where_no_motion_is_known() -> None:
    sim = simulated("line3", 52)
    cameras, state, sigma, poses = told(sim, range(100, 125))
    few = replace(
        poses, number=poses.number[::6], R=poses.R[::6], t=poses.t[::6], row=poses.row[::6]
    )
    for got, c in zip(bridged(cameras, state, sigma, few, 25.0), cameras, strict=True):
        np.testing.assert_array_equal(got, c.marker)


def test_strays_alone_get_no_names() -> None:
    """A wand that vanishes for a second leaves strays only: chance names fewer than one in a
    thousand.
    """
    sim, hidden = simulated("line3", 55, 30.0), range(60, 180)
    cameras, state, sigma, poses = told(sim, hidden)
    keep = [
        ~(np.isin(c.frame, hidden) & (m >= 0)) for c, m in zip(cameras, sim.marker, strict=True)
    ]
    bare = tuple(
        replace(c, frame=c.frame[k], xy_px=c.xy_px[k], marker=c.marker[k], radius_px=None)
        for c, k in zip(cameras, keep, strict=True)
    )
    row = np.full_like(poses.row, -1)
    for k, c in enumerate(bare):
        r = np.flatnonzero(c.marker >= 0)
        f = np.searchsorted(poses.number, c.frame[r])
        is_in = (f < len(poses.number)) & (
            poses.number[np.minimum(f, len(poses.number) - 1)] == c.frame[r]
        )
        row[f[is_in], k, c.marker[r[is_in]]] = r[is_in]
    named = bridged(bare, state, sigma, replace(poses, row=row), 25.0)
    n_named = sum(
        int((m[np.isin(c.frame, hidden)] >= 0).sum()) for c, m in zip(bare, named, strict=True)
    )
    # Some frames beside the gap are missing too; 120 frames of 5 cameras with 3 places each, one in
    # a thousand.
    assert n_named <= stats.poisson.ppf(1 - 1e-4, 120 * 5 * 3 * 1e-3)


def test_a_flip_in_a_frame_without_a_pose_is_put_right() -> None:
    sim, hidden = simulated("line3", 52), range(100, 112)
    cameras, state, sigma, poses = told(sim, hidden)
    true = right(sim)
    names = [c.marker.copy() for c in cameras]
    at = np.isin(cameras[0].frame, hidden) & (true[0] >= 0)
    names[0][at] = 2 - true[0][at]
    assert at.sum() >= 10
    got = bridged(with_names(sim, names).cameras, state, sigma, poses, 25.0)
    assert (got[0][at] == true[0][at]).mean() > 0.8


def test_rename_bridges_what_identify_leaves_open() -> None:
    """A capture without names over half a second in all cameras gets them from ``rename``, right
    ones.
    """
    sim, hidden = simulated("line3", 56), range(120, 134)
    names = [
        np.where(np.isin(c.frame, hidden), -1, m)
        for c, m in zip(sim.tracks.cameras, right(sim), strict=True)
    ]
    done = rename(with_names(sim, names), sim.wand, rig_state(sim.truth, sim.tracks.names))
    true = np.concatenate(right(sim))
    found = np.concatenate([c.marker for c in done.tracks.cameras])
    at = np.concatenate([np.isin(c.frame, hidden) for c in sim.tracks.cameras]) & (true >= 0)
    assert wrong(sim, done.tracks) == 0
    assert (found == true)[at].mean() > 0.9


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("wand", "seed"), [("line3", 56), ("plane5", 53)])
def test_a_moment_out_of_sight_is_bridged_at_every_frame_rate(
    wand: str, seed: int, rate_hz: float
) -> None:
    """The wand is out of sight for 0.08 s before and after 0.24 s that bear no names: motion over
    that long is the same however many frames show it.
    """
    sim = at_rate(rate_hz, 5.0, wand=wand, seed=seed, n_cameras=5)
    time = [c.frame / rate_hz for c in sim.tracks.cameras]
    is_nameless = [(t >= 2.4) & (t < 2.64) for t in time]
    is_seen = [m | (t < 2.32) | (t >= 2.72) for t, m in zip(time, is_nameless, strict=True)]
    rows = zip(sim.tracks.cameras, right(sim), is_nameless, is_seen, strict=True)
    cameras = [
        replace(with_points(replace(c, marker=np.where(bare, -1, m)), seen), masks_px=EMPTY)
        for c, m, bare, seen in rows
    ]
    tracks = replace(sim.tracks, cameras=tuple(cameras), is_identified=True)
    done = rename(tracks, sim.wand, rig_state(sim.truth, sim.tracks.names)).tracks
    n_true = n_right = n_wrong = 0
    for c, want, bare, seen in zip(done.cameras, right(sim), is_nameless, is_seen, strict=True):
        m, true = c.marker[bare[seen]], want[bare]
        n_true += (true >= 0).sum()
        n_right += (m == true)[true >= 0].sum()
        n_wrong += ((m >= 0) & (m != true) & (true >= 0)).sum()
    assert n_true > 2 * rate_hz and n_wrong == 0
    assert n_right > 0.9 * n_true
