"""What the compiled search goes through: named tuples of arrays, as Numba takes them.

Points lie on the plane z = 1, and rows of points count from the first of their own frame.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np

from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.wand import Wand
from calib.naming.ambiguity import line_coordinates, line_shares, require_readable

NEAREST_SPANS = 2.0  # of the wand's length: nearer, it does not fit into the picture


class Points(NamedTuple):
    """One camera's points: of frame f, which has number ``frame[f]``, those from ``starts[f]`` to
    ``starts[f + 1]`` of ``xy (n, 2)``. A frame lasts ``frame_s``.
    """

    starts: Ints
    frame: Ints
    xy: Array
    frame_s: float


class Shape(NamedTuple):
    """The wand: its markers (M, 3) about their middle, a line's along x, and what may be seen.

    As it turns about its middle it fills ``width_mm``. A line's markers lie at ``share (M,)`` of
    its length, increasing in ``order (M,)``; the ratio of its ends' depths is ``kappa_max`` at
    most. Of others the triples ``bases (2, 3)`` are tried. A view counts with ``n_least`` markers
    and starts with ``n_seed``.
    """

    points_mm: Array
    span_mm: float
    width_mm: float
    nearest_mm: float
    is_line: bool
    share: Array
    order: Ints
    kappa_max: float
    bases: Ints
    n_least: int
    n_seed: int


class Limits(NamedTuple):
    """How far points may lie off the wand as fitted: tolerance + relative L, L being the size of
    its image, and for lines seen at r from the axis bend L² r more. ``noise`` is a coordinate's.
    """

    noise: float
    tolerance: float
    relative: float
    bend: float


class Seeds(NamedTuple):
    """Wands that one frame may show: rows by marker (k, M), -1 for none, poses (k, 12) and misses
    (k,).
    """

    rows: Ints
    pose: Array
    rms: Array


class Run(NamedTuple):
    """Views that follow each other: frame indices (k,), rows by marker (k, M) and poses (k, 12)."""

    frame: Ints
    rows: Ints
    pose: Array


class Chains(NamedTuple):
    """All views found so far: the number of their chain (k,) and what a ``Run`` holds of them.

    A frame's last view is ``newest (F,)``, the one before a view in its frame ``older (k,)``; -1
    for none.
    """

    chain: Ints
    frame: Ints
    rows: Ints
    pose: Array
    older: Ints
    newest: Ints


def shape_of(wand: Wand) -> Shape:
    """Return the wand as the search takes it; InputError for one that a single image cannot
    tell.
    """
    kappa_max, n = require_readable(wand), len(wand.markers)
    is_line = wand.dimension == 1
    if is_line:
        points = np.column_stack([line_coordinates(wand), np.zeros((n, 2))])
        share, order = line_shares(wand)
    else:
        points = wand.points_mm - wand.points_mm.mean(axis=0)
        share, order = np.zeros(n), np.arange(n)
    return Shape(
        points_mm=np.ascontiguousarray(points),
        span_mm=float(wand.span_mm),
        width_mm=float(2.0 * np.linalg.norm(points, axis=1).max()),
        nearest_mm=float(NEAREST_SPANS * wand.span_mm),
        is_line=is_line,
        share=share,
        order=order,
        kappa_max=float(kappa_max),
        bases=_widest(points),
        n_least=n if is_line else 4,
        n_seed=n if is_line else min(n, 5),
    )


def _widest(shape: Array) -> Ints:
    """Return two triples of markers (2, 3): the largest triangle, and the largest of those that
    share least with it.
    """
    area = {}
    for pick in combinations(range(len(shape)), 3):
        a, b, c = shape[list(pick)]
        area[pick] = float(np.linalg.norm(np.cross(b - a, c - a)))
    first = max(area, key=area.__getitem__)
    second = min(area, key=lambda pick: (len({*pick} & {*first}), -area[pick]))
    return np.array([first, second], np.int64)
