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

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array
from calib.solve.bundle.problem import Problem, State
from calib.solve.lasting.find import LEAST_SHIFT, Off, bin_frames, chi_square
from calib.solve.lasting.shifts import Shifts, shifts

BY_CHANCE = 0.05  # that a sound capture has a stretch taken
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
    taken = [
        (value, c, a, b, s)
        for c in range(problem.n_cameras)
        for value, a, b, s in _of_camera(found, c, float(sigma_px[c]), first, last, limit)
    ]
    is_known, views = np.zeros(found.n_bins, bool), problem.pairs_by_camera()
    out: list[Off] = []
    for value, c, a, b, s in sorted(taken, key=lambda t: -t[0]):
        if not is_known[a:b].any():  # the wand that one camera pulls away seems off to all
            is_known[a:b] = True
            of_bin = found.bin_of_frame[problem.frame[views[c]]]
            out.append((views[c][(of_bin >= a) & (of_bin < b)], s, value))
    return out


def _windows(n_bins: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the first bin of each window and that after its last (K,)."""
    firsts, lasts = [], []
    for length in WINDOW_BINS:
        first = np.arange(0, n_bins - length + 1, max(1, length // WINDOW_STEPS))
        firsts.append(first)
        lasts.append(first + length)
    return np.concatenate(firsts), np.concatenate(lasts)


def _of_camera(
    found: Shifts,
    camera: int,
    sigma_px: float,
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    limit: float,
) -> list[tuple[float, int, int, Array]]:
    """Return chi-square, first bin, that after the last, and shift (2,) in px of what one camera
    followed.
    """
    scores, given = found.scores[camera].copy(), found.given[camera].copy()
    all_seen = scores[-1, [2, 4]].sum()
    H, D, u_T = np.zeros((given.shape[1], 0)), np.zeros((0, 0)), np.zeros(0)
    out: list[tuple[float, int, int, Array]] = []
    lost = 0.0
    while True:
        P = D - H.T @ H
        s, Q = np.linalg.solve(P, u_T), H @ np.linalg.solve(P, H.T)
        sums, h = scores[last] - scores[first], given[last] - given[first]
        u = sums[:, :2] + (H @ s) @ h
        Qh = h + Q @ h
        I = sums[:, 2:] - np.stack(
            [(h[..., i] * Qh[..., j]).sum(axis=1) for i, j in ((0, 0), (0, 1), (1, 1))], axis=-1
        )
        value, shift = chi_square(u, I)
        value[np.hypot(*shift.T) < LEAST_SHIFT * sigma_px] = 0.0
        k = int(np.argmax(value))
        a, b = int(first[k]), int(last[k])
        lost += float(sums[k, [2, 4]].sum())
        if value[k] < limit or lost > MOST_SHARE * all_seen:
            return out
        out.append((float(value[k]), a, b, shift[k]))
        xx, xy, yy = sums[k, 2:]
        D = np.block(
            [[D, np.zeros((len(D), 2))], [np.zeros((2, len(D))), np.array([[xx, xy], [xy, yy]])]]
        )
        H, u_T = np.hstack([H, h[k]]), np.concatenate([u_T, sums[k, :2]])
        for values in (scores, given):  # the frames of one window are in no other
            values[b:] -= values[b] - values[a]
            values[a + 1 : b] = values[a]
