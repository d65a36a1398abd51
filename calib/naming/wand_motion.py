"""A waved wand as Kalman filters see it: pose, velocity and acceleration with their covariance,
many filters at once.

Shifts and turns are of the wand's middle, in world axes, a frame being the unit of time; the turn's
error is on the rotation's left. Source: Gelb, Applied Optimal Estimation, 1974, sections 4.2 and
6.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.camera import distort
from calib.core.geometry import Array, cross_matrix, rotation_from_vector, vector_from_rotation
from calib.core.tracks import Ints
from calib.solve.bundle.problem import Index, State

# What is known at the start: no pose, and what a hand can do in a frame of 1/25 s (common practice,
# no source).
AT_START = np.repeat([1e4, 3.0, 150.0, 0.4, 40.0, 0.1], 3)
LEAST_RUNS = 20  # of four frames, to tell how jerky a motion is
_STEP = np.kron(np.array([[1, 1, 0.5], [0, 1, 1], [0, 0, 1]]), np.eye(6))
_JERK = np.array([1 / 6, 1 / 2, 1])


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """G filters: world_from_wand R (G, 3, 3) and t (G, 3), rates (G, 12), covariance (G, 18, 18).

    The rates are velocity and acceleration, each as shift and turn; the covariance is of pose and
    rates.
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

    def after_a_frame(self, jerk: Array) -> Motion:
        """Return the filters' predictions; ``jerk (2,)`` is the standard deviation of its shift and
        turn in a frame.
        """
        move = self.rates[:, :6] + 0.5 * self.rates[:, 6:]
        turn = rotation_from_vector(move[:, 3:])
        F = np.tile(_STEP, (len(move), 1, 1))
        F[:, 3:6, 3:6] = turn
        noise = np.kron(np.outer(_JERK, _JERK), np.diag(np.repeat(jerk**2, 3)))
        rates = np.concatenate([self.rates[:, :6] + self.rates[:, 6:], self.rates[:, 6:]], axis=1)
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


def jerk_of(number: Ints, R: Array, t: Array) -> Array | None:
    """Return how jerky poses at frames ``number (F,)`` are, as ``Motion`` takes it; None where too
    few follow another.

    Medians of third differences over four frames in a row; the poses' own noise is in them, to the
    safe side.
    """
    run = np.flatnonzero(number[3:] - number[:-3] == 3)
    if len(run) < LEAST_RUNS:
        return None
    third = np.array([-1.0, 3.0, -3.0, 1.0])
    at = run[:, None] + np.arange(4)
    shift, axis = np.einsum("k,nki->ni", third, t[at]), np.einsum("k,nki->ni", third, R[at][..., 0])
    # The median lengths of normal vectors of three and of two coordinates, in sigmas.
    return np.array(
        [np.median(np.linalg.norm(v, axis=1)) / k for v, k in ((shift, 1.538), (axis, 1.177))]
    )


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
