"""Lomb's periodogram of a series with gaps, quickly where times are whole frames."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array


def periodogram(frame: NDArray[np.int64], value: Array, weight: Array) -> tuple[Array, Array]:
    """Return frequencies (K,) in cycles a frame up to one half, and the fall of the weighted sum of
    squares (K,).

    The fall is that of fitting a sine and a cosine; with ``weight`` the inverse variances and pure
    noise it follows a chi-square law of two degrees of freedom. Frames are whole, so the sums are
    Fourier transforms, exactly. Source: Press & Rybicki, Fast algorithm for spectral analysis of
    unevenly sampled data, ApJ 338 (1989), equations 1 to 6.

    >>> f, fall = periodogram(np.arange(40), np.cos(2 * np.pi * 0.25 * np.arange(40)), np.ones(40))
    >>> float(f[fall.argmax()]), round(float(fall.max()), 6)
    (0.25, 20.0)
    """
    at = frame - frame[0]
    n = 4 * int(2 ** np.ceil(np.log2(at[-1] + 1)))
    Y, W = np.fft.rfft(np.bincount(at, value * weight, n)), np.fft.rfft(np.bincount(at, weight, n))
    k = np.arange(1, n // 2)
    c, s = Y[k].real, -Y[k].imag
    twice = np.append(
        W[2 : n // 2 + 1 : 2], W[n // 2 - 2 : 0 : -2].conj()
    )  # at 2 k, the second half by symmetry
    c2, s2 = twice.real, -twice.imag
    cc, ss, cs = (W[0].real + c2) / 2.0, (W[0].real - c2) / 2.0, s2 / 2.0
    det = cc * ss - cs**2
    fall = np.where(
        det > 1e-9 * W[0].real ** 2,
        (ss * c**2 - 2.0 * cs * c * s + cc * s**2) / np.maximum(det, 1e-300),
        0,
    )
    return k / n, fall
