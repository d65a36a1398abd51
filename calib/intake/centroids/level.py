"""Background, noise and threshold of one image, from its histogram."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.errors import InputError

# Grey levels at which 16-bit images saturate: 10, 12, 14 and 16 bit, stored low or high in the
# word.
FULL_SCALES = (1023, 4095, 16383, 65472, 65520, 65532, 65535)
N_SIGMAS = 10.0  # above the background; in a million pixels Gaussian noise stays below 6
MIN_CONTRAST = 0.03  # of full scale: below it, compression and fixed patterns pass for spots
MANY = 0.05  # share of bright pixels from which the room, not only markers, is in the picture
TOO_MANY = 0.2


@dataclass(frozen=True, slots=True)
class Level:
    """Grey levels of one image: background, its noise (SD), full scale and the threshold."""

    background: float
    noise: float
    full_scale: float
    threshold: float


def find_level(
    image: NDArray[Any], threshold: float | None = None, full_scale: float | None = None
) -> Level:
    """Return the grey levels of an image (h, w) of 8 or 16 bit.

    The threshold is the background plus ten times its noise, at least 3 % of full scale. Where more
    than 5 % of the image is brighter than that, it is raised to Otsu's (N. Otsu, "A threshold
    selection method from gray-level histograms", IEEE Trans. Syst. Man Cybern. 9(1), 1979).
    InputError where a fifth of the image stays bright.
    """
    n_levels = 256 if image.dtype == np.uint8 else 65536
    counts = cv2.calcHist([image], [0], None, [n_levels], [0, n_levels]).ravel().astype(float)
    top = int(np.flatnonzero(counts)[-1])
    full = full_scale or _full_scale(image.dtype, top)
    background, noise = _background(counts)
    chosen = threshold
    if chosen is None:
        chosen = background + max(N_SIGMAS * noise, MIN_CONTRAST * full)
        if _lit(counts, chosen) > MANY:
            chosen = max(chosen, _otsu(counts))
    lit = _lit(counts, chosen)
    is_white = threshold is None and background > 0.7 * full
    if lit > TOO_MANY or is_white:
        raise InputError(
            "image",
            expected="a dark image with few bright spots",
            found=f"a background of {background:.0f} of {full:.0f}"
            if is_white
            else f"{lit:.0%} of it bright",
            remedy="Shorten the exposure, close the aperture or darken the room"
            + (", or raise --threshold." if threshold is not None else "."),
        )
    return Level(background, noise, float(full), float(chosen))


def _full_scale(dtype: Any, top: int) -> float:
    """Return the level at which the image would saturate, from the brightest level in it."""
    return 255.0 if dtype == np.uint8 else float(next(f for f in FULL_SCALES if f >= top))


def _background(counts: Array) -> tuple[float, float]:
    """Return the background and its noise: mean and SD within 3.5 SD, by repetition from the darker
    quarter.
    """
    levels = np.arange(len(counts), dtype=float)
    share = counts.cumsum() / counts.sum()
    quarter, low = (float(np.searchsorted(share, q)) for q in (0.25, 0.05))
    mean, sd = quarter, max(quarter - low, 1.0)
    for _ in range(8):
        near = slice(max(int(np.ceil(mean - 3.5 * sd)), 0), int(mean + 3.5 * sd) + 1)
        weight = counts[near]
        mean = float(weight @ levels[near] / weight.sum())
        variance = float(weight @ (levels[near] - mean) ** 2 / weight.sum())
        sd = max(variance, 1.0 / 12.0) ** 0.5  # that of rounding alone at least
    return mean, sd


def _lit(counts: Array, threshold: float) -> float:
    return float(counts[int(max(np.floor(threshold) + 1, 0)) :].sum() / counts.sum())


def _otsu(counts: Array) -> float:
    """Return the threshold that parts the histogram into two classes with the largest variance
    between them.
    """
    levels = np.arange(len(counts), dtype=float)
    below, sum_below = counts.cumsum(), (counts * levels).cumsum()
    above, sum_above = below[-1] - below, sum_below[-1] - sum_below
    with np.errstate(divide="ignore", invalid="ignore"):
        between = below * above * (sum_below / below - sum_above / above) ** 2
    return float(np.nanargmax(between))
