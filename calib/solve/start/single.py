"""Captures of a single marker: points instead of wand poses, and a known distance between cameras
as the scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from calib.core.camera import Lens, undistort
from calib.core.frames import Ints
from calib.core.geometry import Array, Pose, ray_depths
from calib.core.names import listed
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, require_kinds
from calib.solve.bundle.descent import Distance, normal_equations
from calib.solve.bundle.problem import State
from calib.solve.fit import Fit
from calib.solve.start.lenses import is_lens_free
from calib.solve.start.motion import shared_points
from calib.solve.start.pairs import PairPose

MIN_TIE_FRAMES = (
    10  # for the median ratio of two pairs' depths: a quarter of them may be gross errors
)
# With focal lengths up to 30 % off, 24 simulated captures of three, four and six cameras came out
# as their error bars say; two views leave one focal length open wherever the optical axes meet
# (Hartley & Zisserman 2004, section 19.3.1).
MIN_CAMERAS = 3
LEAST_SIGMAS = 10  # of a known distance: less well known it gives no scale, or is in metres
ROUNDS = 20  # of reweighting for the L1 fit of scales


@dataclass(frozen=True, slots=True)
class KnownDistance:
    """The measured distance between the projection centres of two cameras.

    Parameters
    ----------
    first, second : str
        The cameras.
    length_mm, sigma_mm : float
        The distance, and its standard uncertainty.
    """

    first: str
    second: str
    length_mm: float
    sigma_mm: float = (
        5.0  # of a tape from housing to housing: the centre lies somewhere in the lens (no source)
    )

    def __post_init__(self) -> None:
        require_kinds(self)
        if self.first == self.second:
            raise InputError("distance", expected="two cameras", found=f"{self.first} twice")
        for name, value, least in (("length", self.length_mm, 1e-9), ("sigma", self.sigma_mm, 0.0)):
            if not (np.isfinite(value) and value >= least):
                expected = "above 0 mm" if least else "of 0 mm or more"
                raise InputError("distance", expected=f"a {name} {expected}", found=f"{value:g}")

        if self.length_mm < LEAST_SIGMAS * self.sigma_mm:
            raise InputError(
                "distance",
                expected=f"a length of more than {LEAST_SIGMAS} times its uncertainty, "
                f"{self.sigma_mm:g} mm",
                found=f"{self.length_mm:g} mm",
                remedy="Give it in mm, not in m; or state how well it is known.",
            )

    def __str__(self) -> str:
        return (
            f"{self.length_mm:g} mm (± {self.sigma_mm:g} mm) between {self.first} and {self.second}"
        )

    def among(self, tracks: Tracks) -> Distance:
        """Return the distance by the cameras' places in ``tracks``; raises InputError where one is
        not there.
        """
        missing = [n for n in (self.first, self.second) if n not in tracks.names]
        if missing:
            raise InputError(
                "distance", expected=f"two of {listed(tracks.names)}", found=listed(missing)
            )
        at = (tracks.names.index(self.first), tracks.names.index(self.second))
        return Distance(*at, self.length_mm, self.sigma_mm)


def is_single(tracks: Tracks) -> bool:
    """Return whether every identified point of a capture is of one and the same marker."""
    return len(np.unique(np.concatenate([c.marker[c.marker >= 0] for c in tracks.cameras]))) == 1


def as_points(tracks: Tracks, distance: KnownDistance | None, lens: str) -> tuple[Tracks, Wand]:
    """Return the tracks with the one marker as marker 0, and the marker as a wand without a length.

    Raises InputError without a distance, and where a camera states no focal length: in images
    of single points a wrong one looks much like another distance, so it is not searched for, only
    refined from what is stated, and that with MIN_CAMERAS or more.
    """
    if distance is None:
        raise InputError(
            "scale",
            expected="two markers of a wand in one frame, or a known distance between two cameras",
            found="a single marker throughout and no distance",
            remedy="Give the distance: --distance CAMERA,CAMERA,MM[,SIGMA], or distance= "
            "in SolveOptions.",
        )
    distance.among(tracks)
    unknown = [c.name for c in tracks.cameras if c.nominal_focal_px is None]
    if unknown:
        raise InputError(
            listed(unknown),
            expected="a focal length to start from in a capture of a single marker",
            found="none, and points without a known length cannot find it",
            remedy="State focal_mm and pixel_pitch_mm, or measured K and dist, or wave a wand.",
        )
    is_free = is_lens_free(tracks, lens)
    if is_free.any() and len(is_free) < MIN_CAMERAS:
        free = [n for n, f in zip(tracks.names, is_free, strict=True) if f]
        raise InputError(
            listed(free),
            expected=f"held lenses, with fewer than {MIN_CAMERAS} cameras and a single marker",
            found=f"{len(is_free)} cameras, which cannot tell focal lengths from distances",
            remedy="State measured lenses (K, dist) and hold them, or wave a wand.",
        )
    cameras = [
        replace(c, marker=np.where(c.marker >= 0, 0, -1).astype(np.int16)) for c in tracks.cameras
    ]
    return replace(tracks, cameras=tuple(cameras)), POINT


POINT = Wand("point", ("point",), np.zeros((1, 3)))


def common_scale(tracks: Tracks, edges: list[PairPose], lens: Array) -> list[PairPose]:
    """Return the pair poses brought to one scale, as far as they can be.

    Each pair has a scale of its own. Two pairs that share a camera see the same points from it, so
    their depths differ by the ratio of the scales: one equation in logarithms for each two pairs,
    solved with the least sum of absolute errors. Pairs that no such equations link to most others
    are left out.
    """
    depths = [_depths(tracks, e, lens) for e in edges]
    rows: list[tuple[int, int, float]] = []
    for f, second in enumerate(edges):
        for e, first in enumerate(edges[:f]):
            for c in {first.a, first.b} & {second.a, second.b}:
                frame_e, depth_e = depths[e][c]
                frame_f, depth_f = depths[f][c]
                _, i, j = np.intersect1d(frame_e, frame_f, assume_unique=True, return_indices=True)
                if len(i) >= MIN_TIE_FRAMES:
                    rows.append((e, f, float(np.median(np.log(depth_f[j] / depth_e[i])))))
    if not rows:
        return edges[:1]
    ends, ratio = np.array([r[:2] for r in rows]), np.array([r[2] for r in rows])
    graph = coo_matrix((np.ones(len(rows)), ends.T), shape=(len(edges),) * 2)
    _, piece = connected_components(graph, directed=False)
    D = np.zeros((len(rows), len(edges)))
    D[np.arange(len(rows)), ends[:, 0]], D[np.arange(len(rows)), ends[:, 1]] = 1.0, -1.0
    weight = np.ones(len(rows))
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        log_scale = np.linalg.lstsq(root[:, None] * D, root * ratio, rcond=1e-10)[0]
        weight = 1.0 / np.maximum(np.abs(ratio - D @ log_scale), 1e-3)
    keep = np.flatnonzero(piece == np.bincount(piece).argmax())
    scaled = [(edges[k], float(np.exp(log_scale[k]))) for k in keep]
    return [
        replace(e, b_from_a=Pose(e.b_from_a.R, e.b_from_a.t_mm * s), sigma_mm=e.sigma_mm * s)
        for e, s in scaled
    ]


def _depths(tracks: Tracks, edge: PairPose, lens: Array) -> dict[int, tuple[Ints, Array]]:
    """Return, for both cameras of a pair, the frames of shared points and their distances along the
    rays, in mm.
    """
    uv_a, uv_b, frame, _ = shared_points(tracks.cameras[edge.a], tracks.cameras[edge.b])
    xy_a, xy_b = (
        undistort(Lens.from_vector(lens[c]), uv) for c, uv in ((edge.a, uv_a), (edge.b, uv_b))
    )
    ones, pose = np.ones((len(frame), 1)), edge.b_from_a
    ray_a, ray_b = np.hstack([xy_a, ones]), np.hstack([xy_b, ones]) @ pose.R
    depth_a, depth_b = ray_depths(ray_a, ray_b, pose.origin_mm[None])
    with np.errstate(invalid="ignore"):  # nan: beyond what a lens reaches
        is_good = np.isfinite(depth_a + depth_b) & (depth_a > 0) & (depth_b > 0)
    return {edge.a: (frame[is_good], depth_a[is_good]), edge.b: (frame[is_good], depth_b[is_good])}


def at_distance(state: State, distance: Distance) -> State:
    """Return the state grown until the two cameras are as far apart as stated."""
    position = state.position_mm
    factor = distance.length_mm / float(np.linalg.norm(position[distance.a] - position[distance.b]))
    return replace(state, cam_t=state.cam_t * factor, wand_t=state.wand_t * factor)


def fit_at_distance(fit: Fit, distance: Distance) -> Fit:
    """Return the fit grown to the stated distance, with the normal equations of that size."""
    state = at_distance(fit.result.state, distance)
    blocks, cost = normal_equations(fit.problem, state, fit.options)
    result = replace(fit.result, state=state, blocks=blocks, cost=cost)
    return replace(fit, result=result, information=None)
