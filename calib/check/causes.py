"""Which cameras of a residual table need a hand, and the figures that say so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import CameraStats

# Modified z-score beyond which a value stands out. Source: Iglewicz & Hoaglin, How to detect and handle outliers,
# 1993, section 3.
STANDS_OUT = 3.5
# Cameras of one rig differ by this much (in the logarithm, a fifth) without anything being wrong; below it the
# spread over a few cameras is luck.
LOG_SPREAD_FLOOR = 0.2
# The others say little where there are one or two of them, and nothing where all are bad; so there are limits as well.
MAX_SIGMA_PX = 1.0  # common practice, no source: the centre of a round marker is good to a tenth or two of a pixel
MAX_GROWTH = 3.0  # of the RMS since the solve: other neighbours in the same frames alone make a factor up to 2
MIN_POINTS = 100  # a lens and a pose are 11 numbers: some ten points for each
MIN_COVERAGE = 0.15  # of the sensor: a lens is not known where no point was
MAX_LEFT_OUT = 0.05  # share of gross outliers: ten times what a clean capture has


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """What may be wrong, and the figures that say so."""

    cause: str
    evidence: str


def find_causes(stats: list[CameraStats], solved: Sequence[CameraStats | None]) -> list[tuple[Cause, ...]]:
    """Return for each camera what makes it stand out from the others, by a robust test on log residuals, or at all.

    ``solved`` holds the residuals that the rig's own solve left, None where they are not known.
    """
    usable = [s for s in stats if s.points >= MIN_POINTS]
    out = []
    for s, before in zip(stats, solved, strict=True):
        causes: list[Cause] = []
        for label, key in (("residuals stand out", "sigma_px"), ("large errors stand out", "p95_px")):
            values = np.array([getattr(u, key) for u in usable if u is not s])
            if s.points >= MIN_POINTS and len(values) and not causes:
                causes += _standing_out(label, key, getattr(s, key), values)
        if s.points >= MIN_POINTS and not causes:
            causes += _too_large(s, before)
        if s.points < MIN_POINTS:
            causes.append(Cause("too few points", f"{s.points} points, {MIN_POINTS} are needed: wave in front of it"))
        elif s.coverage < MIN_COVERAGE:
            causes.append(
                Cause("too little of the sensor", f"points cover {s.coverage:.0%}, {MIN_COVERAGE:.0%} are needed")
            )
        share = s.n_left_out / max(s.points + s.n_left_out, 1)
        if share > MAX_LEFT_OUT and s.n_left_out > 10:
            causes.append(
                Cause("many gross outliers", f"{share:.1%} of its points left out, {MAX_LEFT_OUT:.0%} is the limit")
            )
        out.append(tuple(causes))
    return out


def _too_large(s: CameraStats, before: CameraStats | None) -> list[Cause]:
    if s.sigma_px > MAX_SIGMA_PX:
        return [Cause("large residuals", f"sigma {s.sigma_px:.3f} px, {MAX_SIGMA_PX:g} px is the limit")]
    if before is not None and before.points >= MIN_POINTS and s.rms_px > MAX_GROWTH * before.rms_px:
        return [
            Cause("residuals grew", f"RMS {s.rms_px:.3f} px against {before.rms_px:.3f} px when the rig was solved")
        ]
    return []


def _standing_out(label: str, key: str, value: float, others: Array) -> list[Cause]:
    log = np.log(np.maximum(others, 1e-6))
    middle = float(np.median(log))
    spread = max(1.4826 * float(np.median(np.abs(log - middle))), LOG_SPREAD_FLOOR)
    z = (np.log(max(value, 1e-6)) - middle) / spread
    if z <= STANDS_OUT:
        return []
    name = {"sigma_px": "sigma", "p95_px": "95th percentile"}[key]
    return [Cause(label, f"{name} {value:.3f} px against {np.exp(middle):.3f} px of the others, {z:.1f} robust sigmas")]
