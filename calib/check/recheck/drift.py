"""What happened to the rig as a whole: its scale, cameras that moved as one, and small moves of
every camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.recheck.compare import Comparison
from calib.core.geometry import Array
from calib.core.parameters import N_CHANGE
from calib.core.rig import Rig
from calib.solve.certainty.normal import world_motions


@dataclass(frozen=True, slots=True)
class Scale:
    """By which share the rig grew against the wand, its sigma and the p-value of no growth."""

    share: float
    sigma: float
    p_value: float


@dataclass(frozen=True, slots=True)
class Drift:
    """What a rig as a whole did: its growth as a share, with its sigma, and where every camera
    moved a little by how much: the median in px, and in mm RMS with common motion and growth taken
    off (nan where it only grew).
    """

    growth: float
    sigma: float
    median_px: float = float("nan")
    rms_mm: float = float("nan")


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
    at = np.setdiff1d(np.arange(len(direction)), free)
    grown = found.information.left(at, free).through(direction[at, None])
    if grown.matrix[0, 0] <= 0:
        return NO_SCALE
    share, sigma = grown.estimate()[0], grown.matrix[0, 0] ** -0.5
    return Scale(float(share), float(sigma), float(special.chdtrc(1, grown.gain())))


def without_scale(found: Comparison, direction: Array) -> Comparison:
    """Return the comparison with a growth of the whole rig left open."""
    n = len(direction)
    both = found.information.through(np.column_stack([np.eye(n), direction]))
    return replace(found, information=both.left(np.arange(n), np.array([n])))


@dataclass(frozen=True, slots=True, eq=False)
class RigidMove:
    """Cameras that moved as one: turn (3,) in rad and shift (3,) of their middle in mm, both with
    covariance (6, 6).
    """

    names: tuple[str, ...]
    turn: Array
    shift_mm: Array
    covariance: Array


def rigid_move(
    found: Comparison, rig: Rig, group: tuple[int, ...], others: NDArray[np.intp]
) -> RigidMove:
    """Return the common motion of a group of cameras, the changes of the ``others`` left free."""
    cameras = [rig.camera(found.names[c]) for c in group]
    position = np.stack([c.position_mm for c in cameras])
    R = np.stack([c.cam_from_world.R for c in cameras])
    G = world_motions(R, position - position.mean(axis=0), N_CHANGE)[:, :6]
    own = found.information.left(found.at(np.array(group)), found.at(others)).through(G)
    step = own.estimate()
    return RigidMove(tuple(c.name for c in cameras), step[:3], step[3:], own.covariance())
