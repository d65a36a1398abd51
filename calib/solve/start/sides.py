"""Cameras in groups by what pairs of them say: which fit one another, and which are mirrored."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from scipy import sparse

from calib.core.frames import Ints

Pair = tuple[int, int]


def groups(pairs: Iterable[Pair], n: int) -> Ints:
    """Return which group each of n cameras (n,) is in, of those that ``pairs`` tie together: 0 is
    the largest, and of equal ones that of the first camera.

    >>> groups([(0, 3), (1, 2), (2, 4)], 5)
    array([1, 0, 0, 1, 0])
    """
    a, b = np.array(list(pairs), int).reshape(-1, 2).T
    ties = sparse.coo_array((np.ones(len(a)), (a, b)), shape=(n, n))
    n_groups, of = sparse.csgraph.connected_components(ties, directed=False)
    rank = np.argsort(-np.bincount(of, minlength=n_groups), kind="stable")
    return np.asarray(np.argsort(rank)[of], dtype=np.int64)


def odd_ones(parity: Mapping[Pair, bool], n: int) -> list[int]:
    """Return the cameras in the smaller of the two sides between which pairs fit only mirrored,
    ``parity`` being whether a pair does so.
    """
    side = np.full(n, -1)
    for root in range(n):
        if side[root] >= 0 or not any(root in pair for pair in parity):
            continue
        side[root], todo, group = 0, [root], [root]
        while todo:
            c = todo.pop()
            for (a, b), odd in parity.items():
                other = b if a == c else a if b == c else -1
                if other >= 0 and side[other] < 0:
                    side[other] = side[c] ^ odd
                    todo.append(other)
                    group.append(other)
        odd_side = [c for c in group if side[c]]
        few = odd_side if 2 * len(odd_side) <= len(group) else [c for c in group if not side[c]]
        for c in group:
            side[c] = 2 if c in few and len(few) < len(group) else 3
    return [int(c) for c in np.flatnonzero(side == 2)]
