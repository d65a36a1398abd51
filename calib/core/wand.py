"""The wand: rigid markers with known coordinates, and lengths that a certificate states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from calib.core.geometry import Array, frozen
from calib.core.names import check_name
from calib.errors import InputError, require_kinds

# By what lengths differ, as logarithms: those of pairs of cameras whose lenses are known roughly,
# or of a file with markers exchanged (18 captures: 0.05 at most, 0.4 at least). Of more markers
# there are too many orders.
ALIKE, SURELY_OTHER, MOST_ORDERED = 0.1, 0.25, 6
# What to do without a wand.
SINGLE_MARKER = (
    "A single marker that was carried about needs no wand file, but a known distance of two "
    "cameras: calib solve TRACKS --distance CAM,CAM,MM -o RIG"
)
MOST_MM = 1e6  # of a coordinate: no wand is a kilometre long, and squares of larger ones overflow


@dataclass(frozen=True, slots=True)
class CertifiedLength:
    """A certified distance between two markers.

    Parameters
    ----------
    i, j : int
        Indices of the markers.
    length_mm, sigma_mm : float
        The length, and its standard uncertainty.
    """

    i: int
    j: int
    length_mm: float
    sigma_mm: float

    def __post_init__(self) -> None:
        require_kinds(self, "[[certified]]: ")


@dataclass(frozen=True, slots=True, eq=False)
class Wand:
    """A rigid wand of n markers.

    One marker alone is a point that is carried about; it has no length and gives no scale.

    Parameters
    ----------
    name : str
        What it is called.
    markers : tuple of str
        Names; their order numbers them.
    points_mm : (n, 3) array
        Coordinates.
    sigma_mm : float
        Standard uncertainty of each coordinate.
    certified : tuple of CertifiedLength
        Lengths that a certificate states.
    """

    name: str
    markers: tuple[str, ...]
    points_mm: Array
    sigma_mm: float = 0.0
    certified: tuple[CertifiedLength, ...] = ()

    def __post_init__(self) -> None:
        require_kinds(self, "wand: ")
        for name in (self.name, *self.markers):
            check_name(name, "wand: name of it or of a marker")
        points = frozen(self.points_mm)
        n = len(self.markers)
        if n < 1:
            raise InputError("[markers]", expected="a marker or more", found="0")
        if len(set(self.markers)) != n:
            raise InputError("[markers]", expected="each name once", found=", ".join(self.markers))
        if points.shape != (n, 3) or not (np.abs(points) <= MOST_MM).all():
            raise InputError(
                "[markers]",
                expected=f"x, y, z within ± {MOST_MM:g} mm under {n} names",
                found=str(points.tolist()),
            )
        if not (np.isfinite(self.sigma_mm) and self.sigma_mm >= 0):
            raise InputError(
                "sigma",
                expected="a standard uncertainty in mm, 0 or more",
                found=str(self.sigma_mm),
            )
        object.__setattr__(self, "points_mm", points)
        object.__setattr__(self, "markers", tuple(self.markers))
        length = self.lengths_mm
        for i, j in zip(*np.triu_indices(n, 1), strict=True):
            if length[i, j] <= max(3.0 * self.sigma_mm, 1e-9):
                raise InputError(
                    f"[markers] {self.markers[i]} and {self.markers[j]}",
                    expected="markers that lie apart by more than their uncertainty",
                    found=f"{length[i, j]:g} mm between them",
                    remedy="Correct the coordinates.",
                )
        for c in self.certified:
            if not (0 <= c.i < n and 0 <= c.j < n):
                raise InputError(
                    "[[certified]]",
                    expected=f"marker indices 0 to {n - 1}",
                    found=f"{c.i} and {c.j}",
                )
            place = f"[[certified]] {self.markers[c.i]} to {self.markers[c.j]}"
            if not (np.isfinite(c.length_mm) and c.length_mm > 0):
                raise InputError(place, expected="a length above 0 mm", found=f"{c.length_mm:g}")
            if not (np.isfinite(c.sigma_mm) and c.sigma_mm > 0):
                raise InputError(place, expected="a sigma above 0 mm", found=f"{c.sigma_mm:g}")
            # A certificate and a drawing that differ by more than this are not of the same wand.
            if c.i == c.j or abs(c.length_mm - length[c.i, c.j]) > 0.05 * length[c.i, c.j]:
                raise InputError(
                    place,
                    expected=f"within 5 % of the {length[c.i, c.j]:.3f} mm between the coordinates",
                    found=f"{c.length_mm:.3f} mm",
                    remedy="Correct the coordinates or the certificate.",
                )

    @property
    def lengths_mm(self) -> Array:
        """Distances between all markers (n, n) in mm."""
        return np.asarray(np.linalg.norm(self.points_mm[:, None] - self.points_mm[None], axis=-1))

    @property
    def span_mm(self) -> float:
        """The longest distance between two markers in mm."""
        return float(self.lengths_mm.max())

    @property
    def dimension(self) -> int:
        """0 for a single marker, 1 for markers on a line, 2 in a plane, 3 in space.

        A marker counts as on the line (in the plane) while it lies off it by less than three
        standard uncertainties or 0.2 % of the span: such an offset turns no more of an image than
        noise does.
        """
        if len(self.markers) == 1:
            return 0
        centred = self.points_mm - self.points_mm.mean(axis=0)
        _, _, axes = np.linalg.svd(centred)
        offset = np.abs(centred @ axes.T).max(axis=0)
        return max(1, int((offset > max(3.0 * self.sigma_mm, 0.002 * self.span_mm)).sum()))


def exchanged(found_mm: Array, stated_mm: Array) -> tuple[int, ...]:
    """Return the order in which a wand's stated lengths (M, M) are those found, but for their
    scale: that which moves fewest markers; none where they are as stated, or in no order.

    >>> line = np.array([[0.0, 170, 460], [170, 0, 290], [460, 290, 0]])
    >>> exchanged(1.3 * line[[1, 0, 2]][:, [1, 0, 2]], line), exchanged(line, line)
    ((1, 0, 2), ())
    """
    n = len(stated_mm)
    i, j = np.triu_indices(n, 1)
    i, j = np.array([i, j])[:, np.isfinite(found_mm[i, j])]
    if not 3 <= n <= MOST_ORDERED or len(i) < n:
        return ()

    def misfit(order: Sequence[int]) -> float:
        at = np.array(order)
        ratio = np.log(found_mm[i, j] / stated_mm[at[i], at[j]])
        return float(np.abs(ratio - np.median(ratio)).max())

    if misfit(range(n)) < SURELY_OTHER:
        return ()
    alike = [order for order in permutations(range(n)) if misfit(order) < ALIKE]
    return min(alike, key=lambda order: sum(k != at for at, k in enumerate(order)), default=())
