"""The camera graph: counts against sets, structure against SciPy's graph routines, and what it
tells people.
"""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree

from calib.core.tracks import CameraTracks, Tracks
from calib.errors import UnsolvableError
from calib.solve.start.graph import (
    CameraGraph,
    Overlap,
    camera_graph,
    choose_pairs,
    overlap,
    pair_scores,
    require_connected,
    spanning_tree,
)


def seen(
    name: str, frames: object, n_markers: int = 3, seed: int = 0, size: int = 1000
) -> CameraTracks:
    """A camera that sees every marker in each of ``frames``, anywhere on its sensor."""
    frame = np.repeat(np.asarray(list(frames), np.int64), n_markers)  # type: ignore[call-overload]
    xy = np.random.default_rng(seed).uniform(0, size - 1, (frame.size, 2))
    return CameraTracks(
        name, size, size, frame, xy, np.tile(np.arange(n_markers), frame.size // n_markers)
    )


def capture(*cameras: CameraTracks, rate: float = 100.0) -> Tracks:
    return Tracks(cameras, rate)


def table_of(graph: nx.Graph, frames: int = 100) -> Overlap:
    """The overlap of cameras of which the graph's neighbours share ``frames`` frames of three
    markers.
    """
    n = graph.number_of_nodes()
    shared = nx.to_numpy_array(graph, nodelist=range(n), weight=None).astype(int) * frames
    np.fill_diagonal(shared, frames)
    names = tuple(f"cam{i:02d}" for i in range(n))
    return Overlap(
        names, 3 * shared, shared, shared // 2, shared, np.where(shared > 0, 0.0, np.inf)
    )


@pytest.mark.parametrize("seed", range(4))
def test_overlap_counts_what_sets_count(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cameras = []
    for c in range(5):
        frame, marker = np.nonzero(rng.random((60, 4)) < rng.uniform(0.1, 0.9))
        marker = np.where(rng.random(marker.size) < 0.2, -1, marker)  # strays count nowhere
        cameras.append(
            CameraTracks(
                f"c{c}", 640, 480, frame + 7, rng.uniform(0, (639, 479), (frame.size, 2)), marker
            )
        )
    table = overlap(capture(*cameras, rate=10.0))
    moments = [{(f, m) for f, m in zip(c.frame, c.marker, strict=True) if m >= 0} for c in cameras]
    for i, a in enumerate(cameras):
        for j in range(len(cameras)):
            both = moments[i] & moments[j]
            assert table.points[i, j] == len(both)
            assert table.frames[i, j] == len({f for f, _ in both})
            at = [k for k in range(a.n_points) if (a.frame[k], a.marker[k]) in both]
            cells = {tuple(np.floor((a.xy_px[k] + 0.5) * 8 / (640, 480)).astype(int)) for k in at}
            assert table.cells[i, j] == len(cells)
            assert table.seconds[i, j] == len(
                {f // 10 for f, _ in moments[i]} & {f // 10 for f, _ in moments[j]}
            )


def test_overlap_of_a_camera_without_points() -> None:
    table = overlap(capture(seen("a", range(10)), seen("b", []), seen("c", range(5, 15))))
    assert table.points.tolist() == [[30, 0, 15], [0, 0, 0], [15, 0, 30]]
    assert np.isinf(table.gap_s[1]).all() and table.gap_s[0, 2] == 0.0
    nothing = overlap(capture(seen("a", []), seen("b", [])))
    assert nothing.points.sum() == 0 and camera_graph(nothing).blind == ("a", "b")


def test_high_marker_numbers_count_like_low_ones() -> None:
    """One point of a number that no wand has must not cost memory for all numbers below it in every
    frame.
    """
    cameras = [seen("a", range(0, 3000)), seen("b", range(1500, 4500))]
    high = [
        CameraTracks(
            c.name, c.width, c.height, c.frame, c.xy_px, np.where(c.marker == 2, 32_000, c.marker)
        )
        for c in cameras
    ]
    found, expected = overlap(capture(*high)), overlap(capture(*cameras))
    for table in ("points", "frames", "cells", "seconds"):
        np.testing.assert_array_equal(getattr(found, table), getattr(expected, table))


def test_time_between_cameras_is_counted_in_seconds() -> None:
    table = overlap(capture(seen("a", range(0, 200)), seen("b", range(520, 800)), rate=100.0))
    assert table.gap_s[0, 1] == table.gap_s[1, 0] == 4.0  # second 1 to second 5


# Textbook graphs as networkx builds them; their structure is told again by SciPy's connected
# components.
TEXTBOOK = {
    "kite (Krackhardt 1990)": nx.krackhardt_kite_graph(),
    "two bells on a bar": nx.barbell_graph(4, 2),
    "path": nx.path_graph(6),
    "star": nx.star_graph(5),
    "ring": nx.cycle_graph(7),
    "florentine families (Breiger & Pattison 1986)": nx.convert_node_labels_to_integers(
        nx.florentine_families_graph(), ordering="sorted"
    ),
    "two islands": nx.disjoint_union(nx.cycle_graph(4), nx.path_graph(3)),
    "random": nx.gnp_random_graph(20, 0.12, seed=5),
}


def n_pieces(graph: nx.Graph, without: int | None = None) -> int:
    matrix = nx.to_numpy_array(graph, nodelist=range(graph.number_of_nodes()), weight=None)
    if without is not None:
        matrix = np.delete(np.delete(matrix, without, 0), without, 1)
    return int(connected_components(matrix, directed=False)[0])


@pytest.mark.parametrize("name", TEXTBOOK)
def test_structure_of_textbook_graphs(name: str) -> None:
    graph = TEXTBOOK[name]
    n = graph.number_of_nodes()
    found = camera_graph(table_of(graph))
    index = {camera: i for i, camera in enumerate(found.names)}
    label = connected_components(
        nx.to_numpy_array(graph, nodelist=range(n), weight=None), directed=False
    )[1]
    assert len(found.islands) == n_pieces(graph)
    assert [len(i) for i in found.islands] == sorted((len(i) for i in found.islands), reverse=True)
    assert all(len({label[index[c]] for c in island}) == 1 for island in found.islands)
    lone = {i for i in range(n) if graph.degree[i] == 0}
    falls_apart = {
        i for i in range(n) if i not in lone and n_pieces(graph, without=i) > n_pieces(graph)
    }
    assert {index[c] for c in found.articulation} == falls_apart
    assert {index[c] for c in found.hanging} == {i for i in range(n) if graph.degree[i] == 1}
    assert {index[c] for c in found.unlinked} == lone


@pytest.mark.parametrize("seed", range(5))
def test_spanning_tree_weighs_what_scipys_weighs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    graph = nx.gnp_random_graph(15, 0.3, seed=seed)
    graph = nx.convert_node_labels_to_integers(
        graph.subgraph(max(nx.connected_components(graph), key=len))
    )
    n, edges = graph.number_of_nodes(), list(graph.edges)
    weight = rng.uniform(1, 10, len(edges))
    tree = spanning_tree(n, edges, weight)
    of = {frozenset(e): w for e, w in zip(edges, weight, strict=True)}
    matrix = np.zeros((n, n))
    for (i, j), w in zip(edges, weight, strict=True):
        matrix[i, j] = 100.0 - w  # the lightest tree of the complement is the heaviest tree
    heaviest = 100.0 * (n - 1) - minimum_spanning_tree(matrix).sum()
    assert sum(of[frozenset(e)] for e in tree) == pytest.approx(heaviest, rel=1e-12)
    root = int(np.argmax([sum(w for e, w in of.items() if i in e) for i in range(n)]))
    depth = {root: 0}
    for parent, child in tree:
        assert (
            parent in depth and child not in depth
        )  # every camera comes after the one it hangs on
        depth[child] = depth[parent] + 1
    assert len(depth) == n
    assert list(depth.values()) == sorted(depth.values())


def test_spanning_tree_keeps_to_the_largest_piece() -> None:
    tree = spanning_tree(6, [(0, 1), (2, 3), (3, 4)], [100.0, 1.0, 1.0])
    assert tree == [(3, 2), (3, 4)]


def links(*cameras: CameraTracks) -> CameraGraph:
    return camera_graph(overlap(capture(*cameras)))


def test_few_views_of_many_points_link_and_few_points_do_not() -> None:
    # A planar board of 32 points in three views gives an essential matrix; so do 78 views of three
    # markers.
    assert len(links(seen("a", range(3), 32), seen("b", range(3), 32)).edges) == 1
    assert len(links(seen("a", range(78)), seen("b", range(78))).edges) == 1
    assert links(seen("a", range(2), 32), seen("b", range(2), 32)).edges == ()
    assert links(seen("a", range(6)), seen("b", range(6))).edges == ()  # 18 points


def islands_capture() -> Tracks:
    # The wand is carried from cam01 and cam02 over to cam03, which loses it just before cam07 takes
    # it up.
    return capture(
        seen("cam01", range(0, 500), seed=1),
        seen("cam02", range(0, 900), seed=2),
        seen("cam03", range(400, 1200), seed=3),
        seen("cam07", range(1250, 2000), seed=7),
        seen("cam08", range(1500, 2000), seed=8),
    )


def test_islands_are_named_with_the_pair_to_wave_between() -> None:
    graph = camera_graph(overlap(islands_capture()))
    assert graph.islands == (("cam01", "cam02", "cam03"), ("cam07", "cam08"))
    assert graph.waves == (("cam03", "cam07"),)
    with pytest.raises(UnsolvableError) as error:
        require_connected(graph)
    line = str(error.value)
    assert "cam01, cam02 and cam03 | cam07 and cam08" in line
    advice = ". Wave where cam03 and cam07 both see the wand. Or solve the largest island alone"
    assert advice in line and "\n" not in line
    assert error.value.cameras == ("cam07", "cam08")


def test_a_pair_that_shares_almost_enough_frames_is_the_one_to_wave_between() -> None:
    graph = links(
        seen("a", range(0, 500)),
        seen("b", [*range(0, 500), 900, 901]),
        seen("c", range(505, 899)),
        seen("d", range(505, 902)),
    )
    assert graph.waves == (("b", "d"),)


def test_several_islands_need_one_wave_fewer() -> None:
    blocks = [
        seen(f"{x}{k}", range(1000 * i, 1000 * i + 300))
        for i, x in enumerate("abcd")
        for k in (1, 2)
    ]
    graph = links(*blocks)
    assert [len(i) for i in graph.islands] == [2, 2, 2, 2]
    # Island after island in time: the wand goes from a to b, b to c, c to d.
    assert {(a[0], b[0]) for a, b in graph.waves} == {("a", "b"), ("b", "c"), ("c", "d")}


def test_a_camera_without_points_is_named_and_has_no_pair() -> None:
    graph = links(seen("cam01", range(50)), seen("cam02", range(50)), seen("cam03", []))
    assert (graph.blind, graph.unlinked, graph.waves) == (("cam03",), ("cam03",), ())
    with pytest.raises(
        UnsolvableError, match=r"Wave where cam03 and a neighbour both see the wand\. Or"
    ):
        require_connected(graph)


def test_connected_rigs_and_two_cameras_pass() -> None:
    require_connected(camera_graph(table_of(nx.cycle_graph(5))))
    two = links(seen("a", range(50)), seen("b", range(50)))
    require_connected(two)
    assert two.hanging == () and two.articulation == ()


@pytest.mark.parametrize("n_neighbours", [1, 2, 4])
@pytest.mark.parametrize("seed", range(4))
def test_chosen_pairs_keep_a_rig_in_one_piece(seed: int, n_neighbours: int) -> None:
    # Clusters that share much within and little between: best neighbours alone would part them.
    rng = np.random.default_rng(seed)
    frames = np.full((12, 12), 0)
    for k in range(0, 12, 4):
        frames[k : k + 4, k : k + 4] = 400 + rng.integers(0, 100, (4, 4))
    for i, j in ((3, 4), (7, 8)):
        frames[i, j] = 10
    frames = np.triu(frames, 1) + np.triu(frames, 1).T + np.diag(np.full(12, 900))
    names = tuple(f"c{i}" for i in range(12))
    table = Overlap(
        names, 3 * frames, frames, np.minimum(frames, 64), frames, np.where(frames > 0, 0.0, np.inf)
    )
    chosen = choose_pairs(table, n_neighbours)
    assert {(3, 4), (7, 8)} <= set(chosen)
    assert nx.is_connected(nx.from_edgelist(chosen))
    assert all(i < j for i, j in chosen) and len(set(chosen)) == len(chosen)
    score = pair_scores(table)
    for i in range(12):
        others = [j for j in range(12) if j != i and frames[i, j]]
        best = sorted(others, key=lambda j: -score[i, j])[:n_neighbours]
        assert {(min(i, j), max(i, j)) for j in best} <= set(chosen)


def test_spread_counts_for_more_than_the_thousandth_point() -> None:
    # b sees the wand 1000 times in one spot of a's sensor, c 150 times all over it.
    a_frame = np.arange(1150)
    a_xy = np.random.default_rng(0).uniform(0, 999, (1150, 2))
    a_xy[:1000] = 500 + a_xy[:1000] * 0.05
    a = CameraTracks("a", 1000, 1000, a_frame, a_xy, np.zeros(1150))
    table = overlap(capture(a, seen("b", range(1000), 1), seen("c", range(1000, 1150), 1)))
    score = pair_scores(table)
    assert score[0, 2] > score[0, 1] > 0.0
    assert np.allclose(score, score.T) and score.max() <= 1.0


def test_pairs_below_the_limit_are_not_attempted() -> None:
    table = overlap(
        capture(seen("a", range(50)), seen("b", range(48, 90)), seen("c", range(45, 90)))
    )
    assert choose_pairs(table) == [(1, 2)]
