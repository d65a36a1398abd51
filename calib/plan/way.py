"""Where to walk with the wand, how long and at which heights, so that a solve knows most.

Waves at places k have information ``I_k`` a second on poses and lenses; of T seconds, shared out by
weights w_k, it is ``S = S_0 + T sum w_k I_k``. Wanted is the least mean variance that the rig's
errors leave of places in the volume, ``tr(M S⁻¹)``, M from what each parameter does to the places
once they are fitted rigidly. Such a criterion is convex in the weights, and multiplying them by the
square root of their sensitivity ``tr(S⁻¹ M S⁻¹ I_k)`` lowers it step by step.

Sources: Fedorov, Theory of Optimal Experiments, 1972; Silvey, Titterington & Torsney, An algorithm
for optimal designs on a finite design space, 1978 (multiplicative steps; square roots for linear
criteria); Pukelsheim, Optimal Design of Experiments, 1993 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, cross_matrix
from calib.core.parameters import n_unknowns
from calib.plan.coverage import look
from calib.plan.records import Plan
from calib.plan.wave import TERMS, Stop, bundle_of, planned_rig, seen_wave, walk, wave_of
from calib.prove.joint import RigErrors, effects
from calib.prove.views import cameras_of, views_of
from calib.solve.bundle.descent import BundleOptions, free_parameters, own_information, with_prior
from calib.solve.bundle.elimination import inverse_factors, reduced_system
from calib.solve.bundle.linearise import linearise
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information, on_places

Index = NDArray[np.intp]
SPACING_MM = 1200.0  # from stop to stop, about what one reaches without a step to each side
MOST_STANDS = 20  # places on the floor to choose from, along both sides together
HEIGHTS = (0.15, 0.5, 0.85)  # of the volume: low, middle, high
BURST = 8  # frames that stand for the waving at a place
N_STEPS = 8  # of the weights: later ones move little
N_TESTS = 120  # places whose variance counts
LEAST_SECONDS = 0.5  # at a height: less is no instruction that one can follow
SHARES = (1.0, 0.8, 0.6, 0.45, 0.3, 0.2)  # of the stands on the floor that a walk goes to
MOST_FRAMES = 250  # of a walk on trial


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
class _Waves:
    """What a second of waving at each place (K, 3) tells: information over the ``rows[k]`` of the
    parameters that it touches.
    """

    places_mm: Array
    rows: tuple[Index, ...]
    blocks: tuple[Array, ...]


def suggested_way(plan: Plan) -> Way:
    """Return the way through the volume that tells most of the rig in the wave's time."""
    places = _places(plan)
    state, waves, known = _told(plan, places)
    target, fixed = _target(plan, state)
    weight = _weights(plan, waves, known + fixed, target)
    ways = _ways(plan, waves.places_mm, weight)
    worth = [left_open(plan, stops, known + fixed, target) for stops in ways]
    return Way(ways[int(np.argmin(worth))], plan.wave.seconds)


def left_open(plan: Plan, stops: tuple[Stop, ...], known: Array, target: Array) -> float:
    """Return the mean variance, mm², that the rig's errors leave of places after a walk."""
    thin = max(1, int(plan.wave.seconds * plan.wave.frame_rate / MOST_FRAMES))
    slow = replace(plan, wave=replace(plan.wave, frame_rate=plan.wave.frame_rate / thin))
    motion = wave_of(slow, walk(slow, stops))
    problem, state, options = bundle_of(slow, motion, seen_wave(slow, motion))
    blocks = linearise(problem, state, TERMS, np.inf, options.shape.n_axes if options.shape else 0)
    S, _ = reduced_system(problem, blocks, inverse_factors(blocks.frame))
    C = Information.of(thin * S + known).covariance()
    return float((C * target).sum())


def _places(plan: Plan) -> Array:
    """Return the places (K, 3) to choose from: a grid over the floor, at three heights."""
    low, size = plan.volume.low_mm, plan.volume.size_mm
    n = np.maximum(np.ceil(size[:2] / SPACING_MM), 1).astype(int)
    while n.prod() > MOST_STANDS:
        n[np.argmax(n)] -= 1
    x, y = ((np.arange(k) + 0.5) / k for k in n)
    share = np.array(list(product(x, y, HEIGHTS)))
    return np.asarray(low + share * size)


