"""What errors of held lenses did to everything that a solve found.

A measured lens is taken as exact, and the poses answer its error: least squares with S the reduced
normal matrix and C the covariance of what was free moves that by ``-C S_fh`` a unit of the held.
Where the wave went decides by how much.

Source: consider parameters of least squares; Tapley, Schutz & Born, Statistical Orbit
Determination, 2004, chapter 6 (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from calib.core.geometry import Array
from calib.core.names import listed
from calib.core.parameters import RING, CameraParameter, in_order, of_cameras
from calib.core.rig import Covariance
from calib.core.tracks import CameraTracks
from calib.solve.bundle.descent import BundleOptions
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.normal import wald
from calib.solve.fit import Freed
from calib.solve.repair import reduced

# A measured lens mostly comes without its uncertainty, and taken as exact it would make poses surer
# than they are and turn every wave that fills the image differently into a change of the lens. A
# dozen photographs of a board give the axis to some three pixels in 640 (the real pair in datasets
# shows as much between its two forms), the distortion to a hundredth or two (common practice, no
# source). Both focal lengths are off alike to a thousandth, and a decentring that the axis does not
# take up is a tenth of what a lens has. Shares of the focal length and of the sensor's width. What
# k3 does, k1 and k2 do within the image.
HELD_SIGMA = {
    "focal": 5e-3,
    "aspect": 1e-3,
    "cx": 5e-3,
    "cy": 5e-3,
    "k1": 0.01,
    "k2": 0.02,
    "p1": 1e-4,
    "p2": 1e-4,
}
# Places in ``CameraTracks.lens_sigma``.
STATED = {"focal": 0, "cx": 2, "cy": 3, "k1": 4, "k2": 5, "p1": 6, "p2": 7}
RING_AT = [0, 2, 3]  # of a lens vector: focal length and centre, as in ``RING``
CONTRADICTED = 1e-4  # chance, over all cameras, of naming a lens that is as its statement says


MOST_NAMED = 6


def assumed_sigma(term: str, focal_px: float, width: int) -> float:
    """Return the standard uncertainty of a measured lens term where nobody states it, in the term's
    unit.
    """
    return HELD_SIGMA[term] * {"focal": focal_px, "cx": width, "cy": width}.get(term, 1.0)


def known_sigma(camera: CameraTracks, term: str, focal_px: float) -> float:
    """Return the standard uncertainty of a camera's held lens term: as its tracks state it, else as
    assumed.
    """
    assumed = assumed_sigma(term, focal_px, camera.width)
    if camera.lens_sigma is None:
        return assumed
    if term == "aspect":  # both focal lengths are mostly off together, which nobody states
        return min(assumed, float(np.hypot(*camera.lens_sigma[:2])) / focal_px)
    return float(camera.lens_sigma[STATED[term]])


@dataclass(frozen=True, slots=True)
class OffLens:
    """A held lens, and by how much the capture shows it to be another: a share of its focal length
    and a centre in px, which take a ``share`` of the camera's squares; ``other`` is the camera
    whose stated lens it has, and which has its own.
    """

    camera: str
    focal_share: float
    centre_px: tuple[float, float]
    share: float
    other: str | None = None


def off_by(
    cameras: Sequence[CameraTracks], held: Collection[CameraParameter], freed: Freed
) -> list[OffLens]:
    """Return by how much the capture shows each held lens to be another, if only by chance."""
    out = []
    for c, camera in enumerate(cameras):
        if CameraParameter(camera.name, "focal") in held:
            focal, x, y = freed.change[c].tolist()
            share = focal / float(freed.lens[c, 0])
            out.append(OffLens(camera.name, share, (x, y), float(freed.share[c])))
    return out


def contradicted(
    cameras: Sequence[CameraTracks], held: Collection[CameraParameter], freed: Freed
) -> list[OffLens]:
    """Return the held lenses that the capture shows to be others than their statements allow."""
    place = {camera.name: c for c, camera in enumerate(cameras)}
    every = {place[lens.camera]: lens for lens in off_by(cameras, held, freed)}
    is_off = [c for c in every if not _is_as_stated(cameras, freed, c, c)]
    others = {
        c: cameras[j].name
        for c in is_off
        for j in is_off
        if j != c and _is_as_stated(cameras, freed, c, j) and _is_as_stated(cameras, freed, j, c)
    }
    return [replace(every[c], other=others.get(c)) for c in is_off]


def assumed(cameras: Sequence[CameraTracks], held: Collection[CameraParameter]) -> list[str]:
    """Return what is to be said of lenses that were held and whose uncertainty nobody states."""
    unstated = [
        c.name for c in cameras if c.lens_sigma is None and CameraParameter(c.name, "focal") in held
    ]
    if not unstated:
        return []
    return [
        f"lenses held of {listed(unstated, MOST_NAMED)}: nobody states how well they are "
        f"known, so the error bars assume {HELD_SIGMA['focal']:.1%} of the focal length and "
        f"{HELD_SIGMA['cx']:.1%} of the sensor's width for the centre (lens_sigma in the tracks "
        "states it)"
    ]


def _is_as_stated(cameras: Sequence[CameraTracks], freed: Freed, c: int, j: int) -> bool:
    """Return whether the capture may show camera c to have the lens that is stated for camera j."""
    stated = freed.lens[j, RING_AT]
    known = np.array([known_sigma(cameras[j], term, float(stated[0])) for term in RING])
    off = freed.lens[c, RING_AT] + freed.change[c] - stated
    squared, _ = wald(off, freed.covariance[c] + np.diag(known**2))
    return bool(len(cameras) * special.chdtrc(len(RING), squared) >= CONTRADICTED)


def held_terms(
    known: Covariance, state: State, names: tuple[str, ...]
) -> frozenset[CameraParameter]:
    """Return the lens terms that a solve held, of which it is of consequence how well
    they are known.

    Of a camera whose focal length was free, distortion that was not is taken for absent; in the
    form with a denominator k1 alone is no measure of an error, as k4 all but cancels it.
    """
    is_plain = {
        name: not dist[5:].any() for name, dist in zip(names, state.lens[:, 4:], strict=True)
    }
    held_of = {n: tuple(HELD_SIGMA) if is_plain[n] and not known.frees(n) else RING for n in names}
    every = (CameraParameter(name, term) for name, terms in held_of.items() for term in terms)
    return frozenset(p for p in every if p not in known.row)


def sensitivity(
    known: Covariance,
    held: frozenset[CameraParameter],
    problem: Problem,
    state: State,
    options: BundleOptions,
    names: tuple[str, ...],
    markers: tuple[str, ...],
) -> tuple[tuple[CameraParameter, ...], Array]:
    """Return the ``held`` terms in order and what a unit of error of each does to the parameters
    that are ``known``, a row for each of these.

    ``known`` is the covariance of independent errors alone, with its rows for free parameters.
    """
    terms = in_order({p.kind for p in held} | {*RING, *options.terms})
    now = reduced(problem, state, names, terms, options.shape.n_axes if options.shape else 0)
    row = {p: i for i, p in enumerate(now.parameters(markers))}
    order = tuple(p for p in of_cameras(names, terms) if p in held)
    across = np.ix_([row[p] for p in known.parameters], [row[p] for p in order])
    return order, np.asarray(-known.matrix @ now.information.matrix[across])
