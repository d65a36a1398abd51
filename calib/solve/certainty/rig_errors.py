"""What a rig states of its errors, as independent errors of the whole rig.

With a root L of the covariance, ``L Lᵀ``, the errors are ``L z`` of independent standard z.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.geometry import Array
from calib.core.parameters import POSE, CameraParameter, in_order, n_unknowns, of_cameras
from calib.core.rig import Covariance, Rig


@dataclass(frozen=True, slots=True, eq=False)
class RigErrors:
    """A root of the covariance of poses and lenses: ``root (C, 6 + T, r)``, the rows of camera c
    turn, position and the lens terms named ``terms``.

    Each of the r columns is an error of the whole rig of one standard deviation, independent of the
    others. A rig that states no covariance has none.
    """

    names: tuple[str, ...]
    terms: tuple[str, ...]
    root: Array


def rig_errors(rig: Rig, names: tuple[str, ...] | None = None) -> RigErrors:
    """Return the root of a rig's covariance for some of its cameras, by default all: what was free,
    and what errors of held lenses did to it and do to the images.
    """
    names = names or rig.names
    known = rig.covariance or Covariance((), np.zeros((0, 0)))
    every = [p for p in (*known.parameters, *known.held) if isinstance(p, CameraParameter)]
    terms = in_order({p.kind for p in every} - set(POSE))
    place = {p: divmod(i, n_unknowns(terms)) for i, p in enumerate(of_cameras(names, terms))}
    free, held = _root(known), known.sensitivity * known.held_sigma
    root = np.zeros((len(names), n_unknowns(terms), free.shape[1] + len(known.held)))
    for parameter, i in known.row.items():
        if isinstance(parameter, CameraParameter) and parameter in place:
            root[place[parameter]] = np.append(free[i], held[i])
    for k, parameter in enumerate(known.held):
        if parameter in place:
            root[place[parameter]][free.shape[1] + k] = known.held_sigma[k]
    return RigErrors(names, terms, root)


def _root(known: Covariance) -> Array:
    """Return L (k, r) with L Lᵀ the matrix, without the directions that have no variance."""
    C = known.matrix
    scale = np.sqrt(np.maximum(np.diag(C), 1e-300))
    values, vectors = np.linalg.eigh(C / scale[:, None] / scale)
    is_some = values > 1e-13 * values.max(initial=0.0)
    return np.asarray(scale[:, None] * vectors[:, is_some] * np.sqrt(values[is_some]))
