"""Names for a capture's points: reflections masked, the wand searched camera by camera, what is
doubtful left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.camera import Lens, undistort
from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.tracks import CameraTracks, Ints, Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.intake.stray import stray_masks
from calib.naming.ambiguity import line_coordinates, line_shares, require_readable
from calib.naming.lens import learned_lens, misses
from calib.naming.search import search_camera
from calib.naming.smooth import checked, completed, ends_checked

NOISE_PX = 0.3  # of a centroid's coordinate, at most: well-lit round markers reach a third of it
# How far points may lie off the wand as fitted: four times the noise, and a share of the image for
# lenses known roughly (a barrel of 10 % at the corner scales the directions there by up to a fifth
# of that differently from end to end).
TOLERANCE_PX = 1.2
RELATIVE = {True: 0.004, False: 0.02}  # by: is it a line
BEND = 0.04  # of a line: a quarter of the largest k1 that is common
LEAST_TOLERANCE_PX = 0.25
LEARN_VIEWS = 30
# Limit of one point's miss as a multiple of the median root mean square miss: 4 sigma of a line's
# middle marker, whose one constraint leaves 0.39 sigma in the median; 5 sigma of others.
MISS_TO_LIMIT = {True: 8.0, False: 6.0}
# Log-likelihood that a chain needs in a crowd of 17 points a frame, where chance stayed below 2 in
# 14,000 simulated frames; threes of points that chance can pick grow with the cube of the crowd.
EVIDENCE, CROWD, LEAST_EVIDENCE = 3.0, 17.0, 1.0
N_LINKS, LINK_S, HAND_MM_S = 5, 1.0, 2000.0
UNITS = (
    12  # constraints met that a chain needs in all: what chance reaches once in some 10,000 frames
)
# Views that show a second wand beside the first: in 24 simulated cameras among up to 30 stray
# points there was none.
TWO_WANDS_SHARE, TWO_WANDS_FRAMES = 0.02, 20


@dataclass(frozen=True, slots=True, eq=False)
class CameraNames:
    """What became of one camera's points: how many there are, masked and named, and frames with the
    whole wand.
    """

    name: str
    points: int
    masks: int
    masked: int
    named: int
    frames: int


@dataclass(frozen=True, slots=True, eq=False)
class Identification:
    """The capture with its markers named and its masks, and the count by camera."""

    tracks: Tracks
    cameras: tuple[CameraNames, ...]

    def __str__(self) -> str:
        """One line for people."""
        named, points = sum(c.named for c in self.cameras), sum(c.points for c in self.cameras)
        masks, masked = sum(c.masks for c in self.cameras), sum(c.masked for c in self.cameras)
        return (
            f"named {named} of {points} points as markers of the wand; {masked} points "
            f"lie in {masks} masked"
            " regions, where reflections stay put"
        )

    def as_json(self) -> dict[str, Any]:
        """What ``--json`` prints."""
        rows = zip(self.cameras, self.tracks.cameras, strict=True)
        keys = ("name", "points", "masked", "named", "frames")
        return {
            "cameras": [
                {k: getattr(c, k) for k in keys}
                | {
                    "masks": [
                        dict(zip(("x_px", "y_px", "radius_px"), map(float, m), strict=True))
                        for m in masks_of(t)
                    ]
                }
                for c, t in rows
            ]
        }


def masks_of(camera: CameraTracks) -> Array:
    """Return the camera's masks (k, 3), none where nobody looked for them."""
    return np.empty((0, 3)) if camera.masks_px is None else camera.masks_px


def is_unnamed(tracks: Tracks) -> bool:
    """Say whether a capture holds points and none of them carries a marker."""
    return any(c.n_points for c in tracks.cameras) and not any(
        (c.marker >= 0).any() for c in tracks.cameras
    )


