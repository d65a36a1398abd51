"""Whose points stand under whose name: cables or names that were exchanged since a rig was solved,
and captures of another rig.

Where two cameras stand as the rig has them, the points that they share obey their epipolar geometry
(Hartley & Zisserman, Multiple View Geometry, 2nd edition, section 9.1): the ray of one lies in the
plane of the base line and the ray of the other. That needs neither wand nor solve, so every set of
points can be tried at every camera's place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from calib.core.camera import undistort
from calib.core.geometry import Array
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError
from calib.solve.start.graph import overlap
from calib.solve.start.motion import shared_points

PARTNERS = 6  # cameras that a camera is tried against: those that it shares most points with
MAX_POINTS = 60  # of a pair: a share is then known to 6 %
MIN_POINTS = 20
NEAR = 0.01  # of the sensor's width: a knock of half a degree moves points by less
FITS, MISFITS = 0.6, 0.35  # share of points near: of the right camera, and of a wrong one
MOST = 0.7  # of the cameras must fit where names were changed all round


def bearers(rig: Rig, tracks: Tracks) -> dict[str, str]:
    """Return by name of a camera whose points stand under it, where these are not its own.

    Raises InputError where the capture fits the rig under no names: it is another rig's.
    """
    names = tracks.names
    table = overlap(tracks).points.copy()
    np.fill_diagonal(table, 0)
    pairs = {
        (min(a, b), max(a, b))
        for a in range(len(names))
        for b in np.argsort(-table[a], kind="stable")[:PARTNERS].tolist()
        if table[a, b] >= MIN_POINTS
    }
    if not pairs:
        return {}
    points = {(a, b): _sampled(tracks.cameras[a], tracks.cameras[b]) for a, b in sorted(pairs)}
    own = _fit(
        {(a, b): _near(rig, names[a], names[b], *uv) for (a, b), uv in points.items()}, len(names)
    )
    sound = own >= FITS
    if sound[np.isfinite(own)].all():
        return {}
    share = {pair: _shares(rig, names, *uv) for pair, uv in points.items()}
    if 2 * sound.sum() >= np.isfinite(own).sum():
        found = _among_sound(share, sound, own)
    elif np.nanmedian(own) > MISFITS:
        return {}  # stirred, but nobody stands where another stood
    else:
        found = _all_round(share, len(names))
        if found is None and (own[np.isfinite(own)] < MISFITS).all() and len(names) > 2:
            raise InputError(
                "recheck",
                expected="a wave of this rig's cameras",
                found="no two cameras that stand to one another as the rig has them",
                remedy="Name the rig file of these cameras, or solve this wave as a new rig: "
                "calib solve TRACKS --wand WAND -o NEW_RIG",
            )
    if found is None:
        return {}
    return {names[a]: names[i] for a, i in enumerate(found) if i != a}


def under_right_names(tracks: Tracks, borne: dict[str, str]) -> Tracks:
    """Return the tracks with every camera's points under its own name, in the same order."""
    bearer = {owner: name for name, owner in borne.items()}
    cameras = tuple(
        replace(tracks.camera(bearer[n]), name=n) if n in bearer else tracks.camera(n)
        for n in tracks.names
    )
    return replace(tracks, cameras=cameras)


def own_fit(rig: Rig, camera: CameraTracks, others: Sequence[CameraTracks]) -> float:
    """Return the share of a camera's points that are near where the rig has them, by the second
    best of some others; nan where it shares few with any.
    """
    shares = []
    for other in others:
        points = _sampled(camera, other)
        if len(points[0]) >= MIN_POINTS:
            shares.append(_near(rig, camera.name, other.name, *points))
    return _second_best(shares)


def _second_best(shares: list[float]) -> float:
    """Return the second largest, as most partners may bear wrong names; nan of none."""
    return sorted(shares)[-min(2, len(shares))] if shares else float("nan")


def _sampled(a: CameraTracks, b: CameraTracks) -> tuple[Array, Array]:
    """Return some points that two cameras share, evenly over all (n, 2) each."""
    uv_a, uv_b, _, _ = shared_points(a, b)
    rows = np.linspace(0, len(uv_a) - 1, min(MAX_POINTS, len(uv_a))).astype(int)
    return uv_a[rows], uv_b[rows]


def _near(rig: Rig, a: str, b: str, uv_a: Array, uv_b: Array) -> float:
    """Return the share of points (n, 2) that is near with two cameras where the rig has them."""
    return float(_shares(rig, (a, b), uv_a, uv_b)[0, 1])


