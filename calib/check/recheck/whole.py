"""What is said of the rig as a whole: a majority or none, drift, cameras that moved as one, what
cannot be told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.check.recheck.agree import Agreement
from calib.check.recheck.compare import Comparison, is_silent
from calib.check.recheck.drift import Scale, rigid_move
from calib.check.recheck.explain import MOVE, TURN, Explanation
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.core.geometry import Array, rigid_fit
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.solve.repair import lacks_terms

# Drift is small and everywhere: temperature and settling floors move cameras by some pixels at
# most, and no camera much more than the others. Common practice, no source.
DRIFT_PX = 3.0
DRIFT_SPREAD = 4.0  # the largest move over the median one
CLEAR = 10.0  # of -2 log likelihood: odds of 150 to 1 between two readings of one capture
FEWER = (
    "the rig was solved with fewer lens terms than lenses have; what the others usually "
    "are is counted as uncertainty:"
    " solve it anew"
)
SILENT = (
    "The rig was solved with lenses held, and its file does not say what their errors "
    "did to its poses: small moves may"
    " be these errors. Solve its capture anew, and recheck against that."
)
AS_ONE = (
    "A move of the whole rig as one does not show in a wave: check the origin against the floor."
)


def whole(
    rig: Rig, tracks: Tracks, found: Comparison, agreed: Agreement, scale: Scale, is_grown: bool,
    cameras: list[CameraChange], readings: list[Explanation], why: dict[str, str], places_mm: Array,
) -> Recheck:  # fmt: skip
    """Return the outcome: the cameras' changes as they stand beside one another, and what holds for
    all of them.

    ``places_mm (C, 3)`` is where the new solve has the cameras, ``why`` says of others why they
    cannot be judged.
    """
    names, n = found.names, len(found.names)
    n_in = int(agreed.is_agreeing.sum())
    findings, drift, moves = [], "", []
    has_majority = 2 * n_in > n
    largest_other = len(agreed.groups[0]) if agreed.groups else 0
    if is_grown:
        drift = (
            f"the whole rig {'grew' if scale.share > 0 else 'shrank'} by "
            f"{1e6 * abs(scale.share):.0f} ± "
            f"{1e6 * scale.sigma:.0f} parts in a million against the wand: temperature "
            f"of what carries it, or of the"
            " wand; solve the rig anew from this wave"
        )
    if not has_majority and not is_grown and n > 3 and _is_drift(cameras):
        drift = _drift_text(rig, names, places_mm, float(np.median([c.shift_px for c in cameras])))
        cameras = [
            replace(c, verdict="unmoved", note="") if c.verdict == "moved" else c for c in cameras
        ]
        has_majority = True
    elif not has_majority:
        cameras, text = _without_majority(names, agreed, cameras, readings, n_in, largest_other)
        findings.append(text)
    changed = np.flatnonzero(~agreed.is_agreeing)
    if not drift or is_grown:
        for group in agreed.groups:
            if len(group) > 1:
                others = np.setdiff1d(changed, np.array(group))
                moves.append(rigid_move(found, rig, group, others))
    silent = ([SILENT] if is_silent(rig) else []) + ([FEWER] if lacks_terms(rig) else [])
    findings = [*([drift] if drift else []), *findings, *(str(m) for m in moves), *silent, AS_ONE]
    nan9 = np.full(9, np.nan), np.full((9, 9), np.nan)
    by_name = {c.name: c for c in cameras}
    nan = float("nan")
    for name, reason in why.items():
        by_name[name] = CameraChange(
            name, "unseen", *nan9, nan, nan, nan, False, f"cannot be judged: {reason}"
        )
    return Recheck(
        tuple(by_name[name] for name in rig.names),
        tuple(name for name, ok in zip(names, agreed.is_agreeing, strict=True) if ok),
        tuple(tuple(names[c] for c in g) for g in agreed.groups),
        has_majority, scale, drift, tuple(moves), tuple(findings), tracks,
    )  # fmt: skip


def _drift_text(rig: Rig, names: tuple[str, ...], places_mm: Array, shift_px: float) -> str:
    """Return what to say of small moves of every camera: those of the rig as a whole taken off, its
    size apart.
    """
    before = np.stack([rig.camera(n).position_mm for n in names])
    size, R, t = rigid_fit(before, places_mm, with_scale=True)
    left = places_mm - (size * before @ R.T + t)
    freedom = max(3 * len(names) - 7, 1)
    spread = float(np.linalg.norm(before - before.mean(axis=0)))
    sigma = float(np.sqrt((left**2).sum() / freedom)) / spread
    return (
        f"every camera moved a little (median {shift_px:.2f} px), none stands out. A "
        f"common motion taken off, the rig"
        f" changed in size by {1e6 * (size - 1.0):+.0f} ± {1e6 * sigma:.0f} parts in a "
        f"million and its cameras moved by"
        f" {np.sqrt((left**2).sum() / len(names)):.2f} mm RMS besides: temperature, a "
        f"floor that settled or a structure"
        " that bends; solve the rig anew from this wave"
    )


def _is_drift(cameras: list[CameraChange]) -> bool:
    shifts = np.array([c.shift_px for c in cameras])
    return bool(np.median(shifts) < DRIFT_PX and shifts.max() < DRIFT_SPREAD * np.median(shifts))


def _without_majority(
    names: tuple[str, ...], agreed: Agreement, cameras: list[CameraChange],
    readings: list[Explanation],
    n_in: int, largest_other: int,
) -> tuple[list[CameraChange], str]:  # fmt: skip
    """Return the cameras and what to say where no more than half agree."""
    inside = [n for n, ok in zip(names, agreed.is_agreeing, strict=True) if ok]
    groups = "; ".join(", ".join(names[c] for c in g) for g in agreed.groups)
    if n_in > largest_other and n_in > 2:
        return cameras, (
            f"no majority: only {', '.join(inside)} agree, {n_in} of {len(names)}; the "
            f"verdicts take these as unmoved,"
            f" as the others do not agree among themselves ({groups}). Solve the rig "
            f"anew, or wave longer"
        )
    simpler = _simpler(readings) if len(names) == 2 else None
    if simpler is not None:
        text = (
            f"two cameras only show that they moved against one another; "
            f"{names[simpler]} turning in place explains it,"
            f" {names[1 - simpler]} would have had to turn and shift to match"
        )
        return [
            replace(c, verdict="unmoved")
            if k != simpler and c.verdict == "moved"
            else replace(c, verdict="moved", note=text)
            if k == simpler
            else c
            for k, c in enumerate(cameras)
        ], text
    text = (
        f"no majority: {', '.join(inside)} agree, and so do {groups}; a wave shows only "
        f"that they moved against one"
        " another, not which of them. Check on site which were touched, or solve the rig anew"
    )
    return [
        replace(c, verdict="unseen", note="") if c.verdict in {"moved", "unmoved"} else c
        for c in cameras
    ], text


def _simpler(readings: list[Explanation]) -> int | None:
    """Return which of two cameras alone explains all by turning in place, None where both or
    neither does.
    """
    cost = [r.misfit[TURN] for r in readings]
    best = int(np.argmin(cost))
    is_clear = (
        cost[1 - best] - cost[best] > CLEAR
        and readings[best].misfit[TURN] - readings[best].misfit[MOVE] < CLEAR
    )
    return best if is_clear else None
