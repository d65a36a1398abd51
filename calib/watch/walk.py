"""Where to take the wand next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from calib.core.geometry import Array
from calib.core.threads import one_blas_thread
from calib.solve.bundle.descent import without_frames
from calib.solve.bundle.linearise import linearise
from calib.solve.bundle.problem import arrange
from calib.solve.certainty.normal import Information
from calib.solve.start.graph import CameraGraph
from calib.watch.records import CameraSoFar, Figure, Lack, Region, Walk
from calib.watch.rough import Rough

CELLS = 3  # of the volume along each axis: low, middle and high, as a person walks
LEVEL = 0.3  # length of the mean of the cameras' upward axes: less, and none is up
WIDER = 0.25  # of the volume to each side of where the wand went: where it may still go
# Directions of the wand, the corners of a tetrahedron, and places in a cell that go with them.
CORNERS = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3.0)


def before_solving(cameras: tuple[CameraSoFar, ...], graph: CameraGraph) -> Walk | None:
    """Return where to go as long as nothing is known of where the cameras stand: to those that have
    seen nothing, between those that are not linked, then to those with few points or little of the
    sensor; None where nothing is lacking.
    """
    if graph.blind:
        return Walk(graph.blind[:1])
    if graph.waves:
        return Walk(graph.waves[0])
    if lacking := [c for c in cameras if c.lacks]:
        worst = min(lacking, key=lambda c: (Lack.POINTS not in c.lacks, c.named, c.coverage))
        return Walk((worst.name,), region=worst.empty)
    return None


def empty_region(is_hit: Array) -> Region:
    """Return the part of an image, of three by three, of whose cells (100,) fewest were hit; the
    outermost where several are alike.
    """
    grid = is_hit.reshape(10, 10)  # x, then y
    edges = ((0, 4), (3, 7), (6, 10))
    share = np.array([[grid[a:b, c:d].mean() for c, d in edges] for a, b in edges])
    share[1, 1] += 0.1
    column, row = np.unravel_index(int(share.argmin()), share.shape)
    return Region(int(column) - 1, int(row) - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """Axes of the room: ``level_from_world (3, 3)``, z up where ``has_up``."""

    level_from_world: Array
    has_up: bool


def level_of(cam_R: Array) -> Level:
    """Return the room's axes from how cameras hang: about upright, so that their downward axes
    together point down (common practice, no source).
    """
    mean = -cam_R[:, 1].mean(axis=0)
    length = float(np.linalg.norm(mean))
    up = mean / length if length > 1e-9 else np.array([0.0, 0.0, 1.0])
    x = np.eye(3)[int(np.abs(up).argmin())]
    x = x - up * (x @ up)
    x /= np.linalg.norm(x)
    return Level(np.stack([x, np.cross(up, x), up]), length > LEVEL)


@one_blas_thread
def most_helpful(
    rough: Rough, of_frames: Information, n_frames: int, range_mm: Array, is_everywhere: bool
) -> Walk | None:
    """Return the part of the volume in which ``n_frames`` more frames of the wand would make the
    predicted precision best.

    Each of 27 cells is tried with the wand at four places and directions in it, before the cameras
    that would see it from within their range (C, 2); its information counts for all those frames.
    None where no cell is seen by two cameras.
    """
    level = level_of(rough.state.cam_R)
    places = rough.places_mm @ level.level_from_world.T
    low, high = np.percentile(places, [2.0, 98.0], axis=0)
    low, high = low - WIDER * (high - low) - 1.0, high + WIDER * (high - low) + 1.0
    size = (high - low) / CELLS
    cells = np.indices((CELLS,) * 3).reshape(3, -1).T
    middles = low + (cells + 0.5) * size
    best: tuple[float, int] | None = None
    for k, told in enumerate(_told_at(rough, middles, size, level, range_mm)):
        if told is None:
            continue
        more = of_frames + told.times(n_frames / len(CORNERS))
        found = Figure.of(rough.foreseen_mm(more))
        sigma = found.most_mm if is_everywhere else found.half_mm
        if best is None or sigma < best[0]:
            best = sigma, k
    if best is None:
        return None
    sigma, cell, middle = best[0], cells[best[1]] - 1, middles[best[1]]
    position = rough.state.position_mm @ level.level_from_world.T
    centre = 0.5 * (low + high)
    toward, flat = (middle - centre)[:2], (position - centre)[:, :2]
    along = flat @ toward / np.maximum(np.linalg.norm(flat, axis=1), 1e-9)
    camera = rough.rig.names[int(along.argmax())]
    is_middle = not cell[:2].any()
    height = int(cell[2]) if level.has_up else None
    return Walk((camera,), height, None, is_middle, sigma)


def _told_at(
    rough: Rough, middles: Array, size: Array, level: Level, range_mm: Array
) -> Iterator[Information | None]:
    """Yield the information of the wand at four places and directions about each of some middles
    (n, 3), None where fewer than two cameras see it.
    """
    state, rig, n_tries = rough.state, rough.rig, len(CORNERS)
    back = level.level_from_world.T
    wand_t = ((middles[:, None] + 0.25 * size * CORNERS) @ back.T).reshape(-1, 3)
    wand_R = np.tile([_along(back @ corner) for corner in CORNERS[::-1]], (len(middles), 1, 1))
    tried = replace(state, wand_R=wand_R, wand_t=wand_t)
    points = tried.markers_mm
    n_markers = points.shape[1]
    images, seen = [], []
    for c, camera in enumerate(rig.cameras):
        image, is_seen = camera.image_of(points.reshape(-1, 3), range_mm[c, 1])
        images.append(image.reshape(*points.shape[:2], 2))
        seen.append(is_seen.reshape(points.shape[:2]))
    sigma, image, is_seen = rough.fit.sigma_px, np.stack(images), np.stack(seen)
    for k in range(len(middles)):
        own = slice(k * n_tries, (k + 1) * n_tries)
        cam, frame, marker = np.nonzero(is_seen[:, own])
        if len(np.unique(cam)) < 2:
            yield None
            continue
        problem = arrange(
            cam,
            frame,
            marker,
            image[:, own][cam, frame, marker],
            1.0 / sigma[cam],
            np.arange(len(cam)),
            shape=(len(rig.names), n_tries, n_markers),
            n_rotation=rough.fit.problem.n_rotation,
            frame_number=np.arange(n_tries),
        )
        blocks = linearise(problem, tried.of_frames(own), rough.options.terms, np.inf, rough.n_axes)
        yield without_frames(problem, blocks)


def _along(x: Array) -> Array:
    """Return a rotation (3, 3) whose first column is the unit vector x."""
    other = np.eye(3)[int(np.abs(x).argmin())]
    y = np.cross(other, x)
    y /= np.linalg.norm(y)
    return np.stack([x, y, np.cross(x, y)], axis=1)
