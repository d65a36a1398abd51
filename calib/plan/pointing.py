"""Does a camera look where its plan says, or as it did when its rig was solved: from its own image
of markers at known places.

Where it hangs is taken as stated; found are its turn (three angles) and its focal length. Spots
have no names: each pairing of a spot with a mark, over a few rolls and zooms, is a trial, and the
one under which most marks fall on spots is fitted by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.spatial import cKDTree

from calib.core.camera import Lens, project, undistort
from calib.core.geometry import Array, Pose, rotation_from_vector, turn_between
from calib.core.rig import Rig, RigCamera
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.plan.compare import Deviation, deviation, deviation_by
from calib.plan.records import PlanCamera
from calib.prove.rest.still import still_markers

LEAST_MARKS = 4  # three fit four unknowns by chance among stray spots
LEAST_SHARE = 0.6  # of the marks in view that must fall on spots
ZOOMS, ROLLS_DEG = (0.8, 0.9, 1.0, 1.1, 1.25), (-8.0, -4.0, 0.0, 4.0, 8.0)
WIDE, CLOSE = 0.03, 0.004  # of the sensor's width: on trial, and once fitted (assumed)
MOST_SPOTS = 60
MOST_MARKS = 15  # tried on spots: those nearest to where the camera is to look
# As planned: a degree is some 2 % of a common picture (common practice, no source).
LIMIT_DEG, LIMIT_FOCAL = 1.0, 0.03
# As in a rig: a pixel or two of a common lens. Few marks show no less for sure, a recheck does.
RIG_DEG, RIG_FOCAL = 0.05, 0.003


@dataclass(frozen=True, slots=True, eq=False)
class Pointing:
    """How a camera looks against its plan or its rig, from ``n_matched`` of ``n_marks`` marks with
    the RMS of their distance to the spots; ``focal_mm`` is what its ring is to be set to, None in a
    rig, which knows it in px alone.
    """

    deviation: Deviation
    focal_mm: float | None
    n_matched: int
    n_marks: int
    rms_px: float

    @property
    def is_of_rig(self) -> bool:
        """Whether it is held against a rig, not against a plan."""
        return self.focal_mm is None

    def is_as_stated(self) -> bool:
        """Return whether aim, roll and focal length are near enough to the plan, or the rig."""
        d = self.deviation
        deg, focal = (RIG_DEG, RIG_FOCAL) if self.is_of_rig else (LIMIT_DEG, LIMIT_FOCAL)
        return max(d.aim_deg, abs(d.clockwise_deg)) <= deg and abs(d.focal_share) <= focal


def pointing(camera: PlanCamera | RigCamera, marks_mm: Array, spots_px: Array) -> Pointing:
    """Return how a camera looks that sees marks (m, 3) of the plan's or the rig's world as spots
    (n, 2), some of them others.

    Against a plan its turns are those that it would see upright; in a rig, whose world may have no
    up, they are along the rows and columns of its image. Raises InputError for fewer marks than
    that takes, UnsolvableError where no turn brings most of those in view on to spots.
    """
    built = camera if isinstance(camera, RigCamera) else camera.as_built()
    marks, spots = np.asarray(marks_mm, float), np.asarray(spots_px, float)[:MOST_SPOTS]
    if len(marks) < LEAST_MARKS:
        raise InputError(
            "--marks",
            expected=f"{LEAST_MARKS} markers at known places or more",
            found=str(len(marks)),
        )
    tree = cKDTree(spots if len(spots) else np.full((1, 2), np.inf))
    best, most = None, 0
    for trial in _trials(built, marks, spots):
        n = int(_near(trial, marks, tree, WIDE)[0].sum())
        if n > most:
            best, most = trial, n
    fitted, is_matched, rms = (None, np.zeros(len(marks), bool), np.nan)
    if best is not None and most >= LEAST_MARKS:
        fitted, is_matched, rms = _fitted(best, marks, spots, tree)
    in_view = np.zeros(len(marks), bool) if fitted is None else fitted.image_of(marks)[1]
    n, n_view = int(is_matched.sum()), int(in_view.sum())
    if fitted is None or n < LEAST_MARKS or n < LEAST_SHARE * n_view:
        raise UnsolvableError(
            camera.name,
            expected=f"a turn of the camera that brings {LEAST_MARKS} marks or more, "
            f"and {LEAST_SHARE:.0%} of those in view, on to its {len(spots)} spots",
            found=f"{n if fitted is not None else most} at best",
            remedy="Check the marks' coordinates (mm, in its world), the camera's name, and that "
            "it sees them.",
            cameras=(camera.name,),
        )
    if isinstance(camera, RigCamera):
        return Pointing(_own_turn(camera, fitted), None, n, n_view, rms)
    return Pointing(deviation(camera, fitted), camera.focal_mm, n, n_view, rms)


def marks_of_others(rig: Rig, tracks: Tracks, name: str) -> Array:
    """Return the places (m, 3) in the rig's world of markers at rest, as all cameras but the named
    one see them.

    Raises UnsolvableError where no two of them see one.
    """
    others = [n for n in tracks.names if n in rig.names and n != name]
    if len(others) < 2:
        raise InputError(
            "cameras",
            expected=f"two cameras of the rig besides {name}",
            found=", ".join(others) or "none",
            remedy="Record markers at rest with the others.",
        )
    return still_markers(rig, tracks.subset(others)).points_mm


def _own_turn(before: RigCamera, now: RigCamera) -> Deviation:
    """Return how far to turn a camera, as its image shows, and its ring to look as before."""
    before_from_now = before.cam_from_world.R @ now.cam_from_world.R.T
    twist = before_from_now[0, 1] - before_from_now[1, 0], np.trace(before_from_now[:2, :2])
    turned = float(np.degrees(np.arctan2(*twist)))
    return deviation_by(before, now, before_from_now[2], turned, before.lens.fx)


def _trials(built: RigCamera, marks: Array, spots: Array) -> list[RigCamera]:
    """Return the camera turned so that each mark falls on each spot, at a few rolls and zooms."""
    out, at = [], built.position_mm
    rays = marks - at
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    rays = rays[np.argsort(-rays @ built.cam_from_world.R[2])[:MOST_MARKS]]
    for zoom, roll in product(ZOOMS, ROLLS_DEG):
        lens = _zoomed(built.lens, zoom)
        rolled = rotation_from_vector(np.array([0.0, 0.0, np.radians(roll)]))
        R = rolled @ built.cam_from_world.R
        seen = undistort(lens, spots)
        seen = np.column_stack([seen, np.ones(len(seen))])[np.isfinite(seen).all(axis=1)]
        seen /= np.linalg.norm(seen, axis=1, keepdims=True)
        for ray, spot in product(rays @ R.T, seen):
            out.append(_posed(built, turn_between(ray, spot) @ R, lens, at))
    return out


def _zoomed(lens: Lens, factor: float) -> Lens:
    return replace(lens, fx=lens.fx * factor, fy=lens.fy * factor)


def _posed(camera: RigCamera, R: Array, lens: Lens, at_mm: Array) -> RigCamera:
    return replace(camera, lens=lens, cam_from_world=Pose(R, -R @ at_mm))


def _near(
    camera: RigCamera, marks: Array, tree: cKDTree, share: float
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Return which marks (m,) fall within a share of the sensor's width of a spot of their own, and
    which spot is next to each.
    """
    uv = project(camera.lens, camera.cam_from_world.apply(marks))
    away, spot = tree.query(np.nan_to_num(uv, nan=-1e9))
    is_near = away <= share * camera.width
    order = np.argsort(away)
    _, first = np.unique(spot[order], return_index=True)
    is_own = np.zeros(len(marks), bool)
    is_own[order[first]] = True
    return is_near & is_own, spot


