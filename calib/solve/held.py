"""What errors of held lenses did to everything that a solve found.

A measured lens is taken as exact, and the poses answer its error: least squares with S the reduced normal matrix and C
the covariance of what was free moves that by ``-C S_fh`` a unit of the held. Where the wave went decides by how much.

Source: consider parameters of least squares; Tapley, Schutz & Born, Statistical Orbit Determination, 2004, chapter 6
(from memory).
"""

from __future__ import annotations

import numpy as np

from calib.core.geometry import Array
from calib.core.rig import Covariance
from calib.solve.bundle import BundleOptions
from calib.solve.problem import TERMS, Problem, State
from calib.solve.repair import MEASURED, RING, reduced


def held_terms(known: Covariance, state: State, names: tuple[str, ...]) -> frozenset[str]:
    """Return the labels of lens terms that a solve held, of which it is of consequence how well they are known.

    Of a camera whose focal length was free, distortion that was not is taken for absent; in the form with a
    denominator k1 alone is no measure of an error, as k4 all but cancels it.
    """
    is_plain = {name: not dist[5:].any() for name, dist in zip(names, state.lens[:, 4:], strict=True)}
    held_of = {n: MEASURED if is_plain[n] and f"{n}/focal" not in known.labels else RING for n in names}
    return frozenset(f"{name}/{term}" for name, terms in held_of.items() for term in terms) - set(known.labels)


def pull(
    known: Covariance, held: frozenset[str], problem: Problem, state: State, options: BundleOptions,
    names: tuple[str, ...], markers: tuple[str, ...],
) -> tuple[tuple[str, ...], Array]:  # fmt: skip
    """Return the ``held`` labels in order and what each of them pulled along, a row for each of the ``known`` labels.

    ``known`` is the covariance of independent errors alone, with its rows for free parameters.
    """
    wanted = {k.rpartition("/")[2] for k in held} | {*RING, *options.terms}
    terms = tuple(term for group in TERMS.values() for term in group if term in wanted)
    now = reduced(problem, state, names, terms, options.shape.n_axes if options.shape else 0)
    row = {label: i for i, label in enumerate(now.labels(markers))}
    order = tuple(k for k in row if k in held)
    S = now.S[np.ix_([row[k] for k in known.labels], [row[k] for k in order])]
    return order, np.asarray(-known.matrix @ S)
