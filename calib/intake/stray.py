"""Reflections that stay put while the wand moves: found as places of the sensor that show a point
most of the time.
"""

from __future__ import annotations

import numpy as np
import scipy  # its submodule loads when it is first used, which most commands never do

from calib.core.frames import without_gaps
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks

CELL_PX = 4.0  # wider than a reflection's centroid shakes, and small beside what a mask costs
N_STRETCHES = 20
# A hand's wave brings a marker over the same few pixels now and then, not in eight of twenty
# stretches of a capture.
MIN_STRETCHES = 8
# In a shorter capture every stretch is a moment, and a wand at rest looks like a lamp.
MIN_S, MIN_FRAMES = 1.6, 2 * N_STRETCHES
PAUSE_S = 10.0  # a longer time without any point, as between two waves, counts as that
WIDE_PX = 12.0  # a larger patch (a window, a bright rail) is covered by several circles
MARGIN_PX = 1.0


def stray_masks(camera: CameraTracks, rate_hz: float) -> Array:
    """Return circles (k, 3), x, y and radius in px, about the places where points stay put.

    The capture is cut into twenty stretches of time; a cell of the sensor that shows a point in
    eight of them or more is one that no moving wand explains. A wand at rest for less than that is
    no reflection.
    """
    nothing = np.empty((0, 3))
    if camera.n_points == 0:
        return nothing
    time = without_gaps(camera.frame, PAUSE_S * rate_hz)
    span = int(time[-1]) + 1
    if span < max(MIN_FRAMES, MIN_S * rate_hz):
        return nothing
    stretch = time * N_STRETCHES // span
    cell = np.floor((camera.xy_px + 1.0) / CELL_PX).astype(np.int64)
    n_x, n_y = int(camera.width // CELL_PX) + 2, int(camera.height // CELL_PX) + 2
    key = cell[:, 1] * n_x + cell[:, 0]
    seen = np.unique(key * N_STRETCHES + stretch) // N_STRETCHES
    count = np.bincount(seen, minlength=n_x * n_y)
    is_busy = (count >= MIN_STRETCHES).reshape(n_y, n_x)
    if not is_busy.any():
        return nothing
    # Neighbours into which a spot on a cell's border spills belong to it.
    is_near = scipy.ndimage.binary_dilation(is_busy, np.ones((3, 3))) & (
        count >= MIN_STRETCHES // 2
    ).reshape(n_y, n_x)
    label, n_labels = scipy.ndimage.label(is_near | is_busy, np.ones((3, 3)))
    of_point = label.ravel()[key]
    masks = []
    for k in range(1, n_labels + 1):
        mine = of_point == k
        xy = camera.xy_px[mine]
        low, high = xy.min(axis=0), xy.max(axis=0)
        if (high - low).max() <= WIDE_PX:
            centre = np.median(xy, axis=0)
            radius = float(np.percentile(np.linalg.norm(xy - centre, axis=1), 99.0)) + MARGIN_PX
            masks.append([*centre, radius])
        else:
            for c in np.unique(key[mine]):
                middle = (np.array([c % n_x, c // n_x]) + 0.5) * CELL_PX - 1.0
                masks.append([*middle, CELL_PX * np.sqrt(0.5)])
    return np.array(masks)
