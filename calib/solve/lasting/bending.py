"""Stretches of time that a camera's pose and lens gave way to, from a fit of all points.

Where a stretch alone shows the camera a part of its image, the camera follows it and a sound
stretch beside it seems off: with the cameras held nothing tells the two apart. So here the camera
gives way in the test itself. With the camera's parameters whitened (S = 1), H the gradients that
unit shifts of the stretches T taken so far make, D their information and ``P = D - Hᵀ H``, the
shifts are ``s = P⁻¹ u_T`` and another stretch has

    score u + hᵀ H s,   information I - hᵀ (1 + H P⁻¹ Hᵀ) h.

The stretch with the largest chi-square is taken, one after the other: where one alone is off, its
own is never less than that of another which only seems to be (Cauchy and Schwarz). Once the camera
no longer follows what is found here, ``find`` looks again with the camera held.

Sources: Rao, 1948 (score test, as in ``shifts``); Pati, Rezaiifar & Krishnaprasad, Orthogonal
matching pursuit, 1993 (one after the other, all of them fitted anew); Glaz, Naus & Wallenstein,
Scan Statistics, 2001 (windows at any place).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import linalg, special

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.threads import in_groups
from calib.solve.bundle.problem import Index, Problem, State
from calib.solve.lasting.find import BY_CHANCE, LEAST_SHIFT, SINGULAR, bin_frames
from calib.solve.lasting.shifts import Shifts, shifts
from calib.solve.lasting.stretches import Off

# Windows of any place, in lengths a quarter apart. They overlap, so noise passes a limit less often
# than in as many apart.
WINDOW_BINS = (3, 4, 5, 6, 8, 10, 12, 15, 19, 24, 30, 38, 48, 60)
WINDOW_STEPS = 4  # a length
MOST_SHARE = 1.0 / 3.0  # of a camera's information: what is left must still place it


def find_followed(
    problem: Problem, state: State, terms: tuple[str, ...], sigma_px: Array
) -> list[Off]:
    """Return what a camera followed in a fit of the problem's points, one camera at a time, the
    strongest first.

    ``terms`` are those of the lenses that were free, and the fit is at its minimum.
    """
    found = shifts(problem, state, terms, bin_frames(problem.rate_hz))
    first, last = _windows(found.n_bins)
    limit = float(special.chdtri(2, BY_CHANCE / max(problem.n_cameras * len(first), 1)))

    def run(cameras: Sequence[int]) -> list[tuple[float, int, int, int, Array]]:
        return [
            (value, c, int(first[k]), int(last[k]), shift)
            for c in cameras
            for value, k, shift in _of_camera(found, c, float(sigma_px[c]), first, last, limit)
        ]

    taken = [t for part in in_groups(run, range(problem.n_cameras)) for t in part]
    is_known, views = np.zeros(found.n_bins, bool), problem.pairs_by_camera()
    off: list[Off] = []
    for value, c, a, b, s in sorted(taken, key=lambda t: -t[0]):
        if not is_known[a:b].any():  # the wand that one camera pulls away seems off to all
            is_known[a:b] = True
            of_bin = found.bin_of_frame[problem.frame[views[c]]]
            off.append((views[c][(of_bin >= a) & (of_bin < b)], s, value))
    return off


def _windows(n_bins: int) -> tuple[Index, Index]:
    """Return the first bin of each window and that after its last (K,)."""
    first = [
        np.arange(0, n_bins - length + 1, max(1, length // WINDOW_STEPS)) for length in WINDOW_BINS
    ]
    last = [a + length for a, length in zip(first, WINDOW_BINS, strict=True)]
    return np.concatenate(first), np.concatenate(last)


def _of_camera(
    found: Shifts, camera: int, sigma_px: float, first: Index, last: Index, limit: float
) -> list[tuple[float, int, Array]]:
    """Return chi-square, window and shift (2,) in px of what one camera followed."""
    scores, given = found.scores[camera].copy(), found.given[camera].copy()
    n, most = given.shape[1], MOST_SHARE * scores[-1, [2, 4]].sum()
    H, D, u = np.zeros((n, 0)), np.zeros((0, 0)), np.zeros(0)
    out: list[tuple[float, int, Array]] = []
    while True:
        K = np.linalg.inv(D - H.T @ H)
        value, k, *shift = _best_window(
            scores, given, H @ (K @ u), np.eye(n) + H @ K @ H.T, LEAST_SHIFT * sigma_px, first, last
        )
        a, b = first[k], last[k]
        u_k, (xx, xy, yy) = np.split(scores[b] - scores[a], [2])
        most -= xx + yy
        if value < limit or most < 0:
            return out
        out.append((value, k, np.array(shift)))
        H, u = np.hstack([H, given[b] - given[a]]), np.concatenate([u, u_k])
        D = linalg.block_diag(D, [[xx, xy], [xy, yy]])
        for sums in (scores, given):  # the frames of one window are in no other
            over = sums[b] - sums[a]
            sums[a:b] = sums[a]
            sums[b:] -= over


@compiled
def _best_window(
    scores: Array, given: Array, Hs: Array, Q: Array, least: float, first: Any, last: Any
) -> tuple[float, int, float, float]:
    """Return the largest chi-square of a camera's windows, which it is, and its shift, which is
    longer than ``least``; with ``Hs (n,)`` and ``Q (n, n)`` = 1 + H P⁻¹ Hᵀ of those taken.
    """
    n, best = len(Q), (0.0, 0, 0.0, 0.0)
    h, u, I = np.empty((n, 2)), np.empty(2), np.empty(3)
    for k in range(len(first)):
        a, b = first[k], last[k]
        for i in range(2):
            u[i] = scores[b, i] - scores[a, i]
            for j in range(n):
                h[j, i] = given[b, j, i] - given[a, j, i]
                u[i] += h[j, i] * Hs[j]
        for i in range(3):
            I[i] = scores[b, 2 + i] - scores[a, 2 + i]
        for i in range(n):
            x, y = 0.0, 0.0
            for j in range(n):
                x += Q[i, j] * h[j, 0]
                y += Q[i, j] * h[j, 1]
            I[0] -= h[i, 0] * x
            I[1] -= h[i, 0] * y
            I[2] -= h[i, 1] * y
        det = I[0] * I[2] - I[1] * I[1]
        if det > SINGULAR * (I[0] + I[2]) ** 2:
            x, y = (I[2] * u[0] - I[1] * u[1]) / det, (I[0] * u[1] - I[1] * u[0]) / det
            value = x * u[0] + y * u[1]
            if value > best[0] and x * x + y * y > least * least:
                best = (value, k, x, y)
    return best
