"""An earlier rig's world carried over to a new solve, through the cameras that still agree."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.check.history.compare import (
    agreeing,
    difference,
    held_sensitivity,
    ring_covariance,
    scaled,
    sensitivity_between,
    turned,
)
from calib.check.recheck.compare import rig_from_other
from calib.core.geometry import Array, Pose, cross_matrix
from calib.core.names import larger, listed
from calib.core.parameters import N_CHANGE
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.errors import InputError, UnsolvableError
from calib.prove.align import Alignment, aligned_as
from calib.prove.space.views import Cameras, cameras_of
from calib.prove.world import LIKE, moved

LEAST = 2  # cameras that agree: what one alone says of the world nobody confirms


@one_blas_thread
def align_like(rig: Rig, old: Rig) -> tuple[Rig, Alignment]:
    """Return the rig in the world of an earlier rig, and how that world was carried over.

    The cameras that stand in both as the others do, by the recheck's search with both covariances,
    carry it: the motion of least squares over their poses, whose covariance follows from both
    rigs'.

    Parameters
    ----------
    rig : Rig
        The rig to move, such as a new solve.
    old : Rig
        The earlier rig of the same cameras, whose world is taken over.

    Returns
    -------
    Rig
        ``rig`` in the world of ``old``.
    Alignment
        How the world was carried over, and how sure it is.

    Raises
    ------
    InputError
        Fewer than two cameras are common.
    UnsolvableError
        No more than half of the common cameras agree.
    """
    names = tuple(n for n in old.names if n in rig.names)
    if len(names) < LEAST:
        raise InputError(
            "--like",
            expected=f"two cameras or more of {listed(rig.names)}",
            found=listed(names) or "none of them",
            remedy="Give an earlier rig of these cameras.",
        )
    old = scaled(old, rig.enlarged / old.enlarged)  # about its world's origin, which stays
    inside = agreeing(old, rig, names)
    is_in = inside > 0
    n_in = int(is_in.sum())
    others = [n for n, k in zip(names, is_in, strict=True) if not k]
    if 2 * n_in <= len(names) or n_in < LEAST:
        raise UnsolvableError(
            "--like",
            expected="more than half of the common cameras where they stood",
            found=f"{n_in} of {len(names)} that agree; not {listed(others)}",
            remedy="Lay markers on the floor and align by them: calib align RIG FLOOR -o ALIGNED",
            cameras=others,
        )
    then, now = cameras_of(old, names), cameras_of(rig, names)
    pose = Pose(*rig_from_other(then.R, then.position_mm, now.R, now.position_mm, inside))
    d, G, R = difference(old, rig, names, inside)
    C = ring_covariance(old, names) + turned(ring_covariance(rig, names), R)
    apart = sensitivity_between(
        held_sensitivity(old, names, np.eye(3)), held_sensitivity(rig, names, R)
    )
    for column in apart.values():
        C += np.outer(column, column)
    K = _least_squares(then, is_in)
    # The motion that is left of a first step, zero to rounding, has this covariance.
    covariance = K @ C @ K.T
    growth, sigma = _growth(then.position_mm, d, C, np.eye(len(G)) - G @ K, is_in)
    left = (np.eye(len(G)) - G @ K) @ d.ravel()
    left = left.reshape(-1, N_CHANGE)[is_in]
    numbers = {
        "cameras_common": float(len(names)),
        "cameras_agreeing": float(n_in),
        "position_rms_mm": float(np.sqrt((left[:, 3:6] ** 2).sum(axis=1).mean())),
        "rotation_rms_deg": float(np.degrees(np.sqrt((left[:, :3] ** 2).sum(axis=1).mean()))),
        "growth": growth,
        "growth_sigma": sigma,
    }
    notes = [f"carried over by {n_in} of {len(names)} cameras"]
    if others:
        notes.append(f"not where they stood: {listed(others)}")
    if abs(growth) > 3.0 * sigma > 0.0:
        notes.append(
            f"the new rig is {larger(growth)} (± {sigma:.3%}) than the old one: one of the two "
            "waves had a wrong wand, or the building moved; each keeps its own scale"
        )
    up = (old.alignment or {}).get("up", "z")
    how = Alignment(
        LIKE,
        "that rig's origin",
        up,
        0.0,
        pose,
        1.0,
        covariance,
        tuple(n for n, k in zip(names, is_in, strict=True) if k),
        numbers=numbers,
        notes=tuple(notes),
        markers_mm=then.position_mm[is_in],
        sigma_mm=np.full((n_in, 3), np.nan),
    )
    return aligned_as(moved(rig, pose), how), how


def _least_squares(old: Cameras, is_in: NDArray[np.bool_]) -> Array:
    """Return K (6, 9 C) that gives the motion of the world from changes of agreeing cameras, as
    ``rig_from_other`` weighs them: turns by turns, shifts by positions.
    """
    each, n = np.zeros((6, len(is_in), N_CHANGE)), is_in.sum()
    each[:3, is_in, :3] = -old.R[is_in].transpose(2, 0, 1) / n
    each[3:, is_in, 3:6] = np.eye(3)[:, None] / n
    K = each.reshape(6, -1)
    # The shift of the middle less what the turn makes of it is the shift at the origin.
    K[3:] += cross_matrix(old.position_mm[is_in].mean(axis=0)) @ K[:3]
    return K


def _growth(
    p: Array, d: Array, C: Array, rest: Array, is_in: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return by what share the new rig is larger, by the positions p of agreeing cameras, and 1σ;
    ``rest`` takes the motion of the world off changes.
    """
    g = np.zeros((len(p), N_CHANGE))
    g[is_in, 3:6] = p[is_in] - p[is_in].mean(axis=0)
    size = float((g**2).sum())
    if size == 0.0:
        return 0.0, 0.0
    row = g.ravel() @ rest / size
    return float(row @ d.ravel()), float(np.sqrt(row @ C @ row))
