"""Axes from markers on the floor: a right angle, three named points, a plane, a wand laid down.

Each layout gives a rule from places (N, 3) to ``world_from_rig`` and what it found to hold. The
world is right-handed with z up, and up is where the cameras are that see the markers: the floor
hides itself from below. A layout under which they would lie below the floor is mirrored, or its
legs are swapped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import permutations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, Pose, is_slim, vector_from_rotation
from calib.errors import InputError, UnsolvableError
from calib.prove.rest.still import Still

SQUARE_DEG = 1.0  # a frame of two bars is square to a fraction of this (common practice, no source)
FRAME_FLAT_MM = 3.0  # and its markers are of one height to this (the same)
FLOOR_FLAT_MM = 10.0  # a floor is level to this over some metres (the same)
ON_LEG_DEG = 3.0  # markers of one leg lie this nearly in one direction from the corner
NEARLY_SQUARE_DEG = 20.0  # two directions farther from square are no legs at all
SLIM = 0.05  # of their spread along a line: markers within it leave the floor's tilt open
EQUAL_LEGS = 0.02  # legs whose lengths differ by less cannot be told apart
NOISES = 3.0  # beyond these limits by more than this many standard deviations is a contradiction

Index = NDArray[np.intp]
Rule = Callable[[Array], Pose]


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """A rule from places (N, 3) of the markers ``still`` to world_from_rig, z up; ``numbers`` is
    what was checked, ``origin`` says where the origin lies.
    """

    how: str
    still: Still
    rule: Rule
    origin: str
    numbers: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    scale: float = 1.0  # of the survey against the rig, where it is asked for
    known_sigma_mm: float = 0.0  # of the coordinates that a survey states


def axes_on_plane(points: Array, towards: Array, origin: Array, along: Array) -> Pose:
    """Return world_from_rig with z off the plane of best fit of points (n, 3) on the side of
    ``towards`` (3,), x as ``along`` (3,) lies in the plane, and the origin (3,) at height 0.
    """
    middle = points.mean(axis=0)
    z = np.linalg.svd(points - middle)[2][2]
    z = z if z @ (towards - middle) > 0 else -z
    x = along - z * (z @ along)
    x /= np.linalg.norm(x)
    R = np.stack([x, np.cross(z, x), z])
    return Pose(R, -R @ origin)


def right_angle(
    still: Still, towards: Array, square_deg: float = SQUARE_DEG, flat_mm: float = FRAME_FLAT_MM
) -> Layout:
    """Return the axes of a right angle of three markers or more: the corner is the origin, the long
    leg x, the short one y. Raises UnsolvableError, with the numbers, where it contradicts itself.
    """
    corner, legs = _legs(still)
    lengths = [_reach(still.points_mm, corner, leg) for leg in legs]
    order = np.argsort(lengths)[::-1]
    (long, short), (a, b) = [legs[k] for k in order], [lengths[k] for k in order]
    sigma = _sigma_of(still, lambda p: _reach(p, corner, long))
    if a - b < EQUAL_LEGS * a + NOISES * sigma:
        raise _contradiction(
            "a long leg (x) and a short one (y)",
            f"legs of {a:.1f} and {b:.1f} mm",
            "Lay a frame with unequal legs, or name origin, x and y: --points.",
            still,
        )
    numbers = {"long_mm": a, "short_mm": b}
    return _on_legs(
        "right angle", still, towards, corner, long, short, numbers, square_deg, flat_mm
    )


def three_points(still: Still, towards: Array, markers: Sequence[int]) -> Layout:
    """Return the axes of three named points: the origin, one on x, one on the side of y."""
    at = [_row(still, m) for m in markers]
    if len(set(at)) != 3:
        raise InputError(
            "--points", expected="three different markers", found=", ".join(map(str, markers))
        )
    corner, x, y = (np.array([k]) for k in at)
    angle = _angle_deg(still.points_mm, int(corner[0]), x, y)
    if not 10.0 < angle < 170.0:
        raise _contradiction(
            "three points that span a plane",
            f"an angle of {angle:.2f}° at the first",
            "Take points that do not lie on a line.",
            still,
        )
    legs = np.array([1]), np.array([2])
    return _on_legs("three points", still.chosen(np.array(at)), towards, 0, *legs, {})


def _on_legs(
    how: str,
    still: Still,
    towards: Array,
    corner: int,
    long: Index,
    short: Index,
    numbers: dict[str, float],
    square_deg: float | None = None,
    flat_mm: float = np.inf,
) -> Layout:
    """Return the layout of two legs from a corner, checked for what it claims."""

    def rule(points: Array) -> Pose:
        leg = np.vstack([points[corner][None], points[long]])
        along = np.linalg.svd(leg - leg.mean(axis=0))[2][0]
        along = along if along @ (leg[-1] - leg[0]) > 0 else -along
        return axes_on_plane(points, towards, points[corner], along)

    pose = rule(still.points_mm)
    angle = _angle_deg(still.points_mm, corner, long, short)
    numbers = numbers | {"angle_deg": angle}
    if square_deg is not None:
        sigma = _sigma_of(still, lambda p: _angle_deg(p, corner, long, short))
        numbers["angle_sigma_deg"] = sigma
        if abs(angle - 90.0) > square_deg + NOISES * sigma:
            raise _contradiction(
                f"legs at 90° to within {square_deg:g}°",
                f"{angle:.2f}° (± {sigma:.2f}°)",
                "Straighten the frame, or name three points: --points.",
                still,
            )
    numbers |= _flat(still, pose, flat_mm)
    y = float(pose.apply(still.points_mm[short]).mean(axis=0)[1])
    if y < 0:
        a, b = (_reach(still.points_mm, corner, leg) for leg in (long, short))
        raise _contradiction(
            "y on the left of x, as seen from the cameras' side of the floor",
            f"legs of {a:.1f} mm (x) and {b:.1f} mm (y) with y on the right ({y:.1f} mm): z "
            "would point into the floor",
            "The legs are swapped or the frame is mirrored: turn it over or exchange its legs, or "
            "name origin, x and y in another order: --points.",
            still,
        )
    return Layout(how, still, rule, f"below {still.names()[corner]}", numbers)


def plane(still: Still, towards: Array, along: Array, flat_mm: float = FLOOR_FLAT_MM) -> Layout:
    """Return the axes of a floor of four markers or more: z off it, x as ``along`` (3,) lies in it,
    the origin amid the markers.
    """
    if len(still.points_mm) < 4:
        raise UnsolvableError(
            "floor",
            expected="four markers or more, so that they show whether it is flat",
            found=str(len(still.points_mm)),
            remedy="Lay out more markers, wide apart.",
        )
    if is_slim(still.points_mm, SLIM):
        raise _contradiction(
            "markers that span a plane",
            "markers that lie nearly on a line",
            "Lay some of them to the side, wide apart.",
            still,
        )

    def rule(points: Array) -> Pose:
        return axes_on_plane(points, towards, points.mean(axis=0), along)

    numbers = _flat(still, rule(still.points_mm), flat_mm)
    return Layout("floor plane", still, rule, "amid the markers", numbers)


def wand_laid(still: Still, towards: Array, first: Index, flat_mm: float = FRAME_FLAT_MM) -> Layout:
    """Return the axes of a wand laid on the floor: its first marker is the origin, its line x.

    ``first`` are the rows of the first place it lay in; a wand whose markers lie on a line must lie
    in a second place across the first, as a line does not show which way is up.
    """
    if len(still.points_mm) < 3 or is_slim(still.points_mm, SLIM):
        raise _contradiction(
            "places that span the floor",
            "markers on one line, which leaves the floor's tilt open",
            "Lay the wand down in a second place, across the first, in the same capture.",
            still,
        )
    near, far = int(first[0]), int(first[-1])

    def rule(points: Array) -> Pose:
        return axes_on_plane(points, towards, points[near], points[far] - points[near])

    pose = rule(still.points_mm)
    numbers = _flat(still, pose, flat_mm)
    # The first marker lies off the plane of all by its own error and the floor's: the plane counts.
    return Layout("wand laid down", still, rule, f"below {still.names()[near]}", numbers)


def require_above(layout: Layout, cameras_mm: Array) -> None:
    """Raise UnsolvableError where cameras that see the markers would stand below the floor."""
    height = layout.rule(layout.still.points_mm).apply(cameras_mm)[:, 2]
    below = int((height < 0).sum())
    if below:
        raise _contradiction(
            "all cameras that see the markers on one side of the floor",
            f"{below} of {len(height)} on the other (heights {height.min():.0f} to "
            f"{height.max():.0f} mm)",
            "Check the markers' order and the survey's axes; look for reflections in the floor.",
            layout.still,
        )


def pose_covariance(layout: Layout) -> Array:
    """Return the covariance (6, 6) of the world that a layout gives: turn about (rad) and shift
    along (mm) its axes, from the markers' joint covariance. Source: JCGM 100:2008, 5.2.2.
    """
    still, pose = layout.still, layout.rule(layout.still.points_mm)
    J = _slopes(still, lambda p: _motion(layout.rule(p), pose))
    # What a surveyed place is off by counts as if the marker found there were off by it.
    joint = still.joint_mm2 + layout.known_sigma_mm**2 * np.eye(still.points_mm.size)
    return np.asarray(J @ joint @ J.T)


def _motion(other: Pose, pose: Pose) -> Array:
    """Return turn and shift (6,) that lead from a world to another one nearby."""
    between = other @ pose.inverse()
    return np.append(vector_from_rotation(between.R), between.t_mm)


def _legs(still: Still) -> tuple[int, list[Index]]:
    """Return the corner and the markers of both legs, near to far, of the squarest split."""
    points, n = still.points_mm, len(still.points_mm)
    if n < 3:
        raise UnsolvableError(
            "right angle",
            expected="three markers or more that two cameras see",
            found=str(n),
            remedy="Check that the frame lies where several cameras see all of it.",
        )
    best: tuple[float, int, list[Index]] | None = None
    for corner, end in permutations(range(n), 2):
        others = np.array([k for k in range(n) if k != corner])
        ray = points[others] - points[corner]
        away = np.linalg.norm(ray, axis=1)
        ray = ray / away[:, None]
        along = ray @ ray[others == end][0]
        on = along > np.cos(np.radians(ON_LEG_DEG))
        if on.all():
            continue
        side = ray[~on] @ ray[~on][0]
        off = float(np.degrees(np.abs(np.arcsin(np.clip(along[~on], -1, 1))).max()))
        if off < NEARLY_SQUARE_DEG and (side > np.cos(np.radians(ON_LEG_DEG))).all():
            legs = [others[m][np.argsort(away[m])] for m in (on, ~on)]
            if best is None or off < best[0]:
                best = off, corner, legs
    if best is None:
        raise _contradiction(
            "two legs square to each other that meet in a marker",
            f"{n} markers that form none",
            "Cover other reflections on the floor, or name three points: --points.",
            still,
        )
    return best[1], best[2]


def _angle_deg(points: Array, corner: int, a: Index, b: Index) -> float:
    ends = [points[leg].mean(axis=0) - points[corner] for leg in (a, b)]
    return float(
        np.degrees(np.arctan2(np.linalg.norm(np.cross(ends[0], ends[1])), ends[0] @ ends[1]))
    )


def _reach(points: Array, corner: int, leg: Index) -> float:
    """Return how far the last marker of a leg lies from the corner."""
    return float(np.linalg.norm(points[leg[-1]] - points[corner]))


def _sigma_of(still: Still, function: Callable[[Array], float]) -> float:
    """Return the standard uncertainty of a number that places (N, 3) give (JCGM 100, 5.2.2)."""
    slope = _slopes(still, function)
    return float(np.sqrt(slope @ still.joint_mm2 @ slope))


def _slopes(still: Still, function: Callable[[Array], Any]) -> Array:
    """Return the derivative (..., 3 N) of what places (N, 3) give, by each coordinate."""
    points, columns = still.points_mm, []
    for k in range(points.size):
        step = np.zeros(points.shape)
        step.flat[k] = 0.01  # mm: far above rounding, far below where a rule bends
        columns.append((function(points + step) - function(points - step)) / 0.02)
    return np.stack(columns, axis=-1)


def _flat(still: Still, pose: Pose, limit_mm: float) -> dict[str, float]:
    """Return by how much the markers lie off their plane; raise UnsolvableError beyond a limit."""
    if len(still.points_mm) < 4:
        return {}
    middle, z = still.points_mm.mean(axis=0), pose.R[2]
    off = (still.points_mm - middle) @ z
    worst = int(np.argmax(np.abs(off)))
    sigma = _sigma_of(still, lambda p: float((p[worst] - p.mean(axis=0)) @ z))
    if abs(off[worst]) > limit_mm + NOISES * sigma:
        raise _contradiction(
            f"markers of one height to within {limit_mm:g} mm",
            f"{still.names()[worst]} {off[worst]:+z.1f} mm off their plane (± {sigma:.2f} mm)",
            "Look what it lies on; cover other reflections.",
            still,
        )
    return {"off_plane_mm": float(np.abs(off).max()), "off_plane_sigma_mm": sigma}


def _row(still: Still, marker: int) -> int:
    is_named = (still.marker >= 0).any()
    numbers = still.marker if is_named else -still.marker
    at = np.flatnonzero(numbers == marker)
    if not len(at):
        known = ", ".join(map(str, numbers))
        raise InputError(
            "--points",
            expected=f"markers that two cameras see ({known})",
            found=str(marker),
            remedy="Take their numbers in the tracks."
            if is_named
            else "Markers without names are numbered as calib align lists them, from point 1 on.",
        )
    return int(at[0])


def _contradiction(expected: str, found: str, remedy: str, still: Still) -> UnsolvableError:
    places = "; ".join(
        f"{name} ({x:.0f}, {y:.0f}, {z:.0f})"
        for name, (x, y, z) in zip(still.names(), still.points_mm, strict=True)
    )
    return UnsolvableError(
        "markers on the floor",
        expected=expected,
        found=f"{found}; places in the rig's world, mm: {places}",
        remedy=remedy,
    )
