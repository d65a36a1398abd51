"""The cameras of a fit as they give way to what points do together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.core.geometry import Array
from calib.solve.bundle.descent import BundleOptions, free_parameters, without_frames
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import Information


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A fit's cameras: its lens ``terms``, ``blocks``, the covariance (N, N) of cameras and the
    wand's shape, the cost's gradient (N,) by them, 0 at its minimum, and the ``reduced`` matrix
    (N, N) of the blocks without frames.
    """

    terms: tuple[str, ...]
    blocks: Blocks
    covariance: Array
    gradient: Array
    reduced: Array

    @classmethod
    def of(
        cls,
        problem: Problem,
        state: State,
        options: BundleOptions,
        blocks: Blocks,
        information: Information | None = None,
    ) -> Solved:
        """Return them of normal equations, in some gauge; what is held has no variance.

        ``information`` is what the ``blocks`` say with the frames eliminated, where that is known.
        """
        found = information or without_frames(problem, blocks)
        free, motions = free_parameters(state, options, len(blocks.shape))
        C = np.zeros_like(found.matrix)
        C[np.ix_(free, free)] = found.at(free).fixed(motions[free]).covariance()
        return cls(options.terms, blocks, C, found.gradient, found.matrix)
