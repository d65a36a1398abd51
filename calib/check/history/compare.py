"""Every camera's pose and focal length in each file of a rig against the first.

Each file's world is its own as far as a solve can tell, so every rig is first moved on to the first
one by the cameras that agree (the search of the recheck, with the covariances of both files).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.check.history.patterns import of_camera
from calib.check.history.records import N_SHOWN, Entry, History
from calib.check.placed import known_part, unsure
from calib.check.recheck.agree import find_agreement
from calib.check.recheck.compare import Comparison, held_sigma, is_silent, rig_from_other
from calib.check.verdicts import Course
from calib.core.geometry import Array, Pose, rigid_fit, vector_from_rotation
from calib.core.names import listed
from calib.core.parameters import N_CHANGE, RING, CameraParameter, of_cameras, term_values
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.errors import InputError
from calib.solve.certainty.normal import Information, in_gauge, on_places, world_motions

# A rig changed in size where that leaves a fifth of what cameras would have had to move, and by
# more than steel does over forty degrees (12 parts in a million a degree, common practice).
MIN_FOR_SIZE, GROWN_LEFT, GROWN = 4, 0.2, 5e-4
Key = tuple[CameraParameter, float]  # a held lens term and its value
# Poses that a file keeps come out alike but for the rounding of an alignment.
ROUNDING, ROUNDING_MM = 1e-9, 1e-6
SHARED = 1e-5  # of a sigma: far above rounding, far below what anyone reads
ALPHA = (
    0.005  # chance that any camera of an unchanged rig is said to have changed between two files
)


@one_blas_thread
def history(entries: Sequence[Entry]) -> History:
    """Return the history of one rig's files.

    Parameters
    ----------
    entries : sequence of Entry
        Two rigs or more; put in order of time where every one states its time.

    Returns
    -------
    History
        Every camera's pose and focal length in each file against the first, and what that shows.

    Raises
    ------
    InputError
        There are fewer than two, or a file has fewer than two cameras in common with the first.
    """
    if len(entries) < 2:
        raise InputError("history", expected="two rig files or more", found=str(len(entries)))
    moments = [e.moment for e in entries]
    is_by_time = all(m is not None for m in moments)
    if is_by_time:
        entries = [
            e
            for _, _, e in sorted(
                (m or 0.0, k, e) for k, (m, e) in enumerate(zip(moments, entries, strict=True))
            )
        ]
    # What a fault of its solve put elsewhere is no change of the camera's.
    rigs = [known_part(e.rig) for e in entries]
    if min(len(set(rigs[0].names) & set(r.names)) for r in rigs) < 2:
        rigs = [e.rig for e in entries]
    first = rigs[0]
    every = list(dict.fromkeys(name for e in entries for name in e.rig.names))
    n_files, at = len(entries), [every.index(n) for n in first.names]
    change = np.full((n_files, len(every), N_SHOWN), np.nan)
    moved: list[_Moved] = []
    sensitivity: dict[Key, Array] = {}
    without_majority, grown = [], {}
    for k, (e, rig) in enumerate(zip(entries, rigs, strict=True)):
        common = tuple(n for n in first.names if n in rig.names)
        if len(common) < 2:
            raise InputError(
                e.name,
                expected=f"two cameras or more of {listed(first.names)}",
                found=listed(rig.names),
                remedy="Give the files of one rig.",
            )
        # What an alignment did to a rig's size is no change of the rig.
        like_first = scaled(rig, first.enlarged / rig.enlarged)
        if size := growth(first, like_first, common) if k else 0.0:
            grown[e.name], like_first = size, scaled(like_first, 1.0 / (1.0 + size))
        inside = agreeing(first, like_first, common)
        if k and 2 * inside.sum() <= len(common):
            without_majority.append(e.name)
        one = _Moved.on(first, like_first, common, inside)
        moved.append(one)
        change[k, at] = np.where(one.is_there[:, None], one.shown(one.difference), np.nan)
        for key, column in one.sensitivity(moved[0]).items():
            sensitivity.setdefault(key, np.zeros((n_files, len(every), N_SHOWN)))[k, at] = column
    joint = np.zeros((len(every), n_files, N_SHOWN, n_files, N_SHOWN))
    joint[at] = _joint(moved)
    times = np.array([m or 0.0 for m in moments]) if is_by_time else np.arange(n_files, dtype=float)
    times = np.sort(times)
    if times[-1] == times[0]:
        times = np.arange(n_files, dtype=float)
    level = ALPHA / len(every)
    shared = np.stack([*sensitivity.values(), np.zeros_like(change)], axis=-1)
    cameras = tuple(
        of_camera(name, change[:, c], joint[c], shared[:, c], times, level, len(every))
        for c, name in enumerate(every)
    )
    last = unsure(entries[-1].rig)
    return History(
        entries=tuple(entries),
        cameras=tuple(
            replace(c, verdict=Course.UNKNOWN)
            if c.name in last and c.verdict is Course.STEADY
            else c
            for c in cameras
        ),
        is_by_time=is_by_time,
        without_majority=tuple(without_majority),
        silent=tuple(e.name for e in entries if is_silent(e.rig)),
        added=tuple(sorted(set(every) - set(entries[0].rig.names))),
        grown=grown,
    )


def growth(first: Rig, later: Rig, names: tuple[str, ...]) -> float:
    """Return the share by which the whole later rig is larger than the first, 0 where that is no
    better an explanation than cameras that moved.
    """
    if len(names) < MIN_FOR_SIZE:
        return 0.0
    before, after = (np.stack([r.camera(n).position_mm for n in names]) for r in (first, later))
    size, R, t = rigid_fit(before, after, with_scale=True)
    left = np.linalg.norm(after - size * before @ R.T - t, axis=1)
    _, R, t = rigid_fit(before, after)
    as_it_is = np.linalg.norm(after - before @ R.T - t, axis=1)
    explains = np.median(left) < GROWN_LEFT * np.median(as_it_is)
    return float(size) - 1.0 if explains and abs(size - 1.0) > GROWN else 0.0


def scaled(rig: Rig, size: float) -> Rig:
    """Return the rig with its positions at this size."""
    cameras = (
        replace(c, cam_from_world=Pose(c.cam_from_world.R, size * c.cam_from_world.t_mm))
        for c in rig.cameras
    )
    return replace(rig, cameras=tuple(cameras))


def ring_covariance(rig: Rig, names: tuple[str, ...]) -> Array:
    """Return the covariance (9 C, 9 C) of turns, positions, focal length and centre."""
    every = of_cameras(names, RING)
    C = np.zeros((len(every),) * 2)
    stored = rig.covariance.row if rig.covariance is not None else {}
    here = np.array([i for i, p in enumerate(every) if p in stored], dtype=np.intp)
    if len(here) and rig.covariance is not None:
        there = np.array([stored[every[i]] for i in here], dtype=np.intp)
        C[np.ix_(here, here)] = rig.covariance.matrix[np.ix_(there, there)]
    for i, p in enumerate(every):
        if p not in stored and p.kind in RING:
            C[i, i] = held_sigma(rig, p) ** 2
    return C


def held_sensitivity(rig: Rig, names: tuple[str, ...], R: Array) -> dict[Key, Array]:
    """Return what one standard uncertainty of each held lens term did to the rows (9 C,), in a
    world turned by R.

    The same term and value in two files are one measurement, whose error is the same in both.
    """
    known = rig.covariance
    if known is None or not known.held:
        return {}
    zero, every = np.zeros(len(known.held)), of_cameras(names, RING)
    values = np.stack([known.sensitivity[known.row[p]] if p in known.row else zero for p in every])
    values = on_places(np.stack([R] * len(names)), N_CHANGE, values)
    out = {}
    for k, held in enumerate(known.held):
        measured = float(term_values(rig.camera(held.camera).lens.vector[None], held.kind)[0])
        out[held, measured] = values[:, k] * held_sigma(rig, held)
    return out


def sensitivity_between(first: dict[Key, Array], later: dict[Key, Array]) -> dict[Key, Array]:
    """Return what errors of held lenses did to the later file beyond what they did to the first."""
    zero = np.zeros(1)
    return {key: later.get(key, zero) - first.get(key, zero) for key in first.keys() | later.keys()}


def _parameters(rig: Rig, names: tuple[str, ...]) -> tuple[Array, Array, Array]:
    cameras = [rig.camera(n) for n in names]
    R = np.stack([c.cam_from_world.R for c in cameras])
    return (
        R,
        np.stack([c.position_mm for c in cameras]),
        np.stack([c.lens.vector[[0, 2, 3]] for c in cameras]),
    )


def difference(
    first: Rig, later: Rig, names: tuple[str, ...], weight: Array | None
) -> tuple[Array, Array, Array]:
    """Return changes (C, 9) once the later rig is moved on to the first, the world's motions
    (9 C, 6) and that turn R.
    """
    R0, p0, lens0 = _parameters(first, names)
    R1, p1, lens1 = _parameters(later, names)
    R, t = rig_from_other(R0, p0, R1, p1, weight)
    d = np.hstack(
        [vector_from_rotation(R1 @ R.T @ np.swapaxes(R0, 1, 2)), p1 @ R.T + t - p0, lens1 - lens0]
    )
    return d, world_motions(R0, p0, N_CHANGE)[:, :6], R


def agreeing(first: Rig, later: Rig, names: tuple[str, ...]) -> Array:
    """Return 1 for each camera (C,) that stands in both files as the others do, 0 for the rest."""
    if len(names) < 2 * (kept := held_as_they_were(first, later, names)).sum():
        return kept.astype(float)
    every, weight = np.arange(len(names)), None
    C0, C1 = ring_covariance(first, names), ring_covariance(later, names)
    for _ in range(2):
        d, G, R = difference(first, later, names, weight)
        C = C0 + turned(C1, R)
        apart = [
            *sensitivity_between(
                held_sensitivity(first, names, np.eye(3)), held_sensitivity(later, names, R)
            ).values(),
            np.zeros(len(C)),
        ]
        C += np.transpose(apart) @ apart
        diagonal = np.diag(C)
        s = np.sqrt(np.where(diagonal > 0, diagonal, 1e-12))
        B = np.linalg.qr(G / s[:, None], mode="complete")[0][:, 6:]
        inner = B.T @ (C / s[:, None] / s) @ B
        W = (B @ Information.of(inner).inverse()[0] @ B.T) / s[:, None] / s
        found = Comparison(names, Information.of(W, -W @ d.ravel()), (R, np.zeros(3)))
        weight = find_agreement(found, every, ALPHA).is_agreeing.astype(float)
    assert weight is not None
    return weight


def turned(C: Array, R: Array) -> Array:
    """Return a covariance (9 C, 9 C) with its positions turned into a world turned by R."""
    each = np.stack([R] * (len(C) // N_CHANGE))
    return on_places(each, N_CHANGE, on_places(each, N_CHANGE, C).T)


def held_as_they_were(first: Rig, later: Rig, names: tuple[str, ...]) -> NDArray[np.bool_]:
    """Return which cameras (C,) a repair held: most of those that have the same lens and stand to
    one another as before but for rounding, as no two solves place them. Nobody where it is none.
    """
    pairs = [(first.camera(n), later.camera(n)) for n in names]
    kept = np.zeros(len(names), bool)
    lenses = (np.array([c.lens.vector for c in of]) for of in zip(*pairs, strict=True))
    same = np.flatnonzero(np.equal(*lenses).all(axis=1))
    if len(same) < 2:  # as of two solves: a history compares every file with every other
        return kept
    way = [pairs[k][0].cam_from_world.inverse() @ pairs[k][1].cam_from_world for k in same]
    R, t = np.stack([w.R for w in way]), np.stack([w.t_mm for w in way])
    groups = [
        (np.abs(R - w.R).max(axis=(1, 2)) < ROUNDING)
        & (np.abs(t - w.t_mm).max(axis=1) < ROUNDING_MM)
        for w in way
    ]
    largest = max(groups, key=np.count_nonzero)
    kept[same] = largest & (np.count_nonzero(largest) > 1)
    return kept


@dataclass(frozen=True, slots=True, eq=False)
class _Moved:
    """A file's rig moved on to the first one by the cameras that agree, which are held as a whole.

    All is of the first file's cameras (C), 0 of those that this one lacks: ``difference (9 C,)`` of
    ring terms, ``covariance (9 C, 9 C)`` that the file states of them, in the first's world, ``R``
    the turn into that; ``motions (9 C, 6)`` of the world and the ``conditions`` that hold it there
    (``in_gauge``); ``scale (C, 7)`` is of what is shown.
    """

    rig: Rig
    is_there: NDArray[np.bool_]
    difference: Array
    covariance: Array
    R: Array
    motions: Array
    conditions: Array
    scale: Array

    @classmethod
    def on(cls, first: Rig, rig: Rig, names: tuple[str, ...], inside: Array) -> _Moved:
        is_there = np.array([n in names for n in first.names])
        rows = np.flatnonzero(np.repeat(is_there, N_CHANGE))
        d, G, R = difference(first, rig, names, inside)
        R0, position, lens = _parameters(first, first.names)
        common = position[is_there]
        away = float(np.median(np.linalg.norm(common - common.mean(axis=0), axis=1)))
        metric = np.tile([max(away, 1.0) ** 2] * 3 + [1.0] * 3 + [0.0] * 3, len(names)) * np.repeat(
            inside, N_CHANGE
        )
        n = N_CHANGE * len(first.names)
        change, C, conditions = np.zeros(n), np.zeros((n, n)), np.zeros((n, 6))
        change[rows], conditions[rows] = d.ravel(), metric[:, None] * G
        C[np.ix_(rows, rows)] = turned(ring_covariance(rig, names), R)
        scale = np.ones((len(first.names), N_SHOWN))
        scale[:, 6] = 1.0 / lens[:, 0]
        motions = world_motions(R0, position, N_CHANGE)[:, :6]
        return cls(rig, is_there, change, C, R, motions, conditions, scale)

    def shown(self, values: Array) -> Array:
        """Return what is shown (C, 7) of values (9 C,)."""
        moved = in_gauge(self.motions, self.conditions, values)
        return np.asarray(moved.reshape(len(self.scale), N_CHANGE)[:, :N_SHOWN] * self.scale)

    def shared_with(self, other: _Moved, names: tuple[str, ...]) -> Array:
        """Return the covariance (9 C, 9 C) of this file's errors with those of another.

        Each solve has its own. A repair keeps those of the cameras that it holds, and hands them on
        to those that it solves anew: e_c = C_ch C_hh⁻¹ e_h, and what the new wave adds.
        """
        if other is self:
            return self.covariance
        C, both = np.zeros_like(self.covariance), self.is_there & other.is_there
        kept = both.copy()
        common = tuple(n for n, is_common in zip(names, both, strict=True) if is_common)
        kept[both] = held_as_they_were(other.rig, self.rig, common)
        if kept.any():
            h, c = (np.flatnonzero(np.repeat(k, N_CHANGE)) for k in (kept, ~kept))
            answer = Information.of(other.covariance[np.ix_(h, h)]).inverse()[0]
            C[h] = other.covariance[h]
            C[c] = self.covariance[np.ix_(c, h)] @ answer @ C[h]
        return C

    def sensitivity(self, first: _Moved) -> dict[Key, Array]:
        """Return what errors of held lenses did (C, 7) beyond what they did to the first file."""
        names = tuple(first.rig.names)
        rows = np.repeat(self.is_there, N_CHANGE)
        common = tuple(n for n, is_there in zip(names, self.is_there, strict=True) if is_there)
        apart = sensitivity_between(
            held_sensitivity(first.rig, common, np.eye(3)),
            held_sensitivity(self.rig, common, self.R),
        )
        out = {}
        for key, v in apart.items():
            whole = np.zeros(len(rows))
            whole[rows] = v
            out[key] = self.shown(whole)
        return out


def _joint(moved: Sequence[_Moved]) -> Array:
    """Return each camera's joint covariance (C, K, 7, K, 7) of its changes against the first file;
    of the first, whose change is none, what it states of itself.
    """
    first, names = moved[0], tuple(moved[0].rig.names)
    of_first = [one.shared_with(first, names) for one in moved]
    n = len(names)
    out = np.zeros((n, len(moved), N_SHOWN, len(moved), N_SHOWN))
    for k, one in enumerate(moved):
        for j, other in enumerate(moved[: k + 1]):
            if j == 0 < k:
                continue
            C = one.shared_with(other, names)
            if k:
                C = C - of_first[k] - of_first[j].T + first.covariance
            rows = in_gauge(one.motions, one.conditions, C)
            both = in_gauge(other.motions, other.conditions, rows.T).T
            own = both.reshape(n, N_CHANGE, n, N_CHANGE)[np.arange(n), :, np.arange(n)]
            block = own[:, :N_SHOWN, :N_SHOWN] * one.scale[:, :, None] * other.scale[:, None, :]
            out[:, k, :, j], out[:, j, :, k] = block, np.swapaxes(block, 1, 2)
        if k:  # what two files share cancels but for rounding
            own = np.einsum("cii->ci", out[:, 0, :, 0])
            np.einsum("cii->ci", out[:, k, :, k])[:] += SHARED**2 * own
    return out
