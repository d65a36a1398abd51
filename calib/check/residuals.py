"""The residual table: how well each camera of a rig fits a capture, worst first, and which ones need a hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import CameraStats, Rig
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.solve.frames import triangulate_markers
from calib.solve.refine import fit_to_rig
from calib.solve.statistics import camera_stats
from calib.solve.threads import one_blas_thread

# Modified z-score beyond which a value stands out. Source: Iglewicz & Hoaglin, How to detect and handle outliers,
# 1993, section 3.
STANDS_OUT = 3.5
# Cameras of one rig differ by this much (in the logarithm, a fifth) without anything being wrong; below it the
# spread over a few cameras is luck.
LOG_SPREAD_FLOOR = 0.2
MIN_POINTS = 100  # a lens and a pose are 11 numbers: some ten points for each
MIN_COVERAGE = 0.15  # of the sensor: a lens is not known where no point was
MAX_LEFT_OUT = 0.05  # share of gross outliers: ten times what a clean capture has


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """What may be wrong, and the figures that say so."""

    cause: str
    evidence: str


@dataclass(frozen=True, slots=True, eq=False)
class CameraRow:
    """One camera's line of the table: its statistics, ``verdict`` "ok" or "act", and the causes for "act"."""

    name: str
    stats: CameraStats
    causes: tuple[Cause, ...]

    @property
    def verdict(self) -> str:
        return "act" if self.causes else "ok"


@dataclass(frozen=True, slots=True, eq=False)
class WandLengths:
    """Errors in mm of the wand's lengths between markers that were reconstructed one by one: measured minus known."""

    n_lengths: int
    length_mean_mm: float
    length_sd_mm: float
    length_p95_mm: float  # of the absolute error
    length_rms_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class ResidualTable:
    """Residuals of all cameras, worst first, and of the wand's lengths."""

    cameras: tuple[CameraRow, ...]
    wand: WandLengths
    n_frames: int

    def as_json(self) -> dict[str, Any]:
        """Return the table as ``calib residuals --json`` prints it; numbers that do not exist are None."""
        cameras = []
        for row in self.cameras:
            s = row.stats
            numbers = {k: _or_none(getattr(s, k)) for k in ("rms_px", "median_px", "p95_px", "sigma_px")}
            cameras.append(
                {"name": row.name, "points": s.points, "left_out": s.n_left_out, **numbers}
                | {"bias_px": [_or_none(b) for b in s.bias_px], "coverage": s.coverage, "verdict": row.verdict}
                | {"causes": [{"cause": c.cause, "evidence": c.evidence} for c in row.causes]}
            )
        names = ("length_mean_mm", "length_sd_mm", "length_p95_mm", "length_rms_mm")
        wand = {"n_lengths": self.wand.n_lengths} | {k: _or_none(getattr(self.wand, k)) for k in names}
        return {"cameras": cameras, "wand": wand, "frames": self.n_frames}

    def __str__(self) -> str:
        head = f"{'camera':<12}{'points':>8}{'left out':>10}{'RMS px':>9}{'median':>9}{'95 %':>9}{'sigma':>9}"
        lines = [head + f"{'bias x':>9}{'bias y':>9}{'sensor':>8}  verdict"]
        for row in self.cameras:
            s = row.stats
            lines.append(
                f"{row.name:<12}{s.points:>8}{s.n_left_out:>10}{s.rms_px:>9.3f}{s.median_px:>9.3f}{s.p95_px:>9.3f}"
                f"{s.sigma_px:>9.3f}{s.bias_px[0]:>9.3f}{s.bias_px[1]:>9.3f}{s.coverage:>8.0%}  {row.verdict}"
            )
            lines += [f"{'':<12}{c.cause}: {c.evidence}" for c in row.causes]
        w = self.wand
        lines.append(
            f"wand lengths ({w.n_lengths}): mean error {w.length_mean_mm:+.3f} mm, SD {w.length_sd_mm:.3f} mm, "
            f"95 % within {w.length_p95_mm:.3f} mm"
        )
        lines.append("RMS is sqrt(mean(dx² + dy²)); sigma is the robust deviation of one coordinate.")
        return "\n".join(lines)


