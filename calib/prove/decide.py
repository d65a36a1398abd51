"""Whether length errors keep a limit, with the uncertainty of the test counted.

The limit is modelled on VDI/VDE 2634 Part 1: every length error stays within ``A + L / K``, and
within B. The decision follows JCGM 106:2012, 8.3.2: a length counts as within its tolerance T where
``|e| <= T - U``, the acceptance limit, with a guard band of the expanded uncertainty ``U = 2 u``; a
normal law then accepts at most 2.3 % of lengths that lie beyond. It counts as beyond where it does
so by a guard band on the other side, wide enough that all lengths together reject as rarely a rig
that keeps the limit. What lies between is undecided, which is no pass.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

import numpy as np

from calib.core.geometry import Array
from calib.errors import InputError, require_kinds

COVERAGE = 2.0  # U = 2 u
RISK = NormalDist().cdf(-COVERAGE)  # 2.3 %


class Decision(StrEnum):
    """What a test against a limit comes to."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Limit:
    """Length errors in mm may be ``A + L / K`` at a length L, and B at most.

    >>> Limit.parse("A=0.2 K=5000 B=0.5").at(np.array([500.0, 1000.0, 5000.0]))
    array([0.3, 0.4, 0.5])

    Parameters
    ----------
    a_mm : float
        A.
    k : float
        K, without unit.
    b_mm : float
        B.
    """

    a_mm: float
    k: float = np.inf
    b_mm: float = np.inf

    def __post_init__(self) -> None:
        require_kinds(self)
        is_good = 0 <= self.a_mm < np.inf and self.k > 0 and self.b_mm > 0
        if not is_good or (self.a_mm == 0 and self.k == np.inf):
            raise InputError(
                "--limit",
                expected="A of 0 mm or more, K and B above 0, and A, K or both given",
                found=str(self),
                remedy="A + L/K is what an error may be at length L, B the most.",
            )

    @classmethod
    def parse(cls, text: str) -> Limit:
        """Return the limit of a text such as "A=0.2 K=5000 B=0.5"; K and B may be left out."""
        number = r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
        parts = re.findall(rf"([A-Za-z]+)\s*=\s*{number}(?=[\s,;]|$)", text)
        rest = re.sub(rf"[A-Za-z]+\s*=\s*{number}(?=[\s,;]|$)", "", text)
        values = {key.upper(): float(value) for key, value in parts}
        is_odd = re.sub(r"[\s,;]", "", rest) or len(values) != len(parts)
        if is_odd or not values or set(values) - {"A", "K", "B"}:
            raise InputError(
                "--limit",
                expected='text such as "A=0.2 K=5000 B=0.5" (mm, -, mm)',
                found=repr(text),
                remedy="A + L/K is what an error may be at length L, B the most.",
            )
        return cls(values.get("A", 0.0), values.get("K", np.inf), values.get("B", np.inf))

    def at(self, length_mm: Array) -> Array:
        """Return the tolerance in mm at lengths in mm."""
        return np.minimum(self.a_mm + np.asarray(length_mm, float) / self.k, self.b_mm)

    def __str__(self) -> str:
        share = "" if self.k == np.inf else f" + L/{self.k:g}"
        most = "" if self.b_mm == np.inf else f", {self.b_mm:g} mm at most"
        return f"{self.a_mm:g} mm{share}{most}"


def combined(*parts: Array | float) -> Array:
    """Return the combined standard uncertainty of independent parts: the root of the sum of their
    squares (JCGM 100:2008, 5.1.2).

    >>> float(combined(25.0, 9.7, 2.9, 16.6).round(1))
    31.7
    """
    return np.sqrt(sum(np.square(p) for p in parts))


def decide(
    error_mm: Array, length_mm: Array, common_mm: Array, own_mm: Array, limit: Limit
) -> tuple[Decision, Array]:
    """Return the decision over all length errors (K,), and for each how far it lies within its
    acceptance limit in mm, below 0 beyond.

    ``common_mm (K,)`` is the standard uncertainty that all share, the bar's; ``own_mm (K,)`` each
    result's own. A bar that is off pushes all errors alike, so its part of the upper guard band is
    that of one length; the results' own is that of the largest of K.
    """
    tolerance, off = limit.at(length_mm), np.abs(error_mm)
    z = -NormalDist().inv_cdf(RISK / max(len(off), 1))
    room = tolerance - COVERAGE * combined(common_mm, own_mm) - off
    if (off > tolerance + COVERAGE * common_mm + z * own_mm).any():
        return Decision.FAIL, room
    return (Decision.PASS if (room >= 0).all() else Decision.UNDECIDED), room
