"""A bar set down in many places, as the cameras of a rig see it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.core.geometry import Array, Pose
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.simulate.still import still_tracks


def bar_tracks(
    truth: Rig,
    bar_mm: Array,
    poses: Sequence[Pose],
    rng: np.random.Generator,
    *,
    n_frames: int = 1,
    sigma_px: float = 0.12,
    named: bool = True,
) -> Tracks:
    """Return what the cameras see of a bar's markers (n, 3) at rest for some frames in each
    pose.
    """
    points = np.stack([pose.apply(bar_mm) for pose in poses])
    return still_tracks(truth, points, rng, n_frames=n_frames, sigma_px=sigma_px, named=named)
