"""All wands that one camera may have seen: searched for in its frames, followed from where they
were found.
"""

from __future__ import annotations

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import Array
from calib.core.tracks import Ints
from calib.naming.follow import follow
from calib.naming.seeds import line_pose, line_seeds, rigid_seeds

MAX_SEEDS = 12  # of one frame: more are chance in a crowd, and the next frame has others
MAX_SEARCH = 80  # points in a frame to search in: the work grows with their cube


@compiled
def search_camera(
    starts: Ints, frame: Ints, xy: Array, shape: Array, share: Array, order: Ints, base: Ints,
    is_line: bool,
    frame_s: float, noise: float, tolerance: float, relative: float, bend: float,
    kappa_max: float, nearest_mm: float,
    n_full: int, n_least: int, n_seed: int,
) -> tuple[Ints, Ints, Ints, Array]:  # fmt: skip
    """Return (chain, frame index, rows, pose): one line a frame of a chain of frames that shows a
    wand.

    ``starts (F + 1,)`` are the rows of ``xy`` (plane z = 1) where frames begin. Every frame whose
    points no chain has taken yet is searched, for wands that are no line by the triples of markers
    ``base (k, 3)`` in turn, so that no hidden marker hides the wand; what is found is followed to
    both sides.
    """
    n_frames, n_markers = frame.shape[0], shape.shape[0]
    span = 0.0
    for m in range(n_markers):
        for o in range(n_markers):
            span = max(span, np.sqrt(((shape[m] - shape[o]) ** 2).sum()))
    capacity = 2 * n_frames + 64
    chain, at_frame = np.empty(capacity, np.int64), np.empty(capacity, np.int64)
    rows, pose = np.empty((capacity, n_markers), np.int64), np.empty((capacity, 12))
    n_lines, n_chains = 0, 0
    # By frame: the lines of the table that hold it, newest first, to see whether a seed is already
    # part of a chain.
    newest, older = np.full(n_frames, -1), np.full(capacity, -1)
    found, kappa = np.empty((MAX_SEEDS, n_markers), np.int64), np.empty(MAX_SEEDS)
    R_found, t_found, rms = (
        np.empty((MAX_SEEDS, 3, 3)),
        np.empty((MAX_SEEDS, 3)),
        np.empty(MAX_SEEDS),
    )
    run_frame, run_rows = np.empty(n_frames, np.int64), np.empty((n_frames, n_markers), np.int64)
    run_pose = np.empty((n_frames, 12))
    for f in range(n_frames):
        n_points = starts[f + 1] - starts[f]
        if n_points < n_seed or n_points > MAX_SEARCH:
            continue
        if is_line:
            n_found = line_seeds(
                xy,
                starts[f],
                starts[f + 1],
                share,
                order,
                span,
                kappa_max,
                tolerance,
                bend,
                found,
                kappa,
            )
            for s in range(n_found):
                i, j = found[s, order[0]], found[s, order[n_markers - 1]]
                R_found[s], t_found[s] = line_pose(
                    xy, i, j, kappa[s], shape, order[0], order[n_markers - 1]
                )
        else:
            if newest[f] >= 0:
                continue
            n_found = rigid_seeds(
                xy, starts[f], starts[f + 1], shape, base[f % base.shape[0]], span, nearest_mm,
                tolerance, relative,
                n_seed, found, R_found, t_found, rms,
            )  # fmt: skip
        for s in range(n_found):
            is_known = False
            line = newest[f]
            while line >= 0 and not is_known:
                is_known = True
                for m in range(n_markers):
                    is_known = is_known and (found[s, m] < 0 or rows[line, m] == found[s, m])
                line = older[line]
            if is_known:
                continue
            begin = n_lines
            for way in range(3):
                if way == 0:
                    run_frame[0], run_rows[0], n_run = f, found[s], 1
                    for k in range(3):
                        run_pose[0, 3 * k : 3 * k + 3] = R_found[s, k]
                    run_pose[0, 9:] = t_found[s]
                else:
                    n_run = follow(
                        starts, frame, xy, f, 1 if way == 1 else -1, R_found[s], t_found[s],
                        found[s], shape, frame_s,
                        noise, tolerance, relative, n_full, n_least, nearest_mm, newest, older,
                        rows, run_frame,
                        run_rows, run_pose,
                    )  # fmt: skip
                while n_lines + n_run > capacity:
                    chain, at_frame = (
                        np.concatenate((chain, chain)),
                        np.concatenate((at_frame, at_frame)),
                    )
                    rows = np.concatenate((rows, rows))
                    older, pose = np.concatenate((older, older)), np.concatenate((pose, pose))
                    capacity *= 2
                for k in range(n_run):
                    chain[n_lines], at_frame[n_lines] = n_chains, run_frame[k]
                    rows[n_lines], pose[n_lines] = run_rows[k], run_pose[k]
                    older[n_lines], newest[run_frame[k]] = newest[run_frame[k]], n_lines
                    n_lines += 1
            if (
                n_lines - begin < 3
            ):  # followed to nowhere: forgotten at once, or chance would fill the memory
                for k in range(n_lines - 1, begin - 1, -1):
                    newest[at_frame[k]] = older[k]
                n_lines = begin
            else:
                n_chains += 1
    return chain[:n_lines], at_frame[:n_lines], rows[:n_lines], pose[:n_lines]
