"""A wave watched while it goes on: new frames in, what it lacks and whether it suffices out.

Nothing here waits, reads a clock or a file: who watches hands over frames as they come, and has the
solve done (``Solving``) when ``wants_solve`` says so, beside it or in between. Memory does not grow
with the wave: sums, a limited number of frames, and the last seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from calib.check.inspect import FEW_POINTS, LOW_COVERAGE
from calib.core.frames import Ints
from calib.core.geometry import Array
from calib.core.names import listed
from calib.core.tracks import Tracks, joined
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.naming.identify import identify, is_unnamed
from calib.solve.certainty.normal import Information
from calib.solve.start.graph import CameraGraph, camera_graph
from calib.watch.calls import WINDOW_S, Lately, called_out
from calib.watch.counts import Counts
from calib.watch.kept import Kept, named_frames
from calib.watch.records import CameraSoFar, Ending, Figure, Forecast, Lack, View, Walk
from calib.watch.rough import Rough
from calib.watch.seen import DISTANCE_BINS, FAST_MM_S, Seen, distances, look_at
from calib.watch.solving import Solved, Solving
from calib.watch.walk import before_solving, empty_region, most_helpful

KEPT_FRAMES = 3000  # a solve of 24 cameras then takes some seconds
FIRST_POINTS = 100  # of each camera before a first solve: half of what an inspection wants
FIRST_S = 5.0
MORE_S = 10.0  # the forecast looks so far ahead
LITTLE_GAIN = 0.1  # what ten more seconds must improve to be worth the wave
# Frames by which a capture must have grown, as a share, before it is solved again: after a failure;
# at any rate, as cameras and noise are known better; near the end; where the forecast says enough.
AFTER_FAILURE, AT_ANY_RATE, NEAR, AT_THE_END = 1.25, 1.5, 1.07, 1.02
NEAR_NEED = 1.25  # in precision: forecasts from half of the frames were a tenth too high
# What solves state goes up and down by a percent or two as frames are added: a forecast so near to
# the need says enough.
JUST_ABOVE = 1.02
# Of the need, where the wave may end: a solve of the same frames from another start states half a
# percent more or less.
SURELY = 0.995
AGAIN_SHARE = 0.03  # a forecast is good until the frames have grown by so much
WALK_S = 5.0  # one who walks can follow a new word about every so often
NAMING_S = 4.0  # nameless points are named in runs so long: a chain of a second or two names a wand


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """A wave so far: a new watch for every piece of it, by ``added``.

    The first three are stated by who watches; the others are what was found.

    Parameters
    ----------
    wand : Wand
        That is waved.
    need_mm : float, optional
        3D standard deviation that half of the places where the wand went must reach; None: as good
        as makes sense.
    is_everywhere : bool
        It must be reached in 19 of 20 places.
    counts : Counts, optional
        What the frames so far hold.
    kept : Kept
        Frames thinned evenly, for the solves.
    n_frames : int
        Frames so far.
    lately : tuple of Lately
        What cameras saw in the last seconds.
    distance : (C, n) array, optional
        How often each camera saw the wand at each distance.
    missed : (C,) array, optional
        Markers that each camera ought to have seen since it last saw anything.
    information : Information, optional
        What the frames so far say of the rig.
    rough : Rough, optional
        The last rough solve.
    n_solved : int
        Frames when that began.
    trouble : str
        Why no solve came about.
    forecast : Forecast, optional
        Precision to expect of a solve of all frames.
    n_forecast : int
        Frames when that was made.
    solved : Figure, optional
        What the last solve reached.
    walk : Walk, optional
        Where to walk next.
    walk_s : float
        When that was said.
    ending : Ending, optional
        Why the wave may end.
    against : tuple of str
        What speaks against that, whatever the precision.
    is_solving : bool
        A solve is under way.
    later : tuple of Tracks
        Frames since that began.
    unnamed : tuple of Tracks
        Frames still to be named.
    has_names : bool
        The file names its points.
    """

    wand: Wand
    need_mm: float | None = None
    is_everywhere: bool = False
    counts: Counts | None = None
    kept: Kept = field(default_factory=lambda: Kept(KEPT_FRAMES))
    n_frames: int = 0
    lately: tuple[Lately, ...] = ()
    distance: Ints | None = None
    missed: Ints | None = None
    information: Information | None = None
    rough: Rough | None = None
    n_solved: int = 0
    trouble: str = ""
    forecast: Forecast | None = None
    n_forecast: int = 0
    solved: Figure | None = None
    walk: Walk | None = None
    walk_s: float = -np.inf
    ending: Ending | None = None
    against: tuple[str, ...] = ()
    is_solving: bool = False
    later: tuple[Tracks, ...] = ()
    unnamed: tuple[Tracks, ...] = ()
    has_names: bool = False

    def added(self, tracks: Tracks) -> Watch:
        """Return the watch with further frames of the same cameras, later than all before.

        Raises InputError where a point names a marker that the wand does not have, or cameras are
        others than before.
        """
        tracks.check_markers(len(self.wand.markers))
        if self.counts is not None and tracks.names != self.counts.names:
            raise InputError(
                "cameras",
                expected=listed(self.counts.names),
                found=listed(tracks.names),
                remedy="Watch one capture at a time.",
            )
        if not any(c.n_points for c in tracks.cameras):
            return self
        if self.has_names or not is_unnamed(tracks):
            run = joined((*self.unnamed, tracks))  # strays that came before the first names
            return replace(self, unnamed=(), has_names=True)._with(run)
        return self._named(joined((*self.unnamed, tracks)))

    def _named(self, run: Tracks) -> Watch:
        """Return the watch with nameless frames named, or held back until they are enough for
        that.
        """
        frames = [c.frame[[0, -1]] for c in run.cameras if c.n_points]
        if np.ptp(frames) + 1 < NAMING_S * run.frame_rate_hz:
            return replace(self, unnamed=(run,))
        out = replace(self, unnamed=())
        try:
            return out._with(identify(run, self.wand).tracks)
        except UnsolvableError as error:  # no wand in it, or a still one
            return replace(out._with(run), trouble=str(error))

    def _with(self, tracks: Tracks) -> Watch:
        counts = (self.counts or Counts.none(tracks.names, tracks.frame_rate_hz)).added(tracks)
        out = replace(
            self,
            counts=counts,
            kept=self.kept.added(tracks),
            n_frames=self.n_frames + len(named_frames(tracks)),
            later=(*self.later, tracks) if self.is_solving else (),
        )
        return out._looked(tracks)._foreseen()

    @property
    def range_mm(self) -> Array:
        """From which distance to which each camera saw the wand (C, 2), all but a hundredth."""
        if self.counts is None:
            return np.empty((0, 2))
        n = len(self.counts.names)
        out = np.column_stack([np.zeros(n), np.full(n, np.inf)])
        if self.distance is None:
            return out
        for c, count in enumerate(self.distance):
            if count.sum():
                share = np.cumsum(count) / count.sum()
                first, last = np.searchsorted(share, [0.01, 0.99])
                out[c] = DISTANCE_BINS[first], DISTANCE_BINS[last + 1]
        return out

    def _looked(self, tracks: Tracks) -> Watch:
        """Return the watch with what frames tell against the cameras that stand roughly."""
        seen: Seen | None = None
        out, counts = self, self.counts
        if self.rough is not None and self.information is not None and counts is not None:
            seen = look_at(tracks, self.rough, counts.is_hit, self.range_mm)
            if seen is not None:
                before = np.zeros_like(seen.distance) if self.distance is None else self.distance
                out = replace(
                    out,
                    information=self.information + seen.information,
                    distance=before + seen.distance,
                    missed=self._missed(tracks, seen),
                )
        part = Lately.of(tracks, seen)
        since = part.end - WINDOW_S * tracks.frame_rate_hz
        return replace(out, lately=(*(p for p in out.lately if p.end > since), part))

    def _missed(self, tracks: Tracks, seen: Seen) -> Ints:
        is_silent = np.array([c.n_points == 0 for c in tracks.cameras])
        before = 0 if self.missed is None else self.missed
        return np.where(is_silent, before + seen.expected, 0)

    def _foreseen(self) -> Watch:
        """Return the watch with its forecast and where to go next, each as often as they change."""
        rough, told, counts = self.rough, self.information, self.counts
        if rough is None or told is None or counts is None:
            return self
        out = self
        if self.forecast is None or self.n_frames >= (1.0 + AGAIN_SHARE) * self.n_forecast:
            more = 1.0 + MORE_S / max(counts.duration_s, 1.0)
            forecast = Forecast(
                Figure.of(rough.foreseen_mm(told)), Figure.of(rough.foreseen_mm(told.times(more)))
            )
            out = replace(out, forecast=forecast, n_forecast=self.n_frames)
        if counts.duration_s - self.walk_s >= WALK_S:
            ahead = round(MORE_S * self.n_frames / max(counts.duration_s, 1.0))
            walk = most_helpful(rough, told, ahead, self.range_mm, self.is_everywhere)
            out = replace(out, walk=walk, walk_s=counts.duration_s)
        return out

    def _figure(self, of: Figure) -> float:
        return of.most_mm if self.is_everywhere else of.half_mm

    @property
    def could_solve(self) -> bool:
        """Whether the cameras are linked and there is something that no solve has seen."""
        counts = self.counts
        if counts is None or self.is_solving or self.n_frames < AT_THE_END * self.n_solved:
            return False
        return (
            counts.duration_s >= FIRST_S
            and int(counts.named.min()) >= FIRST_POINTS
            and len(camera_graph(counts.overlap).islands) == 1
        )

    @property
    def wants_solve(self) -> bool:
        """Whether the frames so far are worth a solve now."""
        if self.ending is not None or not self.could_solve:
            return False
        grown_by = self.n_frames / max(self.n_solved, 1)
        if self.rough is None or self.forecast is None:
            return grown_by >= AFTER_FAILURE
        now, later = self._figure(self.forecast.now), self._figure(self.forecast.later)
        if self.need_mm is None:
            return grown_by >= (AT_THE_END if later > (1.0 - LITTLE_GAIN) * now else AT_ANY_RATE)
        if now <= JUST_ABOVE * self.need_mm:
            return grown_by >= AT_THE_END
        return grown_by >= (NEAR if now <= NEAR_NEED * self.need_mm else AT_ANY_RATE)

    def began(self) -> tuple[Watch, Solving]:
        """Return the watch that has a solve under way, and the solve to run."""
        out = replace(self, is_solving=True, later=(), n_solved=self.n_frames)
        return out, Solving(self.kept.tracks, self.wand, self.kept.step, self.rough)

    def ended(self, found: Solved) -> Watch:
        """Return the watch with what a solve came to, and whether the capture suffices."""
        out = replace(self, is_solving=False, later=(), trouble=found.trouble)
        rough = found.rough
        if rough is None:
            return out
        solved = Figure.of(rough.foreseen_mm(rough.of_seen))
        out = replace(
            out,
            rough=rough,
            information=rough.of_seen,
            distance=distances(rough.fit.problem, rough.fit.result.state, rough.fit.is_inlier),
            solved=solved,
            forecast=None,
            # What came since is looked at again.
            lately=self.lately[: len(self.lately) - len(self.later)],
        )
        for tracks in self.later:
            out = out._looked(tracks)
        out = out._foreseen()
        return replace(out, against=found.against, ending=out._ending(found.against))

    def _ending(self, against: tuple[str, ...]) -> Ending | None:
        if self.solved is None or self.forecast is None or against:
            return None
        if self.need_mm is not None:
            return Ending.NEED if self._figure(self.solved) <= SURELY * self.need_mm else None
        now, later = self._figure(self.forecast.now), self._figure(self.forecast.later)
        return Ending.NO_GAIN if later > (1.0 - LITTLE_GAIN) * now else None

    def solved_now(self) -> Watch:
        """Return the watch after a solve, done at once."""
        out, solving = self.began()
        return out.ended(solving.run())

    @property
    def view(self) -> View | None:
        """What a person is told; None before the first frame."""
        counts = self.counts
        if counts is None:
            return None
        table = counts.overlap
        graph = camera_graph(table)
        is_named = bool(counts.named.any())
        cameras = self._cameras(counts, graph)
        rough = self.rough
        late = None if rough is None else (rough.late_frames, rough.late_sigma_frames)
        speed = [p.seen.speed_mm_s for p in self.lately if p.seen is not None]
        speed = [v for v in speed if np.isfinite(v)]
        return View(
            duration_s=counts.duration_s,
            n_frames=self.n_frames,
            need_mm=self.need_mm,
            is_everywhere=self.is_everywhere,
            is_named=is_named,
            cameras=cameras,
            overlap=table,
            graph=graph,
            called_out=called_out(counts, self.lately, late, len(self.wand.markers), self.missed),
            forecast=self.forecast,
            solved=self.solved,
            solved_frames=0 if rough is None else rough.n_frames,
            walk=before_solving(cameras, graph) if rough is None else self.walk,
            is_fast=bool(speed) and float(np.median(speed)) > FAST_MM_S,
            trouble=self.trouble,
            against=self.against,
            ending=self.ending,
        )

    def _cameras(self, counts: Counts, graph: CameraGraph) -> tuple[CameraSoFar, ...]:
        links = np.zeros(len(counts.names), int)
        for i, j in graph.edges:
            links[[i, j]] += 1
        near_far = self.range_mm if self.distance is not None else np.full((len(links), 2), np.nan)
        out = []
        for c, name in enumerate(counts.names):
            lacks = []
            if not counts.named[c]:
                lacks.append(Lack.BLIND)
            elif not links[c]:
                lacks.append(Lack.LINK)
            else:
                lacks += [Lack.ONE_LINK] if links[c] == 1 and len(links) > 2 else []
                lacks += [Lack.POINTS] if counts.named[c] < FEW_POINTS else []
                lacks += [Lack.COVERAGE] if counts.coverage[c] < LOW_COVERAGE else []
            out.append(
                CameraSoFar(
                    name,
                    int(counts.points[c]),
                    int(counts.named[c]),
                    int(counts.frames[c]),
                    float(counts.coverage[c]),
                    float(near_far[c, 0]),
                    float(near_far[c, 1]),
                    int(links[c]),
                    tuple(lacks),
                    empty_region(counts.is_hit[c]),
                )
            )
        return tuple(out)
