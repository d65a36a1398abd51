"""The best any solver can do on a simulated capture: maximum likelihood from the true start on the
true inliers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens
from calib.core.geometry import Array, Pose
from calib.core.parameters import term_names
from calib.core.rig import Rig, RigCamera
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.solve.bundle.descent import BundleOptions, Prior, bundle
from calib.solve.bundle.problem import State, problem_from_tracks
from calib.solve.bundle.shape import wand_axes, wand_shape


@one_blas_thread
def likelihood_optimum(
    tracks: Tracks,
    truth: Rig,
    world_from_wand: tuple[Array, Array],
    is_good: list[NDArray[np.bool_]],
    sigma_px: Array,
    terms: tuple[str, ...] = ("focal", "principal", "k1", "k2"),
    lens_sd: Array | None = None,
) -> Rig:
    """Return the maximum-likelihood rig from true poses, lenses, noise and inliers.

    ``lens_sd (C, L)`` are the standard deviations of the single lens terms about those of a plain
    lens, where these are known; then it is the most likely rig with that knowledge. Infinite ones
    state nothing.

    ``world_from_wand`` holds true wand poses by frame number, R (F, 3, 3) and t in mm (F, 3);
    ``is_good`` one mask a camera over its points; ``sigma_px (C,)`` the true noise of one
    coordinate. Its error against the truth is what noise alone leaves, so the ratio of another
    solver's error to it measures that solver.
    """
    names = term_names(terms)
    wand = truth.wand_used
    problem = problem_from_tracks(tracks, len(wand.markers), wand.dimension, is_good, sigma_px)
    axes, middle = wand_axes(
        wand
    )  # the bundle works in these, the true poses are of the axes of the wand's file
    R, t = (v[problem.frame_number] for v in world_from_wand)
    cameras = [truth.camera(name) for name in tracks.names]
    start = State(
        np.stack([c.cam_from_world.R for c in cameras]),
        np.stack([c.cam_from_world.t_mm for c in cameras]),
        np.stack([c.lens.vector for c in cameras]),
        R @ axes.T,
        R @ middle + t,
        wand_shape(wand),
    )
    plain = np.array([1.0 if name == "aspect" else 0.0 for name in names])
    prior = None if lens_sd is None else Prior(np.broadcast_to(plain, lens_sd.shape), lens_sd)
    state = bundle(problem, start, BundleOptions(terms=names, prior=prior)).state
    return Rig(
        tuple(
            RigCamera(
                c.name,
                c.width,
                c.height,
                Lens.from_vector(state.lens[i]),
                Pose(state.cam_R[i], state.cam_t[i]),
            )
            for i, c in enumerate(cameras)
        ),
        truth.wand,
        wand,
    )
