"""Images of a simulated capture: round markers, blur, shot noise and reflections, in 8 bit.

Drawn by brute force, many samples a pixel, and so independent of the model that
``intake.centroids`` fits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import scipy  # as in ``path``
from numpy.typing import ArrayLike, NDArray

from calib.core.geometry import Array
from calib.errors import InputError, require_kinds
from calib.simulate.imaging import in_view
from calib.simulate.run import Simulation

FINE = 8  # samples across a pixel


@dataclass(frozen=True, kw_only=True)
class RenderOptions:
    """How a camera turns light into grey levels; common practice, from memory, where no reason is
    given.
    """

    blur_px: float = 0.6  # SD of the lens's blur: in focus
    # grey levels above the background of a marker at the median distance: below saturation
    height: float = 180.0
    # power of the distance: light of a strobe beside the lens, thrown back by the marker
    falloff: float = 2.0
    background: float = 12.0  # grey levels of a dark room
    read_noise: float = 1.0  # SD in grey levels
    electrons: float = 40.0  # per grey level: a full well of some 10,000; 0: no shot noise
    reflections: bool = True  # the scenario's strays are drawn as spots

    def __post_init__(self) -> None:
        require_kinds(self)
        for key, low in (
            ("blur_px", 0),
            ("height", 1),
            ("background", 0),
            ("read_noise", 0),
            ("electrons", 0),
        ):
            if not (np.isfinite(getattr(self, key)) and getattr(self, key) >= low):
                raise InputError(
                    f"render {key}", expected=f"a number from {low}", found=str(getattr(self, key))
                )


def draw_spots(
    width: int,
    height: int,
    xy_px: ArrayLike,
    radius_px: ArrayLike,
    brightness: ArrayLike,
    blur_px: float = 0.0,
) -> Array:
    """Return an image (height, width) of discs, each pixel the mean over its square.

    xy_px (n, 2), radius_px and brightness (n) or one for all. Where discs overlap, the later one
    hides the earlier. A radius of 0 draws a Gaussian whose standard deviation is ``blur_px`` and
    whose peak is ``brightness``.
    """
    centres = np.asarray(xy_px, dtype=float).reshape(-1, 2)
    radius, bright = (
        np.broadcast_to(np.asarray(v, dtype=float), len(centres)) for v in (radius_px, brightness)
    )
    image = np.zeros((height, width))
    reach = radius + 5.0 * blur_px + 1.0
    for members in _clusters(centres, reach):
        low = np.maximum(
            np.floor((centres - reach[:, None])[members].min(axis=0)), -reach.max()
        ).astype(int)
        high = np.ceil((centres + reach[:, None])[members].max(axis=0)).astype(int)
        n_x, n_y = (high - low + 1).tolist()
        x, y = (low[k] - 0.5 + (np.arange(n * FINE) + 0.5) / FINE for k, n in enumerate((n_x, n_y)))
        fine, sharp = np.zeros((n_y * FINE, n_x * FINE)), np.zeros((n_y * FINE, n_x * FINE))
        for i in members:
            r = np.hypot(x - centres[i, 0], y[:, None] - centres[i, 1])
            if radius[i] == 0:
                fine += bright[i] * np.exp(-0.5 * (r / blur_px) ** 2)
            else:
                cover = np.clip((radius[i] - r) * FINE + 0.5, 0, 1)
                sharp += cover * (bright[i] - sharp)
        if blur_px > 0 and sharp.any():
            blurred = scipy.ndimage.gaussian_filter
            sharp = blurred(sharp, blur_px * FINE, mode="nearest", truncate=5.0)
        patch = (fine + sharp).reshape(n_y, FINE, n_x, FINE).mean(axis=(1, 3))
        top, left = max(low[1], 0), max(low[0], 0)
        bottom, right = min(low[1] + n_y, height), min(low[0] + n_x, width)
        if top < bottom and left < right:
            image[top:bottom, left:right] += patch[
                top - low[1] : bottom - low[1], left - low[0] : right - low[0]
            ]
    return image


def expose(light: Array, options: RenderOptions, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return the 8-bit image of a mean image in grey levels: shot noise, read noise, rounding,
    clipping.
    """
    seen = (
        rng.poisson(light * options.electrons) / options.electrons if options.electrons else light
    )
    seen = seen + rng.normal(0.0, options.read_noise, light.shape) if options.read_noise else seen
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


def render(
    simulation: Simulation,
    options: RenderOptions | None = None,
    frames: Iterable[int] | None = None,
) -> Iterator[tuple[str, int, NDArray[np.uint8]]]:
    """Yield camera, frame and 8-bit image of a capture, one at a time, camera by camera.

    Markers lie where they truly are, with their true apparent radius, nearer ones over farther
    ones; the scenario's person, range and reflections count, its dropout and named outliers
    (effects that images do not have) do not.
    """
    o, s = options or RenderOptions(), simulation.scenario
    markers = simulation.markers_world_mm
    motion = simulation.motion
    chosen = list(range(len(markers)) if frames is None else frames)
    knock = {k.camera: k.frame for k in s.knock}
    for index, (before, after) in enumerate(
        zip(simulation.truth.cameras, simulation.truth_after.cameras, strict=True)
    ):
        rng, own = s.rng("pixels", index), simulation.tracks.cameras[index]
        is_stray = simulation.marker[index] < 0
        typical = np.median(np.linalg.norm(markers.reshape(-1, 3) - before.position_mm, axis=1))
        for shown in chosen:
            # A late camera's count stands on an earlier moment.
            frame = shown - s.slip.get(before.name, 0)
            xy, radius, height = np.empty((0, 2)), np.empty(0), np.empty(0)
            if 0 <= frame < len(markers):
                camera = after if frame >= knock.get(before.name, len(markers)) else before
                one = slice(frame, frame + 1)
                view = in_view(s, camera, motion.part(one), markers[one])
                uv, size, distance, is_seen = (v[0] for v in view)
                far_first = [k for k in np.argsort(-distance) if is_seen[k]]
                xy, radius = uv[far_first], size[far_first]
                height = o.height * (typical / distance[far_first]) ** o.falloff
            if o.reflections and own.radius_px is not None:
                rows = is_stray & (own.frame == shown)
                xy = np.vstack([own.xy_px[rows], xy])
                radius = np.concatenate([own.radius_px[rows], radius])
                height = np.concatenate([np.full(rows.sum(), o.height), height])
            light = o.background + draw_spots(s.width, s.height, xy, radius, height, o.blur_px)
            yield before.name, shown, expose(light, o, rng)


def _clusters(centres: Array, reach: Array) -> list[list[int]]:
    """Return groups of discs whose light may meet, each in the given order."""
    groups: list[list[int]] = []
    for i in range(len(centres)):
        near = [
            g
            for g in groups
            if any(np.hypot(*(centres[i] - centres[j])) < reach[i] + reach[j] for j in g)
        ]
        groups = [g for g in groups if g not in near]
        groups.append(sorted([i, *(j for g in near for j in g)]))
    return groups
