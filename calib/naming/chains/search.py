"""All wands that one camera may have seen: searched for in its frames, followed from where they
were found.
"""

from __future__ import annotations

import numpy as np

from calib.core.compiled import compiled
from calib.core.frames import Ints
from calib.naming.chains.follow import follow, is_known
from calib.naming.chains.records import Chains, Limits, Points, Run, Seeds, Shape
from calib.naming.chains.seeds import line_seeds, rigid_seeds

MAX_SEEDS = 12  # of one frame: more are chance in a crowd, and the next frame has others
MAX_SEARCH = 80  # points in a frame to search in: the work grows with their cube
LEAST_VIEWS = 3  # followed to fewer, a seed is forgotten at once, or chance would fill the memory


@compiled
def search_camera(points: Points, shape: Shape, limits: Limits) -> Chains:
    """Return all chains of views of a wand: every frame is searched, and what is found followed to
    both sides.
    """
    n_frames, n_markers = len(points.frame), len(shape.points_mm)
    chains = Chains(
        np.empty(n_frames + 64, np.int64),
        np.empty(n_frames + 64, np.int64),
        np.empty((n_frames + 64, n_markers), np.int64),
        np.empty((n_frames + 64, 12)),
        np.full(n_frames + 64, -1),
        np.full(n_frames, -1),
    )
    seeds = Seeds(
        np.empty((MAX_SEEDS, n_markers), np.int64), np.empty((MAX_SEEDS, 12)), np.empty(MAX_SEEDS)
    )
    run = Run(
        np.empty(n_frames, np.int64),
        np.empty((n_frames, n_markers), np.int64),
        np.empty((n_frames, 12)),
    )
    # In an array: of numbers that begin as constants a function is compiled for these as well.
    n = np.zeros(2, np.int64)
    for f in range(n_frames):
        for s in range(seeds_at(points, f, shape, limits, chains, seeds)):
            if is_known(chains, f, seeds.rows[s]):
                continue
            begin = n[0]
            for step in (0, 1, -1):
                n_run = 1
                if step == 0:
                    run.frame[0], run.rows[0], run.pose[0] = f, seeds.rows[s], seeds.pose[s]
                else:
                    n_run = follow(points, shape, limits, chains, f, step, seeds.pose[s], run)
                chains = extended(chains, n, run, n_run)
            if n[0] - begin < LEAST_VIEWS:
                for v in range(n[0] - 1, begin - 1, -1):
                    chains.newest[chains.frame[v]] = chains.older[v]
                n[0] = begin
            else:
                n[1] += 1
    n_views = n[0]
    return Chains(
        chains.chain[:n_views],
        chains.frame[:n_views],
        chains.rows[:n_views],
        chains.pose[:n_views],
        chains.older[:n_views],
        chains.newest,
    )


@compiled
def seeds_at(
    points: Points, f: int, shape: Shape, limits: Limits, chains: Chains, seeds: Seeds
) -> int:
    """Write the wands that frame f may show by itself; return how many.

    Those that are no line are tried by two triples of markers in turn, so that no hidden marker
    hides the wand, and only where no chain has come through.
    """
    xy = points.xy[points.starts[f] : points.starts[f + 1]]
    if not shape.n_seed <= len(xy) <= MAX_SEARCH:
        return 0
    if shape.is_line:
        return int(line_seeds(xy, shape, limits, seeds))
    if chains.newest[f] >= 0:
        return 0
    return int(rigid_seeds(xy, shape, shape.bases[f % len(shape.bases)], limits, seeds))


@compiled
def extended(chains: Chains, n: Ints, run: Run, n_run: int) -> Chains:
    """Return the chains with the run's first ``n_run`` views added to the last; ``n (2,)`` are how
    many views there are, which is counted on, and how many chains before.
    """
    while n[0] + n_run > len(chains.chain):
        chains = Chains(
            np.concatenate((chains.chain, chains.chain)),
            np.concatenate((chains.frame, chains.frame)),
            np.concatenate((chains.rows, chains.rows)),
            np.concatenate((chains.pose, chains.pose)),
            np.concatenate((chains.older, chains.older)),
            chains.newest,
        )
    for k in range(n_run):
        f, v = run.frame[k], n[0] + k
        chains.chain[v], chains.frame[v] = n[1], f
        chains.rows[v], chains.pose[v] = run.rows[k], run.pose[k]
        chains.older[v], chains.newest[f] = chains.newest[f], v
    n[0] += n_run
    return chains