def _told(plan: Plan, places: Array) -> tuple[State, _Waves, Array]:
    """Return the state, what a second at each place tells, and what is known without
    any wave.
    """
    # One hand for all: every place is waved at alike.
    hand = np.repeat(places, BURST, axis=0)
    motion = wave_of(_fast(plan), hand)
    tracks = seen_wave(plan, motion)
    problem, state, options = bundle_of(plan, motion, tracks)
    n, n_axes = n_unknowns(TERMS), options.shape.n_axes if options.shape else 0
    size = len(plan.cameras) * n + n_axes * len(plan.wand.markers)
    a_second = plan.wave.frame_rate / BURST
    rows, blocks, kept = [], [], []
    for k in range(len(places)):
        first, last = np.searchsorted(problem.frame_number, [k * BURST, (k + 1) * BURST])
        if last == first:
            continue
        part, of_part = problem.part(first, last), _frames(state, first, last)
        found = linearise(part, of_part, TERMS, np.inf, n_axes)
        S, _ = reduced_system(part, found, inverse_factors(found.frame))
        cameras = np.unique(part.cam)
        at = np.append(
            (cameras[:, None] * n + np.arange(n)).ravel(), np.arange(len(plan.cameras) * n, size)
        )
        rows.append(at)
        blocks.append((a_second * S[np.ix_(at, at)]).astype(np.float32))
        kept.append(k)
    told = _Waves(places[kept], tuple(rows), tuple(blocks))
    return state, told, _known(problem, state, options)


def _fast(plan: Plan) -> Plan:
    """Return the plan with so few frames a second that a burst's wands differ as a second's do."""
    return replace(plan, wave=replace(plan.wave, frame_rate=float(BURST)))


def _frames(state: State, first: int, last: int) -> State:
    return replace(state, wand_R=state.wand_R[first:last], wand_t=state.wand_t[first:last])


def _known(problem: Problem, state: State, options: BundleOptions) -> Array:
    """Return the information (N, N) of what is known of lenses and wand without any wave."""
    nothing = problem.with_weight(np.zeros_like(problem.weight)).part(0, 1)
    n_axes = options.shape.n_axes if options.shape else 0
    blocks = linearise(nothing, _frames(state, 0, 1), TERMS, np.inf, n_axes)
    assert options.prior is not None
    blocks, _ = with_prior(blocks, state, TERMS, options.prior)
    out = np.diag(own_information(blocks))
    if options.shape is not None:
        _, J = options.shape.rows(state.shape_mm)
        out[-J.shape[1] :, -J.shape[1] :] += J.T @ J
    return out


def _target(plan: Plan, state: State) -> tuple[Array, Array]:
    """Return M (N, N): the mean square by which errors of the parameters move places in the volume
    once these are fitted rigidly; and what holds the world where it is.
    """
    volume, n = plan.volume, n_unknowns(TERMS)
    step = (volume.size_mm.prod() / N_TESTS) ** (1.0 / 3.0)
    places = volume.grid(np.full(3, step))
    is_seen = np.stack([look(plan, c, places).is_seen for c in plan.cameras])
    places, is_seen = places[is_seen.sum(axis=0) >= 2], is_seen[:, is_seen.sum(axis=0) >= 2]
    point, cam = np.nonzero(is_seen.T)
    views = views_of(cam, point, np.zeros((len(cam), 2)), len(places))
    back, size = -np.swapaxes(state.cam_R, 1, 2), len(plan.cameras) * n
    root = on_places(back, n, np.eye(size)).reshape(-1, n, size)
    B, _ = effects(RigErrors(plan.names, TERMS, root), views, places, cameras_of(planned_rig(plan)))
    is_placed = np.isfinite(B).all(axis=(1, 2))
    flat = B[is_placed].reshape(-1, size)
    motions = np.concatenate(
        [-cross_matrix(places[is_placed]), np.tile(np.eye(3), (is_placed.sum(), 1, 1))], axis=2
    ).reshape(-1, 6)
    Q = np.linalg.qr(motions)[0]
    flat -= Q @ (Q.T @ flat)
    n_shape = len(state.shape_mm) * (1 if plan.wand.dimension == 1 else 3)
    n_shape = n_shape if plan.wand.sigma_mm > 0 else 0
    M = np.pad(flat.T @ flat / max(is_placed.sum(), 1), ((0, n_shape), (0, n_shape)))
    options = BundleOptions(terms=TERMS)
    _, world = free_parameters(state, options, n_shape)
    F = np.linalg.qr(world)[0]
    return M, F @ F.T


