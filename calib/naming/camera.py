"""Names for one camera's points: the wand searched, the lens learned from what was found, searched
again strictly, and checked by its motion.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, undistort
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks
from calib.naming.chains.records import Limits, Points, Shape
from calib.naming.chains.search import search_camera
from calib.naming.hand import in_steps
from calib.naming.lens import learned_lens, misses
from calib.naming.smooth import SIGMAS, checked, completed, ends_checked, lone_points
from calib.naming.views import NOISE_PX, Sight, Views, is_whole, settled

# How far points may lie off the wand as fitted: four times the noise, and a share of the image for
# lenses known roughly (a barrel of 10 % at the corner scales the directions there by up to a fifth
# of that differently from end to end).
TOLERANCE_PX = 1.2
RELATIVE = {True: 0.004, False: 0.02}  # by: is it a line
BEND = 0.04  # of a line: a quarter of the largest k1 that is common
LEAST_TOLERANCE_PX = 0.25
LEARN_VIEWS = 30
# Limit of one point's miss as a multiple of the median root mean square miss: 4 sigma of a line's
# middle marker, whose one constraint leaves 0.39 sigma in the median; 5 sigma of others.
MISS_TO_LIMIT = {True: 8.0, False: 6.0}
LEAST_SIGMA_PX = 0.02


def name_camera(
    camera: CameraTracks, is_open: NDArray[np.bool_], shape: Shape, rate_hz: float
) -> tuple[NDArray[np.int16], int, int]:
    """Return the markers (n,) of one camera's points, -1 for those of no wand or not open (n,), in
    how many frames two wands are seen, and in how many one is.
    """
    lens, is_measured, is_line = rough_lens(camera), camera.lens is not None, shape.is_line
    relative = RELATIVE[is_line] * (0.25 if is_measured else 1.0)
    limits = Limits(NOISE_PX, TOLERANCE_PX, relative, 0.0 if is_measured else BEND)
    views = _search(camera, is_open, lens, shape, limits, rate_hz)
    strong = views.strong
    if len(strong) >= LEARN_VIEWS:
        lens, miss = learned_lens(
            lens,
            camera.width,
            camera.xy_px,
            views.rows[strong],
            views.pose[strong],
            shape.points_mm,
            is_line=is_line,
            is_known=is_measured,
        )
        tight = float(np.clip(MISS_TO_LIMIT[is_line] * miss, LEAST_TOLERANCE_PX, TOLERANCE_PX))
        limits = Limits(NOISE_PX, tight, 0.0, 0.0)
        views = _search(camera, is_open, lens, shape, limits, rate_hz)
    number, first = np.unique(camera.frame, return_index=True)
    crowd = is_open.sum() / max(len(number), 1)
    sight = Sight(lens.fx, float(camera.width * camera.height), rate_hz, crowd)
    keep, n_double = settled(views, sight)
    marker = np.full(camera.n_points, -1, np.int16)
    if len(keep):
        starts = np.append(first, camera.n_points)
        rows = np.full((len(number), len(shape.points_mm)), -1)
        rows[np.searchsorted(number, views.frame[keep])] = views.rows[keep]
        rows = _smoothed(camera, is_open, in_steps(number, rate_hz), starts, rows)
        at, m = np.nonzero(rows >= 0)
        marker[rows[at, m]] = m
    return marker, n_double, len(keep)


def rough_lens(camera: CameraTracks) -> Lens:
    """Return the lens to identify with: measured, else nominal and straight, else an angle of view
    of 53°.
    """
    if camera.lens is not None:
        return camera.lens
    focal = camera.nominal_focal_px or float(camera.width)
    return Lens(focal, focal, (camera.width - 1) / 2.0, (camera.height - 1) / 2.0, np.zeros(5))


def _search(
    camera: CameraTracks,
    is_open: NDArray[np.bool_],
    lens: Lens,
    shape: Shape,
    limits_px: Limits,
    rate_hz: float,
) -> Views:
    """Return the views of the wand among the open points, seen through the lens."""
    xy, pixel = undistort(lens, camera.xy_px), 1.0 / lens.fx
    row = np.flatnonzero(is_open & np.isfinite(xy).all(axis=1))
    number, first = np.unique(camera.frame[row], return_index=True)
    starts = np.append(first, len(row)).astype(np.int64)
    points = Points(starts, number, np.ascontiguousarray(xy[row]), 1.0 / rate_hz)
    limits = limits_px._replace(
        noise=limits_px.noise * pixel, tolerance=limits_px.tolerance * pixel
    )
    found = search_camera(points, shape, limits)
    rows = found.rows + starts[found.frame][:, None]
    rows = np.where(found.rows >= 0, row[np.minimum(rows, len(row) - 1)], -1)
    miss = misses(xy, rows, found.pose, 1.0, shape.points_mm, pixel) / pixel
    return Views(found.chain, number[found.frame], rows, found.pose, miss, shape.is_line)


def _smoothed(
    camera: CameraTracks, is_open: NDArray[np.bool_], time: Array, starts: Ints, rows: Ints
) -> Ints:
    """Return rows (F, M) of all frames, at ``time (F,)``, less what breaks the motion and with what
    it points out.
    """
    has_view = (rows >= 0).any(axis=1)
    views, rows, seen = rows, rows.copy(), time[has_view]
    named, sigma, curl = checked(seen, camera.xy_px, rows[has_view])
    rows[has_view] = named
    if not np.isfinite(sigma):
        return rows
    rows[has_view] = ends_checked(seen, camera.xy_px, named, sigma)
    is_free = is_open.copy()
    is_free[rows[rows >= 0]] = False
    sigma = max(sigma, LEAST_SIGMA_PX)
    rows = completed(time, starts, camera.xy_px, is_free, rows, sigma, curl)
    # Where a whole wand breaks the motion it is the frame that is off: the other cameras tell that,
    # if it has names.
    is_off = is_whole((views >= 0).sum(axis=1), views.shape[1]) & (rows < 0).all(axis=1)
    rows = np.where(is_off[:, None], views, rows)
    return _with_repeated(camera, is_open, starts, rows, SIGMAS * np.sqrt(2.0) * sigma)


def _with_repeated(
    camera: CameraTracks, is_open: NDArray[np.bool_], starts: Ints, rows: Ints, limit_px: float
) -> Ints:
    """Return rows (F, M) with the wands named that stand where they did a frame before, in frames
    that showed none: a frame that is sent twice breaks the motion, and no search follows it.
    """
    at = 1 + np.flatnonzero(
        (np.diff(camera.frame[starts[:-1]]) == 1)
        & is_whole((rows[:-1] >= 0).sum(axis=1), rows.shape[1])
        & (rows[1:] < 0).all(axis=1)
    )
    found = np.full((len(at), rows.shape[1]), -1)
    for m in range(rows.shape[1]):
        was = rows[at - 1, m]
        k = np.flatnonzero(was >= 0)
        place, limit = camera.xy_px[was[k]], np.full(len(k), limit_px)
        found[k, m] = lone_points(starts, camera.xy_px, is_open, at[k], place, limit, 2.0)
    rows = rows.copy()
    rows[at] = np.where(((found >= 0) == (rows[at - 1] >= 0)).all(axis=1)[:, None], found, -1)
    return rows
