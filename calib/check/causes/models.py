"""What a camera's residuals may follow: each explanation a linear model, compared by the squares
that it takes.

Schwarz's criterion chooses (n log(RSS / n) + p log n, the place of a change or of a peak counted as
parameters), not the p-value: with thousands of points everything is significant, and so is a model
that shares a direction with the true one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import special

from calib.check.causes.change import changes, moment
from calib.check.causes.record import Record
from calib.check.causes.spectrum import periodogram
from calib.check.verdicts import Fault
from calib.core.camera import LEAST_NOISE_PX
from calib.core.frames import without_gaps
from calib.core.geometry import Array
from calib.core.parameters import MEASURED
from calib.solve.certainty.normal import Information

# Below a seventh of the squares the camera's RMS is less than 8 % above what it would be, and a
# fault that small is within what poses and lenses are sure to.
MIN_SHARE = 0.15
# What a richer model must take beyond a plainer one that it holds, in shares of its own; a knock
# looks like a move where most points came after it.
MIN_GAIN = {Fault.KNOCK: 0.05}
# Of false alarms by each camera's structured tests together; the share above makes them rarer
# still.
ALPHA = 1e-3
CANDIDATES = 80  # times at which a knock is looked for; then every frame around the best
MIN_SIDE = 0.04  # of the frames on either side of a knock
# Of the share that a knock must take: without the frames near it, where it shows best.
MOST_KEPT = 0.5
STAYS_S = 3.0  # what is over sooner is a passing error; a camera that was knocked stays where it is
# Squares along the motion over those across it: uneven exposure at a noise's size doubles them.
ALONG_ACROSS = 2.0
# Difference of Schwarz's criterion by which a delay that grows is told from one that does not, the
# commoner fault (Kass & Raftery, Bayes factors, JASA 90, 1995, 3.2).
VERY_STRONG = 10.0
LEAD = 0.3  # of the squares, that it must take beyond an explanation of fewer parameters
# Of what a lens leaves: of a bent window's residuals a knock takes a third at most, a delay 2 %.
MOST, MUCH = 0.5, 0.25
DELAYS = {Fault.TIMING, Fault.ROWS, Fault.DRIFT}
# Slower shaking is not told from the wand's own way through the image.
SLOWEST_HZ, SLOWEST_CYCLES = 0.8, 8.0
SAGS_MM = 100.0  # a mount by no more in a wave: what seems so is something else (assumed)
PAUSE_S = 60.0  # over a longer one what shakes keeps no beat

# Columns of every system: what the camera's pose and its own lens terms do, then the others.
POSE = list(range(6))
LENS = [len(POSE) + k for k in range(len(MEASURED))]
BASE = POSE + LENS
CENTRE = [LENS[MEASURED.index(term)] for term in ("cx", "cy")]
PLACE = 1  # parameter: the frame of a change, or the frequency of a peak, is found as well


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """A model of the residuals: share of the squares it takes, how much of it a plainer model does
    not (``gain``), p-value, Schwarz's criterion, and figures of its own.
    """

    cause: Fault
    share: float
    gain: float
    p_value: float
    bic: float
    figures: dict[str, float] = field(default_factory=dict)


# The explanation, its columns (P, 2 M, K) in px, their values (K,).
Choice = tuple[Explanation, Array, Array]


class System:
    """The whitened effects of a record and the sums that every model shares."""

    def __init__(self, record: Record, least_share: float = MIN_SHARE) -> None:
        self.record, self.least_share = record, least_share
        v = record.velocity[..., None]
        row = (record.place_px[..., 1] / record.height - 0.5).repeat(2, axis=1)[..., None]
        at = record.frame - record.frame[0]
        self.course = (at / max(int(at[-1]), 1) - 0.5)[:, None]
        late = self.course[..., None]
        still = 1e-9 * np.ones_like(v)  # a wand that stands must not make the sums singular
        self.effects = np.concatenate(
            [
                record.motion,
                pattern := record.pattern(),
                v + still,
                *(v * of + still for of in (row, late)),
                record.residual_px[..., None],
            ],
            axis=2,
        )
        self.z = record.whitened(self.effects)
        self.sums, self.total = _sums(self.z)
        self.n = 2 * int(record.is_used.sum())
        end = len(BASE) + pattern.shape[2]
        self.pattern, self.time = list(range(len(BASE), end)), [end]
        # What delays that grow over the rows, or over the wave, add to that of the middle.
        self.growth = {Fault.ROWS: [end + 1], Fault.DRIFT: [end + 2]}

    def solve(self, columns: list[int]) -> tuple[float, Array]:
        """Return the share of the squares that the columns take, and their values."""
        return _taken(self.sums.at(np.array(columns)), self.total)

    def _choice(
        self,
        cause: Fault,
        found: tuple[float, Array, Array],
        base: float,
        n_base: int,
        figures: dict[str, float],
        n_tried: int = 0,
    ) -> Choice:
        """Return the explanation by a share with its values and columns, all but the first
        ``n_base`` of which took the share up from ``base``; ``n_tried`` places of a change or of a
        peak were looked at.
        """
        (share, values, columns), n, tries = found, self.n, max(n_tried, 1)
        p = len(values) + (PLACE if n_tried else 0)
        extra, freedom = p - n_base, max(n - p, 1)
        F = (share - base) / extra / (1.0 - share) * freedom
        p_value = min(1.0, tries * float(special.fdtrc(extra, freedom, max(F, 0.0))))
        bic = n * np.log1p(-share) + p * np.log(n) + 2.0 * np.log(tries)
        e = Explanation(cause, share, share - base, p_value, float(bic), figures)
        return e, columns, values

    def best(self) -> Choice | None:
        """Return the explanation that Schwarz's criterion chooses, None where none takes a share
        worth a word.
        """
        if self.n < 60:
            return None
        base, start = self.solve(BASE)
        # Against a rig solved before, a camera stands as the rig has it until it is knocked.
        moving = self._knock([], 0.0), self._knock(BASE, base), self._creep(BASE, base)
        of_search = *moving, self._slip(base), self._vibration(base, start)
        searched = [c for c in of_search if c is not None]
        jitter = self._jitter(base, start)
        found = [*self._steady(base), *searched]
        worthy = [c for c in found if c[0].p_value < ALPHA / 12 and _is_worthy(c[0])]
        # A delay of its own in every frame follows a part of whatever else moves points: it must
        # take much more.
        most = max((c[0].share for c in worthy), default=0.0)
        if jitter is not None and jitter[0].share > most + (LEAD if worthy else 0.0):
            worthy = [jitter]
        if not worthy:
            return None
        choice = min(worthy, key=lambda c: c[0].bic)
        if choice[0].cause == Fault.LENS:
            choice = self._beside(choice, worthy)
        e = choice[0]
        if self.record.sigma_px**2 * self.total * e.share < LEAST_NOISE_PX**2 * self.n:
            return None
        adjusted = 1.0 - (1.0 - e.share) * self.n / max(self.n - choice[1].shape[2], 1)
        return choice if e.bic < 0 and adjusted >= self.least_share else None

    def _steady(self, base: float) -> list[Choice]:
        """Return what holds throughout the capture: another pose, a lens, exposure at another time,
        row by row; ``base`` is what pose and lens terms take.
        """

        def choice(cause: Fault, plainer: float, rest: list[int], columns: list[int]) -> Choice:
            columns = rest + columns
            found = *self.solve(columns), self.effects[..., columns]
            return self._choice(cause, found, plainer, len(rest), {})

        moved = choice(Fault.MOVED, 0.0, [], POSE)
        late = choice(Fault.TIMING, base, BASE, self.time)
        lenses = [choice(Fault.LENS, moved[0].share, POSE, of) for of in (LENS, self.pattern)]
        growing = [choice(k, base, BASE, self.time + column) for k, column in self.growth.items()]
        best = min(growing, key=lambda c: c[0].bic)
        # A shutter runs from or to the common moment, a clock was in step at the beginning or the
        # end: a delay then grows by twice what it is in the middle, and one that is the same all
        # over by nothing.
        of_middle, growth = best[2][-2:]
        is_growing = best[0].bic < late[0].bic - VERY_STRONG and abs(growth) >= abs(of_middle)
        return [moved, *lenses, best if is_growing else late]

    def _with(
        self, axes: list[int], shape: Array, rest: list[int] = BASE
    ) -> tuple[float, Array, Array]:
        """Return share, values and columns of the ``rest`` and of the effects ``axes``, each times
        ``shape (P, S)``.
        """

        def shaped(
            of: Array,
        ) -> Array:  # whitening is frame by frame, so a factor of the frame commutes with it
            parts = [of[..., axes] * shape[:, None, s, None] for s in range(shape.shape[1])]
            return np.concatenate([of[..., rest], *parts], axis=2)

        sums = _sums(np.concatenate([shaped(self.z), self.z[..., -1:]], axis=2))
        return *_taken(*sums), shaped(self.effects)

    def _since(self, axes: list[int], rest: list[int], base: float) -> int | None:
        """Return the row from which on the effects ``axes`` take most besides the ``rest``, which
        takes ``base``; None where that is not enough.
        """
        P = len(self.z)
        if P < 50:
            return None
        z, side = self.z, max(10, int(MIN_SIDE * P))
        of_step, of_rest, y = z[..., axes], z[..., rest], z[..., -1]
        at = np.unique(np.linspace(side, P - side, CANDIDATES).astype(int))
        fall = changes(of_step, of_rest, y, at)
        k = int(fall.argmax())
        if base + fall[k] / self.total < self.least_share:
            return None
        near = np.arange(at[max(k - 1, 0)], at[min(k + 1, len(at) - 1)] + 1)
        return int(near[changes(of_step, of_rest, y, near).argmax()])

    def _after(self, first: int) -> Array:
        """Return 1 for the rows (P, 1) from the first on, 0 for those before."""
        return (np.arange(len(self.z)) >= first).astype(float)[:, None]

    def _beside(self, lens: Choice, worthy: list[Choice]) -> Choice:
        """Return what takes most or much of what a lens leaves: a move, or a delay; else the lens.

        A pattern over the sensor follows either a long way, as the wand goes from part to part; but
        what it leaves comes from one frame on, or grows, or lies along the motion.
        """
        rest = POSE + (LENS if lens[1].shape[2] == len(BASE) else self.pattern)
        share, left = lens[0].share, 1.0 - lens[0].share
        moving = [c for c in (self._knock(rest, share), self._creep(rest, share)) if c is not None]
        moving = [c for c in moving if c[0].gain > MOST * left]
        if moving:
            return min(moving, key=lambda c: c[0].bic)
        delayed = max(self.solve(rest + self.time + of)[0] for of in self.growth.values())
        delays = [c for c in worthy if c[0].cause in DELAYS and delayed - share > MUCH * left]
        return min(delays, key=lambda c: c[0].bic, default=lens)

    def _knock(self, rest: list[int], base: float) -> Choice | None:
        first = self._since(POSE, rest, base)
        if first is None or not self._stays(first, rest):
            return None
        share, values, columns = self._with(POSE, self._after(first), rest)
        since = moment(self.record.frame, self.record.is_used, first)
        figures = {"frame": since} | self._way(values[len(rest) :], first)
        found = share, values, columns
        return self._choice(Fault.KNOCK, found, base, len(rest), figures, len(self.z))

    def _creep(self, rest: list[int], base: float) -> Choice | None:
        """Return a pose that changes evenly over the wave, by no more than a mount gives."""
        share, values, columns = self._with(POSE, self.course, rest)
        figures = self._way(values[len(rest) :])
        if figures["shift_mm"] > SAGS_MM:
            return None
        return self._choice(Fault.CREEPS, (share, values, columns), base, len(rest), figures)

    def _way(self, move: Array, first: int = 0) -> dict[str, float]:
        """Return the figures of a move (6,): by how many px it takes the points from a row on."""
        moved = (self.effects[first:, :, POSE] @ move).reshape(len(self.z) - first, -1, 2)
        moved = moved[self.record.is_used[first:]]
        return {
            "turn_deg": float(np.degrees(np.linalg.norm(move[:3]))),
            "shift_mm": float(np.linalg.norm(move[3:])),
            "size_px": float(np.sqrt((moved**2).sum(axis=-1).mean())) if len(moved) else 0.0,
        }

    def _slip(self, base: float) -> Choice | None:
        """Return a count that is off by whole frames from one on, None where one that is off
        throughout, or runs away evenly, takes nearly as much: a camera so pulled follows either.
        """
        first = self._since(self.time, BASE, base)
        if first is None:
            return None
        share, values, columns = self._with(self.time, self._after(first))
        frames = float(np.round(values[-1]))
        throughout = self.solve(BASE + self.time)[0]
        evenly = self.solve(BASE + self.time + self.growth[Fault.DRIFT])[0]
        if not frames or share < max(evenly, throughout + MOST * (1.0 - throughout)):
            return None
        figures = {"frames": frames, "since": moment(self.record.frame, self.record.is_used, first)}
        found = share, values, columns
        return self._choice(Fault.LOST, found, base, len(BASE), figures, len(self.z))

    def _stays(self, first: int, rest: list[int]) -> bool:
        """Return whether a change at a row shows as well without the frames just before and after
        it.
        """
        r, z = self.record, self.z
        away = np.abs(r.frame - moment(r.frame, r.is_used, first)) > STAYS_S * r.frame_rate_hz
        at = int(away[:first].sum())
        if not 0 < at < away.sum():
            return False
        z = z[away]
        fall = changes(z[..., POSE], z[..., rest], z[..., -1], np.array([at]))[0]
        return bool(fall > self.least_share * (z[..., -1] ** 2).sum() * MOST_KEPT)

    def _vibration(self, base: float, start: Array) -> Choice | None:
        r = self.record
        frame = without_gaps(r.frame, PAUSE_S * r.frame_rate_hz)
        span = int(frame[-1]) + 1
        if len(frame) < 60:
            return None
        y = self.z[..., -1] - self.z[..., BASE] @ start
        fall: Array | float = 0.0
        for axis in CENTRE:  # the whole image shifted along x, along y
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
        phase = 2.0 * np.pi * cycles * frame
        swing = np.stack([np.cos(phase), np.sin(phase)], axis=1)
        share, values, columns = self._with(CENTRE, swing)
        size = float(np.linalg.norm(values[len(BASE) :]))
        figures = {"hz": cycles * r.frame_rate_hz, "rate_hz": r.frame_rate_hz, "size_px": size}
        found = share, values, columns
        return self._choice(Fault.VIBRATION, found, base, len(BASE), figures, span)

    def _jitter(self, base: float, start: Array) -> Choice | None:
        """Return exposure at a time of its own in every frame: squares along the wand's motion that
        those across it do not have.
        """
        y = self.z[..., -1] - self.z[..., BASE] @ start
        v = self.z[..., self.time[0]]
        square = (v**2).sum(axis=1)
        is_fast = square > 1.0  # a frame of delay moves the points by more than their noise
        n = int(is_fast.sum())
        if n < 60:
            return None
        of_time = np.where(is_fast, (v * y).sum(axis=1) / np.maximum(square, 1e-300), 0.0)
        along = float((of_time**2 * square).sum())
        rest = float((y[is_fast] ** 2).sum()) - along
        freedom = max(2 * int(self.record.is_used[is_fast].sum()) - n, 1)
        across = rest / freedom
        share = base + (along - n * across) / self.total
        ratio = along / n / max(across, 1e-300)
        if share < self.least_share or ratio < ALONG_ACROSS:
            return None
        # The delays scatter by what is left of them once noise is taken off.
        variance = float(np.mean(of_time[is_fast] ** 2 - across / square[is_fast]))
        if variance <= 0.0:  # a few frames lie along the motion, no more
            return None
        scatter = float(np.sqrt(variance))
        columns = self.effects[..., self.time] * of_time[:, None, None]
        figures = {"frames": scatter, "ms": 1000.0 * scatter / self.record.frame_rate_hz}
        columns = np.concatenate([self.effects[..., BASE], columns], axis=2)
        found = share, np.append(start, 1.0), columns
        e, columns, values = self._choice(Fault.JITTER, found, base, len(BASE), figures)
        return replace(e, p_value=float(special.fdtrc(n, freedom, ratio))), columns, values

    def predicted(self, choice: Choice) -> Array:
        """Return what an explanation predicts (P, M, 2) in px."""
        return np.asarray((choice[1] @ choice[2]).reshape(*self.record.is_used.shape, 2))


def _is_worthy(e: Explanation) -> bool:
    """Return whether a model takes enough beyond the plainer one.

    A tenth more: of a large fault the plain one leaves some, as effects are not linear. A turned
    ring is nearly a shift along the axis: there it is enough to take half of what the pose leaves.
    """
    enough = MIN_GAIN.get(e.cause, 0.1) * e.share
    is_half = e.cause == Fault.LENS and e.gain >= 0.5 * (1.0 - (e.share - e.gain))
    return e.gain >= enough or is_half


def _sums(columns: Array) -> tuple[Information, float]:
    """Return what columns (P, n, K + 1) say of the values (K,) with which the first K make the
    last, and the sum of squares of that.
    """
    flat = columns.reshape(-1, columns.shape[2])
    product = flat.T @ flat
    return Information.of(product[:-1, :-1], -product[:-1, -1]), max(float(product[-1, -1]), 1e-300)


def _taken(sums: Information, total: float) -> tuple[float, Array]:
    """Return the share of the total that columns take, and their values."""
    x = sums.estimate()
    return float(np.clip(-(sums.gradient @ x) / total, 0.0, 1.0 - 1e-12)), x