def _fitted(
    camera: RigCamera, marks: Array, spots: Array, tree: cKDTree
) -> tuple[RigCamera, NDArray[np.bool_], float]:
    """Return the camera with turn and focal length of least squares over the marks that fall on
    spots, which marks (m,) these are, and the RMS of their distance in px.
    """
    for share in (WIDE, 0.5 * WIDE, CLOSE, CLOSE):
        is_near, spot = _near(camera, marks, tree, share)
        if is_near.sum() < LEAST_MARKS:
            return camera, is_near, float("nan")
        camera = _turned(camera, marks[is_near], spots[spot[is_near]])
    is_near, spot = _near(camera, marks, tree, CLOSE)
    uv = project(camera.lens, camera.cam_from_world.apply(marks[is_near]))
    square = ((uv - spots[spot[is_near]]) ** 2).sum(axis=1)
    return camera, is_near, float(np.sqrt(square.mean())) if len(square) else float("nan")


def _turned(camera: RigCamera, marks: Array, spots: Array) -> RigCamera:
    """Return the camera with the turn and focal length under which marks (k, 3) lie nearest to
    spots (k, 2); few that do not belong matter little.
    """
    at = camera.position_mm

    def moved(x: Array) -> RigCamera:
        R = rotation_from_vector(x[:3]) @ camera.cam_from_world.R
        return _posed(camera, R, _zoomed(camera.lens, float(np.exp(x[3]))), at)

    def residual(x: Array) -> Array:
        other = moved(x)
        uv = project(other.lens, other.cam_from_world.apply(marks))
        return np.asarray(np.nan_to_num((uv - spots).ravel(), nan=1e4))

    found = optimize.least_squares(residual, np.zeros(4), loss="soft_l1", f_scale=2.0)
    return moved(found.x)
