"""Which nameless image points of several cameras show the same marker in space.

Every two points of two cameras whose rays meet propose a place; the place that most cameras confirm
takes its points first. Where only two cameras see a marker, rays may meet where nothing is: such a
pair counts only if neither of its points could belong to another.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, undistort
from calib.core.compiled import compiled
from calib.core.geometry import Array, ray_miss, rays_meet
from calib.prove.space.views import Cameras, Index

# A ray passes its marker by the noise of its point and by what its camera's pose is off.
NOISES, MORE_PX = 5.0, 1.0


def rays_of(cameras: Cameras, cam: Index, uv_px: Array) -> Array:
    """Return unit vectors (V, 3) in the world along which cameras see image points; nan where the
    lens does not reach.
    """
    plane = np.full((len(cam), 2), np.nan)
    for c in np.unique(cam):
        at = cam == c
        plane[at] = undistort(Lens.from_vector(cameras.lens[c]), uv_px[at])
    ray = (np.column_stack([plane, np.ones(len(cam))])[:, None] @ cameras.R[cam])[:, 0]
    return np.asarray(ray / np.linalg.norm(ray, axis=1, keepdims=True))


def matched_points(
    cameras: Cameras, cam: Index, uv_px: Array, group: Index, n_groups: int
) -> NDArray[np.int64]:
    """Return a number for each image point (V,), the same for those that show one marker, -1 where
    none is known.

    Points are matched within their ``group`` (V,), a moment, sorted by it; numbers count on over
    all groups.
    """
    starts = np.searchsorted(group, np.arange(n_groups + 1)).astype(np.intp)
    reach = (NOISES * cameras.sigma_px + MORE_PX) / cameras.lens[:, 0]  # radian
    out = np.full(len(cam), -1, np.int64)
    _match(
        cam,
        starts,
        rays_of(cameras, cam, uv_px)[:, None],  # of one moment each
        np.ascontiguousarray(cameras.position_mm),
        np.ascontiguousarray(reach),
        out,
    )
    return out


@compiled
def _match(cam: Any, starts: Any, ray: Array, position: Array, reach: Array, out: Any) -> None:
    """Write the numbers of the points of all groups."""
    n_cameras, number = len(position), 0
    x, best_at, at = np.empty(3), np.empty(n_cameras, np.int64), np.empty(n_cameras, np.int64)
    for g in range(len(starts) - 1):
        first, last = starts[g], starts[g + 1]
        while True:
            best_n, best_miss, n_pairs = 0, np.inf, 0
            for i in range(first, last):
                for j in range(i + 1, last):
                    if cam[i] == cam[j] or out[i] != -1 or out[j] != -1:
                        continue
                    if not rays_meet(cam, ray, position, reach, i, j, 0, x):
                        continue
                    n, miss = _confirm(cam, ray, position, reach, x, first, last, out, at)
                    if n == 2:
                        n_pairs += 1
                    if n > best_n or (n == best_n and miss < best_miss):
                        best_n, best_miss = n, miss
                        best_at[:] = at
            if best_n < 2:
                break
            if best_n == 2 and not _is_alone(cam, ray, position, reach, best_at, first, last, out):
                for c in range(n_cameras):
                    if best_at[c] >= 0:
                        out[best_at[c]] = -2
                continue
            for c in range(n_cameras):
                if best_at[c] >= 0:
                    out[best_at[c]] = number
            number += 1
        for i in range(first, last):
            out[i] = max(out[i], -1)


@compiled
def _confirm(
    cam: Any,
    ray: Array,
    position: Array,
    reach: Array,
    x: Array,
    first: int,
    last: int,
    out: Any,
    at: Any,
) -> tuple[int, float]:
    """Return how many cameras see a free point at x, and by how much it is missed; write which."""
    at[:] = -1
    n, total = 0, 0.0
    for i in range(first, last):
        if out[i] != -1:
            continue
        miss = ray_miss(cam[i], ray, position, reach, i, 0, x)
        if miss <= 1.0:
            c = cam[i]
            if at[c] < 0:
                n += 1
                total += miss
                at[c] = i
            elif miss < ray_miss(c, ray, position, reach, at[c], 0, x):
                at[c] = i
    return n, total


@compiled
def _is_alone(
    cam: Any, ray: Array, position: Array, reach: Array, pair: Any, first: int, last: int, out: Any
) -> bool:
    """Return whether neither point of a pair meets any other free point."""
    x = np.empty(3)
    for c in range(len(pair)):
        i = pair[c]
        if i < 0:
            continue
        for j in range(first, last):
            is_other = out[j] == -1 and cam[j] != cam[i] and pair[cam[j]] != j
            if is_other and rays_meet(cam, ray, position, reach, min(i, j), max(i, j), 0, x):
                return False
    return True