def identify(tracks: Tracks, wand: Wand, progress: Progress = quiet) -> Identification:
    """Return the capture with each camera's points named by the wand's markers, as far as that is
    safe.

    Points in masks and those that fit no wand keep marker -1; none is lost. Raises InputError where
    markers are named already or the wand's cannot be told apart, and UnsolvableError where no wand,
    a still one or two of them are found.
    """
    if any((c.marker >= 0).any() for c in tracks.cameras):
        raise InputError(
            "marker",
            expected="-1 throughout",
            found="markers that are identified already",
            remedy="Use it as it is.",
        )
    kappa_max = require_readable(wand)
    if not any(c.n_points for c in tracks.cameras):
        raise InputError("cameras", expected="points", found="none in any camera")
    out, report, doubles = [], [], []
    for k, bare in enumerate(tracks.cameras):
        progress("identify", k, len(tracks.cameras))
        camera = replace(bare, masks_px=stray_masks(bare))
        masks, masked = masks_of(camera), camera.is_masked
        marker, n_double, n_frames = _name_camera(
            camera, ~masked, wand, kappa_max, tracks.frame_rate_hz
        )
        out.append(replace(camera, marker=marker))
        named = int((marker >= 0).sum())
        report.append(
            CameraNames(
                camera.name, camera.n_points, len(masks), int(masked.sum()), named, n_frames
            )
        )
        doubles.append(n_double)
    _refuse_two_wands(report, doubles, wand)
    if not any(c.named for c in report):
        raise _nothing_named(report, tracks, wand)
    return Identification(replace(tracks, cameras=tuple(out), is_identified=True), tuple(report))


def _refuse_two_wands(report: list[CameraNames], doubles: list[int], wand: Wand) -> None:
    frames, double = sum(c.frames for c in report), sum(doubles)
    if double > max(TWO_WANDS_FRAMES, TWO_WANDS_SHARE * frames):
        names = [
            c.name
            for c, n in zip(report, doubles, strict=True)
            if n > TWO_WANDS_SHARE * max(c.frames, 1)
        ]
        raise UnsolvableError(
            ", ".join(names),
            expected=f"one wand {wand.name}",
            found=f"two of its shape at once in {double} of {frames} views",
            remedy="Keep all other wands out of the cameras' sight.",
            cameras=names,
        )


def _nothing_named(report: list[CameraNames], tracks: Tracks, wand: Wand) -> UnsolvableError:
    points, masked = sum(c.points for c in report), sum(c.masked for c in report)
    n = len(wand.markers)
    most = max(
        int(np.unique(c.frame, return_counts=True)[1].max(initial=0)) for c in tracks.cameras
    )
    found, remedy = (
        "none",
        "Check that this is the wand that was waved, and that each camera sees all of it at times.",
    )
    if most < n:
        found, remedy = (
            f"{most} at most",
            "Lower the detection threshold or move closer: all markers must show.",
        )
    elif masked > 0.5 * points:
        found = f"none, and {masked} of {points} points that never move"
        remedy = "Keep the wand moving and turning through the whole volume."
    return UnsolvableError(
        "wand", expected=f"frames in which a camera shows all {n} markers of "
                         f"{wand.name}", found=found, remedy=remedy,
        cameras=tracks.names,
    )  # fmt: skip


def rough_lens(camera: CameraTracks) -> Lens:
    """Return the lens to identify with: measured, else nominal and straight, else an angle of view
    of 53°.
    """
    if camera.lens is not None:
        return camera.lens
    focal = camera.nominal_focal_px or float(camera.width)
    return Lens(focal, focal, (camera.width - 1) / 2.0, (camera.height - 1) / 2.0, np.zeros(5))


