"""The independent length test of a rig with a bar of certified length.

Modelled on VDI/VDE 2634 Part 1 (length error: measured less calibrated) and, for bars with a rigid
group of markers at each end, on ASTM E3064-16, withdrawn in January 2025 (error of the relative
pose of the bar's two ends). Neither is claimed to be met: bars, places and their number are the
user's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, sigma_of
from calib.core.names import counted
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.printed import Reported
from calib.prove.decide import COVERAGE, Decision, Limit, combined, decide
from calib.prove.ends import EndPoses, end_poses
from calib.prove.known import unsure_notes
from calib.prove.lengths import NOT_THE_BAR, Lengths, known_lengths, measured_lengths
from calib.prove.volume import THIRDS, Box, visited_box, wave_box

PERCENTILES = (50.0, 90.0, 95.0, 99.7)
# What the guideline counts: five lengths on each of seven lines (VDI/VDE 2634 Part 1, from memory).
LEAST_LINES, LEAST_LENGTHS = 7, 35
N_BLOCKS = 20  # of the capture, each with a mean of its own: neighbouring frames err alike
DIRECTIONS = ("along x", "along y", "along z")
# Of the others' own scatter, robustly: of a million normal errors none lies as far off.
STANDS_OUT = 6.0
FEW_ODD = 0.05  # share of lengths: more are no single ones
SCALE_LEFT = 0.25  # of the squared errors, once the scale is taken off: the other half of the RMS
TAPE = 1e-3  # of a length: half a millimetre of half a metre, as a tape measure is read
FEW_FOREIGN = 0.01  # share of lengths that are none of the bar's: more is a capture gone wrong


@dataclass(frozen=True, slots=True)
class Spread:
    """Length errors of a group in mm: how many, mean, standard deviation, RMS, largest absolute
    value; ``percentiles_mm`` of the absolute value at ``PERCENTILES``.
    """

    name: str
    n: int
    mean_mm: float
    sd_mm: float
    rms_mm: float
    max_mm: float
    percentiles_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Verification(Reported):
    """The outcome of a length test of K lengths.

    Parameters
    ----------
    bar : Wand
        The bar.
    lengths : Lengths
        Every length error, with place and direction.
    at_rest : bool
        Whether the bar was set down.
    overall : Spread
        Figures of all lengths.
    by_length, by_direction, by_place : tuple of Spread
        And of groups of them.
    mean_sigma_mm : float
        Standard uncertainty of the mean error.
    scale, scale_sigma : float
        By which share the rig measures too long, with its standard uncertainty from the bar's and
        the scatter between stretches of time.
    bar_u_mm : (K,) array
        The bar's standard uncertainty of each length.
    box : Box
        The volume.
    missed : tuple of str
        Its cells that the bar did not visit.
    n_lines : int
        On which the bar lay: each direction along an axis in each cell.
    ends : EndPoses or None
        Relative pose of the bar's ends, where they have one.
    limit : Limit, optional
        What errors may be.
    decision : Decision, optional
        Pass, fail or undecided.
    room_mm : (K,) array, optional
        How far each error lies within its acceptance limit.
    doubts : tuple of str
        Why no pass is given where all errors keep the limit.
    notes : tuple of str
        What else there is to say.
    """

    REPORT: ClassVar[str] = "proofs.verify"

    bar: Wand
    lengths: Lengths
    at_rest: bool
    overall: Spread
    by_length: tuple[Spread, ...]
    by_direction: tuple[Spread, ...]
    by_place: tuple[Spread, ...]
    mean_sigma_mm: float
    scale: float
    scale_sigma: float
    bar_u_mm: Array
    box: Box
    missed: tuple[str, ...]
    n_lines: int
    ends: EndPoses | None
    limit: Limit | None = None
    decision: Decision | None = None
    room_mm: Array | None = None
    doubts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def is_of_scale(self) -> bool:
        """Whether most of what the lengths are off by is one share of them all, beyond its
        uncertainty and beyond what a tape measure would tell of bar or wand; with a limit, whether
        that is exceeded so.
        """
        error, known_mm = self.lengths.error_mm, self.lengths.known_mm
        if self.limit is not None and self.decision is not Decision.FAIL:
            return False
        left = error - self.scale * known_mm
        is_most = float((left**2).sum()) < SCALE_LEFT * float((error**2).sum())
        return is_most and abs(self.scale) > max(COVERAGE * self.scale_sigma, TAPE)

    @property
    def odd_ones(self) -> NDArray[np.intp] | None:
        """The few lengths that stand out from the rest, where no limit is given or it is exceeded
        by these alone; None where there are none, or the rest exceeds it too.
        """
        error, limit = self.lengths.error_mm, self.limit
        if limit is not None and self.decision is not Decision.FAIL:
            return None
        off = np.abs(error - np.median(error))
        usual = max(float(sigma_of(off)), 1e-12)
        odd = off > STANDS_OUT * np.maximum(usual, self.lengths.noise_mm)
        rest = ~odd
        if not odd.any() or odd.sum() > max(1, FEW_ODD * len(error)):
            return None
        if limit is None:
            return np.flatnonzero(odd)
        own = self.lengths.noise_mm if self.at_rest else np.zeros_like(self.bar_u_mm)
        known_mm = self.lengths.known_mm
        decision, _ = decide(error[rest], known_mm[rest], self.bar_u_mm[rest], own[rest], limit)
        return None if decision is Decision.FAIL else np.flatnonzero(odd)


@one_blas_thread
def verify(
    rig: Rig,
    tracks: Tracks,
    bar: Wand,
    limit: Limit | None = None,
    *,
    at_rest: bool = False,
    box: Box | None = None,
    noise_px: float | None = None,
) -> Verification:
    """Return what lengths the rig measures of a certified bar, and whether they keep a limit.

    In motion every frame is a measurement, and the noise of its centroids is part of its error;
    at rest the mean of each rest is, with that mean's uncertainty beside the bar's in the guard
    band. Modelled on VDI/VDE 2634 Part 1 and JCGM 106:2012; no conformance is claimed.

    Parameters
    ----------
    rig : Rig
        To be tested.
    tracks : Tracks
        The bar carried about the volume, or set down in it.
    bar : Wand
        Its certified lengths, else those of its markers; another than the rig's own wand.
    limit : Limit, optional
        What errors may be; without it nothing is decided.
    at_rest : bool
        The bar was set down and held still in each place.
    box : Box, optional
        The volume that the bar should have visited; by default where the wand went that the rig was
        solved from.
    noise_px : float, optional
        Standard deviation of a centroid's coordinate; by default each camera's own.

    Returns
    -------
    Verification
        Every length error, figures by length, direction and place, scale error and decision.

    Raises
    ------
    InputError
        Tracks, bar and rig do not belong together.
    UnsolvableError
        No length of the bar is seen whole by two cameras.
    """
    found = measured_lengths(rig, tracks, bar, at_rest, noise_px)
    known = known_lengths(bar)
    u_bar = np.array([c.sigma_mm for c in known])[found.which]
    counted_in = slice(None) if box is None else box.holding(found.middle_mm)
    box = box or wave_box(rig) or visited_box(found.middle_mm)
    cell, direction = box.cells(found.middle_mm), np.abs(found.along).argmax(axis=1)
    line = np.column_stack([cell, direction])
    n_lines = len(np.unique(line, axis=0))
    scale, scale_sigma, mean_sigma = _scale(found, u_bar)
    decision, room = None, None
    doubts = _doubts(rig, bar, found, line[counted_in])
    if limit is not None:
        own = found.noise_mm if at_rest else np.zeros_like(u_bar)
        decision, room = decide(found.error_mm, found.known_mm, u_bar, own, limit)
        if decision is Decision.PASS and doubts:
            decision = Decision.UNDECIDED
    names = [f"{bar.markers[c.i]} to {bar.markers[c.j]}, {c.length_mm:g} mm" for c in known]
    error = found.error_mm
    return Verification(
        bar,
        found,
        at_rest,
        spread("all", error),
        _groups(names, found.which, error),
        _groups(list(DIRECTIONS), direction, error),
        _by_place(cell, error),
        mean_sigma,
        scale,
        scale_sigma,
        u_bar,
        box,
        box.missed(found.middle_mm),
        n_lines,
        end_poses(rig, tracks, bar, noise_px),
        limit,
        decision,
        room,
        doubts,
        (*unsure_notes(rig), *_notes(bar, found)),
    )


def spread(name: str, error: Array) -> Spread:
    """Return the figures of a group of length errors (k,)."""
    off = np.abs(error)
    return Spread(
        name,
        len(error),
        float(error.mean()),
        float(error.std(ddof=1)) if len(error) > 1 else 0.0,
        float(np.sqrt((error**2).mean())),
        float(off.max()),
        tuple(float(v) for v in np.percentile(off, PERCENTILES)),
    )


def _groups(names: list[str], group: NDArray[np.intp], error: Array) -> tuple[Spread, ...]:
    return tuple(spread(n, error[group == k]) for k, n in enumerate(names) if (group == k).any())


def _by_place(cell: NDArray[np.intp], error: Array) -> tuple[Spread, ...]:
    """Return the figures of the outer and middle thirds of the volume along each axis."""
    out: list[Spread] = []
    for axis, name in enumerate("xyz"):
        out += _groups([f"{third} {name}" for third in THIRDS], cell[:, axis], error)
    return tuple(out)


def _scale(found: Lengths, u_bar: Array) -> tuple[float, float, float]:
    """Return the scale error, its standard uncertainty, and that of the mean error in mm.

    The slope of error over length through zero, weighted by length squared. Blocks of time scatter
    about it by all that errs in the rig and the centroids; the bar's share is common to all.
    """
    error, length = found.error_mm, found.known_mm
    scale = float(error @ length / (length @ length))
    order = np.argsort(found.frame, kind="stable")
    blocks = np.array_split(order, min(N_BLOCKS, len(order)))
    slopes = np.array([error[b] @ length[b] / (length[b] @ length[b]) for b in blocks])
    means = np.array([error[b].mean() for b in blocks])
    n = len(blocks)
    scatter, of_mean = (
        float(v.std(ddof=1)) / np.sqrt(n) if n > 1 else 0.0 for v in (slopes, means)
    )
    if n == 1:
        scatter = float(found.noise_mm[0] / length[0])
        of_mean = float(found.noise_mm[0])
    # Each certified length is an error of its own; the lengths share the slope by length squared.
    _, first, which = np.unique(found.which, return_index=True, return_inverse=True)
    share = np.bincount(which, length**2) / (length @ length)
    bar = combined(*(share * u_bar[first] / length[first]))
    bar_mean = combined(*(np.bincount(which) / len(which) * u_bar[first]))
    return scale, float(combined(scatter, bar)), float(combined(of_mean, bar_mean))


def _doubts(rig: Rig, bar: Wand, found: Lengths, line: NDArray[np.intp]) -> tuple[str, ...]:
    """Return why the test is no proof; ``line`` (k, 4) tells the lines of those lengths apart that
    count: all, or those in a volume that was asked for.
    """
    out = []
    n, n_lines = len(line), len(np.unique(line, axis=0))
    where = "" if n == len(found.error_mm) else " in the volume that was asked for"
    if _is_same(rig.wand, bar):
        out.append("the bar is the wand that gave the rig its scale: no independent test of it")
    if n_lines < LEAST_LINES or n < LEAST_LENGTHS:
        out.append(
            f"{counted(n, 'length')} on {counted(n_lines, 'line')}{where}; the guideline counts "
            f"{LEAST_LENGTHS} on {LEAST_LINES}"
        )
    if not any(c.sigma_mm > 0 for c in known_lengths(bar)):
        out.append("nobody states how well the bar's length is known")
    total = len(found.error_mm) + found.n_foreign
    if found.n_foreign > FEW_FOREIGN * total:
        out.append(
            f"{found.n_foreign} of {total} measured lengths are none of the bar's: names mixed up, "
            "or another bar"
        )
    return tuple(out)


def _notes(bar: Wand, found: Lengths) -> tuple[str, ...]:
    out = []
    if not bar.certified:
        out.append("the bar has no certified length: those between its coordinates are used")
    if found.n_foreign:
        n = counted(found.n_foreign, "length")
        out.append(f"left out, as of other points: {n} more than {NOT_THE_BAR:.0%} off")
    return tuple(out)


def _is_same(wand: Wand, bar: Wand) -> bool:
    return wand.points_mm.shape == bar.points_mm.shape and bool(
        np.allclose(wand.lengths_mm, bar.lengths_mm, atol=1e-6)
    )
