"""The camera graph: which cameras saw the same markers, what holds them together, and which pairs
to solve.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from calib.core.compiled import compiled
from calib.core.frames import Ints, common_frames
from calib.core.geometry import Array, frozen
from calib.core.names import listed
from calib.core.threads import in_groups
from calib.core.tracks import Tracks
from calib.errors import UnsolvableError

Pair = tuple[int, int]

# A pair's relative pose has five unknowns and any five points fit one exactly; four times as many
# leave most points to vote on it. One pose of a flat target leaves two solutions and a second only
# chooses between them: with three, one view can be told wrong by the others.
MIN_SHARED_POINTS = 20
MIN_SHARED_FRAMES = 3
GRID = 8  # cells along each side of a sensor: coarse enough that a quick wave can fill it


@dataclass(frozen=True, slots=True, eq=False)
class Overlap:
    """What each two cameras have in common; every table is (C, C), with a camera's own figure on
    the diagonal.

    ``points`` counts identified markers seen by both in the same frame and ``frames`` the frames
    that hold one; ``cells[i, j]`` is how many cells of an 8 by 8 grid on sensor i those points fall
    in. ``seconds`` counts the seconds in which both saw the wand, at the same moment or not, and
    ``gap_s`` is the least time in s between two such seconds, inf where one saw none.
    """

    names: tuple[str, ...]
    points: Ints
    frames: Ints
    cells: Ints
    seconds: Ints
    gap_s: Array

    def __post_init__(self) -> None:
        for table in ("points", "frames", "cells", "seconds"):
            object.__setattr__(self, table, frozen(getattr(self, table), np.int64))
        object.__setattr__(self, "gap_s", frozen(self.gap_s))


def overlap(tracks: Tracks) -> Overlap:
    """Count what the cameras share of the identified points of ``tracks``."""
    points, frames, is_cell = shared(tracks)
    rows = [np.flatnonzero(c.marker >= 0) for c in tracks.cameras]
    camera = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
    number = np.concatenate([c.frame[r] for c, r in zip(tracks.cameras, rows, strict=True)])
    in_time = _in_time(camera, number, len(rows), tracks.frame_rate_hz)
    return Overlap(tracks.names, points, frames, is_cell.sum(axis=2), **in_time)


def shared(tracks: Tracks) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Return points (C, C), frames (C, C) as ``Overlap`` counts them, and in which cells of sensor
    i (C, C, 64) the points lie that cameras i and j share.
    """
    n = len(tracks.cameras)
    rows = [np.flatnonzero(c.marker >= 0) for c in tracks.cameras]
    both = list(zip(tracks.cameras, rows, strict=True))
    _, frame_of = common_frames([c.frame[r] for c, r in both])
    marker = np.concatenate([c.marker[r].astype(np.intp) for c, r in both])
    start = np.concatenate([[0], np.cumsum([len(r) for r in rows])])
    camera, frame = np.repeat(np.arange(n), np.diff(start)), np.concatenate(frame_of)
    row = frame * (marker.max(initial=0) + 1) + marker
    if row.max(initial=0) > 8 * len(row):  # a stray marker number must not cost memory
        row = np.unique(row, return_inverse=True)[1]
    sees = np.zeros((row.max(initial=-1) + 1, n), bool)  # one row for each marker at each moment
    sees[row, camera] = True
    points, frames = np.zeros((n, n), np.int64), np.zeros((n, n), np.int64)
    in_cell = np.zeros((n, GRID * GRID, n), bool)

    def fill(cameras: Sequence[int]) -> None:
        for i in cameras:
            c, own = tracks.cameras[i], slice(start[i], start[i + 1])
            cell = _cell(c.xy_px[rows[i]], c.width, c.height)
            _count(sees, row[own], frame[own], cell, points[i], frames[i], in_cell[i])

    in_groups(fill, range(n))
    return points, frames, np.swapaxes(in_cell, 1, 2)


@compiled
def _count(
    sees: Any, row: Any, frame: Any, cell: Any, points: Any, frames: Any, in_cell: Any
) -> None:
    """Add up what a camera's points (n,), in order of frames, share with each camera (C,), and mark
    the cells (64, C) that they lie in; ``sees (rows, C)``.
    """
    n = len(points)
    in_frame = np.zeros(n, np.bool_)
    for k in range(len(row)):
        if k and frame[k] != frame[k - 1]:
            frames += in_frame
            in_frame[:] = False
        also, here = sees[row[k]], in_cell[cell[k]]
        for j in range(n):
            points[j] += also[j]
            in_frame[j] |= also[j]
            here[j] |= also[j]
    frames += in_frame


