"""A bar set down in many places, as the cameras of a rig see it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.core.geometry import Array, Pose
from calib.core.rig import Rig
from calib.core.tracks import Tracks, joined
from calib.simulate.still import still_tracks

GAP = 10  # frames from one rest to the next


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
    parts = []
    for k, pose in enumerate(poses):
        points = pose.apply(bar_mm)
        seen = still_tracks(truth, points, rng, n_frames=n_frames, sigma_px=sigma_px, named=named)
        later = (replace(c, frame=c.frame + k * (n_frames + GAP)) for c in seen.cameras)
        parts.append(replace(seen, cameras=tuple(later)))
    return joined(parts)
