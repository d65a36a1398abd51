"""A solve of the frames kept so far, and what it says of the frames to come.

The information S of a wave is a sum over its frames. A solve leaves S of its own frames about the
cameras that it found; frames that come later add theirs about the same cameras, as long as they do
not move. With the priors P and what errors that last do to the gradient (D, see
``solve.lasting.scatter``) the covariance that a solve of all frames would state is known without
solving: S grows with the frames, P stays, D grows with the stretches of time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.core.geometry import Array, sigma_in_space
from calib.core.progress import quiet
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.prove.precision import FEW_PLACES
from calib.prove.space.joint import covariance_of as covariance_of_places
from calib.prove.space.joint import effects
from calib.prove.space.views import Cameras, Views, cameras_of, views_of_places
from calib.solve.bundle.descent import BundleOptions, known_before, without_frames
from calib.solve.bundle.problem import State
from calib.solve.calibrate import SolveOptions, Task, begin, finish
from calib.solve.certainty.covariance import covariance_of, median_distance
from calib.solve.certainty.determined import require_certain
from calib.solve.certainty.normal import Information
from calib.solve.certainty.rig_errors import RigErrors, rig_errors
from calib.solve.clock.offsets import estimate_offsets
from calib.solve.fit import Fit
from calib.solve.lasting.scatter import Together, together


@dataclass(frozen=True, slots=True, eq=False)
class Rough:
    """A solve of kept frames: the rig, where its cameras are for the bundle, and what its frames
    say of them.

    ``of_frames`` is the information of its ``n_frames`` frames alone, ``of_priors (N, N)`` what is
    known besides, ``scattered`` what errors that last do. One of ``step`` frames of the capture
    was kept; ``errors`` and ``cameras`` are the rig's, made ready to place points; ``places_mm (n,
    3)`` are some hundreds of the wand's so far, and ``views`` what the cameras see of them. Cameras
    expose ``late_frames (C,)`` later than the rig.
    """

    rig: Rig
    task: Task
    fit: Fit
    of_frames: Information
    of_priors: Array
    scattered: Together | None
    away_mm: float
    n_frames: int
    step: int
    errors: RigErrors
    cameras: Cameras
    places_mm: Array
    views: Views
    late_frames: Array
    late_sigma_frames: Array

    @property
    def state(self) -> State:
        """The cameras, without frames."""
        return self.fit.result.state.of_frames(slice(0, 0))

    @property
    def options(self) -> BundleOptions:
        return self.fit.options

    @property
    def n_axes(self) -> int:
        """How many coordinates of each of the wand's markers are free."""
        return self.options.shape.n_axes if self.options.shape else 0

    @property
    def of_seen(self) -> Information:
        """The information of all frames that were there, of which those kept are a fair part."""
        return self.of_frames.times(self.step)

    @one_blas_thread
    def foreseen_mm(self, of_frames: Information) -> Array:
        """Return the 3D standard deviations (n,) in mm that a solve of frames with this information
        would state at the places of the wave so far, nan where fewer than two cameras see.
        """
        names, markers = self.rig.names, self.rig.wand.markers
        told = of_frames.beside(self.of_priors)
        scattered = self.scattered
        if scattered is not None:
            # As many more stretches as there are more frames; where only some frames of each
            # stretch were kept, all of them are off together.
            more = float(np.trace(of_frames.matrix) / np.trace(self.of_frames.matrix))
            scattered = replace(scattered, D=scattered.D * more * self.step)
        found = covariance_of(
            told, self.fit.result.state, self.options, names, markers, self.away_mm, scattered
        )
        stated = self.rig.covariance
        if stated is not None:
            found = replace(
                found,
                held=stated.held,
                sensitivity=stated.sensitivity,
                held_sigma=stated.held_sigma,
            )
        errors = rig_errors(replace(self.rig, covariance=found))
        return sigmas_mm(errors, self.views, self.places_mm, self.cameras)


def sigmas_mm(errors: RigErrors, views: Views, places_mm: Array, cameras: Cameras) -> Array:
    """Return the 3D standard deviations (n,) in mm of places, nan where too few see them."""
    return sigma_in_space(covariance_of_places(*effects(errors, views, places_mm, cameras)))


@one_blas_thread
def solve_roughly(tracks: Tracks, wand: Wand, step: int = 1, before: Rough | None = None) -> Rough:
    """Return a solve of kept frames, from where an earlier one left the cameras.

    Every ``step``-th frame of the capture was kept. Raises as a solve does: UnsolvableError where
    the frames do not determine the rig yet.
    """
    if before is None:
        task = begin(tracks, wand, SolveOptions(), quiet)
        fit = task.fit(quiet)
    else:
        task = replace(before.task, tracks=tracks)
        fit = task.fit(quiet, before.fit.result.state)
    rig, _, fit = finish(task, fit, quiet)
    require_certain(rig)
    state, options, problem = fit.result.state, fit.options, fit.problem
    whole = fit.information or without_frames(problem, fit.result.blocks)
    priors = known_before(state, options)
    scattered = together(problem, state, options.terms, fit.result.blocks, fit.scatter, whole)
    away = median_distance(problem, state)
    places = rig.wave_mm[:: max(1, len(rig.wave_mm) // FEW_PLACES)]
    if before is not None and step > 1:  # without neighbouring frames nothing is new of times
        late = before.late_frames, before.late_sigma_frames
    else:
        offsets = estimate_offsets(fit, tracks)
        late = offsets.offset_frames, offsets.sigma_frames
    return Rough(
        rig,
        task,
        fit,
        whole.beside(-priors),
        priors,
        scattered,
        away,
        problem.n_frames,
        step,
        rig_errors(rig),
        cameras_of(rig),
        places,
        views_of_places(rig, places),
        *late,
    )
