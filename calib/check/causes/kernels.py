"""The loops over a camera's frames, compiled: its points as the other cameras predict them, and
their whitening.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array, factor_in_place
from calib.solve.bundle.elimination import inverse_factor_kernel


@compiled
def leave_out_kernel(
    rows: Array,
    weight: Array,
    frame: Any,
    H: Array,
    g: Array,
    speed: Array,
    cam_R: Array,
    sigma_px: float,
    residual: Array,
    variance: Array,
    dependence: Array,
    velocity: Array,
) -> None:
    """Write what the other cameras leave of a camera's n views of M markers.

    ``rows (n, M, 2, d + 6 + L + 1)`` are unweighted, ``weight (n, M)`` is what the points had in
    the common fit, whose frames have the information ``H (F, d, d)`` and the gradient ``g (F, d)``;
    ``speed (F, M, 3)`` is in mm a frame. With the camera's own points taken out of H and g, one
    step moves the wand to where the others put it: residual, its variance and its ``dependence (n,
    2 M, d)`` on the pose, in units of the noise, and the image velocity.
    """
    d = H.shape[1]
    block, factor = np.empty((1, d, d)), np.zeros((1, d, d))
    gradient, turned = np.empty(d), np.empty(3)
    last = rows.shape[3] - 1
    for p in range(len(rows)):
        f = frame[p]
        block[0], gradient[:] = H[f], g[f]
        _take_out(rows[p], weight[p], block[0], gradient)
        inverse_factor_kernel(block, factor)
        L = factor[0]
        for m in range(rows.shape[1]):
            for i in range(3):
                turned[i] = 0.0
                for j in range(3):
                    turned[i] += cam_R[i, j] * speed[f, m, j]
            for k in range(2):
                J, at = rows[p, m, k], 2 * m + k
                step, total = 0.0, 1.0
                for i in range(d):
                    own, of_gradient = 0.0, 0.0
                    for j in range(i + 1):
                        own += L[i, j] * J[j]
                        of_gradient += L[i, j] * gradient[j]
                    step += own * of_gradient
                    dependence[p, at, i] = own / sigma_px
                    total += dependence[p, at, i] * dependence[p, at, i]
                residual[p, at], variance[p, at] = -J[last] - step, total
                # A shift of the camera is one of the marker in the camera's frame.
                velocity[p, at] = J[d + 3] * turned[0] + J[d + 4] * turned[1] + J[d + 5] * turned[2]


@compiled
def _take_out(rows: Array, weight: Array, block: Array, gradient: Array) -> None:
    """Take a view's points out of its frame's information ``block (d, d)`` and ``gradient
    (d,)``.
    """
    d, last = len(gradient), rows.shape[2] - 1
    for m in range(len(rows)):
        w = weight[m] * weight[m]
        if w > 0.0:
            for k in range(2):
                J = rows[m, k]
                for i in range(d):
                    value = w * J[i]
                    gradient[i] += value * J[last]  # the last column is minus the residual
                    for j in range(d):
                        block[i, j] -= value * J[j]


@compiled
def whiten_kernel(
    dependence: Array, is_used: Any, effects: Array, sigma_px: float, out: Array
) -> None:
    """Write effects (P, 2 M, K) in px, in units of independent noise, into out; 0 at points that
    are not used (P, M).

    Points of a frame have the covariance I + B Bᵀ with B of ``dependence (P, 2 M, d)``. With ``L Lᵀ
    = I + Bᵀ B`` the matrix ``W = I - B (I + Lᵀ)⁻¹ L⁻¹ Bᵀ`` has WᵀW = (I + B Bᵀ)⁻¹: multiply ``I -
    Wᵀ W`` out between (I + L) Lᵀ and L (I + Lᵀ).
    """
    n, n_rows, d = dependence.shape
    n_columns = effects.shape[2]
    L, x = np.empty((d, d)), np.empty((d, n_columns))
    for p in range(n):
        out[p] = 0.0
        L[:] = np.eye(d)
        x[:] = 0.0
        for r in range(n_rows):
            if is_used[p, r // 2]:
                for k in range(n_columns):
                    out[p, r, k] = effects[p, r, k] / sigma_px
                for i in range(d):
                    B = dependence[p, r, i]
                    for j in range(i + 1):
                        L[i, j] += B * dependence[p, r, j]
                    for k in range(n_columns):
                        x[i, k] += B * out[p, r, k]
        _solve(L, x)
        for r in range(n_rows):
            if is_used[p, r // 2]:
                for i in range(d):
                    for k in range(n_columns):
                        out[p, r, k] -= dependence[p, r, i] * x[i, k]


@compiled
def _solve(L: Array, x: Array) -> None:
    """Turn I + Bᵀ B (its lower half) into L, and x into ``(I + Lᵀ)⁻¹ L⁻¹ x``."""
    d, n_columns = x.shape
    factor_in_place(L)
    for i in range(d):  # L⁻¹ x
        for j in range(i):
            for k in range(n_columns):
                x[i, k] -= L[i, j] * x[j, k]
        for k in range(n_columns):
            x[i, k] /= L[i, i]
    for i in range(d - 1, -1, -1):  # (I + Lᵀ)⁻¹ of that
        for k in range(n_columns):
            x[i, k] /= 1.0 + L[i, i]
        for j in range(i):
            for k in range(n_columns):
                x[j, k] -= L[i, j] * x[i, k]
