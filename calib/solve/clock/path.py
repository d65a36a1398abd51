"""The wand's way through the frames, and points moved along it to where they were at another time.

With X(f) the markers of frame f in the world, X between frames follows the polynomial through five
wand positions (Lagrange). Markers, not rotations, are interpolated: a line's turn about itself is
arbitrary in each frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens, project
from calib.core.frames import Ints
from calib.core.geometry import Array, cross_matrix
from calib.core.tracks import CameraTracks, Tracks
from calib.solve.bundle.elimination import inverse_factors
from calib.solve.bundle.linearise import linearise, weighted_rows
from calib.solve.bundle.problem import Problem, State
from calib.solve.clock.frame_slip import find_frames

# Steps of the path in seconds: over 1/30 s a hand moves far more than a triangulated marker's
# noise, and along a curve of up to 10 rad/s the fifth-order rest of the interpolation stays below a
# thousandth of a step.
STEP_S = 1.0 / 30.0
NODES = np.arange(-2, 3)
# Derivative at 0 of the polynomial through the five nodes.
SLOPE = np.array([1.0, -8.0, 0.0, 8.0, -1.0]) / 12.0
VAGUE = 5.0  # a wand pose this many times less certain than most would move points by its own noise


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The markers' way: ``nodes (5, F, M, 3)`` in mm, two steps before a frame to two after.

    ``n_before (F, M)`` and ``n_after (F, M)`` count the steps either way up to the first that is
    not known, 2 at most. Two in all serve to move points (by a parabola, at the end of a run one
    that reaches out half a step), four to estimate offsets.
    """

    frame_number: Ints
    nodes: Array
    n_before: NDArray[np.intp]
    n_after: NDArray[np.intp]
    frames_a_step: int

    def at(self, delta: float) -> Array:
        """Return the markers (F, M, 3) ``delta`` frames later; nan where no way is known."""
        weights = np.full((3, 3, 5), np.nan)
        for before in range(3):
            for after in range(2 - before, 3):
                at = slice(2 - before, 3 + after)
                weights[before, after] = 0.0
                weights[before, after, at] = _lagrange(NODES[at], delta / self.frames_a_step)
        return np.asarray(
            np.einsum("fmk,kfmi->fmi", weights[self.n_before, self.n_after], self.nodes)
        )

    @property
    def has_velocity(self) -> NDArray[np.bool_]:
        """Which markers (F, M) have two known steps either way."""
        return np.asarray(self.n_before + self.n_after == 4)

    @property
    def velocity(self) -> Array:
        """The markers' velocities (F, M, 3) in mm a frame; 0 where there is none."""
        slope = np.einsum("k,kfmi->fmi", SLOPE, self.nodes) / self.frames_a_step
        return np.where(self.has_velocity[..., None], slope, 0.0)


def _lagrange(nodes: NDArray[np.intp], x: float) -> Array:
    """Return the weights of the nodes in the value at x of the polynomial through them.

    >>> _lagrange(np.arange(-1, 2), 0.5)
    array([-0.125,  0.75 ,  0.375])
    """
    return np.array([np.prod([(x - b) / (a - b) for b in nodes if b != a]) for a in nodes])


def wand_path(problem: Problem, state: State, frame_rate_hz: float) -> Path:
    """Return the way of the markers through the frames in which a fit determines their places
    well.
    """
    sigma_mm = _marker_sigmas(problem, state)
    is_open = np.isinf(sigma_mm)
    is_placed = np.asarray(
        sigma_mm < VAGUE * (0.0 if is_open.all() else np.median(sigma_mm[~is_open]))
    )
    markers = state.markers_mm
    step = max(1, round(frame_rate_hz * STEP_S))
    at = find_frames(problem.frame_number, problem.frame_number + step * NODES[:, None])
    is_known = np.asarray(np.take(is_placed, at, axis=0) & (at >= 0)[..., None])
    # A marker whose place is not known has no way either: no step of it is known.
    before, after = (
        np.cumprod(is_known[order], axis=0)[1:].sum(axis=0) for order in ([2, 1, 0], [2, 3, 4])
    )
    return Path(
        problem.frame_number, np.where(is_known[..., None], markers[at], 0.0), before, after, step
    )


