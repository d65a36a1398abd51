"""What a recheck found, as records, as the JSON document of the contract and as a
table for people.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.check.recheck.drift import RigidMove, Scale
from calib.check.recheck.explain import BOTH, LENS
from calib.core.geometry import Array
from calib.core.tracks import Tracks
from calib.solve.bundle.problem import RING

VERDICTS = ("moved", "lens", "timing", "noisy", "undecided", "unseen", "unmoved")


@dataclass(frozen=True, slots=True, eq=False)
class CameraChange:
    """One camera: its verdict and the figures behind it.

    ``change (9,)`` is turn (rad, on the left of cam_from_world), position (mm, world), focal, cx,
    cy (px) and ``covariance (9, 9)`` its own, both uncertainties counted; of a camera not named
    they are of a change of pose. ``shift_px`` is RMS over the sensor at the distance of the
    volume's middle, ``shift_mm`` the same there. ``noise_ratio`` is its noise against that of the
    rig's solve, in units of what the other cameras show.
    """

    name: str
    verdict: str
    change: Array
    covariance: Array
    shift_px: float
    shift_mm: float
    p_value: float
    matters: bool
    note: str = ""
    kind: str = ""
    is_separable: bool = True
    correlation: float = float("nan")
    focal_px: float = float("nan")
    offset_frames: float = 0.0
    sigma_frames: float = float("nan")
    sigma_px: float = float("nan")
    noise_ratio: float = float("nan")

    @property
    def needs_a_hand(self) -> bool:
        return self.verdict in {"moved", "lens", "timing", "noisy"}

    @property
    def rotation_deg(self) -> float:
        return float(np.degrees(np.linalg.norm(self.change[:3])))

    @property
    def translation_mm(self) -> float:
        return float(np.linalg.norm(self.change[3:6]))

    def sigma(self, at: slice) -> float:
        """Return the standard uncertainty of the length of a part of the change, along it."""
        v, C = self.change[at], self.covariance[at, at]
        length = float(np.linalg.norm(v))
        return (
            float(np.sqrt(v @ C @ v) / length)
            if length > 0
            else float(np.sqrt(np.trace(C) / len(v)))
        )

    def as_json(self) -> dict[str, Any]:
        """Return the camera's entry; numbers that do not exist are None."""
        has_focal = bool(self.covariance[6, 6] > 0)
        numbers = {
            "rotation_deg": self.rotation_deg, "translation_mm": self.translation_mm,
            "sigma_rotation_deg": float(np.degrees(self.sigma(slice(0, 3)))),
            "sigma_translation_mm": self.sigma(slice(3, 6)),
            "shift_px": self.shift_px, "shift_mm": self.shift_mm, "p_value": self.p_value,
            "focal_change": float(self.change[6] / self.focal_px) if has_focal else None,
            "sigma_focal_change": float(np.sqrt(self.covariance[6,
            6]) / self.focal_px) if has_focal else None,
            "pose_lens_correlation": self.correlation,
            "offset_frames": self.offset_frames, "sigma_offset_frames": self.sigma_frames,
            "sigma_px": self.sigma_px, "noise_ratio": self.noise_ratio,
        }  # fmt: skip
        clean = {k: v if v is not None and np.isfinite(v) else None for k, v in numbers.items()}
        words = {
            "matters": self.matters,
            "kind": self.kind,
            "is_separable": self.is_separable,
            "note": self.note,
        }
        return {"name": self.name, "verdict": self.verdict} | clean | words


