"""The points of a fit without what comes back: at a place of an image, or as the wand lies.

Neither passes, and looked for in time both seem to come and go with the wand.
"""

from __future__ import annotations

from calib.core.geometry import Array
from calib.solve.bundle.linearise import Blocks
from calib.solve.bundle.problem import Problem, State
from calib.solve.lasting.by_place import without_field
from calib.solve.lasting.leaning import find_leaning, without_leaning


def without_systematic(
    problem: Problem,
    state: State,
    sigma_px: Array,
    terms: tuple[str, ...] | None = None,
    blocks: Blocks | None = None,
) -> Problem:
    """Return the problem with that taken off its points; itself where there is nothing.

    The state is the minimum with these lens terms free, which has these ``blocks``; without, that
    of the frames alone.
    """
    even = without_leaning(problem, state, find_leaning(problem, state))
    return without_field(even, state, sigma_px, terms, blocks)
