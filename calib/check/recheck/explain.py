"""What a camera that does not agree has done: nested explanations, and what its change does to its
image.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.check.recheck.compare import Comparison
from calib.check.verdicts import Change
from calib.core.camera import Lens, project, undistort
from calib.core.geometry import Array, Pose, rotation_from_vector
from calib.core.parameters import N_CHANGE, N_POSE
from calib.core.rig import RigCamera
from calib.errors import InputError
from calib.solve.certainty.normal import Information

# A richer explanation is taken where the poorer one is refused at this level: one plain move in a
# thousand is then reported with a lens change beside it, and larger error bars.
RICHER = 0.001
CLEAR = 6.0  # of -2 log likelihood: odds of 20 to 1
TURN, MOVE, LENS, BOTH = Change
PARTS: dict[Change, NDArray[np.intp]] = {
    TURN: np.arange(3),
    MOVE: np.arange(N_POSE),
    LENS: np.arange(N_POSE, N_CHANGE),
    BOTH: np.arange(N_CHANGE),
}
N_GRID = 5  # points along each side of the sensor at which a change of the image is counted
DEPTHS = (
    0.7,
    1.0,
    1.3,
)  # of the distance to the middle of the volume: a turn and a shift look alike at one distance


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A camera's change (9,) and its covariance under the explanation chosen.

    ``gain`` is the likelihood ratio statistic of any change at all (9 degrees of freedom),
    ``misfit`` maps each explanation to what it leaves of that; ``is_separable`` is False where a
    move and a turned ring both explain it, ``correlation`` is the largest between a pose and a lens
    combination when both are free.
    """

    kind: Change
    change: Array
    covariance: Array
    gain: float
    misfit: dict[Change, float]
    is_separable: bool
    correlation: float


def information_of(found: Comparison, camera: int, others: NDArray[np.intp]) -> Information:
    """Return what is said of one camera's change (9,), those of the ``others`` left free."""
    return found.information.left(found.at(np.array([camera])), found.at(others))


def chance_of(gain: float, n_cameras: int) -> float:
    """Return by what chance any of so many cameras that stood gains as much by a change."""
    return min(1.0, n_cameras * float(special.chdtrc(N_CHANGE, gain)))


def explain(found: Comparison, camera: int, others: NDArray[np.intp]) -> Reading:
    """Return the explanation of one camera's change, those of the ``others`` left free.

    The poorest explanation that the richest does not refuse. Where a move and a turned ring both
    pass, the ring must be better by ``CLEAR``: a small turn moves an image almost as a shift of the
    principal point does, and a camera is far more often pushed than a lens is shifted in a camera
    that stays.
    """
    own = information_of(found, camera, others)
    gains = {kind: own.at(at).gain() for kind, at in PARTS.items()}
    misfit = {kind: gains[BOTH] - g for kind, g in gains.items()}
    passes = {k: misfit[k] < special.chdtri(N_CHANGE - len(PARTS[k]), RICHER) for k in (MOVE, LENS)}
    is_separable = not (passes[MOVE] and passes[LENS])
    kind = BOTH
    if passes[MOVE] or passes[LENS]:
        is_lens = passes[LENS] and (not passes[MOVE] or misfit[MOVE] - misfit[LENS] > CLEAR)
        kind = LENS if is_lens else MOVE
    largest = _largest_correlation(own.covariance())
    return Reading(kind, *_within(own, PARTS[kind]), gains[BOTH], misfit, is_separable, largest)


def pose_alone(found: Comparison, camera: int, others: NDArray[np.intp]) -> tuple[Array, Array]:
    """Return the change of pose (9,) and its covariance with the lens as it was."""
    own = information_of(found, camera, others)
    return _within(own, PARTS[MOVE])


def _within(own: Information, at: NDArray[np.intp]) -> tuple[Array, Array]:
    """Return change (9,) and covariance of a camera with only the parameters ``at`` free."""
    change, covariance = np.zeros(N_CHANGE), np.zeros((N_CHANGE, N_CHANGE))
    change[at], covariance[np.ix_(at, at)] = own.at(at).estimate(), own.at(at).covariance()
    return change, covariance


def _largest_correlation(C: Array) -> float:
    """Return the largest canonical correlation between pose and ring of a covariance (9, 9), nan
    where one is open.
    """
    if not (np.diag(C) > 0).all():
        return float("nan")
    of_pose, of_ring = (
        Information.of(C[at, at]).roots()[1] for at in (slice(N_POSE), slice(N_POSE, N_CHANGE))
    )
    cross = of_pose.T @ C[:N_POSE, N_POSE:] @ of_ring
    return float(min(1.0, np.linalg.svd(cross, compute_uv=False)[0]))


def changed(camera: RigCamera, change: Array) -> RigCamera:
    """Return the camera after a change (9,): turn (rad, left of cam_from_world), position (mm),
    focal, cx, cy.
    """
    R = rotation_from_vector(change[:3]) @ camera.cam_from_world.R
    lens, dist = camera.lens, camera.lens.dist
    fx = lens.fx + change[6]
    moved = Lens(fx, lens.fy * fx / lens.fx, lens.cx + change[7], lens.cy + change[8], dist)
    pose = Pose(R, -R @ (camera.position_mm + change[3:6]))
    return replace(camera, lens=moved, cam_from_world=pose)


def image_points(camera: RigCamera, distance_mm: float) -> Array:
    """Return points (n, 3) in the world all over what a camera sees, about ``distance_mm`` away."""
    u, v = (np.linspace(0.0, size - 1.0, N_GRID) for size in (camera.width, camera.height))
    xy = undistort(camera.lens, np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2))
    ray = np.column_stack([xy, np.ones(len(xy))])[np.isfinite(xy).all(axis=1)]
    points = np.concatenate([ray * distance_mm * share for share in DEPTHS])
    return camera.cam_from_world.inverse().apply(points)


def shift_px(camera: RigCamera, change: Array, points_mm: Array) -> float:
    """Return how far a change (9,) moves the images of points (n, 3): RMS of sqrt(dx² + dy²);
    infinite where it leaves no image, as that of a camera whose points fit no place may.
    """
    try:
        cameras = camera, changed(camera, change)
    except InputError:  # a lens that is none
        return np.inf
    uv = [project(c.lens, c.cam_from_world.apply(points_mm)) for c in cameras]
    squared = ((uv[1] - uv[0]) ** 2).sum(axis=1)
    seen = np.isfinite(squared)
    return float(np.sqrt(squared[seen].mean())) if seen.any() else np.inf


def shift_sigma_px(camera: RigCamera, covariance: Array, points_mm: Array) -> float:
    """Return the standard uncertainty of ``shift_px`` about no shift, given that of the change (9,
    9).
    """
    values, vectors = np.linalg.eigh(covariance)
    steps = (vectors * np.sqrt(np.maximum(values, 0.0))).T
    # Small steps, scaled back: a pose known to a metre would leave the sensor, a linear image of it
    # does not.
    moved = [shift_px(camera, 1e-3 * s, points_mm) for s in steps if np.any(s)]
    return float(1e3 * np.sqrt(np.sum(np.square(moved))))