@one_blas_thread
def residual_table(rig: Rig, tracks: Tracks) -> ResidualTable:
    """Return the residuals that the rig's cameras leave on a capture of its wand, with the rig held.

    Each frame's wand pose is fitted to all cameras; gross outliers are left out by the test that the solve uses.
    Raises InputError where cameras of the tracks are not in the rig, or sensors differ.
    """
    _check_cameras(rig, tracks)
    tracks = tracks.subset([n for n in rig.names if n in tracks.names])
    fit = fit_to_rig(rig, tracks)
    stats = []
    for c, camera in enumerate(tracks.cameras):
        marker, pair = np.nonzero((fit.problem.row >= 0) & (fit.problem.cam == c))
        row, out = fit.problem.row[marker, pair], ~fit.is_inlier[marker, pair]
        residual = fit.residual_px[:, marker, pair].T
        stats.append(camera_stats(residual, camera.xy_px[row], out, camera.width, camera.height))
    causes = find_causes(stats)
    rows = [CameraRow(c.name, s, k) for c, s, k in zip(tracks.cameras, stats, causes, strict=True)]
    rows.sort(key=lambda r: (-np.nan_to_num(r.stats.rms_px, nan=np.inf), r.name))
    points = triangulate_markers(fit.problem.with_weight(fit.is_inlier.astype(float)), fit.state)
    return ResidualTable(tuple(rows), wand_lengths(points, rig.wand_used.lengths_mm), fit.problem.n_frames)


def _check_cameras(rig: Rig, tracks: Tracks) -> None:
    strange = [n for n in tracks.names if n not in rig.names and tracks.camera(n).n_points]
    if strange:
        raise InputError(
            "cameras",
            expected=f"tracks of the rig's cameras ({', '.join(rig.names)})",
            found=f"also {', '.join(strange)}",
            remedy="Use the rig file solved from these cameras.",
        )
    for camera in tracks.cameras:
        if camera.name in rig.names:
            known = rig.camera(camera.name)
            if (known.width, known.height) != (camera.width, camera.height):
                raise InputError(
                    camera.name,
                    expected=f"the rig's sensor of {known.width} × {known.height} px",
                    found=f"{camera.width} × {camera.height} px",
                )
    tracks.check_markers(len(rig.wand.markers))


def find_causes(stats: list[CameraStats]) -> list[tuple[Cause, ...]]:
    """Return for each camera what makes it stand out from the others, by a robust test on log residuals."""
    usable = [s for s in stats if s.points >= MIN_POINTS]
    out = []
    for s in stats:
        causes: list[Cause] = []
        for label, key in (("residuals stand out", "sigma_px"), ("large errors stand out", "p95_px")):
            values = np.array([getattr(u, key) for u in usable if u is not s])
            if s.points >= MIN_POINTS and len(values) and not causes:
                causes += _standing_out(label, key, getattr(s, key), values)
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


def _standing_out(label: str, key: str, value: float, others: Array) -> list[Cause]:
    log = np.log(np.maximum(others, 1e-6))
    middle = float(np.median(log))
    spread = max(1.4826 * float(np.median(np.abs(log - middle))), LOG_SPREAD_FLOOR)
    z = (np.log(max(value, 1e-6)) - middle) / spread
    if z <= STANDS_OUT:
        return []
    name = {"sigma_px": "sigma", "p95_px": "95th percentile"}[key]
    return [Cause(label, f"{name} {value:.3f} px against {np.exp(middle):.3f} px of the others, {z:.1f} robust sigmas")]


def wand_lengths(points_mm: Array, lengths_mm: Array) -> WandLengths:
    """Return the errors of all lengths between markers (F, M, 3) in mm against the known ones (M, M)."""
    i, j = np.triu_indices(len(lengths_mm), 1)
    measured = np.linalg.norm(points_mm[:, i] - points_mm[:, j], axis=2)
    error = (measured - lengths_mm[i, j])[np.isfinite(measured)]
    if not error.size:
        return WandLengths(0, *[float("nan")] * 4)
    return WandLengths(
        int(error.size),
        float(error.mean()),
        float(error.std()),
        float(np.percentile(np.abs(error), 95)),
        float(np.sqrt(np.mean(error**2))),
    )


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