def _name_camera(
    camera: CameraTracks, is_open: NDArray[np.bool_], wand: Wand, kappa_max: float, rate_hz: float
) -> tuple[NDArray[np.int16], int, int]:
    """Return the markers (n,), in how many frames two wands are seen, and in how many one is."""
    lens, is_measured, is_line = rough_lens(camera), camera.lens is not None, wand.dimension == 1
    shape = _shape(wand)[0]
    limits = Limits(
        TOLERANCE_PX,
        RELATIVE[is_line] * (0.25 if is_measured else 1.0),
        0.0 if is_measured else BEND,
        kappa_max,
    )
    table = _search(camera, is_open, lens, wand, limits, rate_hz)
    strong = _strong(table, is_line)
    if len(strong) >= LEARN_VIEWS:
        lens, miss = learned_lens(
            lens, camera.width, camera.xy_px, table.rows[strong], table.pose[strong], shape,
            is_line=is_line,
            is_known=is_measured,
        )  # fmt: skip
        tight = float(np.clip(MISS_TO_LIMIT[is_line] * miss, LEAST_TOLERANCE_PX, TOLERANCE_PX))
        table = _search(
            camera,
            is_open,
            lens,
            wand,
            replace(limits, tolerance_px=tight, relative=0.0, bend=0.0),
            rate_hz,
        )
    number, first = np.unique(camera.frame, return_index=True)
    crowd = is_open.sum() / max(len(number), 1)
    needed = max(LEAST_EVIDENCE, EVIDENCE + 3.0 * np.log(max(crowd, 1.0) / CROWD))
    keep, n_double, n_frames = _settle(table, lens.fx, rate_hz, camera, is_line, needed)
    if not len(keep):
        return np.full(camera.n_points, -1, np.int16), 0, 0
    rows = np.full((len(number), len(wand.markers)), -1)
    named, sigma, curl = checked(table.frame[keep], camera.xy_px, table.rows[keep])
    if np.isfinite(sigma):
        named = ends_checked(table.frame[keep], camera.xy_px, named, sigma)
    rows[np.searchsorted(number, table.frame[keep])] = named
    if np.isfinite(sigma):
        is_free = is_open.copy()
        is_free[rows[rows >= 0]] = False
        starts = np.append(first, camera.n_points)
        rows = completed(number, starts, camera.xy_px, is_free, rows, max(sigma, 0.02), curl)
    marker = np.full(camera.n_points, -1, np.int16)
    for m in range(len(wand.markers)):
        marker[rows[rows[:, m] >= 0, m]] = m
    return marker, n_double, n_frames


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """How far points may lie off the wand: px, share of its image, a line's bend, and the ratio of
    its ends' depths.
    """

    tolerance_px: float
    relative: float
    bend: float
    kappa_max: float


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Chains of views of the wand in one camera, a line a view: chain, frame number, rows by
    marker, pose, miss.
    """

    chain: Ints
    frame: Ints
    rows: Ints
    pose: Array
    miss_px: Array


def _search(
    camera: CameraTracks,
    is_open: NDArray[np.bool_],
    lens: Lens,
    wand: Wand,
    limits: Limits,
    rate_hz: float,
) -> Table:
    xy = undistort(lens, camera.xy_px)
    row = np.flatnonzero(is_open & np.isfinite(xy).all(axis=1))
    number, first = np.unique(camera.frame[row], return_index=True)
    is_line, n, pixel = wand.dimension == 1, len(wand.markers), 1.0 / lens.fx
    shape, share, order = _shape(wand)
    chain, at, rows, pose = search_camera(
        np.append(first, len(row)).astype(np.int64), number, np.ascontiguousarray(xy[row]), shape,
        share, order,
        _widest(shape), is_line, 1.0 / rate_hz, NOISE_PX * pixel, limits.tolerance_px * pixel,
        limits.relative,
        limits.bend, limits.kappa_max, 2.0 * wand.span_mm, n if is_line else 4, n if is_line else 4,
        n if is_line else min(n, 5),
    )  # fmt: skip
    miss = misses(xy, rows := np.where(rows >= 0, row[rows], -1), pose, 1.0, shape, pixel) / pixel
    return Table(chain, number[at], rows, pose, miss)


def _units(table: Table, is_line: bool) -> Ints:
    """Return the constraints that each line meets: two a point, less the pose's freedoms."""
    return np.asarray(2 * (table.rows >= 0).sum(axis=1) - (5 if is_line else 6))


def _strong(table: Table, is_line: bool) -> Ints:
    """Return lines of chains that chance does not make, and that show the wand as whole as
    usual.
    """
    units = _units(table, is_line)
    if not len(units):
        return np.empty(0, np.int64)
    weight = np.bincount(table.chain, units)
    return np.flatnonzero((weight[table.chain] >= 3 * UNITS) & (units >= np.median(units)))


def _evidence(table: Table, is_line: bool) -> Array:
    """Return each line's log-likelihood ratio of a wand seen with Gaussian noise to points that
    came near by chance.

    Of k constraints met with the sum of squares chi² (in sigmas), against as many spread evenly
    over the limits, four sigma to either side: k log(8 / sqrt(2 pi)) - chi² / 2. Sigma is the one
    that strong chains show.
    """
    units = _units(table, is_line)
    strong = _strong(table, is_line)
    squares = table.miss_px**2 * (table.rows >= 0).sum(axis=1)
    scale = (
        np.median(squares[strong] / special.chdtri(units[strong], 0.5))
        if len(strong)
        else NOISE_PX**2
    )
    return np.asarray(np.maximum(1.16 * units - 0.5 * squares / max(scale, 1e-12), -1.0))


