"""The bright spots of one image: found, measured, touching ones separated, and what is no spot
refused and counted.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, frozen
from calib.errors import InputError, require_kinds, require_one_of
from calib.intake.centroids.fit import MIN_SHARPNESS, Quality, fit_singles
from calib.intake.centroids.level import Level, find_level
from calib.intake.centroids.measure import Blob, measure
from calib.intake.centroids.split import MAX_MISFIT, SPLIT_MISFIT, Fitted, Spot, separate

METHODS = ("fitted", "weighted")
# Rounder blobs are tried for several markers only where one explains them badly.
MAX_SPLIT_ROUNDNESS = 0.85
# Above half height: too few to show roundness; whether a round spot explains them has to do.
FEW_PIXELS = 9
# Blobs of an image that are tried for several markers; more are clutter, and each takes long.
MAX_CROWDS = 50
EDGE = "at the image's edge"
# Grey levels² of shot noise per grey level: a full well of some 10,000 electrons in 8 bit.
_START_GAIN = 0.03


@dataclass(frozen=True, kw_only=True)
class SpotOptions:
    """What counts as a spot.

    Parameters
    ----------
    threshold : float, optional
        Grey level above which pixels belong to a spot; by default from each image.
    full_scale : float, optional
        Grey level at which pixels saturate; by default from the bit depth and the brightest pixel.
    method : str
        ``fitted``, or ``weighted``: the centre of light.
    min_pixels : int
        Pixels that a spot has at least.
    max_radius_px : float
        Radius that it has at most.
    min_roundness : float
        Shorter by longer axis, 0 to 1.
    max_blobs : int
        Blobs kept in an image, largest first.
    """

    threshold: float | None = None
    full_scale: float | None = None
    method: str = "fitted"
    min_pixels: int = 4  # less is a hot pixel
    max_radius_px: float = 60.0  # lamps and windows are larger than any marker
    min_roundness: float = 0.8  # a strobe keeps a fast marker rounder than that
    max_blobs: int = 1000  # an image: more are no markers, and would take long

    def __post_init__(self) -> None:
        require_kinds(self)
        require_one_of("method", self.method, METHODS)
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
    blobs, n_blobs, refused = _find(image, level, o)
    parts = _by_light(blobs, o) if o.method == "weighted" else _by_fit(blobs, o)
    spots: list[Spot] = []
    for is_at_edge, found in zip(Blob(*blobs.measured.T).is_at_edge, parts, strict=True):
        spots += found
        refused[EDGE if is_at_edge else "touching or not round"] += not found
    small = [spot for spot in spots if spot.radius_px <= o.max_radius_px]
    height, width = image.shape
    inside = [s for s in small if -0.5 < s.x < width - 0.5 and -0.5 < s.y < height - 0.5]
    refused["too large"] += len(spots) - len(small)
    refused[EDGE] += len(small) - len(inside)
    return _spots(inside, level, n_blobs, dict(+refused))  # of what there was


@dataclass(frozen=True, slots=True, eq=False)
class _Blobs:
    """Blobs of an image worth a look: the image in 16 bit, every pixel's label, the labels chosen
    (n,), their boxes (n, 4), and a ``Blob`` a row (n, 7).
    """

    image: NDArray[np.uint16]
    labels: NDArray[Any]
    chosen: NDArray[np.int64]
    boxes: NDArray[np.int64]
    measured: Array
    level: Level

    def light(self, blob: Blob) -> Spot:
        """Return the spot of a blob's centre of light."""
        height, nan = blob.peak - self.level.background, float("nan")
        tail = height, blob.roundness, *_peak(blob), False
        return Spot(blob.x, blob.y, float(np.sqrt(blob.n_core / np.pi)), nan, nan, *tail)


def _find(image: NDArray[Any], level: Level, o: SpotOptions) -> tuple[_Blobs, int, Counter[str]]:
    """Return the image's blobs, how many there are in all, and those not worth a look by reason."""
    lit = cv2.compare(image, cast(Any, level.threshold), cv2.CMP_GT)
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(
        lit, connectivity=8, ltype=cv2.CV_32S
    )
    chosen, refused = _choose(stats, o)
    boxes = np.ascontiguousarray(stats[chosen, :4]).astype(np.int64)
    measured = np.empty((len(chosen), len(Blob._fields)))
    grey = np.array(image, dtype=np.uint16)  # one type, so that the loops are compiled once
    measure(grey, labels, chosen, boxes, level.background, level.full_scale, measured)
    return _Blobs(grey, labels, chosen, boxes, measured, level), n_labels - 1, refused


def _by_light(blobs: _Blobs, o: SpotOptions) -> list[list[Spot]]:
    """Return each blob's centre of light, nothing where it is not round or at the image's edge."""
    return [
        [] if b.is_at_edge or b.roundness < o.min_roundness else [blobs.light(b)]
        for b in (Blob(*row) for row in blobs.measured.tolist())
    ]


