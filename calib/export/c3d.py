"""Points in space as C3D, the open format of the trade for trajectories (c3d.org), by ``ezc3d``.

A C3D file holds places and a residual, no covariance; its mask has room for seven cameras, so it is
left empty. It is made in memory: some twenty bytes a marker and frame.
"""

from __future__ import annotations

import importlib
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from calib.core.points import Points
from calib.errors import InputError

MOST_FRAMES = 65535  # the header counts them in 16 bits, and readers go by it
GAP = -1.0  # the residual of a point that is not there


def require_ezc3d() -> Any:
    """Return the library, or raise InputError that says how to install it."""
    try:
        return importlib.import_module("ezc3d")
    except ImportError:
        raise InputError(
            "C3D",
            expected="the library ezc3d",
            found="not installed",
            remedy='Install it, pip install "calib[c3d]", or choose .csv or .h5.',
        ) from None


def write_c3d(pieces: Sequence[Points], markers: Sequence[str], rate_hz: float, path: Path) -> int:
    """Write all pieces of a capture as one C3D file: places in mm, the residual in mm as the RMS
    distance of a marker's rays. Frames run from the first to the last that shows a marker; beyond
    what the header holds they count from the first on. Returns by how much less they count there.
    """
    ezc3d = require_ezc3d()
    frame = np.concatenate([np.empty(0, np.int64), *(p.frame for p in pieces)])
    if not len(frame):
        raise InputError("C3D", expected="points in space", found="none")
    names = _labels(pieces, markers)
    first, n = int(frame.min()), int(frame.max()) - int(frame.min()) + 1
    if n > MOST_FRAMES:
        raise InputError(
            "C3D",
            expected=f"at most {MOST_FRAMES} frames",
            found=f"{first} to {first + n - 1}",
            remedy="Take part of them with --frames FIRST-LAST, or write .h5 or .csv.",
        )
    data = np.full((4, len(names), n), np.nan)
    data[3] = 1.0
    residual = np.full((1, len(names), n), GAP)
    for p in pieces:
        data[:3, p.marker, p.frame - first] = p.points_mm.T
        residual[0, p.marker, p.frame - first] = p.rms_mm
    c3d = ezc3d.c3d()
    shift = 0 if 0 <= first <= MOST_FRAMES - n else first
    c3d["header"]["points"]["first_frame"] = first - shift
    c3d["parameters"]["POINT"]["RATE"]["value"] = [float(rate_hz)]
    c3d["parameters"]["POINT"]["LABELS"]["value"] = tuple(names)
    c3d["parameters"]["POINT"]["UNITS"]["value"] = ("mm",)
    c3d["data"]["points"] = data
    c3d["data"]["meta_points"]["residuals"] = residual
    c3d["data"]["meta_points"]["camera_masks"] = np.zeros((7, len(names), n), bool)
    named = path.with_name(f"{path.name}.c3d")  # the library writes under no other ending
    try:
        c3d.write(str(named))
        shutil.copyfile(named, path)  # not renamed: the file at ``path`` is locked by its writer
    finally:
        named.unlink(missing_ok=True)
    return shift


def _labels(pieces: Sequence[Points], markers: Sequence[str]) -> list[str]:
    """Return the markers' names where these are the rig's wand's, else their numbers."""
    n = max(int(p.marker.max(initial=-1)) for p in pieces) + 1
    return list(markers[:n]) if n <= len(markers) else [f"m{k}" for k in range(n)]
