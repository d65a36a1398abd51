"""The bright spots of one image: found, measured, touching ones separated, and what is no spot
refused and counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, frozen
from calib.errors import InputError
from calib.intake.centroids.fit import MIN_SHARPNESS, fit_singles
from calib.intake.centroids.level import Level, find_level
from calib.intake.centroids.measure import measure
from calib.intake.centroids.split import MAX_MISFIT, SPLIT_MISFIT, Fitted, separate

METHODS = ("fitted", "weighted")
MAX_SPLIT_ROUNDNESS = (
    0.85  # rounder blobs are tried for several markers only where one explains them badly
)
FEW_PIXELS = (
    9  # above half height: too few to show roundness; whether a round spot explains them has to do
)
# blobs of an image that are tried for several markers; more are clutter, and each takes long
MAX_CROWDS = 50
_START_GAIN = (
    0.03  # grey levels² of shot noise per grey level: a full well of some 10,000 electrons in 8 bit
)


@dataclass(frozen=True, kw_only=True)
class SpotOptions:
    """What counts as a spot."""

    threshold: float | None = None  # grey level; None: from the image
    full_scale: float | None = (
        None  # grey level at which pixels saturate; None: from the type and the brightest pixel
    )
    method: str = "fitted"  # or "weighted": the centre of light above the background
    min_pixels: int = 4  # above the threshold; less is a hot pixel
    max_radius_px: float = 60.0  # lamps and windows are larger than any marker
    min_roundness: float = (
        0.8  # shorter by longer axis; a strobe keeps a fast marker rounder than that
    )
    max_blobs: int = 1000  # an image: more are no markers, and would take long

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise InputError(
                "method", expected=f"one of {', '.join(METHODS)}", found=repr(self.method)
            )
        limits = {
            "threshold": 0,
            "full_scale": 1,
            "min_pixels": 1,
            "max_radius_px": 0.5,
            "max_blobs": 1,
        }
        for key, low in limits.items():
            value = getattr(self, key)
            if value is not None and not (np.isfinite(value) and value >= low):
                raise InputError(key, expected=f"a number from {low:g}", found=str(value))
        if not 0 <= self.min_roundness <= 1:
            raise InputError(
                "min_roundness", expected="a number from 0 to 1", found=str(self.min_roundness)
            )


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """The spots of one image, by row of the image, and what was refused, by reason.

    radius_px is where a spot has half its height; disc_px and blur_px are the radius of the disc
    and the standard deviation of the blur over it that explain it (nan where not fitted); height is
    its brightness above the background, peak its brightest pixel, saturated the share of its pixels
    (those above half height) at full scale, roundness its shorter by its longer axis.
    """

    xy_px: Array
    radius_px: Array
    disc_px: Array
    blur_px: Array
    height: Array
    roundness: Array
    peak: Array
    saturated: Array
    is_fitted: NDArray[np.bool_]
    level: Level
    n_blobs: int
    refused: dict[str, int] = field(default_factory=dict)

    @property
    def n(self) -> int:
        return len(self.xy_px)


_COLUMNS = (
    "x",
    "y",
    "radius_px",
    "disc_px",
    "blur_px",
    "height",
    "roundness",
    "peak",
    "saturated",
    "is_fitted",
)


def detect(image: NDArray[Any], options: SpotOptions | None = None) -> Spots:
    """Return the spots of a mono image (h, w) of 8 or 16 bit, xy_px to hundredths of a pixel.

    InputError where the image is of another kind, or bright all over.
    """
    o = options or SpotOptions()
    if image.ndim != 2 or image.dtype not in (np.uint8, np.uint16) or 0 in image.shape:
        raise InputError(
            "image", expected="mono, 8 or 16 bit", found=f"{image.dtype}, {image.shape}"
        )
    level = find_level(image, o.threshold, o.full_scale)
    lit = cv2.compare(image, cast(Any, level.threshold), cv2.CMP_GT)
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(
        lit, connectivity=8, ltype=cv2.CV_32S
    )
    chosen, refused = _choose(stats, o)
    if not len(chosen):
        return _spots([], level, n_labels - 1, refused)
    boxes = np.ascontiguousarray(stats[chosen, :4]).astype(np.int64)
    found = np.empty((len(chosen), 7))
    grey = np.array(image, dtype=np.uint16)  # one type, so that the loops are compiled once
    measure(grey, labels, chosen, boxes, level.background, level.full_scale, found)
    params = _starts(found, level)
    margin = np.maximum(3, np.ceil(np.sqrt(found[:, 5] / np.pi) * 0.5)).astype(np.int64)
    quality = np.empty((len(chosen), 5))
    gain = _START_GAIN * level.full_scale / 255.0
    if o.method == "fitted":
        arguments = grey, labels, chosen, boxes, margin, params, level.full_scale, level.noise
        fit_singles(*arguments, gain, 1, quality)
        gain = _shot_gain(quality, level)
        fit_singles(*arguments, gain, 2, quality)
    rows: list[tuple[float, ...]] = []
    n_crowds = 0
    for i, label in enumerate(chosen):
        x, y, roundness, peak, n_saturated, n_core, touches = found[i]
        saturated = n_saturated / max(n_core, 1.0)
        if touches:
            _count(refused, "at the image's edge")
            continue
        tail, core_radius = (peak, min(saturated, 1.0)), np.sqrt(n_core / np.pi)
        if o.method == "weighted":
            if roundness < o.min_roundness:
                _count(refused, "touching or not round")
            else:
                height = peak - level.background
                rows.append((x, y, core_radius, np.nan, np.nan, height, roundness, *tail, 0.0))
            continue
        one = Fitted.of(params[i], quality[i], peak - level.background)
        is_inside = (
            np.hypot(one.x[0] - x, one.y[0] - y) < max(1.0, core_radius) and one.height[0] > 0
        )
        is_inside &= one.radius_px[0] < 1.5 * core_radius + 1.0
        if roundness < MAX_SPLIT_ROUNDNESS or one.misfit > 0.5 * MAX_MISFIT or not is_inside:
            n_crowds += 1
            parts = None
            if n_crowds <= MAX_CROWDS:
                parts = separate(
                    grey, labels, int(label), boxes[i], int(margin[i]), one, level, gain
                )
            if parts is not None:
                rows += [(*row, 1.0, *tail, 1.0) for row in parts.rows()]
                continue
            is_round = roundness >= o.min_roundness or (
                n_core <= FEW_PIXELS and one.misfit < SPLIT_MISFIT
            )
            if not is_round or one.misfit > MAX_MISFIT:
                _count(refused, "touching or not round")
                continue
        if one.is_converged and is_inside:
            rows.append((*one.rows()[0], roundness, *tail, 1.0))
        else:
            height = peak - level.background
            rows.append((x, y, core_radius, np.nan, np.nan, height, roundness, *tail, 0.0))
    n_large = len(rows)
    rows = [row for row in rows if row[2] <= o.max_radius_px]
    if n_large > len(rows):
        refused["too large"] = refused.get("too large", 0) + n_large - len(rows)
    return _spots(rows, level, n_labels - 1, refused, image.shape)


def _choose(stats: NDArray[Any], o: SpotOptions) -> tuple[NDArray[np.int64], dict[str, int]]:
    """Return the labels worth a look: neither specks nor lamps, and not more than ``max_blobs``."""
    refused: dict[str, int] = {}
    area, extent = stats[:, cv2.CC_STAT_AREA], stats[:, 2:4].max(axis=1)
    is_label = np.arange(len(stats)) > 0
    is_speck, is_large = is_label & (area < o.min_pixels), extent > 4 * o.max_radius_px
    is_large |= area > 4 * np.pi * o.max_radius_px**2
    is_large &= is_label
    chosen = np.flatnonzero(is_label & ~is_speck & ~is_large)
    for reason, n in (("too small", is_speck.sum()), ("too large", is_large.sum())):
        if n:
            refused[reason] = int(n)
    if len(chosen) > o.max_blobs:
        refused["beyond the cap"] = len(chosen) - o.max_blobs
        chosen = np.sort(chosen[np.argsort(-area[chosen], kind="stable")[: o.max_blobs]])
    return chosen.astype(np.int64), refused


def _starts(found: Array, level: Level) -> Array:
    """Return where the fits start (n, 6): a spot of the blob's area, edges blurred by some two
    thirds of a pixel.
    """
    radius = np.sqrt(found[:, 5] / np.pi)
    blur = np.full(len(found), 0.6)
    sharpness = np.maximum(radius / blur, MIN_SHARPNESS + 0.5)
    height = found[:, 3] - level.background
    return np.stack(
        [
            np.full(len(found), level.background),
            np.log(blur),
            found[:, 0],
            found[:, 1],
            sharpness,
            height,
        ],
        axis=1,
    )


def _shot_gain(quality: Array, level: Level) -> float:
    """Return grey levels² of noise per grey level of signal, the median over the image's fits."""
    scale = level.full_scale / 255.0
    seen = quality[(quality[:, 0] > 0) & np.isfinite(quality[:, 4]), 4]
    return (
        float(np.clip(np.median(seen), 1e-4 * scale, scale)) if len(seen) else _START_GAIN * scale
    )


def _count(refused: dict[str, int], reason: str) -> None:
    refused[reason] = refused.get(reason, 0) + 1


def _spots(
    rows: list[tuple[float, ...]],
    level: Level,
    n_blobs: int,
    refused: dict[str, int],
    shape: tuple[int, ...] = (),
) -> Spots:
    table = np.array(rows, dtype=float).reshape(-1, len(_COLUMNS))
    if shape:
        is_on = (
            (table[:, :2] > -0.5).all(axis=1)
            & (table[:, 0] < shape[1] - 0.5)
            & (table[:, 1] < shape[0] - 0.5)
        )
        if not is_on.all():
            refused["at the image's edge"] = refused.get("at the image's edge", 0) + int(
                (~is_on).sum()
            )
        table = table[is_on]
    table = table[np.lexsort((table[:, 0], table[:, 1]))]
    columns = {name: frozen(table[:, 2 + k]) for k, name in enumerate(_COLUMNS[2:-1])}
    is_fitted = table[:, -1] > 0
    is_fitted.setflags(write=False)
    return Spots(
        frozen(table[:, :2]),
        **columns,
        is_fitted=is_fitted,
        level=level,
        n_blobs=n_blobs,
        refused=refused,
    )
