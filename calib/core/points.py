"""Markers in space: what a reconstruction finds and a points file holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.tracks import Ints

UPPER = np.triu_indices(3)  # xx, xy, xz, yy, yz, zz of a covariance


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Markers in space (N), by frame, then marker: ``points_mm (N, 3)`` in the rig's world,
    ``covariance_mm2 (N, 3, 3)`` of the centroids' noise and the rig's errors together; the RMS of
    the residuals in px and of the rays' distances in mm (N,), NaN where a file does not say;
    ``n_cameras (N,)`` that place each. ``n_open`` more were seen, but no two cameras agree on them.

    A points file states the capture's frame rate and where it comes from besides.
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

    def __repr__(self) -> str:
        return f"<Points: {len(self.frame)} in {len(np.unique(self.frame))} frames>"