def _shares(rig: Rig, names: Sequence[str], uv_a: Array, uv_b: Array) -> Array:
    """Return the share of common points (n, 2) of two cameras that is near, (C, C), with the first
    at each camera's place and the second at each other's.
    """
    rays_a, rays_b = (np.stack([_rays(rig, n, uv) for n in names]) for uv in (uv_a, uv_b))
    centre = np.stack([rig.camera(n).position_mm for n in names])
    base = centre[None] - centre[:, None]
    plane = np.cross(base[:, :, None], rays_a[:, None])
    # How far the second rays leave the planes of base lines and first rays, as angles.
    size = np.maximum(np.linalg.norm(plane, axis=-1), 1e-12)
    off = np.abs((plane * rays_b[None]).sum(axis=-1)) / size
    reach = np.array([NEAR * c.width / c.lens.fx for c in map(rig.camera, names)])
    near = np.asarray((off < reach[None, :, None]).mean(axis=2))
    np.fill_diagonal(near, 0.0)
    return near


def _rays(rig: Rig, name: str, uv: Array) -> Array:
    """Return unit rays (n, 3) in the world of points seen by a camera; far off where its lens does
    not reach them.
    """
    camera = rig.camera(name)
    xy = undistort(camera.lens, uv)
    ray = np.column_stack([np.nan_to_num(xy, nan=1e3), np.ones(len(uv))]) @ camera.cam_from_world.R
    return np.asarray(ray / np.linalg.norm(ray, axis=1, keepdims=True))


def _fit(share: dict[tuple[int, int], float], n: int) -> Array:
    """Return how well each camera's points fit its partners' (n,) by the shares of pairs that are
    near, nan without any.
    """
    of: list[list[float]] = [[] for _ in range(n)]
    for pair, near in share.items():
        for c in pair:
            of[c].append(near)
    return np.array([_second_best(v) for v in of])


def _among_sound(
    share: dict[tuple[int, int], Array], sound: NDArray[np.bool_], own: Array
) -> NDArray[np.intp] | None:
    """Return whose points stand under each name (C,), given cameras that are themselves."""
    place = np.arange(len(sound))
    open_ = np.flatnonzero(~sound & np.isfinite(own))
    known = np.where(sound, place, -1)
    fit = np.array([_fit_at_places(share, known, a)[open_] for a in open_.tolist()])
    rows, columns = linear_sum_assignment(-fit)
    place[open_[rows]] = open_[columns]
    changed = [k for k in rows if columns[k] != k]
    # One of two that were exchanged may have been knocked besides, and fits nowhere.
    surely = sum(fit[k, columns[k]] >= FITS for k in changed)
    if 2 * surely < len(changed) or any(fit[k, k] > MISFITS for k in changed):
        return None
    return place


def _all_round(share: dict[tuple[int, int], Array], n: int) -> NDArray[np.intp] | None:
    """Return whose points stand under each name where few are their own: the best start from one
    pair, every other camera placed where it fits those placed before.
    """
    best, most = None, 0.0
    (a, b), table = max(share.items(), key=lambda item: item[1].max())
    for i, j in np.argwhere(table >= FITS):
        place = np.full(n, -1)
        place[a], place[b] = i, j
        for _ in range(n):
            _place_next(share, place)
        known = np.flatnonzero(place >= 0)
        kept = {
            (a, b): float(t[place[a], place[b]])
            for (a, b), t in share.items()
            if min(place[a], place[b]) >= 0
        }
        fit = _fit(kept, n)
        good = int((np.nan_to_num(fit[known]) >= FITS).sum())
        total = float(np.nansum(fit[known]))
        if good >= MOST * n and len(known) == n and total > most:
            best, most = place, total
    return best


def _fit_at_places(
    share: dict[tuple[int, int], Array], place: NDArray[np.intp], camera: int
) -> Array:
    """Return how well a camera's points fit at each place (C,), by the median of its partners that
    are placed; 0 without any.
    """
    of_partners = [
        table[:, place[q]] if p == camera else table[place[p], :]
        for (p, q), table in share.items()
        if (p == camera and place[q] >= 0) or (q == camera and place[p] >= 0)
    ]
    return np.median(of_partners, axis=0) if of_partners else np.zeros(len(place))


def _place_next(share: dict[tuple[int, int], Array], place: NDArray[np.intp]) -> None:
    """Place the open camera that is surest of its place beside those placed."""
    surest = (0.0, -1, -1)
    taken = place[place >= 0]
    for c in np.flatnonzero(place < 0).tolist():
        of_place = _fit_at_places(share, place, c)
        of_place[taken] = 0.0
        i = int(of_place.argmax())
        surest = max(surest, (float(of_place[i]), c, i))
    if surest[1] >= 0 and surest[0] >= FITS:
        place[surest[1]] = surest[2]