def _cell(xy_px: Array, width: int, height: int) -> Ints:
    """Return the number of the sensor's grid cell that each point lies in."""
    cell = np.clip((xy_px + 0.5) * GRID / np.array([width, height]), 0, GRID - 1).astype(np.int64)
    return np.asarray(cell[:, 0] * GRID + cell[:, 1])


def _in_time(camera: NDArray[np.intp], frame: Ints, n: int, frame_rate_hz: float) -> dict[str, Any]:
    """Return the tables ``seconds`` and ``gap_s``."""
    second, column = np.unique(np.floor(frame / frame_rate_hz), return_inverse=True)
    is_there = np.zeros((n, second.size), bool)
    is_there[camera, column] = True
    last = np.maximum.accumulate(np.where(is_there, second, -np.inf), axis=1)
    following = np.minimum.accumulate(np.where(is_there, second, np.inf)[:, ::-1], axis=1)[:, ::-1]
    away = np.minimum(second - last, following - second)  # of every camera, at every second
    gap = np.stack([away[:, there].min(axis=1, initial=np.inf) for there in is_there])
    both = is_there.astype(np.float64)
    return {"seconds": np.rint(both @ both.T), "gap_s": gap}


@dataclass(frozen=True, slots=True, eq=False)
class CameraGraph:
    """How the cameras hang together, by name.

    ``islands`` lists the groups that shared points link, largest first; ``articulation`` the
    cameras whose loss splits an island; ``hanging`` those linked to one camera alone; ``unlinked``
    those linked to none; ``waves`` the pairs of cameras that a further wave has to link, one fewer
    than there are islands of cameras with points.
    """

    names: tuple[str, ...]
    edges: tuple[Pair, ...]
    islands: tuple[tuple[str, ...], ...]
    articulation: tuple[str, ...]
    hanging: tuple[str, ...]
    unlinked: tuple[str, ...]
    blind: tuple[str, ...]
    waves: tuple[tuple[str, str], ...]


def _graph(n: int, edges: Iterable[Pair]) -> Any:
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_edges_from(edges)
    return graph


def _usable(table: Overlap) -> list[Pair]:
    is_enough = (table.frames >= MIN_SHARED_FRAMES) & (table.points >= MIN_SHARED_POINTS)
    is_edge = np.triu(is_enough, 1)
    return [(int(i), int(j)) for i, j in np.argwhere(is_edge)]


def camera_graph(table: Overlap) -> CameraGraph:
    """Return the graph whose edges are pairs with enough shared frames and points to give a
    relative pose.
    """
    n, names = len(table.names), table.names
    edges = _usable(table)
    graph = _graph(n, edges)
    islands = sorted(
        (sorted(c) for c in nx.connected_components(graph)), key=lambda c: (-len(c), c)
    )
    return CameraGraph(
        names=names,
        edges=tuple(edges),
        islands=tuple(tuple(names[i] for i in island) for island in islands),
        articulation=tuple(names[i] for i in sorted(nx.articulation_points(graph))),
        # Two cameras alone hang on each other and nothing can be done about it.
        hanging=tuple(names[i] for i in range(n) if graph.degree[i] == 1 and n > 2),
        unlinked=tuple(names[i] for i in range(n) if graph.degree[i] == 0),
        blind=tuple(names[i] for i in range(n) if table.points[i, i] == 0),
        waves=tuple((names[i], names[j]) for i, j in _waves(table, islands)),
    )


def _waves(table: Overlap, islands: Sequence[Sequence[int]]) -> list[Pair]:
    """Return the pairs of cameras that would link the islands with the fewest further waves.

    Two cameras can probably see one place where the wand passed from one to the other: most shared
    frames first, then most seconds in which both saw the wand, then the shortest time between.
    """
    merit = np.lexsort((-table.gap_s.ravel(), table.seconds.ravel(), table.frames.ravel()))
    rank = np.argsort(merit).reshape(table.gap_s.shape)
    graph = nx.Graph()
    seen = [[i for i in island if table.points[i, i]] for island in islands]
    for a, first in enumerate(seen):
        for b in range(a + 1, len(seen)):
            if first and seen[b]:
                block = rank[np.ix_(first, seen[b])]
                i, j = np.unravel_index(int(block.argmax()), block.shape)
                graph.add_edge(a, b, rank=int(block.max()), pair=(first[i], seen[b][j]))
    chosen = nx.maximum_spanning_edges(graph, weight="rank", data=True)
    return [(min(data["pair"]), max(data["pair"])) for _, _, data in chosen]


