"""What tests of lens terms found; ``calib.report.rigs.lenses`` puts it in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from calib.core.parameters import LENS_GROUPS
from calib.printed import Printed

ALPHA = 0.01  # corrected: one report in a hundred of a faultless rig names a term that is not there
# uncorrected: one needless term in twenty is kept, which costs far less than one that is missing
KEEP = 0.05
# A systematic error of this share of the noise adds half a percent to the RMS of a camera's points.
SMALL = 0.1
RADIAL = ("k1", "k2", "k3", "rational")  # a radial term stays as long as one of higher order does


def together(group: str) -> tuple[str, ...]:
    """Return the groups that go when ``group`` does."""
    return RADIAL[RADIAL.index(group) :] if group in RADIAL else (group,)


@dataclass(frozen=True, slots=True)
class TermFinding:
    """One test of one camera's group of lens terms.

    ``kind`` is "add" for a group that was held and "drop" for one that was free; a radial group is
    dropped with all of higher order, as two that are nearly alike would each seem needless while
    the other stays. ``p_value`` is corrected after Holm over all "add" tests still open; of "drop"
    it is not, as that would favour dropping. ``effect_px`` is by how much adding (dropping) the
    group and solving again moves the camera's predicted points, RMS of sqrt(dx² + dy²),
    ``noise_px`` their noise counted alike. ``rivals`` ("cam05 aspect") explain the residuals nearly
    as well.
    """

    camera: str
    group: str
    kind: str
    statistic: float
    dof: int
    p_value: float
    effect_px: float
    noise_px: float
    rivals: tuple[str, ...] = ()

    @property
    def is_small(self) -> bool:
        """Whether the effect is lost in the noise, significant or not."""
        return self.effect_px < SMALL * self.noise_px

    @property
    def is_significant(self) -> bool:
        return self.p_value < (ALPHA if self.kind == "add" else KEEP)

    @property
    def is_advised(self) -> bool:
        """Whether to follow it: add what is significant and matters, drop what is neither."""
        if self.kind == "add":
            return self.is_significant and not self.is_small
        return not self.is_significant and self.is_small


@dataclass(frozen=True, slots=True)
class LensModelReport(Printed):
    """All tests of a solve's lenses, ``groups`` that it freed, and the cameras whose lens
    it held.
    """

    REPORT: ClassVar[str] = "rigs.lenses"

    findings: tuple[TermFinding, ...]
    groups: tuple[str, ...]
    held: tuple[str, ...]

    @property
    def advised(self) -> tuple[TermFinding, ...]:
        """Findings to follow, the largest effect first."""
        return tuple(sorted((f for f in self.findings if f.is_advised), key=lambda f: -f.effect_px))

    @property
    def advised_groups(self) -> tuple[str, ...]:
        """Groups to solve with: those freed and those that a camera needs, without those that no
        camera needs.
        """
        needed = {f.group for f in self.advised if f.kind == "add" and f.camera not in self.held}
        drops = [f for f in self.findings if f.kind == "drop"]
        needless = {f.group for f in drops} - {f.group for f in drops if not f.is_advised}
        needless = {g for g in needless if needed.isdisjoint(together(g))}
        kept = set(self.groups) - needless
        return tuple(g for g in LENS_GROUPS if g in needed or g in kept)
