"""What errors of held lenses did to everything that a solve found.

A measured lens is taken as exact, and the poses answer its error: least squares with S the reduced normal matrix and C
the covariance of what was free moves that by ``-C S_fh`` a unit of the held. Where the wave went decides by how much.

Source: consider parameters of least squares; Tapley, Schutz & Born, Statistical Orbit Determination, 2004, chapter 6
(from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.core.rig import Covariance
from calib.solve.bundle import BundleOptions
from calib.solve.problem import TERMS, Problem, State
from calib.solve.repair import MEASURED, RING, reduced


def with_pull(
    known: Covariance, problem: Problem, state: State, options: BundleOptions, names: tuple[str, ...],
    markers: tuple[str, ...],
) -> Covariance:  # fmt: skip
    """Return the covariance with what each held lens term pulled along; as it is where all are free.

    Of a camera whose focal length was free, distortion that was not is taken for absent; in the form with a
    denominator k1 alone is no measure of an error, as k4 all but cancels it.
    """
    is_plain = {name: not dist[5:].any() for name, dist in zip(names, state.lens[:, 4:], strict=True)}
    held_of = {n: MEASURED if is_plain[n] and f"{n}/focal" not in known.labels else RING for n in names}
    every = {f"{name}/{term}" for name, terms in held_of.items() for term in terms} - set(known.labels)
    if not every:
        return known
    wanted = {k.rpartition("/")[2] for k in every} | {*RING, *options.terms}
    terms = tuple(term for group in TERMS.values() for term in group if term in wanted)
    now = reduced(problem, state, names, terms, options.shape.n_axes if options.shape else 0)
    row = {label: i for i, label in enumerate(now.labels(markers))}
    held = tuple(k for k in row if k in every)
    S = now.S[np.ix_([row[k] for k in known.labels], [row[k] for k in held])]
    return replace(known, held=held, pull=-known.matrix @ S)