def smallest_cut(table: Overlap) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the two groups of cameras between which pairs share the fewest points.

    Source: Stoer & Wagner, A simple min-cut algorithm, JACM 44, 1997.
    """
    graph = nx.Graph()
    for i, j in zip(*np.nonzero(np.triu(table.points, 1)), strict=True):
        graph.add_edge(table.names[i], table.names[j], weight=int(table.points[i, j]))
    with warnings.catch_warnings():  # networkx 3.2 looks for pandas on the way
        warnings.simplefilter("ignore", ImportWarning)
        _, (one, other) = nx.stoer_wagner(graph)
    return tuple(one), tuple(other)


def wave_between(graph: CameraGraph) -> str:
    """Return the sentence that says where to wave to link the islands; empty where there is nothing
    to link.
    """
    places = [f"where {a} and {b} both see the wand" for a, b in graph.waves]
    return f"Wave {listed(places, most=4)}." if places else ""


def wave_advice(graph: CameraGraph) -> str:
    """Return what to do about islands and cameras without points; empty where the rig is in one
    piece.
    """
    blind = (
        f"Wave where {listed(graph.blind)} and a neighbour both see the wand."
        if graph.blind
        else ""
    )
    return f"{wave_between(graph)} {blind}".strip()


def require_connected(graph: CameraGraph) -> None:
    """Raise UnsolvableError naming the islands and the pairs of cameras to wave between, unless
    there is one.
    """
    if len(graph.islands) == 1:
        return
    apart = [name for island in graph.islands[1:] for name in island]
    raise UnsolvableError(
        "camera graph",
        expected="all cameras linked through wand frames that they share",
        found=f"{len(graph.islands)} islands: "
        + " | ".join(listed(island) for island in graph.islands[:6]),
        remedy=f"{wave_advice(graph)} Or solve the largest island alone: --partial (partial=True "
        "in Python).",
        cameras=apart,
    )


def pair_scores(table: Overlap) -> Array:
    """Return how much each pair promises to determine (C, C), 0 to 1: points, saturating, times
    their spread.

    The hundredth point halves what is left to gain; past that a wider spread over both sensors does
    more.
    """
    spread = np.sqrt(table.cells * table.cells.T) / (GRID * GRID)
    return np.asarray(table.points / (table.points + 100.0) * spread)


def choose_pairs(table: Overlap, n_neighbours: int = 3) -> list[Pair]:
    """Return the pairs (i, j), i < j, worth a relative pose: each camera's best neighbours and a
    spanning tree.

    Cameras that the graph links stay linked, whatever ``n_neighbours`` is. Those with most in
    common come first.
    """
    n, score = len(table.names), pair_scores(table)
    edges = _usable(table)
    graph = _graph(n, edges)
    for i, j in edges:
        graph.edges[i, j]["weight"] = score[i, j]
    chosen = {(min(e), max(e)) for e in nx.maximum_spanning_edges(graph, data=False)}
    for i in range(n):
        best = sorted(graph[i], key=lambda j: (-score[i, j], j))[:n_neighbours]
        chosen.update((min(i, j), max(i, j)) for j in best)
    return sorted(chosen, key=lambda e: (-score[e], e))


def spanning_tree(n: int, edges: Sequence[Pair], weights: Sequence[float] | Array) -> list[Pair]:
    """Return the maximum spanning tree of the largest piece of a graph as (parent, child), breadth
    first.

    The root is the node with the greatest sum of weights. Nodes that no path reaches from it do not
    appear.

    >>> spanning_tree(4, [(0, 1), (1, 2), (0, 2), (2, 3)], [1.0, 5.0, 2.0, 4.0])
    [(2, 1), (2, 3), (2, 0)]
    """
    graph = _graph(n, ())
    graph.add_weighted_edges_from(
        (i, j, float(w)) for (i, j), w in zip(edges, weights, strict=True)
    )
    piece = max(nx.connected_components(graph), key=lambda c: (len(c), -min(c)))
    root = max(sorted(piece), key=lambda i: graph.degree(i, weight="weight"))
    tree = nx.maximum_spanning_tree(graph.subgraph(piece))

    def heaviest_first(nodes: Iterable[int], parent: int) -> list[int]:
        return sorted(nodes, key=lambda i: (-tree.edges[parent, i]["weight"], i))

    order: list[Pair] = []
    queue, reached = [root], {root}
    for parent in queue:
        for child in heaviest_first((i for i in tree[parent] if i not in reached), parent):
            reached.add(child)
            queue.append(child)
            order.append((parent, child))
    return order
