"""The lens, better than roughly: focal length and barrel under which the wands found keep their
shape.

Straight lines stay straight and the wand rigid only through the right lens: found wands tell it
well enough to search again with limits of a few times the noise. Source: Devernay & Faugeras,
Straight lines have to be straight, Machine Vision and Applications 13, 2001.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.camera import Lens, undistort
from calib.core.compiled import compiled
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.naming.chains.rigid import fit_pose, project_wand, unpacked

N_VIEWS = 120  # a coefficient of distortion to a hundredth
CAP_PX = 1.0
N_HALVINGS = 8
# Barrel and pincushion tried: k1 as a share of the radius at the sensor's corner.
BARREL = np.linspace(-0.20, 0.08, 8)
ZOOM = {False: (1.0,), True: (0.77, 0.88, 1.0, 1.14, 1.3)}


@compiled
def misses(xy: Array, rows: Ints, pose: Array, zoom: float, shape: Array, pixel: float) -> Array:
    """Return the root mean square miss (n,) of the best pose of each view ``rows (n, M)`` of points
    ``xy``.

    ``pose (n, 12)`` are rotations and shifts to start from, the distance of which grows with
    ``zoom``.
    """
    n_views, n_markers = rows.shape
    out, work = np.full(n_views, np.inf), np.empty((n_markers, 2))
    for v in range(n_views):
        R, t = unpacked(pose[v])
        t[2] *= zoom
        ok, R, t = fit_pose(R, t, shape, xy, rows[v], pixel, 1.0, 1e4)
        if not ok or not project_wand(R, t, shape, work):
            continue
        total, n = 0.0, 0
        for m in range(n_markers):
            if rows[v, m] >= 0:
                du, dv = xy[rows[v, m], 0] - work[m, 0], xy[rows[v, m], 1] - work[m, 1]
                total += du * du + dv * dv
                n += 1
        out[v] = math.sqrt(total / n)
    return out


def learned_lens(
    lens: Lens,
    width: int,
    xy_px: Array,
    rows: Ints,
    pose: Array,
    shape: Array,
    *,
    is_line: bool,
    is_known: bool,
) -> tuple[Lens, float]:
    """Return the lens that leaves the least median miss over views ``rows (n, M)`` of points
    ``xy_px``, and that in px.

    ``pose (n, 12)`` are the views' poses as found with ``lens``; a lens that ``is_known`` stays as
    it is.

    A line's images say nothing about the focal length.
    """
    if len(rows) > N_VIEWS:
        some = np.linspace(0, len(rows) - 1, N_VIEWS).astype(int)
        rows, pose = rows[some], pose[some]
    used, packed = np.unique(rows, return_inverse=True)
    packed = packed.reshape(rows.shape).astype(np.int64) - int(used[0] < 0)
    points = xy_px[used[used >= 0]]

    def cost(values: Array) -> tuple[float, Array, Lens]:
        zoom, share, cx, cy = values
        focal, trial = lens.fx * zoom, lens
        if not is_known:
            dist = np.array([share * (focal / (0.6 * width)) ** 2, 0.0, 0.0, 0.0, 0.0])
            trial = Lens(focal, focal, lens.cx + cx * width, lens.cy + cy * width, dist)
        xy = undistort(trial, points)
        if not np.isfinite(xy).all():
            return np.inf, np.array([np.inf]), trial
        miss = focal * misses(xy, packed, pose, zoom, shape, 1.0 / focal)
        # A mean of capped squares: a median would let a corner of the sensor go.
        return float((np.minimum(miss, CAP_PX) ** 2).mean()), miss, trial

    best = np.array([1.0, 0.0, 0.0, 0.0])
    least = cost(best)
    if is_known:
        return least[2], float(np.median(least[1]))
    grid = [np.array([zoom, share, 0.0, 0.0]) for zoom in ZOOM[not is_line] for share in BARREL]
    step = np.array([0.0 if is_line else 0.05, 0.02, 0.008, 0.008])
    trials = grid
    for _ in range(1 + N_HALVINGS):
        for trial in trials:
            if (value := cost(trial))[0] < least[0]:
                best, least = trial, value
        moves = np.diag(step)[step > 0]
        trials = [best + way * move for move in moves for way in (-1.0, 1.0)]
        step = 0.7 * step
    return least[2], float(np.median(least[1]))
