"""How sure a rig is of one camera, and how sure its points would leave its pose and lens."""

from __future__ import annotations

import numpy as np

from calib.check.causes.record import Record
from calib.core.geometry import Array
from calib.core.parameters import MEASURED, N_POSE, POSE, CameraParameter
from calib.core.rig import Rig
from calib.solve.certainty.normal import Information


def known_to(rig: Rig, name: str) -> Array:
    """Return the covariance (11, 11) that a rig states of a camera's turn, its shift in its own
    frame and its lens terms, in a record's order and units; 0 of what it says nothing of.

    A lens that was held is as uncertain as its statement, and what its error did to the pose goes
    along with it.
    """
    known, out = rig.covariance, np.zeros((N_POSE + len(MEASURED),) * 2)
    if known is None:
        return out
    all_ = [CameraParameter(name, kind) for kind in (*POSE, *MEASURED)]
    at = [k for k, p in enumerate(all_) if p in known.row]
    rows = [known.row[all_[k]] for k in at]
    out[np.ix_(at, at)] = known.matrix[np.ix_(rows, rows)]
    sensitivity = np.zeros((len(out), len(known.held)))
    sensitivity[at] = known.sensitivity[rows]
    for j, p in enumerate(known.held):
        if p in all_:
            sensitivity[all_.index(p), j] = 1.0
    out += (sensitivity * known.held_sigma) @ (sensitivity * known.held_sigma).T
    own = np.eye(len(out))
    own[3:6, 3:6] = -rig.camera(name).cam_from_world.R  # as positions become shifts
    return np.asarray(own @ out @ own.T)


def corner_px(r: Record, known: Array) -> float:
    """Return how uncertain pose and lens, told by these points, would leave the points of the
    sensor; less where the rig knows the lens by others (``known``, see ``known_to``), as a later
    wave need not tell it once more.

    Root mean square over the sensor at the points' median depth, in px, of a point's two
    coordinates together.
    """
    # As if the wands were known: what the points' number and places tell, not how well the others
    # see.
    used = np.repeat(r.is_used, 2, axis=1) / r.sigma_px
    columns = (r.motion * used[..., None]).reshape(-1, r.motion.shape[2])
    information = columns.T @ columns
    # Lens terms are never wholly unknown: a tenth of the focal length, 1 % of the sensor, 0.2 and
    # 0.2 for k1, k2.
    prior = np.array(
        [1e-9] * 6 + [(0.1 * r.focal_px) ** -2, *[(0.01 * r.width) ** -2] * 2, 25.0, 25.0]
    )
    found = [Information.of(information + np.diag(prior)).covariance()]
    lens = known[N_POSE:, N_POSE:]
    if lens.any():
        both = information.copy()
        both[N_POSE:, N_POSE:] += Information.of(lens).covariance()
        # Twice: these may be the points that the rig knows the lens by.
        found.append(2.0 * Information.of(both).covariance())
    G = _over_sensor(r)
    return min(
        float(np.sqrt(2.0 * np.einsum("aip,ij,ajp->ap", G, C, G).mean()))
        if np.isfinite(C).all()
        else np.inf
        for C in found
    )


def _over_sensor(r: Record) -> Array:
    """Return what a unit of each turn, shift and lens term does to points all over the sensor
    (2, 11, n).
    """
    x, y = np.meshgrid(
        np.linspace(-0.45, 0.45, 7) * r.width, np.linspace(-0.45, 0.45, 7) * r.height
    )
    u, v, one, zero = x.ravel() / r.focal_px, y.ravel() / r.focal_px, np.ones(49), np.zeros(49)
    r2, f, z = u * u + v * v, r.focal_px, r.depth_mm
    px = [
        -f * u * v,
        f * (1 + u * u),
        -f * v,
        f / z * one,
        zero,
        -f * u / z,
        u,
        one,
        zero,
        f * u * r2,
        f * u * r2**2,
    ]
    py = [
        -f * (1 + v * v),
        f * u * v,
        f * u,
        zero,
        f / z * one,
        -f * v / z,
        v,
        zero,
        one,
        f * v * r2,
        f * v * r2**2,
    ]
    return np.stack([np.stack(px), np.stack(py)])