def _by_fit(blobs: _Blobs, o: SpotOptions) -> list[list[Spot]]:
    """Return each blob's spots as fitted, nothing where none explain it or it is at the image's
    edge.
    """
    image, level, n_crowds = blobs.image, blobs.level, 0
    margin = np.ceil(np.sqrt(Blob(*blobs.measured.T).n_core / np.pi) * 0.5)
    margin = np.maximum(3, margin).astype(np.int64)
    params, gain, quality = _fitted_alone(blobs, margin)
    out: list[list[Spot]] = []
    for i, row in enumerate(blobs.measured.tolist()):
        blob = Blob(*row)
        if blob.is_at_edge:
            out.append([])
            continue
        one = Fitted.of(params[i], Quality(*quality[i].tolist()), blob.peak - level.background)
        is_inside = _is_inside(one, blob)
        is_sure = is_inside and one.misfit <= 0.5 * MAX_MISFIT
        if not is_sure or blob.roundness < MAX_SPLIT_ROUNDNESS:
            n_crowds += 1
            if n_crowds <= MAX_CROWDS:
                place = int(blobs.chosen[i]), blobs.boxes[i], int(margin[i])
                parts = separate(image, blobs.labels, *place, one, level, gain)
                if parts is not None:
                    out.append(parts.spots(1.0, *_peak(blob)))
                    continue
            is_round = blob.roundness >= o.min_roundness or (
                blob.n_core <= FEW_PIXELS and one.misfit < SPLIT_MISFIT
            )
            if not is_round or one.misfit > MAX_MISFIT:
                out.append([])
                continue
        is_fitted = one.is_converged and is_inside
        out.append(one.spots(blob.roundness, *_peak(blob)) if is_fitted else [blobs.light(blob)])
    return out


def _fitted_alone(blobs: _Blobs, margin: NDArray[np.int64]) -> tuple[Array, float, Array]:
    """Return the parameters (n, 6) of one spot a blob, the gain that they show (see
    ``_shot_gain``), and a ``Quality`` a row (n, 4).
    """
    level = blobs.level
    params, quality = _starts(blobs), np.empty((len(margin), len(Quality._fields)))
    gain = _START_GAIN * level.full_scale / 255.0
    arguments = blobs.image, blobs.labels, blobs.chosen, blobs.boxes, margin, params
    fit_singles(*arguments, level.full_scale, level.noise, gain, 1, quality)
    gain = _shot_gain(quality, level)
    fit_singles(*arguments, level.full_scale, level.noise, gain, 2, quality)
    return params, gain, quality


def _is_inside(one: Fitted, blob: Blob) -> bool:
    """Say whether a fit stayed with its blob: near its centre of light, bright, no larger."""
    core_radius = np.sqrt(blob.n_core / np.pi)
    away = np.hypot(one.x[0] - blob.x, one.y[0] - blob.y)
    is_small = one.radius_px[0] < 1.5 * core_radius + 1.0
    return bool(away < max(1.0, core_radius) and one.height[0] > 0 and is_small)


def _peak(blob: Blob) -> tuple[float, float]:
    """Return a blob's brightest pixel and the share of its pixels at full scale."""
    return blob.peak, min(blob.n_saturated / max(blob.n_core, 1.0), 1.0)


def _choose(stats: NDArray[Any], o: SpotOptions) -> tuple[NDArray[np.int64], Counter[str]]:
    """Return the labels worth a look: neither specks nor lamps, and not more than ``max_blobs``;
    and the others by reason.
    """
    area, extent = stats[:, cv2.CC_STAT_AREA], stats[:, 2:4].max(axis=1)
    is_label = np.arange(len(stats)) > 0
    is_speck, is_large = is_label & (area < o.min_pixels), extent > 4 * o.max_radius_px
    is_large |= area > 4 * np.pi * o.max_radius_px**2
    is_large &= is_label
    chosen = np.flatnonzero(is_label & ~is_speck & ~is_large)
    refused = Counter({"too small": int(is_speck.sum()), "too large": int(is_large.sum())})
    if len(chosen) > o.max_blobs:
        refused["beyond the cap"] = len(chosen) - o.max_blobs
        chosen = np.sort(chosen[np.argsort(-area[chosen], kind="stable")[: o.max_blobs]])
    return chosen.astype(np.int64), refused


def _starts(blobs: _Blobs) -> Array:
    """Return where the fits start (n, 6): a spot of the blob's area, edges blurred by some two
    thirds of a pixel.
    """
    blob, background, blur = Blob(*blobs.measured.T), blobs.level.background, 0.6
    sharpness = np.maximum(np.sqrt(blob.n_core / np.pi) / blur, MIN_SHARPNESS + 0.5)
    shared = np.full((len(sharpness), 2), [background, np.log(blur)])
    return np.column_stack([shared, blob.x, blob.y, sharpness, blob.peak - background])


def _shot_gain(quality: Array, level: Level) -> float:
    """Return grey levels² of noise per grey level of signal, the median over the image's fits."""
    scale, fits = level.full_scale / 255.0, Quality(*quality.T)
    seen = fits.gain[(fits.is_converged > 0) & np.isfinite(fits.gain)]
    if not len(seen):
        return _START_GAIN * scale
    return float(np.clip(np.median(seen), 1e-4 * scale, scale))


def _spots(spots: list[Spot], level: Level, n_blobs: int, refused: dict[str, int]) -> Spots:
    spots = sorted(spots, key=lambda spot: (spot.y, spot.x))
    kinds = [(name, bool if name == "is_fitted" else float) for name in Spot._fields]
    table = np.array(spots, dtype=kinds)
    columns = {name: table[name].copy() for name in Spot._fields[2:]}
    for values in columns.values():
        values.setflags(write=False)
    xy = frozen(np.column_stack([table["x"], table["y"]]))
    return Spots(xy, **columns, level=level, n_blobs=n_blobs, refused=refused)
