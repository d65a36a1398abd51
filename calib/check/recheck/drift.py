"""What happened to the rig as a whole: its scale, cameras that moved as one, and small moves of
every camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.recheck.agree import left_after
from calib.check.recheck.compare import N_CHANGE, Comparison
from calib.core.geometry import Array, cross_matrix
from calib.core.rig import Rig


@dataclass(frozen=True, slots=True)
class Scale:
    """By which share the rig grew against the wand, its sigma and the p-value of no growth."""

    share: float
    sigma: float
    p_value: float


NO_SCALE = Scale(0.0, float("inf"), 1.0)


def growth(rig: Rig, names: tuple[str, ...]) -> Array:
    """Return the change (9 C,) of a rig that grows about its middle by its own size: positions
    alone.
    """
    position = np.stack([rig.camera(n).position_mm for n in names])
    out = np.zeros((len(names), N_CHANGE))
    out[:, 3:6] = position - position.mean(axis=0)
    return out.ravel()


def scale_of(found: Comparison, direction: Array, free: NDArray[np.intp]) -> Scale:
    """Return the growth along ``direction`` with the changes in the rows ``free`` left open."""
    at = np.setdiff1d(np.arange(len(found.w)), free)
    W, w = left_after(found, free, at)
    u = direction[at]
    information = float(u @ W @ u)
    if information <= 0:
        return NO_SCALE
    share = float(u @ w) / information
    return Scale(share, information**-0.5, float(special.chdtrc(1, share * float(u @ w))))


def without_scale(found: Comparison, direction: Array) -> Comparison:
    """Return the comparison with a growth of the whole rig left open."""
    Wu = found.W @ direction
    information = float(direction @ Wu)
    if information <= 0:
        return found
    return replace(
        found,
        W=found.W - np.outer(Wu, Wu) / information,
        w=found.w - Wu * float(direction @ found.w) / information,
    )


@dataclass(frozen=True, slots=True, eq=False)
class RigidMove:
    """Cameras that moved as one: turn (3,) in rad and shift (3,) of their middle in mm, both with
    covariance (6, 6).
    """

    names: tuple[str, ...]
    turn: Array
    shift_mm: Array
    covariance: Array

    def __str__(self) -> str:
        turn, shift = (float(np.linalg.norm(v)) for v in (self.turn, self.shift_mm))
        sigma = np.sqrt(
            [np.trace(self.covariance[:3, :3]) / 3, np.trace(self.covariance[3:, 3:]) / 3]
        )
        return (
            f"{', '.join(self.names)} moved as one: turned by {np.degrees(turn):.3f}° "
            f"(1σ {np.degrees(sigma[0]):.3f}°)"
            f" and shifted by {shift:.2f} mm (1σ {sigma[1]:.2f} mm) at their middle. "
            f"Look at what they hang from"
        )


def rigid_move(
    found: Comparison, rig: Rig, group: tuple[int, ...], others: NDArray[np.intp]
) -> RigidMove:
    """Return the common motion of a group of cameras, the changes of the ``others`` left free."""
    cameras = [rig.camera(found.names[c]) for c in group]
    position = np.stack([c.position_mm for c in cameras])
    middle = position.mean(axis=0)
    G = np.zeros((len(group), N_CHANGE, 6))
    for k, camera in enumerate(cameras):
        G[
            k, :3, :3
        ] = -camera.cam_from_world.R  # the world's turn, seen on the left of cam_from_world
        G[k, 3:6, :3] = -cross_matrix(position[k] - middle)
        G[k, 3:6, 3:] = np.eye(3)
    W, w = left_after(found, found.at(others), found.at(np.array(group)))
    flat = G.reshape(-1, 6)
    K = np.asarray(np.linalg.inv(flat.T @ W @ flat), dtype=np.float64)
    step = K @ flat.T @ w
    return RigidMove(tuple(c.name for c in cameras), step[:3], step[3:], K)