def _weights(plan: Plan, waves: _Waves, known: Array, target: Array) -> Array:
    """Return the share (K,) of the time that each place is worth."""
    K = len(waves.rows)
    weight = np.full(K, 1.0 / max(K, 1))
    for _ in range(N_STEPS):
        S = known.copy()
        for w, at, block in zip(weight, waves.rows, waves.blocks, strict=True):
            S[np.ix_(at, at)] += plan.wave.seconds * w * block
        C = Information.of(S).covariance()
        A = C @ target @ C
        gain = np.array(
            [
                float((A[np.ix_(at, at)] * block).sum())
                for at, block in zip(waves.rows, waves.blocks, strict=True)
            ]
        )
        weight *= np.sqrt(np.maximum(gain, 0.0))
        weight /= max(weight.sum(), 1e-300)
    return weight


def _ways(plan: Plan, places: Array, weight: Array) -> list[tuple[Stop, ...]]:
    """Return walks to try of a wave's shares: to more or fewer of the stands on the floor, those
    that are worth most, at one or more of their heights.
    """
    stands, of_place = np.unique(places[:, :2].round(3), axis=0, return_inverse=True)
    of_place = of_place.ravel()
    ranked = np.argsort(-np.bincount(of_place, weight, len(stands)), kind="stable")
    out: dict[bytes, tuple[Stop, ...]] = {}
    for share in SHARES:
        order = _short_walk(stands, ranked[: max(2, round(share * len(stands)))])
        for n_heights in range(1, len(HEIGHTS) + 1):
            stops = _stops(places, weight, of_place, order, n_heights)
            seconds = plan.wave.seconds - _walking_s(plan, stops)
            if seconds >= LEAST_SECONDS * len(stops):
                stops = _in_time(stops, seconds)
                out[np.array([s.place_mm for s in stops]).tobytes()] = stops
    if not out:  # too short a wave to walk about
        best = places[int(np.argmax(weight))]
        return [(Stop(best, plan.wave.seconds),)]
    return list(out.values())


def _in_time(stops: tuple[Stop, ...], seconds: float) -> tuple[Stop, ...]:
    """Return the stops with their shares as seconds, none shorter than one can follow."""
    share = np.array([s.seconds for s in stops])
    spare = seconds - LEAST_SECONDS * len(stops)
    each = LEAST_SECONDS + spare * share / share.sum()
    return tuple(replace(s, seconds=float(t)) for s, t in zip(stops, each, strict=True))


def _stops(
    places: Array, weight: Array, of_place: Index, order: list[int], n_heights: int
) -> tuple[Stop, ...]:
    """Return the stops of stands in order, each at its best heights, up and down by turns."""
    out: list[Stop] = []
    for stand in order:
        at = np.flatnonzero(of_place == stand)
        at = at[np.argsort(-weight[at], kind="stable")][:n_heights]
        at = at[np.argsort(places[at, 2])]
        if out and abs(out[-1].place_mm[2] - places[at[-1], 2]) < abs(
            out[-1].place_mm[2] - places[at[0], 2]
        ):
            at = at[::-1]
        out += [Stop(places[k], float(max(weight[k], 1e-6))) for k in at]
    return tuple(out)


def _walking_s(plan: Plan, stops: tuple[Stop, ...]) -> float:
    at = np.array([s.place_mm for s in stops])
    return float(np.linalg.norm(np.diff(at, axis=0), axis=1).sum() / plan.wave.walk_mm_s)


def _short_walk(stands: Array, chosen: Index) -> list[int]:
    """Return the chosen stands in the order of a short walk: nearest first, then turned round where
    that shortens it (2-opt: Croes, A method for solving traveling-salesman problems, 1958).
    """
    left = [int(c) for c in chosen]
    order = [min(left, key=lambda c: float(stands[c].sum()))]
    left.remove(order[0])
    while left:
        here = stands[order[-1]]
        order.append(min(left, key=lambda c: float(np.linalg.norm(stands[c] - here))))
        left.remove(order[-1])
    away = np.linalg.norm(stands[:, None] - stands[None], axis=2)

    def length(way: list[int]) -> float:
        return float(sum(away[a, b] for a, b in pairwise(way)))

    is_better = True
    while is_better:
        is_better = False
        for i in range(len(order) - 1):
            for j in range(i + 1, len(order)):
                other = [*order[:i], *order[i : j + 1][::-1], *order[j + 1 :]]
                if length(other) < length(order) - 1e-6:
                    order, is_better = other, True
    return order
