"""Wands found in one frame alone: where a search starts to follow one.

Lines: with the ends' depths Z0 and Z1 and kappa = Z1 / Z0, the marker a share w of the way along
the wand is seen a share ``w kappa / (1 - w + w kappa)`` of the way along its image. Planar and
spatial wands: three points give two poses in weak perspective. Source: Huttenlocher & Ullman,
Recognizing solid objects by alignment with an image, International Journal of Computer Vision 5(2),
1990, section 2.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from calib.core.compiled import compiled
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.naming.chains.records import Limits, Seeds, Shape
from calib.naming.chains.rigid import fit_pose, packed, project_wand

FARTHEST_SPANS = 60.0  # at 60 times its length a wand's image is some 20 px long


class Stretch(NamedTuple):
    """The line from one point to another: its start, direction and length, and how far off it a
    point counts.
    """

    x: float
    y: float
    ux: float
    uy: float
    length: float
    slack: float


@compiled
def line_seeds(xy: Array, shape: Shape, limits: Limits, seeds: Seeds) -> int:
    """Write the sets of a frame's points ``xy (n, 2)`` that may be a line wand; return how many."""
    order, second, n_found = shape.order, shape.share[1], 0
    rows = np.empty(len(order), np.int64)
    longest = 1.2 * (shape.kappa_max - 1.0)
    for i in range(len(xy)):
        x, y = xy[i, 0], xy[i, 1]
        for j in range(len(xy)):
            dx, dy = xy[j, 0] - x, xy[j, 1] - y
            length = math.sqrt(dx * dx + dy * dy)
            if i == j or length > longest or length < 0.1 / FARTHEST_SPANS:
                continue
            ux, uy = dx / length, dy / length
            slack = limits.tolerance + limits.bend * length * length * abs(x * uy - y * ux)
            line = Stretch(x, y, ux, uy, length, slack)
            for k in range(len(xy)):
                px, py = xy[k, 0] - x, xy[k, 1] - y
                way = px * ux + py * uy
                if way <= 0.0 or way >= length or abs(px * uy - py * ux) > slack or k in (i, j):
                    continue
                kappa = depth_ratio(way / length, second, line, shape)
                if kappa == 0.0:
                    continue
                rows[order[0]], rows[order[1]], rows[order[-1]] = i, k, j
                if add_inner(xy, line, kappa, shape, rows) and n_found < len(seeds.rows):
                    seeds.rows[n_found] = rows
                    R, t = line_pose(line, kappa, shape)
                    packed(R, t, seeds.pose[n_found])
                    n_found += 1
    return n_found


@compiled
def depth_ratio(along: float, w: float, line: Stretch, shape: Shape) -> float:
    """Return the ratio of the ends' depths at which a marker at share w of the wand is seen at a
    share of the line, 0 for none.
    """
    kappa = along * (1.0 - w) / (w * (1.0 - along))
    if kappa > shape.kappa_max or kappa < 1.0 / shape.kappa_max:
        return 0.0
    near = min(kappa, 1.0) * start_depth(line, kappa, shape)
    nearest = 0.7 * shape.span_mm / (shape.kappa_max - 1.0)
    return kappa if nearest <= near <= FARTHEST_SPANS * shape.span_mm else 0.0


@compiled
def start_depth(line: Stretch, kappa: float, shape: Shape) -> float:
    """Return the depth in mm of the wand's start, from the ratio of its end's to it."""
    ex = kappa * (line.x + line.length * line.ux) - line.x
    ey = kappa * (line.y + line.length * line.uy) - line.y
    return shape.span_mm / math.sqrt(ex * ex + ey * ey + (kappa - 1.0) ** 2)


@compiled
def add_inner(xy: Array, line: Stretch, kappa: float, shape: Shape, rows: Ints) -> bool:
    """Add the points nearest to where the third marker and those after it are seen; False where
    one has none near.
    """
    share, order = shape.share, shape.order
    first, second, last = rows[order[0]], rows[order[1]], rows[order[-1]]
    for m in range(2, len(order) - 1):
        place = line.length * share[m] * kappa / (1.0 - share[m] + share[m] * kappa)
        x, y = line.x + place * line.ux, line.y + place * line.uy
        best, at = 2.0 * line.slack + 0.02 * line.length, -1
        for q in range(len(xy)):
            gap = math.hypot(xy[q, 0] - x, xy[q, 1] - y)
            if gap < best and q not in (first, second, last):
                best, at = gap, q
        if at < 0:
            return False
        rows[order[m]] = at
    return True


