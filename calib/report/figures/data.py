"""What a capture shows of a rig, in numbers few enough to draw: by cell, by bin, by stretch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.check.apart import whole_apart
from calib.check.residuals import ResidualTable, held, residual_table
from calib.core.geometry import Array, sigma_of
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import UnsolvableError
from calib.prove.precision import Precision, precision
from calib.solve.bundle.problem import Index
from calib.solve.hold import RigFit
from calib.solve.start.graph import Overlap, overlap

MOST_CELLS, POINTS_A_CELL = 16, 12  # along the long side; a mean of twelve has 0.3 of their noise
LEAST_IN_CELL = 4
MOST_BINS, FRAMES_A_BIN = 120, 6
HALF_BINS = 24  # of a histogram, to either side
MOST_PLACES, MOST_PRECISE = 1500, 300  # of the wave drawn, and of those with a precision
GAP_S = 0.5  # without the wand for longer, its path is not drawn through


@dataclass(frozen=True, slots=True, eq=False)
class Sensor:
    """One camera's residuals, observed minus predicted, in px.

    Over the sensor in (ny, nx) cells of ``cell_px``: ``count`` of points used, ``mean_px (ny, nx,
    2)`` and the standard uncertainty ``sigma_px`` of such a mean's coordinate, nan with few points.
    Over one coordinate's size: ``bins (2 HALF_BINS,)`` of ``bin_px`` about 0 and the ``n_beyond``.
    Over time: middles ``time_s (T,)``, ``median_px`` and ``p95_px`` of the residuals' lengths, nan
    where there are none, and ``left_s (k, 2)``, first and last second of stretches left out.
    """

    name: str
    width: int
    height: int
    cell_px: tuple[float, float]
    count: NDArray[np.int64]
    mean_px: Array
    sigma_px: Array
    bin_px: float
    bins: NDArray[np.int64]
    n_beyond: int
    spread_px: float
    time_s: Array
    median_px: Array
    p95_px: Array
    left_s: Array


@dataclass(frozen=True, slots=True, eq=False)
class Wave:
    """Where the wand's middle was (n, 3) in mm in the rig's world, when, and how well the frame
    fits, RMS in px; a frame with no point used has nan.
    """

    second: Array
    places_mm: Array
    rms_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class Lengths:
    """The wand's lengths from intersected markers: places (n, 3) in mm, errors (n,) in mm."""

    places_mm: Array
    error_mm: Array


@dataclass(frozen=True, slots=True, eq=False)
class Portrait:
    """A rig before a capture; ``sensors`` are in the order of the table's cameras, worst first."""

    rig: Rig
    table: ResidualTable
    sensors: tuple[Sensor, ...]
    wave: Wave
    lengths: Lengths
    overlap: Overlap
    precision: Precision | None
    n_points: int
    duration_s: float


def portrait(rig: Rig, tracks: Tracks) -> Portrait:
    """Return what a capture of the rig's wand shows of a rig, whose cameras are held.

    Raises as ``residual_table`` does.
    """
    tracks, fit = held(rig, tracks)
    whole = whole_apart(rig, tracks, fit)
    table = residual_table(rig, tracks, fit, whole)
    own = fit.problem.pairs_by_camera()
    at = {name: k for k, name in enumerate(tracks.names)}
    sensors = (_sensor(tracks, fit, at[row.name], own[at[row.name]]) for row in table.cameras)
    wave = _wave(fit)
    number = fit.problem.frame_number
    return Portrait(
        rig,
        table,
        tuple(sensors),
        wave,
        _lengths(rig, whole.points_mm),
        overlap(tracks),
        _precision(rig, wave.places_mm),
        int((fit.problem.row >= 0).sum()),
        float(number[-1] - number[0] + 1) / fit.problem.rate_hz,
    )


def _sensor(tracks: Tracks, fit: RigFit, c: int, own: Index) -> Sensor:
    camera, problem = tracks.cameras[c], fit.problem
    used = fit.is_inlier[:, own]
    marker, pair = np.nonzero(used)
    at = own[pair]
    xy = problem.uv_px[:, marker, at].T
    px = fit.residual_px[:, marker, at].T
    count, mean, sigma, cell = _cells(xy, px, camera.width, camera.height)
    spread = float(sigma_of(px)) if len(px) else float("nan")
    bin_px, bins = _histogram(px, spread)
    time, median, p95 = _over_time(fit, problem.frame[at], np.linalg.norm(px, axis=1))
    first = problem.frame_number[0]
    left = [
        ((s.first - first) / problem.rate_hz, (s.last + 1 - first) / problem.rate_hz)
        for s in fit.stretches
        if s.camera == c
    ]
    return Sensor(
        camera.name,
        camera.width,
        camera.height,
        cell,
        count,
        mean,
        sigma,
        bin_px,
        bins,
        int(2 * len(px) - bins.sum()),
        spread,
        time,
        median,
        p95,
        np.array(left, dtype=float).reshape(-1, 2),
    )


