"""Axes from markers whose coordinates a survey knows: least squares, with what is left of each."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from calib.core.geometry import Array, Pose, cross_matrix, is_slim, rigid_fit, rotation_from_vector
from calib.core.names import larger
from calib.core.wand import Wand
from calib.errors import UnsolvableError
from calib.prove.layout import Layout
from calib.prove.rest.still import Still

CHANCE = 1e-4  # of calling a survey wrong that is right
DEFAULT_SIGMA_MM = 1.0  # where the survey states none: a tape or a total station on a floor
MATCH_MM, MATCH_SHARE = 20.0, 0.01  # nameless markers lie this near to where the survey has them
SLIM = 0.02  # of the markers' spread along a line: fewer than that span no plane
N_STEPS = 8


def surveyed(still: Still, survey: Wand, with_scale: bool) -> Layout:
    """Return the axes in which the markers lie nearest to their surveyed places.

    Minimises ``rᵀ C⁻¹ r`` over the rigid motion, with r the places less the surveyed ones and C the
    joint covariance of both, from the closed form of Umeyama 1991 (in ``rigid_fit``). The scale is
    found as well and reported; it enters the axes only ``with_scale``. Raises UnsolvableError where
    fewer than three markers are found or they do not lie as surveyed, naming the worst.
    """
    still, known = _paired(still, survey)
    sigma = survey.sigma_mm or DEFAULT_SIGMA_MM
    target = survey.points_mm[known]
    W = np.asarray(np.linalg.inv(still.joint_mm2 + sigma**2 * np.eye(3 * len(known))), float)
    scale, scale_sigma = _scale(still.points_mm, target, W)
    factor = scale if with_scale else 1.0

    def rule(points: Array) -> Pose:
        return _fitted(factor * points, target, W)

    pose = rule(still.points_mm)
    left = pose.apply(factor * still.points_mm) - target
    names = [survey.markers[k] for k in known]
    _require_fit(still, target, left, pose, W, None if with_scale else scale, names)
    notes = []
    if not survey.sigma_mm:
        notes.append(f"the survey states no sigma: {DEFAULT_SIGMA_MM:g} mm is assumed")
    if abs(scale - 1.0) > 2.0 * scale_sigma:
        did = "the rig was scaled to the survey" if with_scale else "the rig keeps its own scale"
        notes.append(
            f"the survey is {larger(scale - 1.0)} (± {scale_sigma:.3%}) than the rig: {did}"
        )
    numbers = {
        "residual_rms_mm": float(np.sqrt((left**2).sum(axis=1).mean())),
        "residual_max_mm": float(np.linalg.norm(left, axis=1).max()),
        "survey_scale": scale,
        "survey_scale_sigma": scale_sigma,
    }
    return Layout(
        "survey", still, rule, "the survey's origin", numbers, tuple(notes), factor, sigma
    )


def _paired(still: Still, survey: Wand) -> tuple[Still, NDArray[np.intp]]:
    """Return the markers found and the survey's rows of them: by number, else by their shape."""
    n = len(survey.markers)
    if (still.marker >= 0).any():
        at = np.flatnonzero((still.marker >= 0) & (still.marker < n))
        rows = still.marker[at].astype(np.intp)
    else:
        at, rows = _by_shape(still.points_mm, survey.points_mm)
    if len(rows) < 3 or is_slim(survey.points_mm[rows], SLIM):
        raise UnsolvableError(
            "survey",
            expected="three of its markers or more, not on one line",
            found=f"{len(rows)} of {n}: {', '.join(survey.markers[k] for k in rows) or 'none'}",
            remedy="Check that the cameras see them; markers are told apart by their order in the "
            "survey file.",
        )
    return still.chosen(at), rows


