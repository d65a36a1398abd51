"""Wands found in one frame alone: where a search starts to follow one.

Lines: with the ends' depths Z0 and Z1 and kappa = Z1 / Z0, the marker a share w of the way along
the wand is seen a share ``w kappa / (1 - w + w kappa)`` of the way along its image. Planar and
spatial wands: three points give two poses in weak perspective. Source: Huttenlocher & Ullman,
Recognizing solid objects by alignment with an image, International Journal of Computer Vision 5(2),
1990, section 2.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.tracks import Ints
from calib.naming.rigid import fit_pose, project_wand

FARTHEST_SPANS = 60.0  # at 60 times its length a wand's image is some 20 px long


@compiled
def line_seeds(
    xy: Array, first: int, last: int, share: Array, order: Ints, span: float, kappa_max: float,
    tolerance: float,
    bend: float, found: Ints, kappa_found: Array,
) -> int:  # fmt: skip
    """Write the n-tuples of points ``first`` to ``last`` that may be a line wand; return how many
    there are.

    ``share (M,)`` are the markers' places along the wand from 0 to 1 in increasing order, ``order``
    their indices. ``found (k, M)`` takes rows by marker, ``kappa_found (k,)`` the ratio of the
    ends' depths. ``tolerance`` is on the plane z = 1; a lens may bend a line of length L by
    ``bend`` L² r beyond it, at r from the axis.
    """
    n_markers, n_found = share.shape[0], 0
    rows = np.empty(n_markers, np.int64)
    longest = span / (span / (kappa_max - 1.0)) * 1.2
    for i in range(first, last):
        for j in range(first, last):
            dx, dy = xy[j, 0] - xy[i, 0], xy[j, 1] - xy[i, 1]
            length = math.sqrt(dx * dx + dy * dy)
            if i == j or length > longest or length < 1.0 / FARTHEST_SPANS / 10.0:
                continue
            ux, uy = dx / length, dy / length
            off = abs(xy[i, 0] * uy - xy[i, 1] * ux)
            slack = tolerance + bend * length * length * off
            w = share[1]
            for k in range(first, last):
                if k in (i, j):
                    continue
                px, py = xy[k, 0] - xy[i, 0], xy[k, 1] - xy[i, 1]
                along = (px * ux + py * uy) / length
                if along <= 0.0 or along >= 1.0 or abs(px * uy - py * ux) > slack:
                    continue
                kappa = along * (1.0 - w) / (w * (1.0 - along))
                if kappa > kappa_max or kappa < 1.0 / kappa_max:
                    continue
                ex = kappa * xy[j, 0] - xy[i, 0]
                ey = kappa * xy[j, 1] - xy[i, 1]
                near = span / math.sqrt(ex * ex + ey * ey + (kappa - 1.0) ** 2) * min(kappa, 1.0)
                if near < span / (kappa_max - 1.0) * 0.7 or near > FARTHEST_SPANS * span:
                    continue
                rows[order[0]], rows[order[1]], rows[order[n_markers - 1]] = i, k, j
                is_whole = True
                for m in range(2, n_markers - 1):
                    place = length * share[m] * kappa / (1.0 - share[m] + share[m] * kappa)
                    best, at = 2.0 * slack + 0.02 * length, -1
                    for q in range(first, last):
                        if q in (i, j, k):
                            continue
                        gap = math.hypot(
                            xy[q, 0] - xy[i, 0] - place * ux, xy[q, 1] - xy[i, 1] - place * uy
                        )
                        if gap < best:
                            best, at = gap, q
                    rows[order[m]] = at
                    is_whole = is_whole and at >= 0
                if is_whole and n_found < found.shape[0]:
                    found[n_found] = rows
                    kappa_found[n_found] = kappa
                    n_found += 1
    return n_found


@compiled
def line_pose(
    xy: Array, i: int, j: int, kappa: float, shape: Array, a: int, b: int
) -> tuple[Array, Array]:
    """Return the pose (R, t) of a line wand along the x axis of ``shape`` whose ends a and b are
    the points i and j.
    """
    ex, ey, ez = kappa * xy[j, 0] - xy[i, 0], kappa * xy[j, 1] - xy[i, 1], kappa - 1.0
    size = math.sqrt(ex * ex + ey * ey + ez * ez)
    depth = abs(shape[b, 0] - shape[a, 0]) / size
    axis = np.array([ex, ey, ez]) / size
    if shape[b, 0] < shape[a, 0]:
        axis = -axis
    other = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.8 else np.array([0.0, 1.0, 0.0])
    y = np.cross(other, axis)
    y /= math.sqrt((y * y).sum())
    z = np.cross(axis, y)
    R = np.empty((3, 3))
    R[:, 0], R[:, 1], R[:, 2] = axis, y, z
    t = depth * np.array([xy[i, 0], xy[i, 1], 1.0]) - shape[a, 0] * axis
    return R, t


@compiled
def nearest(xy: Array, first: int, last: int, x: float, y: float, radius: float, rows: Ints) -> int:
    """Return the row of the point nearest to (x, y) within the radius that ``rows`` does not hold
    yet, or -1.
    """
    best, at = radius * radius, -1
    for q in range(first, last):
        dx, dy = xy[q, 0] - x, xy[q, 1] - y
        d = dx * dx + dy * dy
        if d < best:
            is_free = True
            for m in range(rows.shape[0]):
                is_free = is_free and rows[m] != q
            if is_free:
                best, at = d, q
    return at


@compiled
def rigid_seeds(
    xy: Array, first: int, last: int, shape: Array, base: Ints, span: float, nearest_mm: float,
    tolerance: float,
    relative: float, n_least: int, found: Ints, R_found: Array, t_found: Array, rms_found: Array,
) -> int:  # fmt: skip
    """Write the sets of points that may be a planar or spatial wand, with their poses; return how
    many there are.

    ``base (3,)`` are the markers that are tried on every three points. A set counts with
    ``n_least`` markers or more within tolerance + relative L of the pose that fits them, L being
    the size of the image.
    """
    n_markers, n_found = shape.shape[0], 0
    a, b = shape[base[1]] - shape[base[0]], shape[base[2]] - shape[base[0]]
    p = math.sqrt((a * a).sum())
    e1 = a / p
    q = (b * e1).sum()
    e2 = b - q * e1
    r = math.sqrt((e2 * e2).sum())
    e2 = e2 / r
    e3 = np.cross(e1, e2)
    frame = np.empty((3, 3))
    frame[0], frame[1], frame[2] = e1, e2, e3  # coordinates in the base triangle's frame
    local = (shape - shape[base[0]]) @ frame.T
    longest = 1.3 * span / nearest_mm
    rows, work = np.empty(n_markers, np.int64), np.empty((n_markers, 2))
    basis = np.empty((3, 3))
    for i in range(first, last):
        for j in range(first, last):
            m2x, m2y = xy[j, 0] - xy[i, 0], xy[j, 1] - xy[i, 1]
            if i == j or abs(m2x) > longest or abs(m2y) > longest:
                continue
            l11, l21 = m2x / p, m2y / p
            for k in range(first, last):
                m3x, m3y = xy[k, 0] - xy[i, 0], xy[k, 1] - xy[i, 1]
                if k in (i, j) or abs(m3x) > longest or abs(m3y) > longest:
                    continue
                l12, l22 = (m3x - q * l11) / r, (m3y - q * l21) / r
                h = l11 * l12 + l21 * l22
                g = l12 * l12 + l22 * l22 - l11 * l11 - l21 * l21
                root = math.sqrt(g * g + 4.0 * h * h)
                c1 = math.sqrt(max(0.0, 0.5 * (g + root)))
                c2 = -h / c1 if c1 > 1e-12 else math.sqrt(max(0.0, -g))
                scale = math.sqrt(l11 * l11 + l21 * l21 + c1 * c1)
                if scale * nearest_mm > 1.0 or scale * FARTHEST_SPANS * span < 1.0:
                    continue
                close = 0.1 * scale * span + tolerance  # weak perspective and a lens that bends
                for sign in (1.0, -1.0):
                    s1, s2 = sign * c1, sign * c2
                    # third column of the scaled rotation, first two rows
                    n1, n2 = (l21 * s2 - s1 * l22) / scale, (s1 * l12 - l11 * s2) / scale
                    rows[:] = -1
                    rows[base[0]], rows[base[1]], rows[base[2]] = i, j, k
                    n_match, n_left = 3, n_markers - 3
                    for m in range(n_markers):
                        if rows[m] >= 0:
                            continue
                        n_left -= 1
                        x = xy[i, 0] + l11 * local[m, 0] + l12 * local[m, 1] + n1 * local[m, 2]
                        y = xy[i, 1] + l21 * local[m, 0] + l22 * local[m, 1] + n2 * local[m, 2]
                        rows[m] = nearest(xy, first, last, x, y, close, rows)
                        n_match += rows[m] >= 0
                        if n_match + n_left < n_least:
                            break
                    if n_match < n_least:
                        continue
                    basis[0, 0], basis[1, 0], basis[2, 0] = l11 / scale, l21 / scale, s1 / scale
                    basis[0, 1], basis[1, 1], basis[2, 1] = l12 / scale, l22 / scale, s2 / scale
                    basis[:, 2] = np.cross(basis[:, 0], basis[:, 1])
                    R = basis @ frame
                    # The place of the base's first marker at the depth of the scale.
                    t = np.array([xy[i, 0], xy[i, 1], 1.0]) / scale - R @ shape[base[0]]
                    ok, R, t = fit_pose(R, t, shape, xy, rows, tolerance, 1.0, 1e4)
                    if not ok:
                        continue
                    ok, R, t = fit_pose(R, t, shape, xy, rows, tolerance, 1.0, 1e4)
                    if not ok or t[2] < nearest_mm or not project_wand(R, t, shape, work):
                        continue
                    limit = tolerance + relative * span / t[2]
                    total, n_match = 0.0, 0
                    for m in range(n_markers):
                        if rows[m] < 0:
                            continue
                        gap = math.hypot(xy[rows[m], 0] - work[m, 0], xy[rows[m], 1] - work[m, 1])
                        if gap > limit:
                            n_match = -n_markers
                            break
                        total += gap * gap
                        n_match += 1
                    if n_match < n_least:
                        continue
                    rms = math.sqrt(total / n_match)
                    place = n_found
                    for s in range(n_found):  # one set a group of points: the one that fits best
                        shared = 0
                        for m in range(n_markers):
                            for o in range(n_markers):
                                shared += rows[m] >= 0 and found[s, o] == rows[m]
                        if 2 * shared > n_match:
                            place = s if rms < rms_found[s] else -1
                            break
                    if place < 0 or place >= found.shape[0]:
                        continue
                    found[place] = rows
                    R_found[place], t_found[place], rms_found[place] = R, t, rms
                    n_found = max(n_found, place + 1)
    return n_found
