"""Errors of centroids as real ones are: they grow with distance, follow pixels and motion, and some
last for a while.

No source states these laws for markers of this kind; all are assumed, of a size that a careful site
would not notice. Pixels pull centroids of small blobs towards their centres (known as peak locking;
Westerweel, Fundamentals of digital particle image velocimetry, Measurement Science and Technology
8, 1997, section 3.3, from memory).
"""

from __future__ import annotations

import numpy as np
import scipy  # its submodules load at first use, as in ``path``
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.simulate.scenario import Scenario


def random_errors(
    s: Scenario,
    index: int,
    sigma_px: float,
    uv: Array,
    distance_mm: Array,
    usual_mm: float | None = None,
) -> Array:
    """Return errors in px (F, M, 2) that are independent from frame to frame, at image points
    ``uv`` (F, M, 2).

    Of their variance the share ``noise_growth`` grows with the square of the distance (F, M), about
    the usual one, by default its median; ``tremble`` is what the image's motion from frame to frame
    adds along itself, as a share of it.
    """
    # Drawn for all frames and markers, so that no other effect shifts the stream.
    error = sigma_px * s.rng("noise", index).normal(size=uv.shape)
    if s.noise_growth:
        middle = usual_distance(uv, distance_mm) if usual_mm is None else usual_mm
        error *= np.sqrt(1.0 + s.noise_growth * ((distance_mm / middle) ** 2 - 1.0))[..., None]
    if s.tremble:
        error = error + s.tremble * s.rng("tremble", index).normal(
            size=(*uv.shape[:2], 1)
        ) * _image_motion(s, uv)
    return np.nan_to_num(error)


def usual_distance(uv: Array, distance_mm: Array) -> float:
    """Return the median distance (F, M) of what lies before a camera, at image points (F, M, 2)."""
    return float(np.nanmedian(np.where(np.isfinite(uv[..., 0]), distance_mm, np.nan)))


def _image_motion(s: Scenario, uv: Array) -> Array:
    """Return the way of image points (F, M, 2) from frame to frame in px, from neighbours that are
    on the sensor.
    """
    size = np.array([s.width, s.height])
    with np.errstate(invalid="ignore"):  # beside and behind a camera: no image, or none near
        is_near = np.asarray((np.abs(uv - size / 2.0) < size).all(axis=-1, keepdims=True))
    step = np.where(is_near[1:] & is_near[:-1], np.diff(uv, axis=0), 0.0)
    known = (is_near[1:] & is_near[:-1]).astype(float)
    none = np.zeros((1, *uv.shape[1:]))
    total = np.concatenate([step, none]) + np.concatenate([none, step])
    count = np.concatenate([known, none[..., :1]]) + np.concatenate([none[..., :1], known])
    return np.asarray(total / np.maximum(count, 1.0))


def pixel_pull(s: Scenario, uv: Array) -> Array:
    """Return by how much pixels pull image points (..., 2) towards their centres, in px."""
    return -s.pixel_pull_px * np.sin(2.0 * np.pi * np.nan_to_num(uv))


def lasting_errors(s: Scenario, index: int, n_frames: int) -> tuple[Array, NDArray[np.bool_]]:
    """Return by how much a camera's points are all off in each frame (F, 2) in px, and whether they
    are (F,).

    Time falls into stretches of ``lasting_s``, evenly over the logarithm; each is off with the
    chance ``lasting_share``, by a normal law of ``lasting_px``: markers partly hidden, shimmer, a
    mount that trembles.
    """
    shift, is_off = np.zeros((n_frames, 2)), np.zeros(n_frames, dtype=bool)
    if not s.lasting_share:
        return shift, is_off
    rng, (shortest, longest) = s.rng("lasting", index), s.lasting_s
    frame = 0.0
    if shortest == longest:  # else all cameras' would begin at the same frames
        frame -= s.rng("lasting since", index).random() * longest * s.frame_rate_hz
    while frame < n_frames:
        length = shortest * (longest / shortest) ** rng.random() * s.frame_rate_hz
        off, way = rng.random() < s.lasting_share, s.lasting_px * rng.normal(size=2)
        if off:
            first = max(round(frame), 0)
            at = slice(first, max(round(frame + length), first + 1))
            shift[at], is_off[at] = way, True
        frame += length
    return shift, is_off


def wandering_errors(s: Scenario, index: int, n_frames: int) -> Array:
    """Return by how much a camera's points are all off in each frame (F, 2) in px, all the time: a
    first-order autoregressive process of ``wander_px``, in some cameras of ``sway_px`` besides,
    whose correlation falls to 1 / e in ``wander_s``.
    """
    size = np.hypot(s.wander_px, s.sway_px.get(s.names[index], 0.0))
    if not size:
        return np.zeros((n_frames, 2))
    kept = np.exp(-1.0 / (s.wander_s * s.frame_rate_hz))
    fresh = s.rng("wander", index).normal(size=(n_frames, 2))
    fresh[1:] *= np.sqrt(1.0 - kept**2)
    return np.asarray(size * scipy.signal.lfilter([1.0], [1.0, -kept], fresh, axis=0))
