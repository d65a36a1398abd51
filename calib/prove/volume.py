"""The volume of a rig: a box of the world, its places on a grid, its cells in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, frozen
from calib.core.names import numbers_in
from calib.core.rig import Rig
from calib.errors import InputError

MOST_PLACES = 400_000  # of a grid: more is a step too small, not a finer figure
THIRDS = ("low", "middle", "high")  # along each axis, where parts of the volume are told apart
INNER = (2.0, 98.0)  # percentiles of places that a box holds, so that a stray point makes no volume


@dataclass(frozen=True, slots=True, eq=False)
class Box:
    """A box along the world's axes.

    Parameters
    ----------
    low_mm, high_mm : (3,) array
        Its corners.
    """

    low_mm: Array
    high_mm: Array

    def __post_init__(self) -> None:
        low, high = frozen(self.low_mm), frozen(self.high_mm)
        if low.shape != (3,) or high.shape != (3,) or not (high > low).all():
            raise InputError(
                "volume",
                expected="x, y and z from low to high, in mm",
                found=f"{low.tolist()} to {high.tolist()}",
            )
        object.__setattr__(self, "low_mm", low)
        object.__setattr__(self, "high_mm", high)

    @property
    def size_mm(self) -> Array:
        return np.asarray(self.high_mm - self.low_mm)

    @property
    def middle_mm(self) -> Array:
        return np.asarray(0.5 * (self.low_mm + self.high_mm))

    def has(self, place_mm: Array) -> bool:
        """Return whether a place (3,) lies in it."""
        return bool(((place_mm >= self.low_mm) & (place_mm <= self.high_mm)).all())

    def holding(self, points_mm: Array) -> NDArray[np.bool_]:
        """Return which points (k, 3) lie in it."""
        is_in = (points_mm >= self.low_mm) & (points_mm <= self.high_mm)
        return np.asarray(is_in.all(axis=1))

    def holds(self, inner: Box) -> bool:
        """Return whether all of another box lies in it."""
        return self.has(inner.low_mm) and self.has(inner.high_mm)

    @classmethod
    def parse(cls, text: str) -> Box:
        """Return the box of "x0,x1,y0,y1,z0,z1" in mm.

        >>> Box.parse("-1000,1000,-500,500,0,2000").size_mm
        array([2000., 1000., 2000.])
        """
        numbers = np.array(numbers_in(text))
        if numbers.shape != (6,) or not np.isfinite(numbers).all():
            raise InputError(
                "--volume", expected="six numbers in mm: x0,x1,y0,y1,z0,z1", found=repr(text)
            )
        return cls(numbers[::2], numbers[1::2])

    def grid(self, step_mm: Array | float, *, to_faces: bool = False) -> Array:
        """Return the places (n, 3) of a grid: the middles of cells of about this step each way, or
        their corners, out to the box's faces.
        """
        if not np.isfinite(step_mm).all() or (np.asarray(step_mm) <= 0).any():
            raise InputError("--step", expected="a step above 0 mm", found=str(step_mm))
        counts = np.maximum(np.rint(self.size_mm / step_mm), 1).astype(int) + to_faces
        if counts.prod(dtype=float) > MOST_PLACES:
            raise InputError(
                "--step",
                expected=f"at most {MOST_PLACES} places",
                found=f"{counts.prod(dtype=float):.0f}",
                remedy="Take a wider step.",
            )
        ends = zip(self.low_mm, self.high_mm, counts, strict=True)
        if to_faces:
            return grid_of([np.linspace(low, high, n) for low, high, n in ends])
        return grid_of([low + (np.arange(n) + 0.5) * (high - low) / n for low, high, n in ends])

    def cells(self, points_mm: Array) -> NDArray[np.intp]:
        """Return in which third along each axis points (k, 3) lie, outside ones in the next."""
        share = (points_mm - self.low_mm) / self.size_mm
        return np.asarray(np.clip((share * len(THIRDS)).astype(int), 0, len(THIRDS) - 1), np.intp)

    def missed(self, points_mm: Array) -> tuple[str, ...]:
        """Return the names of the cells, a third along each axis, that no point (k, 3) lies in."""
        visited = {tuple(c) for c in self.cells(points_mm[self.holding(points_mm)]).tolist()}
        return tuple(
            ", ".join(f"{THIRDS[k]} {axis}" for axis, k in zip("xyz", cell, strict=True))
            for cell in product(range(len(THIRDS)), repeat=3)
            if cell not in visited
        )


def grid_of(axes: Sequence[Array]) -> Array:
    """Return the places (n, 3) of all coordinates along x with all along y and z."""
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def visited_box(points_mm: Array) -> Box:
    """Return the box that holds all but the outermost of the places (n, 3) along each axis."""
    low, high = np.percentile(points_mm, INNER, axis=0)
    return Box(low - 1.0, high + 1.0)


def wave_box(rig: Rig) -> Box | None:
    """Return the box of where the wand went that the rig was solved from, None where it is not
    known.
    """
    return visited_box(rig.wave_mm) if len(rig.wave_mm) else None


def seen_box(rig: Rig, range_mm: float = np.inf) -> Box:
    """Return the box of what three cameras see, two where there are no more: sampled along their
    rays, as far as the rig is wide.
    """
    position = np.stack([c.position_mm for c in rig.cameras])
    width = float(np.linalg.norm(position - position.mean(axis=0), axis=1).max())
    depth = np.linspace(0.1, 1.0, 10) * min(2.0 * width, range_mm)
    samples = []
    for camera in rig.cameras:
        u, v = np.meshgrid(np.linspace(-0.4, 0.4, 5), np.linspace(-0.4, 0.4, 5))
        plane = np.stack(
            [u * camera.width / camera.lens.fx, v * camera.height / camera.lens.fy], -1
        )
        ray = (
            np.concatenate([plane, np.ones((5, 5, 1))], -1).reshape(-1, 3) @ camera.cam_from_world.R
        )
        samples.append((depth[:, None, None] * ray + camera.position_mm).reshape(-1, 3))
    points = np.concatenate(samples)
    n_seen = sum(c.image_of(points, range_mm)[1].astype(int) for c in rig.cameras)
    kept = points[n_seen >= min(3, len(rig.cameras))]
    return visited_box(kept if len(kept) else points)
