"""What a capture leaves open: the cameras concerned and the direction, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array
from calib.core.names import listed
from calib.core.parameters import POSITION, RING, ROTATION, CameraParameter
from calib.core.rig import Rig
from calib.errors import UnsolvableError
from calib.solve.certainty.normal import Information

# a position less sure than this share of the way to the other cameras is not determined; a turn:
# radian
SHARE = 0.05
IN_WORDS = 0.3  # a part at least this large against the largest is told
MOST_NAMED = 4
WORDS = {
    "rotation_x": "turn about its image's x axis",
    "rotation_y": "turn about its image's y axis",
    "rotation_z": "turn about its optical axis",
    "position_x": "position along its image's x axis",
    "position_y": "position along its image's y axis",
    "position_z": "position along its optical axis",
    "focal": "focal length",
    "cx": "principal point in x",
    "cy": "principal point in y",
}
_REMEDY = (
    "Wave longer, with the wand turned all ways, at several distances before {}, "
    "or hold measured lenses."
)


def in_words(parameters: Sequence[str], direction: Array) -> str:
    """Return what moves together along a direction (n,), one entry a parameter, in units of like
    effect.

    >>> in_words(["position_x", "position_z", "focal"], np.array([0.1, 1.0, -0.9]))
    'position along its optical axis against focal length'
    """
    size = np.abs(direction)
    order = [i for i in np.argsort(-size, kind="stable") if size[i] >= IN_WORDS * size.max()]
    return " against ".join(WORDS.get(parameters[i], f"lens term {parameters[i]}") for i in order)


def units(parameter: str, focal_px: float, away_mm: float) -> float:
    """Return the step of a parameter that moves an image about as much as the camera's moving by 1
    mm does.
    """
    if parameter in POSITION:
        return 1.0
    if parameter in RING:
        return focal_px / away_mm
    # A radian of turn counts fully, a distortion coefficient by some r³ at the image's edge.
    return 1.0 / away_mm if parameter in ROTATION else 10.0 / away_mm


def require_rank(
    found: Information,
    free: NDArray[np.intp],
    names: Sequence[str],
    parameters: Sequence[str],
    focal_px: Array,
    away_mm: float,
) -> None:
    """Raise UnsolvableError, naming cameras and direction, where something is left open.

    ``found`` is of the ``free (k,)`` among all cameras' ``parameters`` (and the wand's coordinates
    after them), motions of the rig as a whole held. Each camera's parameters are in its own frame.
    """
    if (open_direction := found.open_direction()) is None:
        return
    n = len(parameters)
    step = np.zeros(max(len(names) * n, int(free.max()) + 1))
    step[free] = open_direction
    direction = step[: len(names) * n].reshape(len(names), n)
    unit = np.array([[units(p, focal, away_mm) for p in parameters] for focal in focal_px])
    _refuse(names, list(parameters), direction / unit)


def _refuse(names: Sequence[str], parameters: list[str], direction: Array) -> None:
    """Raise the finding for the camera(s) that move most along a direction (C, n) in units of like
    effect.
    """
    size = np.linalg.norm(direction, axis=1)
    concerned = [
        int(c) for c in np.argsort(-size, kind="stable") if size[c] >= IN_WORDS * size.max()
    ]
    cameras = [names[c] for c in concerned]
    told = [f"{names[c]}: {in_words(parameters, direction[c])}" for c in concerned[:MOST_NAMED]]
    more = [f"{len(concerned) - MOST_NAMED} cameras more"] if len(concerned) > MOST_NAMED else []
    raise UnsolvableError(
        listed(cameras),
        expected="poses and lenses that the capture determines",
        found=f"nothing in it that fixes {'; '.join(told + more)}",
        remedy=_REMEDY.format("this camera" if len(cameras) == 1 else "these cameras"),
        cameras=cameras,
    )


def uncertain(rig: Rig) -> dict[str, tuple[float, float]]:
    """Return the cameras whose position or turn is too uncertain to be of use, with the sigmas of
    both in mm and degrees.

    The limits: 5 % of the way to the other cameras, and 0.05 radian, which is the same seen from
    them. A camera whose pose was held has no row in the covariance and nothing to be uncertain of.
    """
    known, reach, out = rig.covariance, _reach_mm(rig), dict[str, tuple[float, float]]()
    if known is None:
        return out
    for name in rig.names:
        mm, turn = (float(np.linalg.norm(known.sigma(name, k))) for k in (POSITION, ROTATION))
        if mm > SHARE * reach or turn > SHARE:
            out[name] = mm, float(np.degrees(turn))
    return out


def require_certain(rig: Rig) -> None:
    """Raise UnsolvableError, naming cameras and directions, where one is too uncertain to be of
    use; but for one whose place a fault spoils, which is told as that.
    """
    sigma = {name: s for name, s in uncertain(rig).items() if rig.camera(name).is_placed}
    if sigma:
        reach = _reach_mm(rig)
        worst = max(sigma, key=lambda n: sigma[n][0] / reach + np.radians(sigma[n][1]))
        told = [
            f"{n}: {_weakest(rig, n, reach)}"
            for n in sorted(sigma, key=lambda n: -sigma[n][0])[:MOST_NAMED]
        ]
        mm, deg = sigma[worst]
        raise UnsolvableError(
            listed(sigma),
            expected="positions and rotations that the wave determines",
            found=f"{worst} uncertain by ± {mm:.0f} mm and {deg:.2g}°; least "
            f"sure: {'; '.join(told)}",
            remedy=_REMEDY.format("this camera" if len(sigma) == 1 else "these cameras"),
            cameras=list(sigma),
        )


def _reach_mm(rig: Rig) -> float:
    """Return how far cameras are from their middle."""
    position = np.stack([c.position_mm for c in rig.cameras])
    away = np.linalg.norm(position - np.median(position, axis=0), axis=1)
    return max(float(np.median(away)), 1.0)


def _weakest(rig: Rig, name: str, reach_mm: float) -> str:
    """Return a camera's least certain direction in words, from its block of the covariance, in its
    own axes.
    """
    assert rig.covariance is not None
    camera = rig.camera(name)
    parameters = [k for k in WORDS if CameraParameter(name, k) in rig.covariance.row]
    rows = [rig.covariance.row[CameraParameter(name, k)] for k in parameters]
    block = rig.covariance.matrix[np.ix_(rows, rows)]
    T = np.diag([1.0 / units(p, camera.lens.fx, reach_mm) for p in parameters])
    at = [parameters.index(k) for k in POSITION]
    T[np.ix_(at, at)] = camera.cam_from_world.R
    return in_words(parameters, np.linalg.eigh(T @ block @ T.T)[1][:, -1])