@compiled
def line_pose(line: Stretch, kappa: float, shape: Shape) -> tuple[Array, Array]:
    """Return the pose (R, t) of a line wand whose image is the stretch."""
    a, b = shape.points_mm[shape.order[0], 0], shape.points_mm[shape.order[-1], 0]
    ex = kappa * (line.x + line.length * line.ux) - line.x
    ey = kappa * (line.y + line.length * line.uy) - line.y
    axis = np.array([ex, ey, kappa - 1.0])
    axis *= math.copysign(1.0, b - a) / math.sqrt((axis * axis).sum())
    other = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.8 else np.array([0.0, 1.0, 0.0])
    y = np.cross(other, axis)
    y /= math.sqrt((y * y).sum())
    R = np.empty((3, 3))
    R[:, 0], R[:, 1], R[:, 2] = axis, y, np.cross(axis, y)
    return R, start_depth(line, kappa, shape) * np.array([line.x, line.y, 1.0]) - a * axis


class Triangle(NamedTuple):
    """A wand in axes (rows, 3 by 3) of the triangle of three of its markers: they lie at (0, 0),
    (p, 0) and (q, r) of ``points (M, 3)``.
    """

    p: float
    q: float
    r: float
    axes: Array
    points: Array


@compiled
def triangle(points_mm: Array, base: Ints) -> Triangle:
    """Return the wand in the axes of the triangle ``base (3,)``."""
    a, b = points_mm[base[1]] - points_mm[base[0]], points_mm[base[2]] - points_mm[base[0]]
    axes = np.empty((3, 3))
    p = math.sqrt((a * a).sum())
    axes[0] = a / p
    q = (b * axes[0]).sum()
    across = b - q * axes[0]
    r = math.sqrt((across * across).sum())
    axes[1] = across / r
    axes[2] = np.cross(axes[0], axes[1])
    return Triangle(p, q, r, axes, (points_mm - points_mm[base[0]]) @ axes.T)


@compiled
def rigid_seeds(xy: Array, shape: Shape, base: Ints, limits: Limits, seeds: Seeds) -> int:
    """Write the sets of a frame's points ``xy (n, 2)`` that may be a planar or spatial wand; return
    how many.

    ``base (3,)`` are the markers that are tried on every three points. A set counts with
    ``n_seed`` markers or more within the limits of the pose that fits them.
    """
    wand, n_found = triangle(shape.points_mm, base), 0
    p, q, r, points = wand.p, wand.q, wand.r, wand.points
    longest = 1.3 * shape.span_mm / shape.nearest_mm
    least, most = 1.0 / (FARTHEST_SPANS * shape.span_mm), 1.0 / shape.nearest_mm
    rows, basis = np.empty(len(points), np.int64), np.empty((3, 3))
    first, second, third = base
    for i in range(len(xy)):
        for j in range(len(xy)):
            bx, by = xy[j, 0] - xy[i, 0], xy[j, 1] - xy[i, 1]
            if i == j or max(abs(bx), abs(by)) > longest:
                continue
            l11, l21 = bx / p, by / p
            for k in range(len(xy)):
                cx, cy = xy[k, 0] - xy[i, 0], xy[k, 1] - xy[i, 1]
                if k in (i, j) or max(abs(cx), abs(cy)) > longest:
                    continue
                # The scale, before the first call: most threes fail at it.
                l12, l22 = (cx - q * l11) / r, (cy - q * l21) / r
                h = l11 * l12 + l21 * l22
                g = l12 * l12 + l22 * l22 - l11 * l11 - l21 * l21
                c1 = math.sqrt(max(0.0, 0.5 * (g + math.sqrt(g * g + 4.0 * h * h))))
                scale = math.sqrt(l11 * l11 + l21 * l21 + c1 * c1)
                if not least <= scale <= most:
                    continue
                c2 = -h / c1 if c1 > 1e-12 else math.sqrt(max(0.0, -g))
                # Weak perspective, and a lens that bends.
                close = 0.1 * scale * shape.span_mm + limits.tolerance
                for side in (1.0, -1.0):
                    z1, z2 = side * c1, side * c2
                    l13, l23 = (l21 * z2 - z1 * l22) / scale, (z1 * l12 - l11 * z2) / scale
                    rows[:] = -1
                    rows[first], rows[second], rows[third] = i, j, k
                    n_left = len(rows)
                    for m in range(len(rows)):
                        if rows[m] < 0 and n_left >= shape.n_seed:
                            a, b, c = points[m, 0], points[m, 1], points[m, 2]
                            x = xy[i, 0] + l11 * a + l12 * b + l13 * c
                            y = xy[i, 1] + l21 * a + l22 * b + l23 * c
                            rows[m] = nearest(xy, x, y, close, rows)
                            n_left -= rows[m] < 0
                    if n_left >= shape.n_seed:
                        basis[0, 0], basis[1, 0], basis[2, 0] = l11, l21, z1
                        basis[0, 1], basis[1, 1], basis[2, 1] = l12, l22, z2
                        basis[0, 2], basis[1, 2] = l13, l23
                        basis[2, 2] = (l11 * l22 - l12 * l21) / scale
                        R = (basis / scale) @ wand.axes
                        # The place of the base's first marker at the depth of the scale.
                        t = np.array([xy[i, 0], xy[i, 1], 1.0]) / scale
                        t -= R @ shape.points_mm[first]
                        n_found = kept(xy, R, t, rows, shape, limits, seeds, n_found)
    return n_found


