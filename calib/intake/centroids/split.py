"""Blobs of touching markers, separated by fitting two to four spots at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.intake.centroids.fit import MIN_SHARPNESS, N_OWN, N_SHARED, Quality, fit_group, gather
from calib.intake.centroids.level import Level
from calib.intake.centroids.profile import half_height_radius

MAX_SPOTS = 4  # in one blob; more are a crowd that no wand makes
# RMS residual, noise taken off, by height: two markers as one come to 0.2, halos to 0.05.
MAX_MISFIT = 0.12
SPLIT_MISFIT = 0.05
# distance of two centres by the sum of their half-height radii: nearer ones pull at each other
MIN_GAP = 0.92
MAX_RATIO = 1.8  # of the sizes, and of the heights, of markers in one blob


class Spot(NamedTuple):
    """One spot, in the terms of ``Spots``."""

    x: float
    y: float
    radius_px: float
    disc_px: float
    blur_px: float
    height: float
    roundness: float
    peak: float
    saturated: float
    is_fitted: bool


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """One group of spots: centres, radii at half height and of the disc under the blur, blur,
    heights, and how good.
    """

    x: Array
    y: Array
    radius_px: Array
    disc_px: Array
    blur_px: float
    height: Array
    is_converged: bool
    misfit: float

    @classmethod
    def of(cls, params: Array, quality: Quality, light: float) -> Fitted:
        """Return the group of a fit's parameters and what ``fit_group`` said; ``light`` is the
        blob's at its peak.
        """
        own = params[N_SHARED:].reshape(-1, N_OWN)
        blur = math.exp(params[1])
        radius = np.array([half_height_radius(b, blur) for b in own[:, 2]])
        height = own[:, 3].copy()
        misfit = math.sqrt(max(quality.rms**2 - quality.noise_rms**2, 0.0))
        misfit /= max(min(float(height.min()), light), 1e-9)
        return cls(
            own[:, 0].copy(),
            own[:, 1].copy(),
            radius,
            own[:, 2] * blur,
            blur,
            height,
            bool(quality.is_converged),
            misfit,
        )

    def spots(self, roundness: float, peak: float, saturated: float) -> list[Spot]:
        """Return the group's spots, of a blob with this roundness, peak and share of saturated
        pixels.
        """
        columns = self.x, self.y, self.radius_px, self.disc_px, self.height
        return [
            Spot(x, y, radius, disc, self.blur_px, height, roundness, peak, saturated, True)
            for x, y, radius, disc, height in zip(*(c.tolist() for c in columns), strict=True)
        ]


def separate(
    image: NDArray[Any],
    labels: NDArray[Any],
    label: int,
    box: NDArray[np.int64],
    margin: int,
    one: Fitted,
    level: Level,
    gain: float,
) -> Fitted | None:
    """Return the fewest spots, from two, that explain a blob and stand far enough apart,
    or None.
    """
    pixels = gather(image, labels, label, box, margin)
    above = pixels[:, 2] - level.background
    light = float(above.max())
    core = pixels[above > 0.5 * light]
    for n_spots in range(2, MAX_SPOTS + 1):
        if len(core) < 4 * n_spots:
            return None
        centres, share = _cluster(core[:, :2], n_spots)
        radius = np.sqrt(share / np.pi)
        blur = min(max(one.blur_px, 0.3), 0.5 * float(radius.min()) + 0.3)
        params = np.empty(N_SHARED + N_OWN * n_spots)
        params[:N_SHARED] = level.background, math.log(blur)
        own = params[N_SHARED:].reshape(-1, N_OWN)
        own[:, :2], own[:, 3] = centres, light
        own[:, 2] = np.maximum(radius / blur, MIN_SHARPNESS + 0.5)
        quality = fit_group(pixels, params, level.full_scale, level.noise, gain, 3)
        found = Fitted.of(params, quality, light)
        if _is_sound(found, core):
            return found
    return None


def _is_sound(found: Fitted, core: Array) -> bool:
    """Tell whether these may be markers: well explained, alike, within the blob, apart."""
    if not (found.is_converged and found.misfit < SPLIT_MISFIT and found.height.min() > 0):
        return False
    if np.pi * (found.radius_px**2).sum() > 1.5 * len(core) + 4 * len(found.x):
        return False
    if max(np.ptp(np.log(found.radius_px)), np.ptp(np.log(found.height))) > math.log(MAX_RATIO):
        return False
    for i in range(len(found.x)):
        gap = np.hypot(found.x - found.x[i], found.y - found.y[i]) / (
            found.radius_px + found.radius_px[i]
        )
        gap[i] = np.inf
        if (
            gap.min() < MIN_GAP
            or np.hypot(core[:, 0] - found.x[i], core[:, 1] - found.y[i]).min() > 1.0
        ):
            return False
    return True


def _cluster(places: Array, n: int) -> tuple[Array, Array]:
    """Return n centres (n, 2) of pixels and how many belong to each, by k-means from the pixels
    farthest apart.
    """
    centres = [places[np.argmax(((places - places.mean(axis=0)) ** 2).sum(axis=1))]]
    for _ in range(n - 1):
        nearest = np.min([((places - c) ** 2).sum(axis=1) for c in centres], axis=0)
        centres.append(places[np.argmax(nearest)])
    at = np.array(centres)
    for _ in range(20):
        owner = ((places[:, None] - at) ** 2).sum(axis=2).argmin(axis=1)
        at = np.array(
            [places[owner == k].mean(axis=0) if (owner == k).any() else at[k] for k in range(n)]
        )
    return at, np.maximum(np.bincount(owner, minlength=n), 1).astype(float)