def _by_shape(points: Array, known: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows of points and of known places that lie alike: the pairing that most confirm."""
    apart = np.linalg.norm(points[:, None] - points, axis=-1)
    wide = np.linalg.norm(known[:, None] - known, axis=-1)
    best: list[tuple[int, float, tuple[int, ...], tuple[int, ...]]] = []
    for base in _bases(known):
        for triple in permutations(range(len(points)), 3):
            off = max(
                abs(apart[triple[i], triple[j]] - wide[base[i], base[j]])
                - MATCH_SHARE * wide[base[i], base[j]]
                for i, j in ((0, 1), (0, 2), (1, 2))
            )
            if off > MATCH_MM:
                continue
            _, R, t = rigid_fit(points[list(triple)], known[list(base)])
            miss = np.linalg.norm((points @ R.T + t)[:, None] - known, axis=-1)
            near = miss.argmin(axis=1)
            on = np.flatnonzero(
                (miss.min(axis=1) <= MATCH_MM + MATCH_SHARE * wide.max())
                & (miss.argmin(axis=0)[near] == np.arange(len(points)))
            )
            score = float((miss[on, near[on]] ** 2).sum())
            best.append((-len(on), score, tuple(on.tolist()), tuple(near[on].tolist())))
    if not best:
        none = np.empty(0, np.intp)
        return none, none
    best.sort()
    first = best[0]
    for other in best[1:]:
        is_other = set(zip(*first[2:], strict=True)) != set(zip(*other[2:], strict=True))
        if is_other and other[0] == first[0] and other[1] < 4.0 * first[1] + 1.0:
            raise UnsolvableError(
                "survey",
                expected="markers that only fit their surveyed places in one way",
                found="two ways that fit alike",
                remedy="Name the markers in the tracks.",
            )
    return np.array(first[2], np.intp), np.array(first[3], np.intp)


def _bases(known: Array) -> list[tuple[int, int, int]]:
    """Return triples of known places, the widest triangles first, ten at most."""
    triples = list(combinations(range(len(known)), 3))[:2000]
    area = [
        float(np.linalg.norm(np.cross(known[j] - known[i], known[k] - known[i])))
        for i, j, k in triples
    ]
    return [triples[i] for i in np.argsort(area)[::-1][:10]]


def _fitted(points: Array, target: Array, W: Array) -> Pose:
    """Return the rigid motion of least ``rᵀ W r``, W (3 n, 3 n), by Gauss-Newton."""
    _, R, t = rigid_fit(points, target)
    for _ in range(N_STEPS):
        here = points @ R.T + t
        J = _by_motion(here).reshape(-1, 6)
        M = _turned(W, R)
        step = np.asarray(-np.linalg.solve(J.T @ M @ J, J.T @ M @ (here - target).ravel()), float)
        turn = rotation_from_vector(step[:3])
        R, t = turn @ R, turn @ t + step[3:]
    return Pose(R, t)


def _by_motion(points: Array) -> Array:
    """Return the derivative (n, 3, 6) of points (n, 3) by a turn about and a shift of the axes."""
    shifts = np.broadcast_to(np.eye(3), (len(points), 3, 3))
    return np.concatenate([-cross_matrix(points), shifts], axis=2)


def _turned(W: Array, R: Array) -> Array:
    """Return weights of places in the rig's axes as those of places in axes turned by R."""
    n = len(W) // 3
    blocks = W.reshape(n, 3, n, 3)
    turned = np.einsum("pi,aibj,qj->apbq", R, blocks, R, optimize=True)
    return np.asarray(turned.reshape(3 * n, 3 * n))


def _scale(points: Array, target: Array, W: Array) -> tuple[float, float]:
    """Return by what factor the survey is larger than the rig, and its standard uncertainty."""
    scale = 1.0
    for _ in range(4):
        pose = _fitted(scale * points, target, W)
        here = pose.apply(scale * points)
        arm = scale * (points - points.mean(axis=0)) @ pose.R.T
        J = np.dstack([_by_motion(here), arm]).reshape(-1, 7)
        M = _turned(W, pose.R)
        K = np.linalg.inv(J.T @ M @ J)
        scale *= 1.0 - float((K @ J.T @ M @ (here - target).ravel())[6])
    return scale, float(np.sqrt(K[6, 6]))


def _require_fit(
    still: Still,
    target: Array,
    left: Array,
    pose: Pose,
    W: Array,
    scale: float | None,
    names: list[str],
) -> None:
    """Raise UnsolvableError where what is left is more than chance leaves, naming the worst, or the
    ``scale`` where that was not taken over and explains it.
    """
    n = len(left)
    squared = float(left.ravel() @ _turned(W, pose.R) @ left.ravel())
    if special.chdtrc(3 * n - 6 - (scale is None), squared) >= CHANCE:
        return
    each = ", ".join(
        f"{name} {np.linalg.norm(v):.1f} mm" for name, v in zip(names, left, strict=True)
    )
    if scale is not None:
        other = _fitted(scale * still.points_mm, target, W)
        rest = (other.apply(scale * still.points_mm) - target).ravel()
        if special.chdtrc(3 * n - 7, float(rest @ _turned(W, other.R) @ rest)) >= CHANCE:
            raise UnsolvableError(
                "survey",
                expected="the rig's size",
                found=f"one {larger(scale - 1.0)}, which leaves {each}",
                remedy="The rig's is its wand's: measure wand or survey again, or take over the "
                "survey's size (--survey-scale).",
            )
    falls = []
    for k in range(n) if n > 3 else ():
        keep = np.delete(np.arange(n), k)
        rows = (keep[:, None] * 3 + np.arange(3)).ravel()
        part = np.linalg.inv(np.linalg.inv(W)[np.ix_(rows, rows)])
        other = _fitted(still.points_mm[keep], target[keep], part)
        rest = (other.apply(still.points_mm[keep]) - target[keep]).ravel()
        falls.append(squared - float(rest @ _turned(part, other.R) @ rest))
    worst = int(np.argmax(falls)) if falls else int(np.linalg.norm(left, axis=1).argmax())
    raise UnsolvableError(
        "survey",
        expected="markers that lie as surveyed, within the uncertainty of both",
        found=f"them off by {each}, {names[worst]} the worst",
        remedy=f"Check {names[worst]}: its place, its number in the tracks, the survey's axes "
        "(right-handed?) and its unit (mm).",
    )
