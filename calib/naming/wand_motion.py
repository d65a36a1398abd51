"""A waved wand as Kalman filters see it: pose, velocity and acceleration with their covariance,
many filters at once.

Shifts and turns are of the wand's middle, in world axes; the turn's error is on the rotation's
left. Source: Gelb, Applied Optimal Estimation, 1974, sections 4.2 and
6.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.camera import distort
from calib.core.frames import Ints
from calib.core.geometry import Array, cross_matrix, rotation_from_vector, vector_from_rotation
from calib.naming.hand import ACCELERATION_MM_S2, SPEED_MM_S, SPIN_RAD_S2, TURN_RAD_S, frames_a_step
from calib.solve.bundle.problem import Index, State

# What is known at the start, in mm, radian and seconds: no pose, and what a hand can do.
AT_START = np.repeat([1e4, 3.0, SPEED_MM_S, TURN_RAD_S, ACCELERATION_MM_S2, SPIN_RAD_S2], 3)
LEAST_RUNS = 20  # of four poses a step apart, to tell how jerky a motion is


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """G filters: world_from_wand R (G, 3, 3) and t (G, 3), rates (G, 12), covariance (G, 18, 18).

    The rates are velocity and acceleration a second, each as shift and turn; the covariance is of
    pose and rates.
    """

    R: Array
    t: Array
    rates: Array
    P: Array

    @classmethod
    def at(cls, R: Array, t: Array) -> Motion:
        """Return filters that know next to nothing, near these poses."""
        return cls(R, t, np.zeros((len(t), 12)), np.tile(np.diag(AT_START**2), (len(t), 1, 1)))

    def take(self, which: Index) -> Motion:
        """Return those filters."""
        return Motion(self.R[which], self.t[which], self.rates[which], self.P[which])

    def put(self, which: Index, other: Motion) -> Motion:
        """Return the filters with ``other`` in place of those."""
        out = [a.copy() for a in (self.R, self.t, self.rates, self.P)]
        for a, b in zip(out, (other.R, other.t, other.rates, other.P), strict=True):
            a[which] = b
        return Motion(*out)

    def after(self, dt: float, jerk: Array) -> Motion:
        """Return the filters' predictions ``dt`` seconds on, in time or against it.

        The acceleration wanders: ``jerk (2,)``, of shift and turn, is what its change comes to in a
        second, as a standard deviation.
        """
        move = dt * self.rates[:, :6] + 0.5 * dt**2 * self.rates[:, 6:]
        turn = rotation_from_vector(move[:, 3:])
        F = np.tile(
            np.kron([[1.0, dt, 0.5 * dt**2], [0.0, 1.0, dt], [0.0, 0.0, 1.0]], np.eye(6)),
            (len(move), 1, 1),
        )
        F[:, 3:6, 3:6] = turn
        by_jerk = np.array([dt**3 / 6.0, dt**2 / 2.0, dt]) / np.sqrt(dt)
        noise = np.kron(np.outer(by_jerk, by_jerk), np.diag(np.repeat(jerk**2, 3)))
        rates = self.rates.copy()
        rates[:, :6] += dt * self.rates[:, 6:]
        return Motion(
            turn @ self.R, self.t + move[:, :3], rates, F @ self.P @ np.swapaxes(F, 1, 2) + noise
        )

    def updated(self, R: Array, t: Array, information: Array, push: Array) -> Motion:
        """Return the filters after measurements that were linearised at poses R and t.

        ``information (G, 6, 6)`` is JᵀWJ, ``push (G, 6)`` is JᵀW r of their residuals there.
        """
        offset = np.concatenate(
            [t - self.t, vector_from_rotation(R @ np.swapaxes(self.R, 1, 2))], axis=1
        )
        push = push + (information @ offset[..., None])[..., 0]
        B = self.P[:, :, :6]
        gain = B @ np.linalg.inv(np.eye(6) + information @ B[:, :6])
        step = (gain @ push[..., None])[..., 0]
        P = self.P - gain @ information @ np.swapaxes(B, 1, 2)
        R = rotation_from_vector(step[:, 3:6]) @ self.R
        return Motion(
            R, self.t + step[:, :3], self.rates + step[:, 6:], 0.5 * (P + np.swapaxes(P, 1, 2))
        )


def jerk_of(number: Ints, R: Array, t: Array, rate_hz: float) -> Array | None:
    """Return how jerky poses at frames ``number (F,)`` are, as ``Motion`` takes it; None where too
    few are a step apart.

    Medians of third differences over four of them in a row; the poses' own noise is in them, to the
    safe side.
    """
    step = round(frames_a_step(rate_hz))
    wanted = number[:, None] + step * np.arange(4)
    at = np.minimum(np.searchsorted(number, wanted), len(number) - 1)
    at = at[(number[at] == wanted).all(axis=1)]
    if len(at) < LEAST_RUNS:
        return None
    third = np.array([-1.0, 3.0, -3.0, 1.0])
    shift, axis = np.einsum("k,nki->ni", third, t[at]), np.einsum("k,nki->ni", third, R[at][..., 0])
    # The median lengths of normal vectors of three and of two coordinates, in sigmas.
    sigmas = [np.median(np.linalg.norm(v, axis=1)) / k for v, k in ((shift, 1.538), (axis, 1.177))]
    return np.asarray(np.array(sigmas) / (step / rate_hz) ** 2.5)


def least_turn(R: Array, goal: Array) -> Array:
    """Return R (G, 3, 3) turned until its first axis is that of ``goal``, not about it: a line
    shows no such turn.
    """
    a, b = R[:, :, 0], goal[:, :, 0]
    across = np.cross(a, b)
    sine, cosine = np.linalg.norm(across, axis=1), (a * b).sum(axis=1)
    return np.asarray(
        rotation_from_vector(across * (np.arctan2(sine, cosine) / np.maximum(sine, 1e-12))[:, None])
        @ R
    )


def images(state: State, cam: Index, R: Array, t: Array) -> tuple[Array, Array]:
    """Return the markers' images (n, M, 2) in cameras ``cam (n,)`` of wands at R and t, and
    derivatives (n, M, 2, 6).

    Those are by the wand's shift and turn; nan behind the camera.
    """
    arm = state.shape_mm @ np.swapaxes(R, 1, 2)
    cam_R = state.cam_R[cam]
    in_cam = (arm + t[:, None]) @ np.swapaxes(cam_R, 1, 2) + state.cam_t[cam][:, None]
    z = np.where(in_cam[..., 2] > 0, in_cam[..., 2], np.nan)
    x, y = in_cam[..., 0] / z, in_cam[..., 1] / z
    lens = state.lens[cam].T[..., None]
    xd, yd, a, b, c, d, _ = distort(lens[4:], x, y)
    uv = np.stack([lens[0] * xd + lens[2], lens[1] * yd + lens[3]], axis=-1)
    by_x = np.stack([a, b, -(a * x + b * y)], axis=-1) * (lens[0] / z)[..., None]
    by_y = np.stack([c, d, -(c * x + d * y)], axis=-1) * (lens[1] / z)[..., None]
    by_place = np.stack([by_x, by_y], axis=-2) @ cam_R[:, None]
    return uv, np.concatenate([by_place, by_place @ -cross_matrix(arm)], axis=-1)
