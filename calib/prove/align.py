"""The world of a rig: origin and axes from a capture of markers on the floor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np

from calib.check.placed import known_part
from calib.check.recheck.inputs import of_rig
from calib.core.geometry import Array, Pose, cross_matrix
from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError, require_kinds
from calib.naming.identify import is_unnamed
from calib.naming.renaming import named_tracks
from calib.printed import Reported
from calib.prove.known import unsure_notes
from calib.prove.layout import (
    FLOOR_FLAT_MM,
    FRAME_FLAT_MM,
    SQUARE_DEG,
    Index,
    Layout,
    plane,
    pose_covariance,
    require_above,
    right_angle,
    three_points,
    wand_laid,
)
from calib.prove.rest.stands import stands
from calib.prove.rest.still import Still, standing, still_markers
from calib.prove.space.joint import covariance_of
from calib.prove.space.views import cameras_of
from calib.prove.survey import surveyed
from calib.prove.world import moved

UP = ("z", "y")
# A floor whose markers leave this much or more open (1σ) is no floor to stand a figure on.
POOR_MM, POOR_DEG = 5.0, 0.2


@dataclass(frozen=True, slots=True, eq=False)
class AlignOptions:
    """What lies on the floor: by default a right angle of markers.

    At most one of ``points``, ``is_plane``, ``is_wand`` and ``survey`` says something else.

    Parameters
    ----------
    points : tuple of int
        Numbers of three markers: origin, on x, on the side of y; of nameless ones those
        in ``Alignment.names``.
    is_plane : bool
        Four markers or more show the floor alone.
    is_wand : bool
        The rig's wand lies there, its first marker the origin.
    survey : Wand, optional
        Markers with known coordinates.
    with_scale : bool
        Take the survey's scale over as well.
    height_mm : float
        How far marker centres stand above the floor.
    up : str
        The axis that points up, ``z`` or ``y``.
    square_deg : float
        What a right angle may be off by.
    flat_mm : float, optional
        What markers may be off one height; by default 3 mm of a frame, 10 mm of a floor.
    noise_px : float, optional
        Standard deviation of a centroid's coordinate; by default each camera's own.
    """

    points: tuple[int, ...] = ()
    is_plane: bool = False
    is_wand: bool = False
    survey: Wand | None = None
    with_scale: bool = False
    height_mm: float = 0.0
    up: str = "z"
    square_deg: float = SQUARE_DEG
    flat_mm: float | None = None  # None: of a frame FRAME_FLAT_MM, of a floor FLOOR_FLAT_MM
    noise_px: float | None = None

    def __post_init__(self) -> None:
        require_kinds(self)
        chosen = [bool(self.points), self.is_plane, self.is_wand, self.survey is not None]
        if sum(chosen) > 1:
            raise InputError(
                "layout",
                expected="one of --points, --plane, --wand and --survey",
                found=f"{sum(chosen)} of them",
                remedy="Keep the one that lies on the floor.",
            )
        if self.points and len(self.points) != 3:
            raise InputError(
                "--points", expected="three markers: origin, x, y", found=str(len(self.points))
            )
        if self.up not in UP:
            raise InputError("--up", expected="z or y", found=repr(self.up))
        if self.survey is not None and self.height_mm:
            raise InputError(
                "--height",
                expected="none with --survey, whose coordinates are of the markers",
                found=f"{self.height_mm:g} mm",
                remedy="Leave it out.",
            )
        if self.with_scale and self.survey is None:
            raise InputError("--survey-scale", expected="--survey with it", found="none")
        limits = (("square_deg", self.square_deg), ("flat_mm", self.flat_mm))
        for name, value in (*limits, ("noise_px", self.noise_px)):
            if value is not None and not value >= 0:
                raise InputError(name, expected="0 or more", found=f"{value:g}")
        if not np.isfinite(self.height_mm):
            raise InputError(
                "--height", expected="a finite height in mm", found=f"{self.height_mm}"
            )


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Alignment(Reported):
    """How a rig's world was made.

    Parameters
    ----------
    how : str
        By what: a right angle, a survey, an earlier rig...
    origin : str
        Where the origin is, in words.
    up : str
        The axis that points up.
    height_mm : float
        How far marker centres stand above the floor.
    world_from_rig : Pose
        From the world before, ``scale`` first.
    scale : float
        By which the rig was enlarged; 1 unless the survey's scale was taken.
    covariance : (6, 6) array
        Of the world itself, turn (rad) about and shift (mm) along its own axes at its origin:
        what the markers' noise and the rig's errors leave.
    names : tuple of str
        Of the N markers, or of the cameras that carried the world over.
    markers_mm, sigma_mm : (N, 3) array
        Their places in the new world, and 1σ of each coordinate.
    numbers : mapping of str to float
        What was checked.
    notes : tuple of str
        What there is to say.
    """

    REPORT: ClassVar[str] = "proofs.align"

    how: str
    origin: str
    up: str
    height_mm: float
    world_from_rig: Pose
    scale: float
    covariance: Array
    names: tuple[str, ...] = ()
    markers_mm: Array = field(default_factory=lambda: np.empty((0, 3)))
    sigma_mm: Array = field(default_factory=lambda: np.empty((0, 3)))
    numbers: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def sigma_deg(self) -> Array:
        """1σ (3,) of the turn about each axis of the new world, in degree."""
        return np.degrees(np.sqrt(np.diag(self.covariance)[:3]))

    @property
    def sigma_origin_mm(self) -> Array:
        """1σ (3,) of the origin along each axis of the new world."""
        return np.sqrt(np.diag(self.covariance)[3:])

    def as_dict(self) -> dict[str, Any]:
        """Return the record as a rig file keeps it."""
        return {
            "how": self.how,
            "origin": self.origin,
            "up": self.up,
            "height_mm": self.height_mm,
            "R": self.world_from_rig.R.tolist(),
            "t_mm": self.world_from_rig.t_mm.tolist(),
            "scale": self.scale,
            "covariance": self.covariance.tolist(),
            "markers": [
                {"name": n, "place_mm": p.tolist()}
                | ({"sigma_mm": s.tolist()} if np.isfinite(s).all() else {})
                for n, p, s in zip(self.names, self.markers_mm, self.sigma_mm, strict=True)
            ],
            "numbers": dict(self.numbers),
            "notes": list(self.notes),
        }


@one_blas_thread
def align(rig: Rig, tracks: Tracks, options: AlignOptions | None = None) -> tuple[Rig, Alignment]:
    """Return the rig in the world of the markers on the floor, and how that world was made.

    The rig's scale stays, unless a survey's is asked for.

    Parameters
    ----------
    rig : Rig
        Solved, in any world.
    tracks : Tracks
        Markers at rest on the floor, seen by two cameras of the rig or more.
    options : AlignOptions, optional
        What lies there; by default a right angle of three markers or more.

    Returns
    -------
    Rig
        In the new world; its ``alignment`` says how that was made, its length test is dropped.
    Alignment
        How the world was made, and how sure it is.

    Raises
    ------
    InputError
        Tracks and rig do not belong together.
    UnsolvableError
        The markers are too few or contradict the layout; the numbers are in the error.
    """
    options = options or AlignOptions()
    tracks = of_rig(known_part(rig), tracks)
    layout = _layout(rig, tracks, options)
    cameras = standing(cameras_of(rig, tracks.names), layout.still)
    require_above(layout, cameras * layout.scale)
    pose, covariance = layout.rule(layout.still.points_mm), pose_covariance(layout)
    lift = np.array([0.0, 0.0, options.height_mm])
    pose = Pose(pose.R, pose.t_mm + lift)
    turn = np.eye(3) if options.up == "z" else np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
    # A turn of the world about its origin on the floor shifts the plane of the markers above it.
    lever = np.eye(6)
    lever[3:, :3] = cross_matrix(lift)
    both = np.kron(np.eye(2), turn) @ lever
    pose, covariance = Pose(turn @ pose.R, turn @ pose.t_mm), both @ covariance @ both.T
    still = layout.still
    scaled = Pose(pose.R, pose.t_mm / layout.scale)
    aligned = moved(rig, scaled, layout.scale)
    places = pose.apply(layout.scale * still.points_mm)
    own = covariance_of(still.B, still.noise_mm2)
    sigma = np.sqrt(np.einsum("ij,njk,ik->ni", pose.R, own, pose.R))
    names = still.names()
    if options.survey is not None:
        by_number = still.marker >= 0
        names = [
            options.survey.markers[m] if known else name
            for m, known, name in zip(still.marker, by_number, names, strict=True)
        ]
    how = Alignment(
        layout.how,
        layout.origin,
        options.up,
        options.height_mm,
        pose,
        layout.scale,
        covariance,
        tuple(names),
        places,
        sigma,
        layout.numbers,
        layout.notes,
    )
    how = replace(how, notes=(*how.notes, *_doubts(rig, how), *_of_moved(still.elsewhere)))
    return aligned_as(aligned, how), how


def aligned_as(rig: Rig, how: Alignment) -> Rig:
    """Return the rig with the record of how its world was made; a length test told places in the
    world before, so its record ends.
    """
    enlarged = {"enlarged": rig.enlarged * how.scale}  # by this alignment and those before
    return replace(rig, alignment=how.as_dict() | enlarged, verification=None)


def _of_moved(elsewhere: Sequence[str]) -> list[str]:
    if not elsewhere:
        return []
    it = "it" if len(elsewhere) == 1 else "they"
    return [
        f"not where the others place the markers: the points at rest of {listed(elsewhere)}; see "
        f"by a new wave whether {it} moved, calib recheck RIG WAVE"
    ]


def _doubts(rig: Rig, how: Alignment) -> list[str]:
    notes = list(unsure_notes(rig))
    if rig.covariance is None:
        notes.append(
            "the rig states no uncertainty: the error bars count the centroids' noise only"
        )
    if how.sigma_deg.max() > POOR_DEG or how.sigma_origin_mm.max() > POOR_MM:
        notes.append(
            "the markers leave the axes open by more than is usual: lay them wider apart, where "
            "more cameras see them"
        )
    return notes


def _layout(rig: Rig, tracks: Tracks, options: AlignOptions) -> Layout:
    flat = options.flat_mm
    frame_mm, floor_mm = flat or FRAME_FLAT_MM, flat or FLOOR_FLAT_MM
    if options.is_wand:
        still, first = _laid(rig, tracks, options.noise_px)
    else:
        still = still_markers(rig, tracks, options.noise_px)
    towards = standing(cameras_of(rig, tracks.names), still).mean(axis=0)
    if options.is_wand:
        return wand_laid(still, towards, first, frame_mm)
    if options.survey is not None:
        return surveyed(still, options.survey, options.with_scale)
    if options.is_plane:
        return plane(still, towards, np.array([1.0, 0.0, 0.0]), floor_mm)
    if options.points:
        return three_points(still, towards, options.points)
    return right_angle(still, towards, options.square_deg, frame_mm)


def _laid(rig: Rig, tracks: Tracks, noise_px: float | None) -> tuple[Still, Index]:
    """Return the wand's markers in every place where it lay, and the rows of the first place."""
    if is_unnamed(tracks):
        tracks = named_tracks(rig, tracks)
    tracks.check_markers(len(rig.wand.markers))
    parts = [
        still_markers(rig, tracks.at_frames(frames), noise_px) for frames in stands(rig, tracks)
    ]
    if not parts:
        raise UnsolvableError(
            "wand",
            expected="the wand at rest for half a second or longer",
            found="none of that",
            remedy="Lay it down, step back, and record.",
        )
    return Still.joined(parts), np.arange(len(parts[0].points_mm))
