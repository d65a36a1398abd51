"""What a lens shows, by textbook formulas: angle of view, size in the image, depth of field.

Sources: Hecht, Optics, 5th edition 2017, section 5.2 (the thin lens); Ray, Applied Photographic
Optics, 3rd edition 2002, chapters 12 (angle of view) and 22 (depth of field; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.compiled import compiled

DARK_PX = 2.0  # a gap as wide holds one whole dark pixel wherever it falls on the grid
# A centroid's noise, where nobody states it: what does not depend on the size (assumed), and the
# image's noise as a share of the marker's brightness with the blur of its edge, px (assumed).
FLOOR_PX, IMAGE_NOISE, EDGE_PX = 0.1, 0.05, 0.7


def angle_of_view_deg(extent_mm: float, focal_mm: float) -> float:
    """Return the angle that a sensor's side or diagonal sees, lens focused far away.

    >>> round(angle_of_view_deg(36.0, 50.0), 1)
    39.6
    """
    return float(np.degrees(2.0 * np.arctan(extent_mm / (2.0 * focal_mm))))


def size_px(size_mm: float, distance_mm: float, focal_mm: float, pitch_mm: float) -> float:
    """Return how large something is in the image at a distance along the optical axis."""
    return size_mm * focal_mm / (distance_mm * pitch_mm)


def merging_mm(gap_mm: float, focal_mm: float, pitch_mm: float) -> float:
    """Return the distance beyond which two markers with a gap between their edges are one blob."""
    return gap_mm * focal_mm / (DARK_PX * pitch_mm)


@dataclass(frozen=True, slots=True)
class Sharp:
    """From where to where an image is sharp, and the hyperfocal distance, in mm from the lens."""

    near_mm: float
    far_mm: float
    hyperfocal_mm: float


def depth_of_field(focal_mm: float, f_number: float, focus_mm: float, circle_mm: float) -> Sharp:
    """Return what a thin lens of focal length f, focused at s, shows with a blur of at most
    ``circle_mm``.

    The blur of a point at x is ``f / (s - f) × f / N × |x - s| / x``. With K = f² / (N c) it is
    sharp from ``s K / (K + s - f)`` to ``s K / (K - s + f)``; from s = K + f on, the hyperfocal
    distance, to infinity.
    """
    K, s = focal_mm**2 / (f_number * circle_mm), focus_mm
    beyond = K - s + focal_mm
    far = s * K / beyond if beyond > 0 else np.inf
    return Sharp(s * K / (K + s - focal_mm), float(far), K + focal_mm)


@compiled
def centroid_noise(diameter_px: float) -> float:
    """Return the noise in px of one coordinate of the centroid of a blob of this diameter.

    The Cramér-Rao bound of a disc of radius r, an edge blurred by a Gaussian of SD e and image
    noise of a share q of its brightness is ``q sqrt(2 e / (sqrt(pi) r))``: the squared slope sums
    to ``sqrt(pi) r / (2 e)`` (Kay, Estimation Theory, 1993, section 3.9, gives the bound for a
    parameter of a signal in white noise). Beside it stands what does not depend on the size.
    """
    radius = max(diameter_px / 2.0, 0.25)
    square = IMAGE_NOISE**2 * 2.0 * EDGE_PX / (np.sqrt(np.pi) * radius)
    return float(np.sqrt(FLOOR_PX**2 + square))
