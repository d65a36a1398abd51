"""Which cameras still agree among themselves.

Only the cameras' places relative to one another show in a wave. A set B agrees when one rig, the
stored one within its uncertainty, explains all of it; what the other cameras did is left free.
Sought is the B that leaves out the fewest cameras, each at the price of a test at the level given:
the least of ``misfit(B) + price × (cameras left out)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.recheck.compare import Comparison
from calib.core.parameters import N_CHANGE, N_POSE
from calib.solve.certainty.normal import Information

Index = NDArray[np.intp]
# while a set grows: who fits it at this level joins by how well he is known, others by how well
# they fit
EASY = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """Cameras that agree (C,), and the others in groups that agree among themselves,
    largest first.
    """

    is_agreeing: NDArray[np.bool_]
    groups: tuple[tuple[int, ...], ...]


def gain(found: Comparison, at: Index) -> float:
    """Return by how much -2 log likelihood falls when these parameters may have changed."""
    return found.information.at(at).gain()


def price(n_cameras: int, alpha: float) -> float:
    """Return the fall of -2 log likelihood that a camera must bring to be left out, the number of
    cameras counted.
    """
    return float(special.chdtri(N_CHANGE, alpha / n_cameras))


def find_agreement(found: Comparison, candidates: Index, alpha: float) -> Agreement:
    """Return the largest set of the candidates that agree; cameras that are no candidates are left
    free throughout.

    Starts from every camera as a seed and from all together, and ends where no single camera more
    or less improves.
    """
    limit = price(len(candidates), alpha)
    whole = np.zeros(len(found.names), bool)
    whole[candidates] = True
    if _is_sound(found, whole, candidates, alpha):
        return Agreement(whole, ())
    starts = {tuple(_grow(found, int(seed), candidates, limit).tolist()) for seed in candidates} | {
        tuple(whole.tolist())
    }
    scored = []
    for start in starts:
        inside = np.array(start)
        scored.append((_misfit(found, inside) + limit * (whole & ~inside).sum(), start))
    scored.sort()
    best, best_cost = whole, np.inf
    for _, start in [*scored[:2], (0.0, tuple(whole.tolist()))]:
        inside, cost = _improved(found, np.array(start), candidates, limit)
        if cost < best_cost - 1e-9:
            best, best_cost = inside, cost
    groups, rest = [], whole & ~best
    while rest.any():
        others = np.flatnonzero(rest)
        grown = [_grow(found, int(seed), others, limit) for seed in others]
        group = max(grown, key=lambda g: int(g.sum()))
        groups.append(tuple(int(c) for c in np.flatnonzero(group)))
        rest &= ~group
    return Agreement(best, tuple(sorted(groups, key=lambda g: (-len(g), g))))


def _is_sound(found: Comparison, whole: NDArray[np.bool_], candidates: Index, alpha: float) -> bool:
    """Return whether neither the candidates together nor one of them alone speaks against their
    agreeing.
    """
    free = found.at(np.flatnonzero(~whole))
    alone = [
        gain(found, np.append(free, found.at(np.array([c])))) - gain(found, free)
        for c in candidates
    ]
    dof = N_CHANGE * len(candidates) - N_POSE
    return max(alone) < price(len(candidates), alpha) and _misfit(found, whole) < special.chdtri(
        dof, alpha
    )


def _misfit(found: Comparison, inside: NDArray[np.bool_]) -> float:
    """Return what -2 log likelihood loses when the cameras inside are held together, over leaving
    everything free.
    """
    if not inside.any():
        return 0.0
    # One pose stays, whichever: it takes the world along.
    held = found.at(np.flatnonzero(inside)[:1])[:N_POSE]
    free = np.delete(np.arange(len(inside) * N_CHANGE), held)
    return gain(found, free) - gain(found, found.at(np.flatnonzero(~inside)))


def _grow(found: Comparison, seed: int, candidates: Index, limit: float) -> NDArray[np.bool_]:
    """Return the cameras that join a seed one by one while each fits with all before it."""
    n = len(found.names)
    order = np.array([c for c in range(n) if c != seed], dtype=np.intp)
    others = found.information.at(found.at(order))
    K, change = others.covariance(), others.estimate()
    inside = np.zeros(n, bool)
    inside[seed] = True
    is_open = np.isin(order, candidates)
    easy = special.chdtri(N_CHANGE, EASY)
    while is_open.any():
        rows = [slice(k * N_CHANGE, (k + 1) * N_CHANGE) for k in np.flatnonzero(is_open)]
        blocks = np.stack([K[r, r] for r in rows])
        values = np.stack([change[r] for r in rows])
        scale = np.sqrt(np.maximum(np.einsum("cii->ci", blocks), 1e-300))
        correlation = blocks / scale[:, :, None] / scale[:, None, :] + 1e-10 * np.eye(N_CHANGE)
        scaled = values / scale
        misfit = (scaled * np.linalg.solve(correlation, scaled[..., None])[..., 0]).sum(axis=1)
        if not (misfit < limit).any():
            break
        spread = 2.0 * np.log(scale).sum(axis=1) + np.linalg.slogdet(correlation)[1]
        pick = int(
            np.argmin(np.where(misfit < easy, spread, np.inf))
            if (misfit < easy).any()
            else np.argmin(misfit)
        )
        row = rows[pick]
        step = Information.of(K[row, row]).solve(np.column_stack([K[row], change[row]]))
        change = change - K[:, row] @ step[:, -1]
        K = K - K[:, row] @ step[:, :-1]
        joined = np.flatnonzero(is_open)[pick]
        inside[order[joined]] = True
        is_open[joined] = False
    return inside


def _improved(
    found: Comparison, inside: NDArray[np.bool_], candidates: Index, limit: float
) -> tuple[NDArray[np.bool_], float]:
    """Return the set after the best single changes, as long as one lowers the cost, and
    its cost.
    """

    def cost(trial: NDArray[np.bool_]) -> float:
        return (
            _misfit(found, trial) + limit * int((~trial[candidates]).sum())
            if trial.any()
            else np.inf
        )

    now = cost(inside)
    for _ in range(2 * len(candidates)):
        trials = []
        for c in candidates:
            trial = inside.copy()
            trial[c] = ~trial[c]
            trials.append((cost(trial), int(c)))
        best, c = min(trials)
        if best >= now - 1e-9:
            break
        inside, now = inside.copy(), best
        inside[c] = ~inside[c]
    return inside, now
