"""Wands whose markers cannot be told apart in one camera's image, and how near a line wand may
come.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.core.frames import Ints
from calib.core.geometry import Array, rigid_fit
from calib.core.wand import Wand
from calib.errors import InputError

# Of the wand's span: markers that trade places within this look the same through a lens known only
# roughly.
ALIKE = 0.03
KAPPA_MAX = 1.5  # depths of the ends: a wand no nearer than twice its length
KAPPA_LEAST = 1.1  # with less, a wand would have to be ten times its length away to be read safely
_REMEDY = "Use a wand with markers at unequal distances, or tracks with named markers."


def require_readable(wand: Wand) -> float:
    """Return the largest ratio of the ends' depths at which a line wand is read safely (1.5 for
    others).

    Raises InputError, with the reason, for a wand whose markers a single image cannot tell apart.
    """
    n, kind = len(wand.markers), max(wand.dimension, 1)
    least = {1: 3, 2: 4, 3: 5}[kind]
    if n < least:
        what = {1: "on a line", 2: "in a plane", 3: "in space"}[kind]
        reason = {
            1: "two points look the same end for end"
            if n == 2
            else "one point looks like any other",
            2: "any three points are an image of any triangle",
            3: "four points fit in any order when the lens is not yet known",
        }[kind]
        raise _refusal(wand, f"{least} markers or more {what}", f"{n}: {reason}")
    if kind == 1:
        kappa = _safe_kappa(line_shares(wand)[0])
        if kappa < KAPPA_LEAST:
            raise _refusal(
                wand,
                "markers spaced unequally from end to end",
                "a line that looks the same end for end",
            )
        return kappa
    swap = _alike(wand, is_flat=kind == 2)
    if swap is not None:
        pairs = ", ".join(
            f"{wand.markers[i]} for {wand.markers[k]}" for i, k in enumerate(swap) if i != k
        )
        raise _refusal(
            wand,
            "a wand that looks different from every side",
            f"one that looks the same with {pairs}",
        )
    return KAPPA_MAX


def line_shares(wand: Wand) -> tuple[Array, Ints]:
    """Return the places (M,) of a line wand's markers from 0 to 1, increasing, and the markers in
    that order (M,).
    """
    along = line_coordinates(wand)
    order = np.argsort(along)
    share = (along[order] - along[order[0]]) / np.ptp(along)
    return share, order.astype(np.int64)


def line_coordinates(wand: Wand) -> Array:
    """Return where the markers (M,) lie along a line wand in mm, from their middle."""
    centred = wand.points_mm - wand.points_mm.mean(axis=0)
    return np.asarray(centred @ np.linalg.svd(centred)[2][0])


def _safe_kappa(share: Array) -> float:
    """Return the depth ratio up to which no view of the line is also a view of the line turned end
    for end.

    A view from end depths of ratio k puts share w at ``w k / (1 - w + w k)``, a projective map of
    the line that keeps its ends; two such maps follow each other by the product of their k. So if a
    map with k turns the reversed wand into the wand, views within the root of k are safe. Source:
    the projective line, Hartley & Zisserman, Multiple View Geometry, 2nd edition 2004, section 2.5.
    """
    step = np.linspace(0.0, 2.0 * np.log(KAPPA_MAX), 400)
    for k in np.exp(step):
        for kappa in (k, 1.0 / k):
            view = share * kappa / (1.0 - share + share * kappa)
            if np.abs(view - (1.0 - share[::-1])).max() < 0.3 * ALIKE:
                return float(np.sqrt(k))
    return KAPPA_MAX


def _alike(wand: Wand, *, is_flat: bool) -> tuple[int, ...] | None:
    """Return an exchange of markers that leaves the wand as it looks, None without one.

    In weak perspective a plane's image is any affine map of it, so that an affine map counts; in
    space a rigid motion or its mirror image, which only perspective tells from one another.
    """
    points, n = wand.points_mm - wand.points_mm.mean(axis=0), len(wand.markers)
    limit = ALIKE * wand.span_mm
    if is_flat:
        flat = np.column_stack([points @ np.linalg.svd(points)[2][:2].T, np.ones(n)])
        onto = flat @ np.linalg.pinv(flat)
        for swap in _orders(wand.lengths_mm, np.inf):
            target = points[list(swap)]
            if np.abs(onto @ target - target).max() < limit and _is_regular(flat, target):
                return swap
        return None
    for swap in _orders(wand.lengths_mm, 2.0 * limit):
        for side in (1.0, -1.0):
            target = side * points[list(swap)]
            _, R, t = rigid_fit(points, target)
            if np.linalg.norm(points @ R.T + t - target, axis=1).max() < limit:
                return swap
    return None


def _is_regular(flat: Array, target: Array) -> bool:
    """Say whether an affine map is one that a view can make: no stretch beyond a tilt of 60 degrees
    either way.
    """
    stretch = np.linalg.svd(np.linalg.lstsq(flat, target, rcond=None)[0][:2], compute_uv=False)
    return bool(stretch[1] > 0.5 * stretch[0])


def _orders(lengths: Array, slack: float) -> Iterator[tuple[int, ...]]:
    """Yield orders of markers but the given one, that keep all distances ``lengths (n, n)`` within
    slack.
    """
    n = len(lengths)

    def extend(head: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        m = len(head)
        if m == n:
            yield head
            return
        for k in range(n):
            if k in head:
                continue
            if all(abs(lengths[i, m] - lengths[head[i], k]) < slack for i in range(m)):
                yield from extend((*head, k))

    return (order for order in extend(()) if order != tuple(range(n)))


def _refusal(wand: Wand, expected: str, found: str) -> InputError:
    return InputError(f"wand {wand.name}", expected=expected, found=found, remedy=_REMEDY)
