"""What a camera's residuals may follow: each explanation a linear model, compared by the squares
that it takes.

Schwarz's criterion chooses (n log(RSS / n) + p log n, the place of a change or of a peak counted as
parameters), not the p-value: with thousands of points everything is significant, and so is a model
that shares a direction with the true one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import special

from calib.check.causes.change import changes
from calib.check.causes.record import Record
from calib.check.causes.spectrum import periodogram
from calib.core.geometry import Array

# Below a seventh of the squares the camera's RMS is less than 8 % above what it would be, and a
# fault that small is within what poses and lenses are sure to.
MIN_SHARE = 0.15
# What a richer model must take beyond a plainer one that it holds, in shares of its own; rows are
# told from a late exposure by the spread of rows alone, which a wave in the middle of the sensor
# keeps small; a knock looks like a move where most points came after it.
MIN_GAIN = {"rows": 0.005, "knock": 0.05}
# Of false alarms by each camera's structured tests together; the share above makes them rarer
# still.
ALPHA = 1e-3
CANDIDATES = 80  # times at which a knock is looked for; then every frame around the best
MIN_SIDE = 0.04  # of the frames on either side of a knock
MOST_KEPT = (
    0.5  # of the share that a knock must take: without the frames near it, where it shows best
)
STAYS_S = 3.0  # what is over sooner is a passing error; a camera that was knocked stays where it is
SLOWEST_HZ, SLOWEST_CYCLES = (
    0.8,
    8.0,
)  # slower shaking is not told from the wand's own way through the image


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """A model of the residuals: share of the squares it takes, p-value, Schwarz's criterion, and
    figures of its own.
    """

    cause: str
    share: float
    p_value: float
    bic: float
    figures: dict[str, float] = field(default_factory=dict)


Choice = tuple[
    Explanation, Array, Array
]  # the explanation, its columns (P, 2 M, K) in px, their values (K,)


class System:
    """The whitened effects of a record and the sums that every model shares."""

    def __init__(self, record: Record, least_share: float = MIN_SHARE) -> None:
        self.record, self.least_share = record, least_share
        v = record.velocity[..., None]
        row = (record.place_px[..., 1] / record.height - 0.5).repeat(2, axis=1)[..., None]
        still = 1e-9 * np.ones_like(v)  # a wand that stands must not make the sums singular
        self.effects = np.concatenate(
            [
                record.motion,
                pattern := record.pattern(),
                v + still,
                v * row + still,
                record.residual_px[..., None],
            ],
            axis=2,
        )
        self.z = record.whitened(self.effects)
        flat = self.z.reshape(-1, self.z.shape[2])
        self.gram, self.scale = _gram(flat)
        self.total = float(1.0 / self.scale[-1] ** 2)
        self.n = 2 * int(record.is_used.sum())
        k = pattern.shape[2]
        self.pose, self.own_lens = list(range(6)), list(range(6, 11))
        self.pattern, self.time, self.row = list(range(11, 11 + k)), [11 + k], [12 + k]
        self.base = self.pose + self.own_lens

    def solve(self, columns: list[int]) -> tuple[float, Array]:
        """Return the share of the squares that the columns take, and their values."""
        N, g = self.gram[np.ix_(columns, columns)], self.gram[columns, -1]
        x = np.linalg.pinv(N, rcond=1e-9, hermitian=True) @ g
        return float(np.clip(g @ x, 0.0, 1.0 - 1e-12)), x * self.scale[columns] / self.scale[-1]

    def most(self) -> float:
        """Return a share of the squares that no set of columns exceeds: what all take together, and
        a hair.
        """
        N, g = self.gram[:-1, :-1], self.gram[:-1, -1]
        # Columns that hang together need no care here: the hair covers what the ridge takes off.
        return float(g @ np.linalg.solve(N + 1e-10 * np.eye(len(g)), g)) + 1e-3

    def explanation(
        self,
        cause: str,
        share: float,
        base: float,
        p: int,
        extra: int,
        tries: float,
        **figures: float,
    ) -> Explanation:
        """Return the explanation with p parameters, of which ``extra`` took the share up from
        ``base``.
        """
        n = self.n
        freedom = max(n - p, 1)
        F = (share - base) / extra / (1.0 - share) * freedom
        p_value = min(1.0, tries * float(special.fdtrc(extra, freedom, max(F, 0.0))))
        bic = n * np.log1p(-share) + p * np.log(n) + 2.0 * np.log(tries)
        return Explanation(cause, share, p_value, float(bic), figures)

    def best(self) -> Choice | None:
        """Return the explanation that Schwarz's criterion chooses, None where none takes a share
        worth a word.
        """
        if self.n < 60:
            return None
        base, start = self.solve(self.base)
        searched = [c for c in (self._knock(base), self._vibration(base, start)) if c is not None]
        if not searched and self.most() < self.least_share:
            return None
        poses, values = self.solve(self.pose)
        found: list[Choice] = [
            (self.explanation("moved", poses, 0.0, 6, 6, 1.0), self.effects[..., self.pose], values)
        ]
        for columns in (self.base, self.pose + self.pattern):
            share, values = self.solve(columns)
            p = len(columns)
            found.append(
                (
                    self.explanation("lens", share, poses, p, p - 6, 1.0),
                    self.effects[..., columns],
                    values,
                )
            )
        for cause, extra in (("timing", self.time), ("rows", self.time + self.row)):
            share, values = self.solve(self.base + extra)
            # Rows must be surer than a late exposure, which is the commoner fault and a special
            # case.
            plainer, n_extra = (base, 1) if cause == "timing" else (max(base, found[3][0].share), 1)
            e = self.explanation(cause, share, plainer, 11 + len(extra), n_extra, 1.0)
            # A shutter that runs from or to the common moment has twice as much over its rows as in
            # their middle.
            if cause == "rows" and abs(values[-1]) < abs(values[-2]):
                continue
            found.append((e, self.effects[..., self.base + extra], values))
        found += searched
        lower = {"moved": 0.0, "lens": poses, "rows": max(found[3][0].share, base)}
        # A richer model must take a tenth more: of a large fault the plain one leaves some, as
        # effects are not linear. A turned ring is nearly a shift along the axis: there it is enough
        # to take half of what the pose leaves.
        worthy = [
            c
            for c in found
            if c[0].p_value < ALPHA / 7
            and (
                (gain := c[0].share - lower.get(c[0].cause, base))
                >= MIN_GAIN.get(c[0].cause, 0.1) * c[0].share
                or (c[0].cause == "lens" and gain >= 0.5 * (1.0 - poses))
            )
        ]
        if not worthy:
            return None
        choice = min(worthy, key=lambda c: c[0].bic)
        e = choice[0]
        adjusted = 1.0 - (1.0 - e.share) * self.n / max(self.n - choice[1].shape[2], 1)
        return choice if e.bic < 0 and adjusted >= self.least_share else None

    def _with(self, axes: list[int], shape: Array) -> tuple[float, Array, Array]:
        """Return share, values and columns of the base and of the effects ``axes``, each times
        ``shape (P, S)``.
        """

        def shaped(
            of: Array,
        ) -> Array:  # whitening is frame by frame, so a factor of the frame commutes with it
            parts = [of[..., axes] * shape[:, None, s, None] for s in range(shape.shape[1])]
            return np.concatenate([of[..., self.base], *parts], axis=2)

        flat = np.concatenate([shaped(self.z), self.z[..., -1:]], axis=2).reshape(
            -1, 12 + len(axes) * shape.shape[1]
        )
        gram, scale = _gram(flat)
        x = np.linalg.pinv(gram[:-1, :-1], rcond=1e-9, hermitian=True) @ gram[:-1, -1]
        share = float(np.clip(gram[-1, :-1] @ x, 0.0, 1.0 - 1e-12))
        return share, x * scale[:-1] / scale[-1], shaped(self.effects)

    def _knock(self, base: float) -> Choice | None:
        P = len(self.z)
        if P < 50:
            return None
        z, side = self.z, max(10, int(MIN_SIDE * P))
        step, rest, y = z[..., self.pose], z[..., self.base], z[..., -1]
        at = np.unique(np.linspace(side, P - side, CANDIDATES).astype(int))
        fall = changes(step, rest, y, at)
        k = int(fall.argmax())
        if base + fall[k] / self.total < self.least_share:
            return None
        near = np.arange(at[max(k - 1, 0)], at[min(k + 1, len(at) - 1)] + 1)
        fall = changes(step, rest, y, near)
        first = int(near[fall.argmax()])
        if not self._stays(first):
            return None
        share, values, columns = self._with(
            self.pose, (np.arange(P) >= first).astype(float)[:, None]
        )
        turn, shift = values[11:14], values[14:17]
        moved = (columns[..., 11:] @ values[11:])[first:].reshape(P - first, -1, 2)[
            self.record.is_used[first:]
        ]
        figures = {
            "frame": float(self.record.frame[first]),
            "turn_deg": float(np.degrees(np.linalg.norm(turn))),
            "shift_mm": float(np.linalg.norm(shift)),
            "size_px": float(np.sqrt((moved**2).sum(axis=-1).mean())) if len(moved) else 0.0,
        }
        return self.explanation("knock", share, base, 18, 7, float(P), **figures), columns, values

    def _stays(self, first: int) -> bool:
        """Return whether a change at a row shows as well without the frames just before and after
        it.
        """
        r, z = self.record, self.z
        away = np.abs(r.frame - r.frame[first]) > STAYS_S * r.frame_rate_hz
        at = int(away[:first].sum())
        if not 0 < at < away.sum():
            return False
        z = z[away]
        fall = changes(z[..., self.pose], z[..., self.base], z[..., -1], np.array([at]))[0]
        return bool(fall > self.least_share * (z[..., -1] ** 2).sum() * MOST_KEPT)

    def _vibration(self, base: float, start: Array) -> Choice | None:
        r, frame = self.record, self.record.frame
        span = int(frame[-1] - frame[0]) + 1
        if len(frame) < 60:
            return None
        y = self.z[..., -1] - self.z[..., self.base] @ start
        fall: Array | float = 0.0
        for axis in (7, 8):  # the whole image shifted along x, along y
            z = self.z[..., axis]
            weight = (z**2).sum(axis=1)
            f, part = periodogram(
                frame,
                np.where(weight > 0, (z * y).sum(axis=1) / np.maximum(weight, 1e-300), 0),
                weight,
            )
            fall = fall + part
        fast = np.flatnonzero(f >= max(SLOWEST_HZ / r.frame_rate_hz, SLOWEST_CYCLES / span))
        if not len(fast):
            return None
        best = fast[np.asarray(fall)[fast].argmax()]
        if (
            base + np.asarray(fall)[best] / self.total < 0.8 * self.least_share
        ):  # the two axes are not quite independent
            return None
        cycles = float(f[best])
        phase = 2.0 * np.pi * cycles * (frame - frame[0])
        share, values, columns = self._with(
            [7, 8], np.stack([np.cos(phase), np.sin(phase)], axis=1)
        )
        size = float(np.linalg.norm(values[11:15]))
        figures = {"hz": cycles * r.frame_rate_hz, "rate_hz": r.frame_rate_hz, "size_px": size}
        return (
            self.explanation("vibration", share, base, 16, 5, float(span), **figures),
            columns,
            values,
        )

    def predicted(self, choice: Choice) -> Array:
        """Return what an explanation predicts (P, M, 2) in px."""
        return np.asarray((choice[1] @ choice[2]).reshape(*self.record.is_used.shape, 2))


def _gram(columns: Array) -> tuple[Array, Array]:
    """Return the products (K, K) of columns (n, K) at unit length, so that ranks are told alike,
    and their scale.
    """
    gram = columns.T @ columns
    scale = 1.0 / np.maximum(np.sqrt(np.diag(gram)), 1e-300)
    return gram * scale[:, None] * scale, scale


def corner_px(r: Record) -> float:
    """Return how uncertain pose and lens, told by these points alone, would leave the points of the
    sensor.

    Root mean square over the sensor at the points' median depth, in px, of a point's two
    coordinates together.
    """
    # As if the wands were known: what the points' number and places tell, not how well the others
    # see.
    used = np.repeat(r.is_used, 2, axis=1) / r.sigma_px
    N, s = _gram((r.motion * used[..., None]).reshape(-1, r.motion.shape[2]))
    # Lens terms are never wholly unknown: a tenth of the focal length, 1 % of the sensor, 0.2 and
    # 0.2 for k1, k2.
    prior = np.array(
        [1e-9] * 6 + [(0.1 * r.focal_px) ** -2, *[(0.01 * r.width) ** -2] * 2, 25.0, 25.0]
    )
    C = np.linalg.pinv(N + np.diag(prior * s * s), rcond=1e-12, hermitian=True) * s[:, None] * s
    x, y = np.meshgrid(
        np.linspace(-0.45, 0.45, 7) * r.width, np.linspace(-0.45, 0.45, 7) * r.height
    )
    u, v, one, zero = x.ravel() / r.focal_px, y.ravel() / r.focal_px, np.ones(49), np.zeros(49)
    r2, f, z = u * u + v * v, r.focal_px, r.depth_mm
    px = [
        -f * u * v,
        f * (1 + u * u),
        -f * v,
        f / z * one,
        zero,
        -f * u / z,
        u,
        one,
        zero,
        f * u * r2,
        f * u * r2**2,
    ]
    py = [
        -f * (1 + v * v),
        f * u * v,
        f * u,
        zero,
        f / z * one,
        -f * v / z,
        v,
        zero,
        one,
        f * v * r2,
        f * v * r2**2,
    ]
    G = np.stack([np.stack(px), np.stack(py)])
    return (
        float(np.sqrt(2.0 * np.einsum("aip,ij,ajp->ap", G, C, G).mean()))
        if np.isfinite(C).all()
        else np.inf
    )
