"""Where to walk with the wand, how long and at which heights, so that a solve knows most.

A second of waving at place k tells ``I_k`` of poses and lenses; so many seconds at each make ``S =
S_0 + sum t_k I_k``. Wanted is the least mean variance that the rig's errors leave of places in the
volume, ``tr(M S⁻¹)``, with M from what each parameter does to them. A second more at place k lowers
it by ``tr(S⁻¹ M S⁻¹ I_k)``, its worth. A walk is a list of places; it is bettered place by place,
most often by those that are worth most, as long as that helps.

Sources: Fedorov, Theory of Optimal Experiments, 1972 (linear criteria, their sensitivity, exchange
of places); Pukelsheim, Optimal Design of Experiments, 1993 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.parameters import in_order, n_unknowns
from calib.plan.coverage import look
from calib.plan.records import Plan
from calib.plan.wave import Stop, bundle_of, planned_rig, seen_wave, walk, wave_of
from calib.prove.space.joint import effects
from calib.prove.space.views import cameras_of, views_where
from calib.prove.volume import grid_of
from calib.solve.bundle.descent import known_before
from calib.solve.bundle.elimination import inverse_factors, reduced_system
from calib.solve.bundle.linearise import linearise
from calib.solve.bundle.problem import State
from calib.solve.certainty.covariance import median_distance
from calib.solve.certainty.normal import Information, on_places, world_motions
from calib.solve.certainty.rig_errors import RigErrors

Left = Callable[[tuple[int, ...]], tuple[float, Array]]
SPACING_MM = 1200.0  # from place to place, about what one reaches without a step to each side
MOST_STANDS = 20  # places on the floor to choose from
MOST_BYTES = 3e8  # for what they tell: fewer of them before very many cameras
HEIGHTS = (0.15, 0.5, 0.85)  # of the volume: low, middle, high
BURST = 8  # frames that stand for a second of waving at a place
N_TESTS = 100  # places whose variance counts
MOST_STOPS = 24  # of a walk: more is no instruction that one can follow
# Of a lens, what tells ways apart; the rest is small and takes as long again.
TERMS = in_order({"focal", "cx", "cy", "k1", "k2"})
TRIALS, MOST_WORK = (12, 300), 1.2e7  # changes to try: fewer, the more parameters there are


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The stops of a wave in the order of the walk; their seconds and those of the walk between
    make ``seconds``.
    """

    stops: tuple[Stop, ...]
    seconds: float

    def hand_mm(self, plan: Plan) -> Array:
        """Return the place (F, 3) of the hand by frame."""
        return walk(plan, self.stops)


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Places to choose from: ``axes`` are their coordinates along x, y and z, place k is at the
    index k of ``shape``.
    """

    axes: tuple[Array, Array, Array]

    @property
    def shape(self) -> tuple[int, ...]:
        return tuple(len(a) for a in self.axes)

    @property
    def places_mm(self) -> Array:
        return grid_of(self.axes)

    def seconds_at(self, hand_mm: Array, rate: float) -> Array:
        """Return the seconds (K,) that a hand's way (F, 3) spends at each place, shared out between
        the eight about it.
        """
        out = np.zeros(self.shape)
        index, share = [], []
        for axis, at in zip(self.axes, hand_mm.T, strict=True):
            step = (at - axis[0]) / (axis[1] - axis[0]) if len(axis) > 1 else np.zeros(len(at))
            step = np.clip(step, 0.0, len(axis) - 1.0)
            low = np.minimum(step.astype(int), max(len(axis) - 2, 0))
            index.append((low, np.minimum(low + 1, len(axis) - 1)))
            share.append((1.0 - (step - low), step - low))
        for corner in np.ndindex(2, 2, 2):
            at = tuple(index[k][corner[k]] for k in range(3))
            part = np.prod([share[k][corner[k]] for k in range(3)], axis=0)
            np.add.at(out, at, part / rate)
        return out.ravel()


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """What a second at each place tells, ``blocks (K, N, N)``, what is ``known`` (N, N) before, and
    what is ``wanted``: M (N, N).
    """

    blocks: NDArray[np.float32]
    known: Array
    wanted: Array

    def left(self, seconds: Array) -> tuple[float, Array]:
        """Return the mean variance, mm², that so many seconds (K,) leave, and the covariance."""
        told = seconds.astype(np.float32) @ self.blocks.reshape(len(seconds), -1)
        C = Information.of(self.known + told.reshape(self.known.shape)).covariance()
        return float((C * self.wanted).sum()), C

    def worth(self, C: Array) -> Array:
        """Return by how much a second more at each place (K,) lowers the variance, in any unit."""
        A = C @ self.wanted @ C
        single = (A / max(float(np.abs(A).max()), 1e-300)).astype(np.float32).ravel()
        told = self.blocks.reshape(len(self.blocks), -1) @ single
        return np.asarray(np.maximum(told, 0.0), float)


def suggested_way(plan: Plan) -> Way:
    """Return the way through the volume that tells most of the rig in the wave's time."""
    grid = _grid(plan)
    told = _told(plan, grid)
    slow = replace(plan, wave=replace(plan.wave, frame_rate=5.0))  # enough to see where one was

    def left(stops: tuple[int, ...]) -> tuple[float, Array]:
        way = _as_stops(plan, grid, stops)
        if way is None:
            return np.inf, np.empty(0)
        return told.left(grid.seconds_at(walk(slow, way), slow.wave.frame_rate))

    n_trials = int(np.clip(MOST_WORK / len(told.known) ** 2, *TRIALS))
    starts = _starts(plan, grid)[: max(n_trials // 4, 3)]
    found = [left(stops) for stops in starts]
    best = int(np.argmin([value for value, _ in found]))
    stops = _bettered(grid, told, left, starts[best], found[best], n_trials)
    way = _as_stops(plan, grid, stops)
    if way is None:  # too short a wave to walk about
        way = (Stop(plan.volume.middle_mm, plan.wave.seconds),)
    return Way(way, plan.wave.seconds)


def _grid(plan: Plan) -> _Grid:
    low, extent = plan.volume.low_mm, plan.volume.size_mm
    n = np.maximum(np.ceil(extent[:2] / SPACING_MM), 1).astype(int)
    size = len(plan.cameras) * n_unknowns(TERMS)
    most = min(MOST_STANDS, int(MOST_BYTES / (4.0 * len(HEIGHTS) * size**2)))
    while n.prod() > max(most, 2):
        n[np.argmax(n)] -= 1
    x, y = (low[k] + (np.arange(n[k]) + 0.5) / n[k] * extent[k] for k in range(2))
    return _Grid((x, y, low[2] + np.array(HEIGHTS) * extent[2]))


def _as_stops(plan: Plan, grid: _Grid, stops: tuple[int, ...]) -> tuple[Stop, ...] | None:
    """Return places by number as a walk that lasts as long as the wave, with equal rests; None
    where the way alone takes longer.
    """
    at = grid.places_mm[list(stops)]
    way = float(np.linalg.norm(np.diff(at, axis=0), axis=1).sum())
    spare = plan.wave.seconds - way / plan.wave.walk_mm_s
    if spare < 0:
        return None
    out: list[Stop] = []
    for place in at:
        rest = spare / len(at)
        if out and np.array_equal(out[-1].place_mm, place):
            out[-1] = Stop(place, out[-1].seconds + rest)
        else:
            out.append(Stop(place, rest))
    return tuple(out)


def _starts(plan: Plan, grid: _Grid) -> list[tuple[int, ...]]:
    """Return walks to begin with: up and down the floor at one height or changing ones, and in
    eights; thinned to what the time allows.
    """
    nx, ny, nz = grid.shape
    number = np.arange(nx * ny * nz).reshape(grid.shape)
    rows = [(x, y if x % 2 == 0 else ny - 1 - y) for x in range(nx) for y in range(ny)]
    corners = [(0, 0), (nx - 1, ny - 1), (nx - 1, 0), (0, ny - 1), (0, 0)]
    out = []
    for heights in ((0, nz - 1), (1,), (nz - 1, 0)):
        for floor in (rows[::2], corners, rows, rows[::3]):
            way = tuple(
                int(number[x, y, heights[k % len(heights)]]) for k, (x, y) in enumerate(floor)
            )
            if _as_stops(plan, grid, way) is not None:
                out.append(way[:MOST_STOPS])
    middle = int(number[nx // 2, ny // 2, nz // 2])
    return [*out, (middle,)]


def _bettered(
    grid: _Grid,
    told: _Told,
    left: Left,
    stops: tuple[int, ...],
    found: tuple[float, Array],
    n_trials: int,
) -> tuple[int, ...]:
    """Return a walk that changes of single stops make no better, as far as tried."""
    rng, places = np.random.default_rng(0), grid.places_mm
    value, C = found
    if not np.isfinite(value):
        return stops
    worth = told.worth(C)
    for _ in range(n_trials):
        other = _changed(places, stops, worth, rng)
        if other == stops:
            continue
        new, C = left(other)
        if new < value:
            stops, value = other, new
            worth = told.worth(C)
    return stops


def _changed(
    places: Array, stops: tuple[int, ...], worth: Array, rng: np.random.Generator
) -> tuple[int, ...]:
    """Return a walk with one change: a stop more, one less, one elsewhere, or a part of it turned
    round.
    """
    kind = rng.integers(4)
    k = int(rng.integers(len(stops)))
    if kind == 0 and len(stops) > 2:
        return stops[:k] + stops[k + 1 :]
    if kind == 1:
        j = int(rng.integers(len(stops)))
        a, b = min(j, k), max(j, k) + 1
        return stops[:a] + stops[a:b][::-1] + stops[b:]
    chance = worth + 1e-300
    new = int(rng.choice(len(worth), p=chance / chance.sum()))
    rest = stops if kind == 2 and len(stops) < MOST_STOPS else stops[:k] + stops[k + 1 :]
    if not rest:  # the only stop, elsewhere
        return (new,)
    if new in rest[max(k - 1, 0) : k + 1]:
        return stops
    to = np.linalg.norm(places[list(rest)] - places[new], axis=1)
    between = np.linalg.norm(np.diff(places[list(rest)], axis=0), axis=1)
    i = int(np.argmin([to[0], *(to[:-1] + to[1:] - between), to[-1]]))
    return (*rest[:i], new, *rest[i:])


# ---- what a second tells


def _told(plan: Plan, grid: _Grid) -> _Told:
    """Return what a second of waving at each place tells, all waved at alike."""
    places = grid.places_mm
    # So few frames a second that a burst's wands differ as a second's do.
    fast = replace(plan, wave=replace(plan.wave, frame_rate=float(BURST)))
    motion = wave_of(fast, np.repeat(places, BURST, axis=0))
    problem, state, options = bundle_of(plan, motion, seen_wave(fast, motion), TERMS)
    n, n_axes = n_unknowns(TERMS), options.shape.n_axes if options.shape else 0
    of_cameras = len(plan.cameras) * n
    size = of_cameras + n_axes * len(plan.wand.markers)
    blocks = np.zeros((len(places), size, size), np.float32)
    for k in range(len(places)):
        first, last = np.searchsorted(problem.frame_number, [k * BURST, (k + 1) * BURST])
        if last > first:
            part, of_part = problem.part(first, last), state.of_frames(slice(first, last))
            found = linearise(part, of_part, TERMS, np.inf, n_axes)
            S, _ = reduced_system(part, found, inverse_factors(found.frame))
            blocks[k] = plan.wave.frame_rate / BURST * S
    away_mm = median_distance(problem, state)
    motions = world_motions(state.cam_R, state.position_mm, n)[:, :6]
    world = np.pad(on_places(-state.cam_R, n, motions), ((0, size - of_cameras), (0, 0)))
    held = np.linalg.qr(world)[0]
    known = known_before(state, options) + held @ held.T
    root = _wanted(plan, state, motions, away_mm, size)
    return _Told(blocks, known, root @ root.T)


def _wanted(plan: Plan, state: State, motions: Array, away_mm: float, size: int) -> Array:
    """Return a root (N, r) of the mean square by which errors of the parameters move places of the
    volume, in the gauge in which a solve states its covariance.
    """
    volume, n = plan.volume, n_unknowns(TERMS)
    places = volume.grid(np.full(3, (volume.size_mm.prod() / N_TESTS) ** (1.0 / 3.0)))
    is_seen = np.stack([look(plan, c, places).is_seen for c in plan.cameras])
    weight = np.zeros((len(plan.cameras), n))  # of the conditions of least trace
    weight[:, :3], weight[:, 3:6] = away_mm**2, 1.0
    E = weight.reshape(-1, 1) * motions
    eye = on_places(-np.swapaxes(state.cam_R, 1, 2), n, np.eye(len(motions)))
    in_gauge = eye - motions @ np.linalg.solve(E.T @ motions, E.T @ eye)
    errors = RigErrors(plan.names, TERMS, in_gauge.reshape(-1, n, len(motions)))
    B, _ = effects(errors, views_where(is_seen), places, cameras_of(planned_rig(plan)))
    is_placed = np.isfinite(B).all(axis=(1, 2))
    root = B[is_placed].reshape(-1, len(motions)).T / np.sqrt(max(int(is_placed.sum()), 1))
    return np.pad(root, ((0, size - len(motions)), (0, 0)))