def _marker_sigmas(problem: Problem, state: State) -> Array:
    """Return the uncertainties (F, M) of the markers' places in mm for a pixel of noise; infinite
    where they have none.

    All cameras count alike: while one is late its weight says nothing about its rays. A place comes
    from the whole frame where that determines the wand's pose, else from the marker's own views.
    """
    problem = problem.with_weight((problem.weight > 0).astype(float))
    n_markers = len(state.shape_mm)
    factors = inverse_factors(linearise(problem, state, (), np.inf, has_cameras=False).frame)
    # How a marker moves with its frame's parameters: rotations about the wand's last axes, and
    # translations.
    turns = -cross_matrix(state.shape_mm)[:, :, 3 - problem.n_rotation :]
    moves = np.concatenate([turns, np.broadcast_to(np.eye(3), (n_markers, 3, 3))], axis=2)
    of_frame = (np.einsum("fkd,mid->fmik", factors, moves, optimize=True) ** 2).sum(axis=(2, 3))
    has_pose = np.asarray((np.diagonal(factors, axis1=1, axis2=2) > 0).all(axis=1))
    own = marker_information(problem, state)
    information = np.linalg.eigvalsh(own)
    # A single ray leaves its own direction open up to rounding; two that meet at a milliradian do
    # not.
    is_met = information[..., 0] > 1e-9 * information[..., 2]
    of_marker = (1.0 / np.where(is_met[..., None], information, np.nan)).sum(axis=2)
    return np.sqrt(np.where(has_pose[:, None], of_frame, np.where(is_met, of_marker, np.inf)))


def marker_information(problem: Problem, state: State) -> Array:
    """Return what its own views tell of each marker's place (F, M, 3, 3), in the wand's axes, with
    the cameras held and the problem's weights.
    """
    out = np.empty((problem.n_frames, len(state.shape_mm), 3, 3))
    turns = problem.n_rotation
    for chunk in problem.chunks:
        rows = weighted_rows(problem, state, (), problem.weight, chunk.pairs)
        shifts = rows[..., turns : turns + 3]
        out[chunk.frames] = problem.sum_to_frames(np.swapaxes(shifts, 2, 3) @ shifts, chunk)
    return out


def corrected(tracks: Tracks, problem: Problem, state: State, offset_frames: Array) -> Tracks:
    """Return the tracks as they would be, had all cameras exposed at the common time.

    Offsets (C,) are of ``tracks`` as given; problem and state are a fit of these tracks or of a
    corrected copy.
    Whole frames go into the frame number, the fraction left moves each point back along its image
    path. A point whose path is not known, or that would leave the sensor, keeps its place and loses
    its marker (-1): rows stay parallel to the original's. A camera of offset 0 is left as it is.
    """
    path = wand_path(problem, state, tracks.frame_rate_hz)
    cameras = tuple(
        _moved(camera, path, state, c, float(offset_frames[c])) if offset_frames[c] else camera
        for c, camera in enumerate(tracks.cameras)
    )
    return replace(tracks, cameras=cameras)


def _moved(camera: CameraTracks, path: Path, state: State, c: int, offset: float) -> CameraTracks:
    whole = round(offset)
    frame, fraction = camera.frame + whole, offset - whole
    if not fraction:
        return replace(camera, frame=frame)
    at = find_frames(path.frame_number, frame)
    is_named = (camera.marker >= 0) & (at >= 0)
    lens = Lens.from_vector(state.lens[c], camera.name)
    later, now = (
        project(lens, path.at(delta) @ state.cam_R[c].T + state.cam_t[c])
        for delta in (fraction, 0.0)
    )
    xy = camera.xy_px.copy()
    xy[is_named] -= (later - now)[at[is_named], camera.marker[is_named]]
    edge = np.array([camera.width, camera.height]) - 0.5
    with np.errstate(invalid="ignore"):  # nan: no path
        is_named &= ((xy >= -0.5) & (xy <= edge)).all(axis=1)
    xy = np.where(is_named[:, None], xy, camera.xy_px)
    return replace(camera, frame=frame, xy_px=xy, marker=np.where(is_named, camera.marker, -1))
