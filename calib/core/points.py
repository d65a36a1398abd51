"""Markers in space: what a reconstruction finds and a points file holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import Ints
from calib.core.geometry import Array, read_only

UPPER = np.triu_indices(3)  # xx, xy, xz, yy, yz, zz of a covariance


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """N markers in space, by frame, then marker.

    Parameters
    ----------
    frame, marker : (N,) array
        As the tracks number them.
    points_mm : (N, 3) array
        Places in the rig's world.
    covariance_mm2 : (N, 3, 3) array
        Of the centroids' noise and the rig's errors together.
    rms_px : (N,) array
        RMS of the residuals.
    rms_mm : (N,) array
        RMS of the rays' distances; NaN where a file does not say.
    n_cameras : (N,) array
        How many place each.
    n_open : int
        More that were seen, but no two cameras agree on them.
    frame_rate_hz : float, optional
        The capture's.
    provenance : mapping
        Where a file comes from.
    """

    frame: Ints
    marker: NDArray[np.int64]
    points_mm: Array
    covariance_mm2: Array
    rms_px: Array
    rms_mm: Array
    n_cameras: NDArray[np.int64]
    n_open: int
    frame_rate_hz: float | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "provenance", read_only(self.provenance))

    def __repr__(self) -> str:
        return f"<Points: {len(self.frame)} in {len(np.unique(self.frame))} frames>"
