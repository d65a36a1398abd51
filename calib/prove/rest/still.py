"""Markers at rest in a capture: one place in space for each, with what noise and the rig's errors
do to all of them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from calib.core.frames import Ints
from calib.core.geometry import Array, sigma_of
from calib.core.rig import Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.errors import InputError, UnsolvableError
from calib.prove.rest.match import matched_points
from calib.prove.space.joint import effects, joint_of
from calib.prove.space.place import place
from calib.prove.space.views import Cameras, cameras_of, views_of
from calib.solve.certainty.rig_errors import rig_errors

MOST_FRAMES = 200  # of a still scene more frames say nothing new
LEAST_SHARE = 0.5  # of these frames in which a camera shows a nameless point that is at rest
# What averaging leaves: the centroid of a still image is off by some hundredths of a pixel that
# depend on where it lies among the pixels (Shortis, Clarke & Short, SPIE 2350, 1994; from memory).
PHASE_PX = 0.02
# A marker at rest scatters by the noise of its centroid; one that moves, by pixels.
MOVES_NOISES, MOVES_PX = 8.0, 1.0
LEAST_SHOWN = 3  # points at rest that are markers rather than lamps
ARRAYS = ("points_mm", "B", "noise_mm2", "marker", "rms_px")  # of ``Still``, a row a marker


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """Markers at rest (N): ``points_mm (N, 3)`` in the rig's world, ``B (N, 3, r)`` what the rig's
    errors do to them (see ``joint``), ``noise_mm2 (N, 3, 3)``; ``marker (N,)`` as the tracks name
    it, where they do not -1, -2 and so on as found; ``cameras`` that place each, and ``rms_px
    (N,)`` of their residuals; ``elsewhere`` are cameras that show as many points at rest, none of
    them where the others place these.
    """

    points_mm: Array
    B: Array
    noise_mm2: Array
    marker: NDArray[np.int64]
    cameras: tuple[tuple[str, ...], ...]
    rms_px: Array
    elsewhere: tuple[str, ...] = ()

    @property
    def joint_mm2(self) -> Array:
        """The joint covariance (3 N, 3 N) of all places."""
        return joint_of(self.B, self.noise_mm2)

    def chosen(self, index: NDArray[np.intp]) -> Still:
        """Return the markers of the index alone, in its order."""
        of = {key: getattr(self, key)[index] for key in ARRAYS}
        cameras = tuple(self.cameras[i] for i in index)
        return Still(cameras=cameras, elsewhere=self.elsewhere, **of)

    @classmethod
    def joined(cls, parts: Sequence[Still]) -> Still:
        """Return the markers of all parts, in their order."""
        of = {key: np.concatenate([getattr(p, key) for p in parts]) for key in ARRAYS}
        elsewhere = tuple(dict.fromkeys(n for p in parts for n in p.elsewhere))
        return cls(cameras=tuple(c for p in parts for c in p.cameras), elsewhere=elsewhere, **of)

    def names(self) -> list[str]:
        """Return what to call each marker: by its number in the tracks, else in the order found."""
        return [f"marker {m}" if m >= 0 else f"point {-m}" for m in self.marker]


def still_markers(rig: Rig, tracks: Tracks, noise_px: float | None = None) -> Still:
    """Return the markers of a capture in which nothing moves; the cameras of ``tracks`` are the
    rig's.

    Named points are taken by their names; where there are none, points are matched across cameras
    by where their rays meet. Raises InputError where a named marker moves, UnsolvableError where no
    marker is seen by two cameras.
    """
    tracks = tracks.thinned(MOST_FRAMES)
    cameras = cameras_of(rig, tracks.names, noise_px)
    is_named = any((c.marker >= 0).any() for c in tracks.cameras)
    found = [
        _named(c, s) if is_named else _nameless(c, s)
        for c, s in zip(tracks.cameras, cameras.sigma_px, strict=True)
    ]
    cam = np.repeat(np.arange(len(found)), [len(f[0]) for f in found])
    marker, uv, n_frames = (np.concatenate(v) for v in zip(*found, strict=True))
    if is_named:
        _require_rest(tracks, cam, marker, n_frames)
        names, point = np.unique(marker, return_inverse=True)
    else:
        point = matched_points(cameras, cam, uv, np.zeros(len(cam), np.intp), 1)
        names = np.full(point.max(initial=-1) + 1, -1)
    keep = point >= 0
    views = views_of(cam[keep], point[keep], uv[keep], len(names))
    placed = place(views, cameras)
    good = np.flatnonzero(placed.is_placed)
    if not len(good):
        raise UnsolvableError(
            "markers on the floor",
            expected="markers at rest that two cameras of the rig see",
            found=f"none among {len(cam)} still points of {len(np.unique(cam))} cameras",
            remedy="Check that the tracks are of this rig as it stands now, and light the markers.",
            cameras=tracks.names,
        )
    if not is_named:
        names[good] = -1 - np.arange(len(good))
    B, noise = effects(
        rig_errors(rig, tracks.names), views, placed.points_mm, cameras, placed.is_used
    )
    used = [views.cam[(views.point == n) & placed.is_used] for n in range(len(names))]
    order = np.argsort(point[keep], kind="stable")
    count = np.minimum.reduceat(n_frames[keep][order], views.starts[:-1])
    share = 1.0 / np.maximum(count, 1) + (PHASE_PX / np.median(cameras.sigma_px)) ** 2
    everything = Still(
        placed.points_mm,
        B,
        noise * np.minimum(share, 1.0)[:, None, None],
        names,
        tuple(tuple(cameras.names[c] for c in u) for u in used),
        placed.rms_px,
    )
    of_good = everything.chosen(good)
    return replace(of_good, elsewhere=_elsewhere(rig, of_good, tracks.names, cam))


def _elsewhere(rig: Rig, still: Still, names: Sequence[str], cam: Ints) -> tuple[str, ...]:
    """Return the cameras of ``names`` that place none of several markers on their sensor, though
    they show as many points at rest (``cam``, a point each).
    """
    placing = {name for of in still.cameras for name in of}
    n_points = np.bincount(cam, minlength=len(names)).tolist()
    out = []
    for name, shown in zip(names, n_points, strict=True):
        n = int(rig.camera(name).image_of(still.points_mm, np.inf)[1].sum())
        if name not in placing and LEAST_SHOWN <= n <= shown:
            out.append(name)
    return tuple(out)


def _named(c: CameraTracks, sigma: float) -> tuple[Ints, Array, Ints]:
    """Return markers, middles (k, 2) and numbers of frames of a camera's named points; 0 frames of
    one that moves.
    """
    markers = np.unique(c.marker[c.marker >= 0])
    middle, count = np.empty((len(markers), 2)), np.zeros(len(markers), int)
    for k, m in enumerate(markers):
        xy = c.xy_px[c.marker == m]
        middle[k] = np.median(xy, axis=0)
        spread = sigma_of(xy - middle[k], axis=0).max()
        count[k] = len(xy) if spread <= MOVES_NOISES * sigma + MOVES_PX else 0
        near = np.abs(xy - middle[k]).max(axis=1) <= MOVES_NOISES * sigma
        if count[k] and near.any():
            middle[k] = xy[near].mean(axis=0)
    return markers.astype(np.int64), middle, count


def _nameless(c: CameraTracks, sigma: float) -> tuple[Ints, Array, Ints]:
    """Return the same of clusters of points that stay put, marker -1."""
    n_frames = len(np.unique(c.frame))
    none = np.empty(0, np.int64), np.empty((0, 2)), np.empty(0, int)
    xy = c.xy_px[~c.is_masked]
    if not len(xy):
        return none
    pairs = cKDTree(xy).query_pairs(6.0 * sigma + 0.5, output_type="ndarray")
    graph = sparse.coo_array((np.ones(len(pairs)), pairs.T), shape=(len(xy),) * 2)
    n, label = sparse.csgraph.connected_components(graph, directed=False)
    size = np.bincount(label, minlength=n)
    keep = np.flatnonzero(size >= max(1.0, LEAST_SHARE * n_frames))
    middle = np.array([xy[label == k].mean(axis=0) for k in keep]).reshape(-1, 2)
    return np.full(len(keep), -1, np.int64), middle, size[keep]


def _require_rest(tracks: Tracks, cam: Ints, marker: Ints, n_frames: Ints) -> None:
    """Raise InputError where a marker moves in most of the cameras that see it."""
    for m in np.unique(marker):
        moves = cam[(marker == m) & (n_frames == 0)]
        if 2 * len(moves) > (marker == m).sum():
            names = [tracks.names[int(c)] for c in moves]
            raise InputError(
                f"marker {m}",
                expected="a marker that lies still throughout the capture",
                found=f"one that moves in {', '.join(names)}",
                remedy="Record the markers at rest on the floor, nothing else.",
                cameras=names,
            )


def standing(cameras: Cameras, still: Still) -> Array:
    """Return where the cameras stand (k, 3) that see any of the markers."""
    seeing = {name for names in still.cameras for name in names}
    return cameras.position_mm[[n in seeing for n in cameras.names]]
