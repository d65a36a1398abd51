"""The unknowns of a rig, once: what they are called, in which order they stand, where they lie.

A camera's unknowns are its pose, then the lens terms that a solve frees, in the order of
``LENS_TERMS``; the wand's coordinates come after all cameras. A lens is a vector of twelve numbers
(``Lens.vector``), of which a term moves one: but for ``focal``, which moves fx with fy / fx kept,
and ``aspect``, which is fy / fx.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from calib.core.geometry import Array
from calib.errors import InputError, require_one_of

AXES = ("x", "y", "z")
# Turns are of ``cam_from_world``, small and on its left (radian); positions in the world (mm).
ROTATION = tuple(f"rotation_{axis}" for axis in AXES)
POSITION = tuple(f"position_{axis}" for axis in AXES)
POSE = (*ROTATION, *POSITION)
N_POSE = len(POSE)

# Numbers of a lens vector: OpenCV's camera matrix and its eight coefficients, in OpenCV's order.
LENS_VECTOR = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
DIST_NAMES = LENS_VECTOR[4:]

# Lens terms in groups that are freed or held together.
LENS_GROUPS: dict[str, tuple[str, ...]] = {
    "focal": ("focal",),
    "aspect": ("aspect",),
    "principal": ("cx", "cy"),
    "k1": ("k1",),
    "k2": ("k2",),
    "k3": ("k3",),
    "tangential": ("p1", "p2"),
    "rational": ("k4", "k5", "k6"),
}
LENS_TERMS = tuple(term for group in LENS_GROUPS.values() for term in group)
# Where a term lies in a lens vector; the compiled loops know terms by these numbers.
PLACE = {t: LENS_VECTOR.index({"focal": "fx", "aspect": "fy"}.get(t, t)) for t in LENS_TERMS}

# The groups that a solve frees by default: all but the denominator of very wide lenses.
AUTO = tuple(group for group in LENS_GROUPS if group != "rational")
# What a turned ring, or a lens that sits aslant since a knock, changes.
RING = ("focal", "cx", "cy")
# What a lens measured apart from the rig may have a little off.
MEASURED = (*RING, "k1", "k2")
# A camera's change between two waves: its pose and what a ring does.
N_CHANGE = N_POSE + len(RING)


@dataclass(frozen=True, slots=True)
class CameraParameter:
    """One unknown of a camera: ``kind`` is of ``POSE`` or ``LENS_TERMS``.

    >>> str(CameraParameter("cam01", "position_x"))
    'cam01: position_x'
    """

    camera: str
    kind: str

    def __post_init__(self) -> None:
        require_one_of(f"parameter of camera {self.camera}", self.kind, (*POSE, *LENS_TERMS))

    def __str__(self) -> str:
        return f"{self.camera}: {self.kind}"


@dataclass(frozen=True, slots=True)
class WandCoordinate:
    """One coordinate of a wand's marker, in the wand's axes: ``axis`` is of ``AXES``."""

    marker: str
    axis: str

    def __post_init__(self) -> None:
        require_one_of(f"coordinate of marker {self.marker}", self.axis, AXES)

    def __str__(self) -> str:
        return f"wand's marker {self.marker}: {self.axis}"


Parameter = CameraParameter | WandCoordinate


def n_unknowns(terms: Sequence[str]) -> int:
    """Return how many unknowns a camera has with these lens terms."""
    return N_POSE + len(terms)


def of_cameras(
    names: Sequence[str], terms: Sequence[str], of_pose: Sequence[str] = POSE
) -> tuple[CameraParameter, ...]:
    """Return the unknowns of cameras, in order."""
    return tuple(CameraParameter(name, kind) for name in names for kind in (*of_pose, *terms))


def of_wand(markers: Sequence[str], n_axes: int) -> tuple[WandCoordinate, ...]:
    """Return the first ``n_axes`` coordinates of each marker, in order."""
    return tuple(WandCoordinate(marker, axis) for marker in markers for axis in AXES[:n_axes])


def in_order(terms: Collection[str]) -> tuple[str, ...]:
    """Return lens terms in the order in which they stand."""
    return tuple(term for term in LENS_TERMS if term in terms)


def term_names(groups: Collection[str]) -> tuple[str, ...]:
    """Return the lens terms of groups such as ``principal``; InputError for an unknown one.

    >>> term_names(["principal", "focal"])
    ('focal', 'cx', 'cy')
    """
    if unknown := [g for g in groups if g not in LENS_GROUPS]:
        raise InputError(
            "lens terms", expected=f"some of {', '.join(LENS_GROUPS)}", found=", ".join(unknown)
        )
    return in_order({term for group in groups for term in LENS_GROUPS[group]})


def term_values(lens: Array, term: str) -> Array:
    """Return one term (C,) of lens vectors (C, 12)."""
    return lens[:, 1] / lens[:, 0] if term == "aspect" else lens[:, PLACE[term]]


def with_term_steps(lens: Array, terms: Sequence[str], step: Array) -> Array:
    """Return lens vectors (C, 12) with ``step`` (C, L) added to the terms."""
    out = lens.copy()
    aspect = term_values(lens, "aspect").copy()
    for column, term in zip(step.T, terms, strict=True):
        if term == "aspect":
            aspect += column
        else:
            out[:, PLACE[term]] += column
    out[:, 1] = aspect * out[:, 0]
    return np.asarray(out)
