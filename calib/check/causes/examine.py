"""A camera's residuals examined: what is stray, what the rest follows, and what that leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.check.causes.certainty import corner_px
from calib.check.causes.models import MIN_SHARE, Choice, Explanation, System
from calib.check.causes.record import Record
from calib.check.causes.sway import Sway, sway
from calib.check.verdicts import Fault
from calib.core.geometry import Array, sigma_of_squares

Bools = NDArray[np.bool_]
MOVES = {Fault.KNOCK, Fault.CREEPS}

# in robust sigmas: a point beyond is stray (the solve's own gate: one good point in 100,000)
GATE = 4.8
CLEAR_VARIANCE, MIN_CLEAR = (
    3.0,
    100,
)  # of a residual, and points: stray ones are counted where the others tell well
WIDE_GATE = (
    8.0  # before it is known what the residuals follow: a pattern's own extremes must stay in
)
MAX_VARIANCE = (
    10.0  # of a residual, in the camera's own: the others place the point to three of its sigmas
)
SCREEN_FRAMES = (
    400  # some thousand points: a share of the squares is then known to a hundredth or two
)
# of a long capture, thinned: a share of the squares is known to a hundredth of itself by then, and
# the effects on a point are some fifty numbers
MOST_FRAMES = 30_000
SEGMENTS = (
    24  # of time, each with a middle of its own, so that what comes after a knock is not stray
)


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """The explanation that a camera's residuals follow (None: none), and what it leaves: figures
    alone, as a rig's records together would take all memory.

    ``sigma_px`` is the camera's noise, ``sway`` the part of it that all points have together for a
    while, ``share_stray`` the share of ``n_judged`` points beyond the gate, ``swapped`` and
    ``repeated`` those of these which lie near another marker, and where their own was a frame
    before, ``corner_px`` what the points within it leave uncertain over the sensor
    (``certainty.corner_px``), ``box_px`` (left, top, right, bottom) holds nine in ten of them by
    column and by row, ``levels`` is their noise by place, ``figures`` the numbers for the evidence
    of the explanation.
    """

    explanation: Explanation | None
    sigma_px: float
    sway: Sway
    share_stray: float
    n_judged: int
    swapped: float
    repeated: float
    corner_px: float
    box_px: Array
    levels: dict[str, float]
    figures: dict[str, float]

    @property
    def is_move(self) -> bool:
        """Whether the camera's pose changes within the wave."""
        return self.explanation is not None and self.explanation.cause in MOVES


def examine(record: Record, known: Array) -> Examination | None:
    """Return what the camera's residuals follow beyond what the rig's own uncertainty ``known (11,
    11)`` of the camera lets expect; None with fewer than 30 points.

    A passing stretch of time that stands off would look like a knock or a move: such stretches are
    left out, unless a move shows without them; they are a part of it then.
    """
    quiet = record.with_used(record.is_used & ~record.is_passing[:, None])
    found = _examined(quiet, known)
    if found is None or found.is_move:
        every = _examined(record, known)
        found = every if every is not None and (found is None or every.is_move) else found
    return found


def _examined(record: Record, known: Array) -> Examination | None:
    record = record.thinned(MOST_FRAMES)
    seen = record.is_used
    if seen.sum() < 30:
        return None
    u = record.normalised()
    # Where the others hardly tell where it should be, one bad point of theirs would pass for this
    # camera's fault.
    doubt = record.doubt()
    vague = (doubt >= MAX_VARIANCE) & seen
    seen = is_judged = seen & ~np.any(vague, axis=1, keepdims=True)
    if is_judged.sum() < 30:
        return None
    away = np.where(seen[..., None], u - _middle(u, is_judged), np.inf)
    record = record.with_used(seen & _within(away, is_judged, WIDE_GATE)).within(known)
    u = record.normalised()
    # Some of the frames tell whether there is anything to explain, less surely than all by a
    # hundredth or two of share.
    system = System(record.thinned(SCREEN_FRAMES), 0.7 * MIN_SHARE)
    best = system.best()
    if best is not None and len(system.record.frame) < len(record.frame):
        system = System(record)
        best = system.best()
    left = u
    if best is not None:
        left = u - system.predicted(best) / record.sigma_px / np.sqrt(record.variance).reshape(
            u.shape
        )
    is_inlier = seen & _within(left, is_judged, GATE)
    is_clear = is_judged & (doubt < CLEAR_VARIANCE)
    is_counted = is_clear if is_clear.sum() >= MIN_CLEAR else is_judged
    share = 1.0 - is_inlier[is_counted].mean()
    if best is not None:  # without the stray points the figures are cleaner
        system = System(record.with_used(is_inlier))
        best = system.best()
    n = system.n
    rss = system.total * (1.0 - (best[0].share if best else 0.0))
    sigma = record.sigma_px * float(np.sqrt(rss / max(n, 1)))
    if best is None:  # stray points must not pass for noise
        squared = (left[is_judged & is_inlier] ** 2).sum(axis=-1)
        sigma = record.sigma_px * sigma_of_squares(squared) if len(squared) else sigma
    record = record.with_used(is_inlier)
    return Examination(
        best[0] if best else None,
        sigma,
        _sway(record, left),
        float(share),
        int(is_counted.sum()),
        _swapped(record, is_judged & ~is_inlier),
        _repeated(record, is_judged & ~is_inlier),
        corner_px(record, known) * sigma / record.sigma_px,
        np.percentile(record.uv_px[is_inlier], [5, 95], axis=0).ravel(),
        _levels(record, left),
        _figures(system, record, best) if best else {},
    )


