"""Image points of single markers, sorted by the marker in space that they show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import LEAST_NOISE_PX
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError

Index = NDArray[np.intp]
DEFAULT_PX = 0.2  # noise where a rig states none: of a well-lit marker (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class Cameras:
    """A rig's cameras as arrays: ``R (C, 3, 3)`` and ``t_mm (C, 3)`` of cam_from_world, ``lens (C,
    12)`` as ``Lens.vector``, ``sigma_px (C,)`` the noise of one coordinate of a centroid.
    """

    names: tuple[str, ...]
    R: Array
    t_mm: Array
    lens: Array
    sigma_px: Array

    @property
    def position_mm(self) -> Array:
        """Where the cameras stand (C, 3)."""
        return np.asarray(-(self.t_mm[:, None, :] @ self.R)[:, 0])


def cameras_of(
    rig: Rig, names: tuple[str, ...] | None = None, noise_px: float | None = None
) -> Cameras:
    """Return cameras of a rig, by default all, with the noise that its solve found or with
    ``noise_px``.

    A camera whose noise is not known gets the median of the others', and none less than
    ``LEAST_NOISE_PX``. Raises InputError where
    ``noise_px`` is none.
    """
    if noise_px is not None and not 0 < noise_px < np.inf:
        raise InputError("noise", expected="a noise above 0 px", found=f"{noise_px:g}")
    cameras = [rig.camera(n) for n in (names or rig.names)]
    sigma = np.array([c.stats.sigma_px if c.stats is not None else np.nan for c in cameras])
    sigma[~(sigma > 0)] = np.nan
    usual = float(np.nanmedian(sigma)) if np.isfinite(sigma).any() else DEFAULT_PX
    sigma = np.maximum(np.where(np.isfinite(sigma), sigma, usual), LEAST_NOISE_PX)
    return Cameras(
        tuple(c.name for c in cameras),
        np.stack([c.cam_from_world.R for c in cameras]),
        np.stack([c.cam_from_world.t_mm for c in cameras]),
        np.stack([c.lens.vector for c in cameras]),
        sigma if noise_px is None else np.full(len(cameras), float(noise_px)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Views:
    """Image points ``uv_px (V, 2)`` of cameras ``cam (V,)``; those of point n (of N) run from
    ``starts[n]`` to ``starts[n + 1]``, each camera at most once.
    """

    cam: Index
    starts: Index
    uv_px: Array

    @property
    def n_points(self) -> int:
        return len(self.starts) - 1

    @property
    def point(self) -> Index:
        """Which point (V,) each view shows."""
        return np.repeat(np.arange(self.n_points), np.diff(self.starts))


def views_of(cam: Index, point: Index, uv_px: Array, n_points: int) -> Views:
    """Return the views of points 0 to n_points - 1, sorted, from lists (V,) in any order."""
    order = np.argsort(point, kind="stable")
    starts = np.searchsorted(point[order], np.arange(n_points + 1))
    return Views(cam[order].astype(np.intp), starts.astype(np.intp), uv_px[order])


def views_where(is_seen: NDArray[np.bool_]) -> Views:
    """Return the views of places (n,) that cameras see, ``is_seen (C, n)``, without images."""
    point, cam = np.nonzero(is_seen.T)
    return views_of(cam, point, np.zeros((len(cam), 2)), is_seen.shape[1])


def views_of_tracks(tracks: Tracks) -> tuple[Views, NDArray[np.int64], NDArray[np.int64]]:
    """Return the views of all named points, and each point's frame (N,) and marker (N,), in
    order.
    """
    rows = [np.flatnonzero(c.marker >= 0) for c in tracks.cameras]
    both = list(zip(tracks.cameras, rows, strict=True))
    key = np.concatenate([c.frame[r] * 65536 + c.marker[r] for c, r in both])
    cam = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
    uv = np.concatenate([c.xy_px[r] for c, r in both])
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    is_first = np.ones(len(key), bool)
    is_first[1:] = ordered[1:] != ordered[:-1]
    first = np.flatnonzero(is_first)
    starts = np.append(first, len(key)).astype(np.intp)
    return Views(cam[order], starts, uv[order]), ordered[first] // 65536, ordered[first] % 65536


def views_of_places(rig: Rig, points_mm: Array, range_mm: float = np.inf) -> Views:
    """Return the views that a rig's cameras would have of places (n, 3), without noise."""
    cam, point, uv = [], [], []
    for c, camera in enumerate(rig.cameras):
        image, is_seen = camera.image_of(points_mm, range_mm)
        at = np.flatnonzero(is_seen)
        cam.append(np.full(len(at), c))
        point.append(at)
        uv.append(image[at])
    return views_of(np.concatenate(cam), np.concatenate(point), np.concatenate(uv), len(points_mm))