def _cells(
    xy: Array, px: Array, width: int, height: int
) -> tuple[NDArray[np.int64], Array, Array, tuple[float, float]]:
    """Return counts (ny, nx), means (ny, nx, 2), their uncertainty and the size of a cell."""
    fine = np.sqrt(max(len(xy), 1) / POINTS_A_CELL * max(width, height) / min(width, height))
    n_long = int(np.clip(fine, 6, MOST_CELLS))
    side = max(width, height) / n_long
    nx, ny = max(round(width / side), 1), max(round(height / side), 1)
    size = np.array([width / nx, height / ny])
    at = np.clip(((xy + 0.5) / size).astype(int), 0, [nx - 1, ny - 1]) @ [1, nx]
    n = np.bincount(at, minlength=nx * ny)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.stack([np.bincount(at, px[:, k], nx * ny) / n for k in (0, 1)], axis=-1)
        squares = np.bincount(at, ((px - mean[at]) ** 2).sum(axis=1) / 2.0, nx * ny)
        sigma = np.sqrt(squares / np.maximum(n - 1, 1) / n)
    few = n < LEAST_IN_CELL
    mean[few], sigma[few] = np.nan, np.nan
    shape = (ny, nx)
    return n.reshape(shape), mean.reshape(*shape, 2), sigma.reshape(shape), (size[0], size[1])


def _histogram(px: Array, spread: float) -> tuple[float, NDArray[np.int64]]:
    """Return a bin's width, a fifth of the spread, and counts of single coordinates about 0."""
    width = spread / 5.0 if np.isfinite(spread) and spread > 0 else 0.01
    k = np.floor(px.ravel() / width).astype(np.int64) + HALF_BINS
    inside = k[(k >= 0) & (k < 2 * HALF_BINS)]
    return width, np.bincount(inside, minlength=2 * HALF_BINS)


def _over_time(fit: RigFit, frame: Index, length: Array) -> tuple[Array, Array, Array]:
    number, rate = fit.problem.frame_number, fit.problem.rate_hz
    span = int(number[-1] - number[0] + 1)
    n = int(np.clip(span // FRAMES_A_BIN, 1, MOST_BINS))
    part = ((number[frame] - number[0]) * n) // span
    order = np.argsort(part, kind="stable")
    edges = np.searchsorted(part[order], np.arange(n + 1))
    median, p95 = np.full(n, np.nan), np.full(n, np.nan)
    for k in np.flatnonzero(np.diff(edges) >= LEAST_IN_CELL):
        median[k], p95[k] = np.quantile(length[order[edges[k] : edges[k + 1]]], [0.5, 0.95])
    return (np.arange(n) + 0.5) * span / n / rate, median, p95


def _wave(fit: RigFit) -> Wave:
    problem, state = fit.problem, fit.state
    shape = state.shape_mm
    places = state.wand_t + state.wand_R @ ((shape.min(axis=0) + shape.max(axis=0)) / 2.0)
    squared = ((fit.residual_px**2).sum(axis=0) * fit.is_inlier).sum(axis=0)
    n = np.bincount(problem.frame, fit.is_inlier.sum(axis=0), problem.n_frames)
    with np.errstate(invalid="ignore", divide="ignore"):
        rms = np.sqrt(np.bincount(problem.frame, squared, problem.n_frames) / n)
    step = max(1, -(-problem.n_frames // MOST_PLACES))
    second = (problem.frame_number - problem.frame_number[0]) / problem.rate_hz
    keep = np.flatnonzero(np.isfinite(places).all(axis=1) & np.isfinite(rms))[::step]
    return Wave(second[keep], places[keep], rms[keep])


def _lengths(rig: Rig, points_mm: Array) -> Lengths:
    """Return errors of the lengths between markers (F, M, 3), each at its middle."""
    i, j = np.triu_indices(points_mm.shape[1], 1)
    measured = np.linalg.norm(points_mm[:, i] - points_mm[:, j], axis=2)
    error, middle = measured - rig.wand.lengths_mm[i, j], (points_mm[:, i] + points_mm[:, j]) / 2
    known = np.isfinite(error)
    return Lengths(middle[known], error[known])


def _precision(rig: Rig, places_mm: Array) -> Precision | None:
    step = max(1, -(-len(places_mm) // MOST_PRECISE))
    try:
        return precision(rig, places_mm[::step]) if len(places_mm) else None
    except UnsolvableError:
        return None