def _settle(
    table: Table,
    focal_px: float,
    rate_hz: float,
    camera: CameraTracks,
    is_line: bool,
    needed: float,
) -> tuple[Ints, int, int]:
    """Return the lines to keep, one a frame, in how many frames another disjoint wand was seen, and
    how many are kept.

    A chain counts by its evidence, and one that follows or precedes an accepted chain by how
    unlikely that place is.
    """
    if not len(table.chain):
        return np.empty(0, np.int64), 0, 0
    weight: Array = np.bincount(table.chain, _evidence(table, is_line)).astype(float)
    is_good = _linked(table, weight, needed, focal_px, rate_hz, float(camera.width * camera.height))
    frame, rows, weight = (
        np.unique(table.frame, return_inverse=True)[1],
        table.rows,
        weight[table.chain],
    )
    lines = np.flatnonzero(is_good[table.chain])
    lines = lines[np.lexsort((lines, -weight[lines]))]
    if not len(lines):
        return lines, 0, 0
    of_frame = np.full(frame.max() + 1, -1)
    first = lines[np.unique(frame[lines], return_index=True)[1]]
    of_frame[frame[first]] = first
    strong = lines[weight[lines] >= UNITS]
    kept = of_frame[frame[strong]]
    shared = (rows[strong][:, :, None] == rows[kept][:, None, :]) & (rows[strong] >= 0)[:, :, None]
    is_other = ~shared.any(axis=(1, 2))
    # A weak chain that names otherwise than a stronger one where both see the wand is chance.
    is_rival = (rows[lines] != rows[of_frame[frame[lines]]]).any(axis=1) & (
        weight[lines] < 4 * UNITS
    )
    n_rival = np.bincount(table.chain[lines], is_rival, len(is_good))[table.chain[lines]]
    lines = lines[n_rival <= 0.1 * np.bincount(table.chain[lines])[table.chain[lines]]]
    keep = lines[np.unique(frame[lines], return_index=True)[1]]
    return keep, len(np.unique(frame[strong[is_other]])), len(keep)


def _linked(
    table: Table, weight: Array, needed: float, focal_px: float, rate_hz: float, area_px: float
) -> NDArray[np.bool_]:
    """Return which chains count: by their own weight, or by that and their nearness in time and
    place to such a one.

    A wand that was lost for a moment is found where a hand can have taken it, in a share p of the
    sensor: log(1 / p) more evidence.
    """
    n = len(weight)
    lines = np.lexsort((table.frame, table.chain))
    first = np.searchsorted(table.chain[lines], np.arange(n))
    ends = np.stack([lines[first], lines[np.append(first[1:], len(lines)) - 1]])
    begin, end = table.frame[ends]
    is_good = weight >= needed
    for _ in range(N_LINKS):
        good = np.flatnonzero(is_good)
        if not len(good):
            break
        before, after = good[np.argsort(end[good])], good[np.argsort(begin[good])]
        b = np.searchsorted(end[before], begin, side="left") - 1
        a = np.searchsorted(begin[after], end, side="right")
        gain = np.zeros(n)
        for other, mine, theirs, is_there in (
            (before[np.clip(b, 0, None)], 0, 1, b >= 0),
            (after[np.clip(a, None, len(after) - 1)], 1, 0, a < len(after)),
        ):
            here, there = ends[mine], ends[theirs][other]
            seconds = np.abs(table.frame[here] - table.frame[there]) / rate_hz
            way = HAND_MM_S * seconds
            depth = np.minimum(table.pose[here, 11], table.pose[there, 11])
            off = np.linalg.norm(table.pose[here, 9:] - table.pose[there, 9:], axis=1)
            share = np.pi * (focal_px * way / depth) ** 2 / area_px
            # In depth a single view is good to some per cent.
            is_near = is_there & (seconds <= LINK_S) & (off < way + 0.1 * depth)
            gain = np.maximum(gain, np.where(is_near, -np.log(np.clip(share, 1e-3, 1.0)), 0.0))
        now = weight + gain >= needed
        if (now == is_good).all():
            break
        is_good |= now
    return is_good


def _shape(wand: Wand) -> tuple[Array, Array, Ints]:
    """Return the markers (M, 3) about their middle, a line along x, and a line's shares
    and order.
    """
    if wand.dimension == 1:
        along = line_coordinates(wand)
        share, order = line_shares(wand)
        return np.column_stack([along, np.zeros((len(along), 2))]), share, order
    n = len(wand.markers)
    return wand.points_mm - wand.points_mm.mean(axis=0), np.zeros(n), np.arange(n)


def _widest(shape: Array) -> Ints:
    """Return two triples of markers (2, 3): the largest triangle, and the largest of those that
    share least with it.
    """
    area = {
        pick: float(
            np.linalg.norm(
                np.cross(shape[pick[1]] - shape[pick[0]], shape[pick[2]] - shape[pick[0]])
            )
        )
        for pick in combinations(range(len(shape)), 3)
    }
    first = max(area, key=area.__getitem__)
    second = min(area, key=lambda pick: (len({*pick} & {*first}), -area[pick]))
    return np.array([first, second], np.int64)