@dataclass(frozen=True, slots=True, eq=False)
class Recheck:
    """All cameras in the rig's order, and what concerns the rig as a whole.

    ``agreeing`` are the cameras that agree among themselves; ``groups`` the others, as far as they
    agree with one another. ``has_majority`` is False where the agreeing are no more than half.
    ``drift`` is a text where the rig as a whole changed, else empty. ``tracks`` is the wave at a
    common time, for a repair.
    """

    cameras: tuple[CameraChange, ...]
    agreeing: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    has_majority: bool
    scale: Scale
    drift: str
    rigid_moves: tuple[RigidMove, ...]
    findings: tuple[str, ...]
    tracks: Tracks

    @property
    def moved(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.cameras if c.verdict == "moved")

    @property
    def repairable(self) -> dict[str, tuple[str, ...]]:
        """The cameras that a repair solves anew, with the lens terms to solve; none without a
        reference to hold.
        """
        if self.drift or not self.has_majority:
            return {}
        free = {LENS: RING, BOTH: RING}
        return {
            c.name: free.get(c.kind, ()) for c in self.cameras if c.verdict in {"moved", "lens"}
        }

    @property
    def needs_a_hand(self) -> bool:
        return (
            any(c.needs_a_hand for c in self.cameras) or bool(self.drift) or not self.has_majority
        )

    def camera(self, name: str) -> CameraChange:
        return next(c for c in self.cameras if c.name == name)

    def as_json(self) -> dict[str, Any]:
        """Return the document that ``calib recheck --json`` prints."""
        scale = {
            "share": self.scale.share,
            "sigma": self.scale.sigma,
            "p_value": self.scale.p_value,
        }
        return {
            "cameras": [c.as_json() for c in self.cameras],
            "moved": list(self.moved),
            "agreeing": list(self.agreeing),
            "groups": [list(g) for g in self.groups],
            "has_majority": self.has_majority,
            "scale": {k: v if np.isfinite(v) else None for k, v in scale.items()},
            "drift": self.drift,
            "findings": list(self.findings),
        }

    def rows(self) -> list[tuple[str, ...]]:
        """Return the table, headings first: named cameras before the others."""
        out = [HEADINGS]
        for c in sorted(
            self.cameras,
            key=lambda c: (VERDICTS.index(c.verdict), -np.nan_to_num(c.shift_px), c.name),
        ):
            if not np.isfinite(c.shift_px):
                out.append((c.name, c.verdict, *["-"] * 9))
                continue
            focal = f"{100 * c.change[6] / c.focal_px:+.2f}" if c.covariance[6, 6] > 0 else "-"
            turn = f"{c.rotation_deg:.3f}", f"{np.degrees(c.sigma(slice(0, 3))):.3f}"
            shift = f"{c.translation_mm:.2f}", f"{c.sigma(slice(3, 6)):.2f}"
            p = "<1e-9" if c.p_value < 1e-9 else f"{c.p_value:.2g}"
            matters = ("yes" if c.matters else "no") if c.needs_a_hand else ""
            out.append(
                (
                    c.name,
                    c.verdict,
                    *turn,
                    *shift,
                    focal,
                    f"{c.shift_px:.2f}",
                    f"{c.shift_mm:.2f}",
                    p,
                    matters,
                )
            )
        return out

    def notes(self) -> list[str]:
        """Return what stands below the table: findings on the rig, then on cameras."""
        return [*self.findings, *(f"{c.name}: {c.note}" for c in self.cameras if c.note)]

    def __str__(self) -> str:
        rows = self.rows()
        widths = [max(len(r[k]) for r in rows) for k in range(len(rows[0]))]
        lines = [
            "  ".join(
                v.ljust(w) if k < 2 else v.rjust(w)
                for k, (v, w) in enumerate(zip(r, widths, strict=True))
            )
            for r in rows
        ]
        return "\n".join([*(line.rstrip() for line in lines), *self.notes(), LEGEND])


HEADINGS: tuple[str, ...] = (
    *("camera", "verdict", "turn °", "± °", "shift mm", "± mm", "focal %"),
    *("image px", "there mm", "p", "matters"),
)
LEGEND = (
    "turn and shift are the camera's own since the rig was solved, ± one standard "
    "uncertainty; image and there: how far"
    " its picture moved, RMS over the sensor, in px and at the middle of what it sees in "
    "mm; p: chance that nothing"
    " changed, corrected for the number of cameras."
)