def _swapped(r: Record, is_stray: Bools) -> float:
    """Return the share of the stray points (P, M) that lie nearer to another marker's place than to
    their own.
    """
    p, m = np.nonzero(is_stray)
    if not len(p) or is_stray.shape[1] == 1:
        return 0.0
    predicted = r.uv_px - r.residual_px.reshape(r.uv_px.shape)
    away = np.linalg.norm(r.uv_px[p, m][:, None] - predicted[p], axis=-1)
    own = away[np.arange(len(p)), m]
    away[np.arange(len(p)), m] = np.inf
    return float((away.min(axis=1) < 0.2 * own).mean())


def _repeated(r: Record, is_stray: Bools) -> float:
    """Return the share of the stray points (P, M) that lie where their own marker was a frame
    before.
    """
    way = r.velocity.reshape(r.uv_px.shape)[is_stray]
    behind = np.linalg.norm(r.residual_px.reshape(r.uv_px.shape)[is_stray] + way, axis=1)
    return float((behind < 0.2 * np.linalg.norm(way, axis=1)).mean()) if len(way) else 0.0


def _sway(r: Record, left: Array) -> Sway:
    """Return how the image swings by what is ``left`` of residuals (P, M, 2) in sigmas."""
    root = np.sqrt(r.variance).reshape(left.shape)
    weight = np.where(r.is_used, 1.0 / r.doubt(), 0.0)
    known = np.where(r.is_used[..., None], left * root * r.sigma_px, 0.0)
    return sway(r.frame, known, weight, r.frame_rate_hz)


def _levels(r: Record, left: Array) -> dict[str, float]:
    """Return noise along x over that along y, and the least and largest in ninths of the sensor, of
    what is ``left`` of residuals (P, M, 2) in sigmas.

    Robust, as stray points just within the gate would rule a ninth.
    """
    place, px = r.uv_px[r.is_used], left[r.is_used] * r.sigma_px
    ninth = np.clip((3.0 * (place + 0.5) / [r.width, r.height]).astype(int), 0, 2) @ [1, 3]
    squared = (px**2).sum(axis=1)
    each = [sigma_of_squares(squared[ninth == k]) for k in range(9) if (ninth == k).sum() > 20]
    if not each:
        return {}
    x, y = np.median(np.abs(px), axis=0)
    return {"x_to_y": float(x / max(y, 1e-12)), "least_px": min(each), "most_px": max(each)}


def _figures(system: System, r: Record, best: Choice) -> dict[str, float]:
    """Return the numbers that the evidence for an explanation quotes."""
    out = dict(best[0].figures)
    cause, values = best[0].cause, best[2]
    if cause == Fault.MOVED:
        out |= {
            "turn_deg": float(np.degrees(np.linalg.norm(values[:3]))),
            "shift_mm": float(np.linalg.norm(values[3:6])),
        }
    ms = 1000.0 / r.frame_rate_hz
    if cause in {Fault.TIMING, Fault.DRIFT}:
        out |= {"frames": float(values[-1]), "ms": float(values[-1]) * ms}
    if cause == Fault.ROWS:
        out |= {"rows_ms": float(values[-1]) * ms}
    if cause == Fault.LENS:
        shift, at = system.predicted(best)[r.is_used], r.uv_px[r.is_used]
        outward = at - (np.array([r.width, r.height]) - 1.0) / 2.0
        radius = np.linalg.norm(outward, axis=1)
        radial = (shift * outward).sum(axis=1) / np.maximum(radius, 1e-9)
        third = np.minimum((3.0 * radius / (np.hypot(r.width, r.height) / 2.0)).astype(int), 2)
        names = ("inner_px", "middle_px", "outer_px")
        out |= {
            n: float(radial[third == k].mean()) if (third == k).any() else 0.0
            for k, n in enumerate(names)
        }
        cell = np.clip(
            (np.array([6, 4]) * (at + 0.5) / [r.width, r.height]).astype(int), 0, [5, 3]
        ) @ [1, 6]
        means = {
            k: float(np.linalg.norm(shift[cell == k].mean(axis=0)))
            for k in np.unique(cell)
            if (cell == k).sum() > 5
        }
        worst = max(means, key=lambda k: means[k]) if means else 0
        out |= {"cell_px": means.get(worst, 0.0)}
        out |= {
            "cell_x": (worst % 6 + 0.5) * r.width / 6,
            "cell_y": (worst // 6 + 0.5) * r.height / 4,
        }
    return out


def _middle(u: Array, is_judged: Bools) -> Array:
    """Return the median residual (P, 1, 2) of each stretch of time."""
    count = np.cumsum(is_judged.sum(axis=1))
    segment = np.minimum(SEGMENTS * (count - 1) // max(count[-1], 1), SEGMENTS - 1)
    bounds = np.searchsorted(segment, np.arange(SEGMENTS + 1))
    out = np.zeros((len(u), 1, 2))
    for at in map(slice, bounds[:-1], bounds[1:]):
        points = np.sort(
            u[at][is_judged[at]], axis=0
        )  # np.median would take ten times as long over so few
        if n := len(points):
            out[at] = 0.5 * (points[(n - 1) // 2] + points[n // 2])
    return out


def _within(u: Array, is_judged: Bools, gate: float) -> Bools:
    squared = u[..., 0] ** 2 + u[..., 1] ** 2
    scale2 = sigma_of_squares(squared[is_judged]) ** 2
    return np.asarray(squared < gate**2 * max(scale2, 1e-12))
