"""The residual table: how well each camera of a rig fits a capture, worst first, and which ones
need a hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import special

from calib.check.causes import Cause, find_causes
from calib.core.geometry import Array
from calib.core.rig import CameraStats, Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.solve.bundle.intersect import triangulate_markers
from calib.solve.bundle.problem import TERMS, term_values
from calib.solve.certainty.statistics import rig_stats
from calib.solve.clock.common_time import at_common_time
from calib.solve.hold import RigFit, fit_to_rig
from calib.solve.lasting.find import USUAL_SHARE, in_words

LETTERS = {
    "aspect": "a",
    "tangential": "p",
    "k3": "k",
    "rational": "r",
}  # of the groups beyond the usual lens
MOST_NAMED = 5  # cameras in a line of words


@dataclass(frozen=True, slots=True, eq=False)
class CameraRow:
    """One camera's line of the table: its statistics, ``verdict`` "ok" or "act", and the causes for
    "act".

    The sigmas (3,) are how sure the rig's own solve is of its position and rotation, nan where that
    is not known. ``lens_terms`` are those that its lens has beside focal length, centre, k1 and k2,
    None where the solve held it.
    """

    name: str
    stats: CameraStats
    causes: tuple[Cause, ...]
    sigma_position_mm: Array
    sigma_rotation_deg: Array
    lens_terms: tuple[str, ...] | None = None

    @property
    def verdict(self) -> str:
        return "act" if self.causes else "ok"


@dataclass(frozen=True, slots=True, eq=False)
class WandLengths:
    """Errors in mm of the wand's lengths between markers that were reconstructed one by one:
    measured minus known.
    """

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
    lasting: dict[str, Any] = field(default_factory=dict)  # see ``calib.solve.lasting.in_words``

    def as_json(self) -> dict[str, Any]:
        """Return the table as ``calib residuals --json`` prints it; numbers that do not exist are
        None.
        """
        cameras = []
        for row in self.cameras:
            s = row.stats
            numbers = {
                k: _or_none(getattr(s, k)) for k in ("rms_px", "median_px", "p95_px", "sigma_px")
            }
            cameras.append(
                {"name": row.name, "points": s.points, "left_out": s.n_left_out, **numbers}
                | {
                    k: [_or_none(v) for v in getattr(row, k)]
                    for k in ("sigma_position_mm", "sigma_rotation_deg")
                }
                | {
                    "bias_px": [_or_none(b) for b in s.bias_px],
                    "coverage": s.coverage,
                    "verdict": row.verdict,
                }
                | {"lens_terms": None if row.lens_terms is None else list(row.lens_terms)}
                | {"causes": [{"cause": c.cause, "evidence": c.evidence} for c in row.causes]}
            )
        names = ("length_mean_mm", "length_sd_mm", "length_p95_mm", "length_rms_mm")
        wand = {"n_lengths": self.wand.n_lengths} | {
            k: _or_none(getattr(self.wand, k)) for k in names
        }
        return {"cameras": cameras, "wand": wand, "frames": self.n_frames, "lasting": self.lasting}

    def __str__(self) -> str:
        """Lay the table out, two lines of headings (the second: units), with 1σ as the root of the
        sum over axes.
        """
        width = max(6, *(len(row.name) for row in self.cameras))
        names = ("RMS", "95 %", "sigma", "bias x", "bias y", "place", "turn")
        units = (*["px"] * 5, "1σ mm", "1σ deg")
        wide = [max(5, len(n), len(u)) for n, u in zip(names, units, strict=True)]
        digits = (*[3] * 6, 4)

        def line(first: str, points: str, out: str, cells: Iterable[str], last: str) -> str:
            middle = "  ".join(f"{cell:>{w}}" for cell, w in zip(cells, wide, strict=True))
            return f"{first:<{width}}  {points:>6}  {out:>4}  {middle}  {last}".rstrip()

        lines = [
            line("camera", "points", "left", names, "sensor  lens   verdict"),
            line("", "", "out", units, ""),
        ]
        for row in self.cameras:
            s = row.stats
            pose = (
                float(np.linalg.norm(v)) for v in (row.sigma_position_mm, row.sigma_rotation_deg)
            )
            values = (s.rms_px, s.p95_px, s.sigma_px, *s.bias_px, *pose)
            cells = (_rounded(v, d) for v, d in zip(values, digits, strict=True))
            last = f"{s.coverage:>6.0%}  {_letters(row.lens_terms):<5}  {row.verdict}"
            lines.append(line(row.name, str(s.points), str(s.n_left_out), cells, last))
        lines += [
            f"{row.name}: {c.cause}: {c.evidence}" for row in self.cameras for c in row.causes
        ]
        lines += lasting_lines(self.lasting)
        w = self.wand
        lines.append(
            f"wand lengths ({w.n_lengths}): mean error {w.length_mean_mm:+.3f} mm, SD "
            f"{w.length_sd_mm:.3f} mm, "
            f"95 % within {w.length_p95_mm:.3f} mm"
            if w.n_lengths
            else "wand lengths: none, no frame shows two markers in two cameras each"
        )
        lines.append(
            "RMS is sqrt(mean(dx² + dy²)); sigma is the robust noise of one coordinate, "
            "corrected for what fitting the "
            "wands takes up; sensor is the share covered."
        )
        lines.append(
            "Place and turn: how sure the solve was of position and rotation, root of "
            "the sum of squares over x, y, z."
        )
        lines.append(
            "Lens: a, pixels not quite square; p, decentring; k, k3; r, a denominator; "
            "plain, none of these; -, it was"
            " held."
        )
        return "\n".join(lines)


@one_blas_thread
def residual_table(rig: Rig, tracks: Tracks, fit: RigFit | None = None) -> ResidualTable:
    """Return the residuals that the rig's cameras leave on a capture of its wand, with the rig
    held.

    Points of cameras that the rig's solve found to expose late or early are first moved to the
    common time. Each frame's wand pose is fitted to all cameras; gross outliers are left out by the
    test that the solve uses. A ready ``fit`` of these tracks' cameras at the common time, such as
    the solve's own, stands in for both. Raises InputError where cameras of the tracks are not in
    the rig, or sensors differ, UnsolvableError where no two cameras see the same marker in the same
    frame.
    """
    _check_cameras(rig, tracks)
    tracks = tracks.subset([n for n in rig.names if n in tracks.names])
    if fit is None:
        _require_shared_points(tracks)
        tracks = at_common_time(rig, tracks)
        fit = fit_to_rig(rig, tracks)
    stats = fit.stats or rig_stats(tracks, fit.problem, fit.state, fit.is_inlier, fit.sigma_px)
    causes = find_causes(fit, tracks, stats, [rig.camera(n).stats for n in tracks.names])
    rows = [
        CameraRow(c.name, s, k, *rig.sigmas(c.name), lens_terms_of(rig, c.name))
        for c, s, k in zip(tracks.cameras, stats, causes, strict=True)
    ]
    rows.sort(key=lambda r: (-np.nan_to_num(r.stats.rms_px, nan=np.inf), r.name))
    points = triangulate_markers(fit.problem.with_weight(fit.is_inlier.astype(float)), fit.state)
    lengths = wand_lengths(points, rig.wand_used.lengths_mm)
    return ResidualTable(
        tuple(rows),
        lengths,
        fit.problem.n_frames,
        in_words(fit.problem, fit.stretches, tracks.names),
    )


def _require_shared_points(tracks: Tracks) -> None:
    """Raise UnsolvableError where no marker is seen by two cameras in one frame."""
    points = np.concatenate([(c.frame * 65536 + c.marker)[c.marker >= 0] for c in tracks.cameras])
    if len(np.unique(points)) == len(points):
        raise UnsolvableError(
            "residuals",
            expected="identified markers that two of the rig's cameras see in the same frame",
            found="none",
            remedy="Check that the tracks are of this rig, genlocked, with the wand's "
            "markers identified.",
            cameras=tracks.names,
        )


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


def wand_lengths(points_mm: Array, lengths_mm: Array) -> WandLengths:
    """Return the errors of all lengths between markers (F, M, 3) in mm against the known ones (M,
    M).
    """
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


def lens_terms_of(rig: Rig, name: str) -> tuple[str, ...] | None:
    """Return the groups of small terms that a camera's lens shows to have; None where the solve
    held it.

    A group counts where it is off nothing by more than chance lets expect once in a thousand
    lenses.
    """
    known, lens = rig.covariance, rig.camera(name).lens
    if known is None or f"{name}/focal" not in known.labels:
        return None
    found = []
    for group in LETTERS:
        labels = [f"{name}/{term}" for term in TERMS[group]]
        if not set(labels) <= set(known.labels):
            continue
        at = [known.labels.index(label) for label in labels]
        value = np.array([float(term_values(lens.vector[None], term)[0]) for term in TERMS[group]])
        value -= group == "aspect"
        if value @ np.linalg.pinv(
            known.matrix[np.ix_(at, at)], hermitian=True
        ) @ value > special.chdtri(len(at), 1e-3):
            found.append(group)
    return tuple(found)


def _letters(terms: tuple[str, ...] | None) -> str:
    return "-" if terms is None else "".join(LETTERS[term] for term in terms) or "plain"


def lasting_lines(lasting: dict[str, Any]) -> list[str]:
    """Return a line of words about errors that last (``calib.solve.lasting.in_words``); none where
    there are few.
    """
    if lasting.get("share", 0.0) <= USUAL_SHARE:
        return []
    of = sorted(lasting["cameras"].items(), key=lambda item: -item[1]["seconds"])
    words = [
        f"{name} {c['count']} times, {c['seconds']:.1f} s in all, at most "
        f"{c['largest_px']:.2f} px (frames"
        f" {c['largest_frames'][0]} to {c['largest_frames'][1]})"
        for name, c in of[:MOST_NAMED]
    ]
    rest = [f"{len(of) - MOST_NAMED} more cameras less"] if len(of) > MOST_NAMED else []
    return [
        f"errors that last: for a while all points of a camera lie off together "
        f"({lasting['share']:.0%} of all, left"
        f" out): {'; '.join([*words, *rest])}: look for hidden markers, warm air and "
        f"mounts that tremble"
    ]


def _rounded(value: float, digits: int) -> str:
    return (
        f"{round(value, digits) + 0.0:.{digits}f}" if np.isfinite(value) else "-"
    )  # adding 0 turns -0.000 into 0.000


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