@compiled
def nearest(xy: Array, x: float, y: float, radius: float, rows: Ints) -> int:
    """Return the point nearest to (x, y) within the radius that ``rows`` does not hold yet,
    or -1.
    """
    best, at = radius * radius, -1
    for q in range(len(xy)):
        dx, dy = xy[q, 0] - x, xy[q, 1] - y
        d = dx * dx + dy * dy
        if d < best:
            is_free = True
            for m in range(len(rows)):
                is_free = is_free and rows[m] != q
            if is_free:
                best, at = d, q
    return at


@compiled
def kept(
    xy: Array,
    R: Array,
    t: Array,
    rows: Ints,
    shape: Shape,
    limits: Limits,
    seeds: Seeds,
    n_found: int,
) -> int:
    """Write a set of points that fit the wand, started from R and t, among the ``n_found`` seeds;
    return how many there are then.

    Of sets that share most of their points the one stays that fits best.
    """
    ok, R, t = fit_pose(R, t, shape.points_mm, xy, rows, limits.tolerance, 1.0, 1e4)
    if not ok:
        return n_found
    ok, R, t = fit_pose(R, t, shape.points_mm, xy, rows, limits.tolerance, 1.0, 1e4)
    if not ok or t[2] < shape.nearest_mm:
        return n_found
    rms = miss(xy, R, t, rows, shape, limits.tolerance + limits.relative * shape.span_mm / t[2])
    place = n_found if rms < np.inf else -1
    for s in range(n_found):
        if is_alike(rows, seeds.rows[s]):
            place = s if rms < seeds.rms[s] else -1
            break
    if place < 0 or place >= len(seeds.rows):
        return n_found
    seeds.rows[place], seeds.rms[place] = rows, rms
    packed(R, t, seeds.pose[place])
    return max(n_found, place + 1)


@compiled
def miss(xy: Array, R: Array, t: Array, rows: Ints, shape: Shape, limit: float) -> float:
    """Return the root mean square distance of points from the wand at R and t, infinite where one
    is beyond the limit.
    """
    place = np.empty((len(rows), 2))
    if not project_wand(R, t, shape.points_mm, place):
        return np.inf
    total, n = 0.0, 0
    for m in range(len(rows)):
        if rows[m] >= 0:
            gap = math.hypot(xy[rows[m], 0] - place[m, 0], xy[rows[m], 1] - place[m, 1])
            if gap > limit:
                return np.inf
            total += gap * gap
            n += 1
    return math.sqrt(total / n)


@compiled
def is_alike(rows: Ints, others: Ints) -> bool:
    """Say whether a set of points shares more than half of them with another."""
    n_points = n_shared = 0
    for m in range(len(rows)):
        n_points += rows[m] >= 0
        for o in range(len(others)):
            n_shared += rows[m] >= 0 and others[o] == rows[m]
    return 2 * n_shared > n_points
