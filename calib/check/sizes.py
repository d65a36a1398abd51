"""What a person can hold against the room: whether a wand's file is in mm no image tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.camera import project
from calib.core.rig import Rig
from calib.core.tracks import Tracks

# Wands and markers of usual rigs, in mm (common practice, no source); of smaller and larger ones
# it is asked whether they are.
USUAL_WAND, USUAL_MARKER = (100.0, 2000.0), (3.0, 60.0)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes in mm: the wand from end to end (0: a single marker), its markers' diameter by the
    blobs' radius (nan where that is not stated), what the cameras span, longest first.
    """

    wand_mm: float
    marker_mm: float
    cameras_mm: tuple[float, ...]

    @property
    def is_usual(self) -> bool:
        """Whether wand and markers are as most are, as far as they are known."""
        known = [(self.wand_mm, USUAL_WAND)] if self.wand_mm else []
        known += [(self.marker_mm, USUAL_MARKER)] if np.isfinite(self.marker_mm) else []
        return all(low <= size <= high for size, (low, high) in known)


NOT_KNOWN = Sizes(0.0, float("nan"), ())


def sizes_of(rig: Rig, tracks: Tracks) -> Sizes:
    """Return the sizes of a rig, its wand and the markers that its cameras saw."""
    return Sizes(float(rig.wand.lengths_mm.max(initial=0.0)), _marker_mm(rig, tracks), _span(rig))


def _marker_mm(rig: Rig, tracks: Tracks) -> float:
    """Return the usual camera's 2 r z / f, with the middle depth of the wave in its view."""
    found = []
    for camera in tracks.cameras:
        named = np.asarray(camera.marker) >= 0
        if camera.radius_px is None or not named.any() or not len(rig.wave_mm):
            continue
        at = rig.camera(camera.name)
        seen = at.cam_from_world.apply(rig.wave_mm)
        seen = seen[seen[:, 2] > 0.0]
        uv = project(at.lens, seen)
        seen = seen[((uv > 0.0) & (uv < [at.width, at.height])).all(axis=1)]
        if len(seen):
            radius = float(np.median(camera.radius_px[named]))
            found.append(2.0 * radius * float(np.median(seen[:, 2])) / at.lens.fx)
    found = [size for size in found if np.isfinite(size)]
    return float(np.median(found)) if found else float("nan")


def _span(rig: Rig) -> tuple[float, ...]:
    """Return the three extents of the cameras' positions in mm along their principal axes."""
    at = np.array([c.position_mm for c in rig.cameras])
    axes = np.linalg.svd(at - at.mean(axis=0), full_matrices=False)[2]
    return tuple(float(v) for v in np.ptp((at - at.mean(axis=0)) @ axes.T, axis=0))
