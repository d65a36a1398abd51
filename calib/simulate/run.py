"""The whole simulation: true rig, wave, and what every camera saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy  # as in ``path``
from numpy.typing import NDArray

from calib.core.camera import project
from calib.core.geometry import Array
from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import UnsolvableError
from calib.simulate.imaging import Bools, Image, camera_sigma, take
from calib.simulate.layouts import knocked, true_cameras
from calib.simulate.path import Motion, make_motion, make_wand
from calib.simulate.scenario import Knock, Scenario

MIN_SHARED_FRAMES = 30  # a pair of cameras counts as joined from here on
ATTEMPTS = 10


@dataclass(frozen=True, slots=True, eq=False)
class Simulation:
    """A capture and the truth behind it, of F frames.

    A late or knocked camera's points are no outliers.

    Parameters
    ----------
    scenario : Scenario
        What was drawn, and how.
    tracks : Tracks
        What the cameras saw.
    wand : Wand
        As its file states it.
    truth, truth_after : Rig
        The rig before any knock and after all; ``wand_used`` is the wand as it is.
    R_world_from_wand : (F, 3, 3) array
        The wand's true turns.
    t_world_from_wand_mm : (F, 3) array
        Its true places.
    person_mm : (F, 2) array
        Where the person stands.
    marker : tuple of (n,) array
        By camera, parallel to its points: the true marker; -1: a reflection.
    is_outlier : tuple of (n,) array
        By camera: whether a point is anything but truth and independent noise.
    """

    scenario: Scenario
    tracks: Tracks
    wand: Wand
    truth: Rig
    truth_after: Rig
    R_world_from_wand: Array
    t_world_from_wand_mm: Array
    person_mm: Array
    marker: tuple[NDArray[np.int16], ...]
    is_outlier: tuple[Bools, ...]

    def __repr__(self) -> str:
        return f"<Simulation: seed {self.scenario.seed}; {self.tracks!r}; {self.truth!r}>"

    @property
    def world_from_wand(self) -> tuple[Array, Array]:
        """The wand's true poses: R (F, 3, 3) and t in mm (F, 3)."""
        return self.R_world_from_wand, self.t_world_from_wand_mm

    @property
    def motion(self) -> Motion:
        """The same with where the person stands."""
        return Motion(*self.world_from_wand, self.person_mm)

    @property
    def markers_world_mm(self) -> Array:
        """The true places (F, M, 3) of the markers."""
        return self.motion.markers_world_mm(self.truth.wand_used)

    def is_wrong_name(self, camera: str, marker: NDArray[np.int16]) -> Bools:
        """Which points (n,) of a camera bear the name of another marker in ``marker`` (n,), -1
        where not named.

        A blob in which two markers merge may bear either name: it lies within its size of where
        both are. So may a reflection within five sigmas of where the marker truly is, which nothing
        can tell from the marker's own point.
        """
        index = self.tracks.names.index(camera)
        points, true = self.tracks.cameras[index], self.marker[index]
        row = np.flatnonzero((marker >= 0) & (marker != true))
        is_wrong = np.isin(np.arange(points.n_points), row)
        late = points.frame[row] - self.scenario.slip.get(camera, 0)
        c = self.truth.cameras[index]
        uv = project(c.lens, c.cam_from_world.apply(self.markers_world_mm[late, marker[row]]))
        size = points.radius_px[row] if points.radius_px is not None else np.zeros(len(row))
        reach = np.where(true[row] >= 0, 2.0 * size, 5.0 * camera_sigma(self.scenario, index))
        is_wrong[row] = ~(np.linalg.norm(uv - points.xy_px[row], axis=1) <= reach)
        return is_wrong


def simulate(scenario: Scenario) -> Simulation:
    """Return the capture of a scenario with its truth.

    Where the rig must be connected and a wave leaves it in pieces, another wave is drawn;
    UnsolvableError names the cameras that ten waves did not join.
    """
    before = true_cameras(scenario)
    knock = {k.camera: k for k in scenario.knock}
    after = tuple(
        knocked(c, knock[c.name], scenario.rng("knock", i, of_wave=False)) if c.name in knock else c
        for i, c in enumerate(before)
    )
    stated, real = make_wand(scenario)
    provenance = {"simulated": scenario.as_dict()}
    must_join = scenario.connected and scenario.path == "volume"
    for attempt in range(ATTEMPTS):
        motion = make_motion(scenario, real, attempt)
        points = motion.markers_world_mm(real)
        images = [
            take(
                scenario,
                i,
                c,
                after[i],
                knock[c.name].frame if c.name in knock else len(points),
                motion,
                points,
            )
            for i, c in enumerate(before)
        ]
        apart = _apart(images) if must_join else []
        if not apart:
            break
    else:
        names = tuple(scenario.names[i] for i in apart)
        raise UnsolvableError(
            f"scenario {scenario.layout} of {scenario.n_cameras} cameras",
            expected=f"a wave that joins all cameras over pairs with {MIN_SHARED_FRAMES} "
            f"shared frames or more",
            found=f"{listed(names)} apart from {scenario.names[0]} in {ATTEMPTS} waves",
            remedy="Raise n_frames, add cameras, shrink size_mm, or set connected = false.",
            cameras=names,
        )
    return Simulation(
        scenario=scenario,
        tracks=Tracks(
            tuple(im.tracks for im in images),
            scenario.frame_rate_hz,
            title=scenario.title or f"simulated {scenario.layout}",
        ),
        wand=stated,
        truth=Rig(before, stated, real, provenance=provenance),
        truth_after=Rig(after, stated, real, provenance=provenance),
        R_world_from_wand=motion.R,
        t_world_from_wand_mm=motion.t_mm,
        person_mm=motion.person_mm,
        marker=tuple(im.marker for im in images),
        is_outlier=tuple(im.is_outlier for im in images),
    )


def later_wave(made: Simulation, n: int, knocks: Sequence[Knock] = ()) -> Simulation:
    """Return the n-th wave after a simulation's own, before the same cameras, those of ``knocks``
    turned and shifted since; cameras knocked in the first wave stand as it left them.
    """
    s = made.scenario
    knock = tuple(replace(k, frame=0) for k in (*s.knock, *knocks))
    return simulate(replace(s, wave=s.wave + n, knock=knock))


def _apart(images: list[Image]) -> list[int]:
    """Return the cameras that no chain of pairs with enough shared frames joins to the first."""
    seen = np.array([im.is_frame_seen for im in images], dtype=np.float32)
    is_joined = seen @ seen.T >= MIN_SHARED_FRAMES
    _, group = scipy.sparse.csgraph.connected_components(is_joined, directed=False)
    return np.flatnonzero(group != group[0]).tolist()
