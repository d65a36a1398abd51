"""How precisely a rig places a marker, place by place: predicted from its covariance and noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from calib.check.placed import known_part
from calib.core.geometry import Array, frozen, sigma_in_space, turn_between
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.errors import InputError, UnsolvableError
from calib.printed import Reported
from calib.prove.known import unsure_notes
from calib.prove.space.joint import covariance_of, effects
from calib.prove.space.views import Cameras, cameras_of, views_of_places, views_where
from calib.prove.volume import Box, seen_box, wave_box
from calib.solve.certainty.rig_errors import RigErrors, rig_errors

DEFAULT_STEPS = 10  # places along the longest side of a volume
LEAST_STEPS = 3  # along each side: one height of a corridor tells nothing of its floor
MOST_NAMED = 3  # worst places that get a camera named
SPOILT = 0.5  # of a place's sigma: where it is less without a camera, that one spoils the place
WORST_APART = 0.15  # of the volume's diagonal: nearer ones are one place
FEW_PLACES = 200  # for the one figure at the end of a solve


@dataclass(frozen=True, slots=True, eq=False)
class Help:
    """A camera that would make a place better if it saw it, or was left out as it is too loose
    itself, and what the place then had.
    """

    camera: str
    sigma_mm: float
    is_left_out: bool = False


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Precision(Reported):
    """Predicted precision at n places.

    Parameters
    ----------
    places_mm : (n, 3) array
        The places.
    covariance_mm2 : (n, 3, 3) array
        Of a marker there; nan where fewer than two cameras see it.
    noise_mm2 : (n, 3, 3) array
        The centroids' share of it.
    n_cameras : (n,) array
        How many see each place.
    middle : int
        Row of the place in the middle.
    worst : tuple of int
        Rows of the worst places, far apart.
    helped : tuple of Help or None
        The camera that would help each of them most, or that spoils it; None where all see it.
    has_covariance : bool
        Whether the rig states its uncertainty.
    notes : tuple of str
        What else is to be said.
    """

    REPORT: ClassVar[str] = "proofs.precision"

    places_mm: Array
    covariance_mm2: Array
    noise_mm2: Array
    n_cameras: NDArray[np.int64]
    middle: int
    worst: tuple[int, ...]
    helped: tuple[Help | None, ...]
    has_covariance: bool = True
    notes: tuple[str, ...] = ()

    @property
    def sigma_mm(self) -> Array:
        """The 3D standard deviation (n,): the root of the sum of the three variances."""
        return sigma_in_space(self.covariance_mm2)

    @property
    def is_seen(self) -> NDArray[np.bool_]:
        """Which places (n,) two cameras or more place."""
        return np.isfinite(self.covariance_mm2[:, 0, 0])

    def axes(self, row: int) -> tuple[Array, Array]:
        """Return the half axes (3,) of a place's ellipsoid of one standard deviation in mm, longest
        first, and their directions, the rows of (3, 3).
        """
        values, vectors = np.linalg.eigh(self.covariance_mm2[row])
        return np.sqrt(np.maximum(values[::-1], 0.0)), vectors[:, ::-1].T


@one_blas_thread
def precision(
    rig: Rig,
    places_mm: Array | None = None,
    *,
    range_mm: float = np.inf,
    noise_px: float | None = None,
) -> Precision:
    """Return what the rig's joint covariance and its cameras' noise predict at places of its world.

    A camera counts where the place lies on its sensor; what stands in between is not known. The
    error of the world itself is not counted: it is common to all places. Sources: JCGM 100:2008,
    5.2.2; the covariance of a triangulated point, Hartley & Zisserman 2004, sections 5.2 and 12.5.

    Parameters
    ----------
    rig : Rig
        Solved; without covariance its poses count as exact.
    places_mm : (n, 3) array, optional
        Places in the rig's world; by default a grid over the volume that the wand went through.
    range_mm : float
        How far a camera sees a marker.
    noise_px : float, optional
        Standard deviation of a centroid's coordinate; by default each camera's own.

    Returns
    -------
    Precision
        Covariance (3, 3) in mm² at each place, the worst places, and which camera would help.

    Raises
    ------
    InputError
        Places are not finite (n, 3), or the noise is not above 0.
    UnsolvableError
        No place is seen by two cameras.
    """
    notes, rig = unsure_notes(rig), known_part(rig)
    if places_mm is None:
        places_mm = default_places(rig, range_mm=range_mm)
    places, cameras = frozen(places_mm), cameras_of(rig, None, noise_px)
    if places.ndim != 2 or places.shape[1] != 3 or not np.isfinite(places).all():
        raise InputError(
            "places_mm", expected="finite coordinates (n, 3)", found=f"shape {places.shape}"
        )
    views = views_of_places(rig, places, range_mm)
    errors = rig_errors(rig)
    B, noise = effects(errors, views, places, cameras)
    total = covariance_of(B, noise)
    n_cameras = np.diff(views.starts)
    is_seen = np.isfinite(total[:, 0, 0])
    if not is_seen.any():
        raise UnsolvableError(
            "volume",
            expected="places that two cameras see",
            found=f"none of {len(places)}",
            remedy="Give the volume in the rig's world, in mm: --volume x0,x1,y0,y1,z0,z1.",
            cameras=rig.names,
        )
    sigma = np.where(is_seen, sigma_in_space(total), -np.inf)
    seen = np.flatnonzero(is_seen)
    centre = places[seen].mean(axis=0)  # the same place whatever the axes
    middle = int(seen[np.linalg.norm(places[seen] - centre, axis=1).argmin()])
    worst = _worst(places, sigma)
    sees = np.zeros((len(places), len(rig.cameras)), bool)
    sees[views.point, views.cam] = True
    helped = tuple(
        _spoils(places[k], sees[k], cameras, errors, SPOILT * float(sigma[k]))
        or _help(places[k], sees[k], cameras, errors, range_mm)
        for k in worst
    )
    states = rig.covariance is not None
    return Precision(places, total, noise, n_cameras, middle, worst, helped, states, notes)


def default_places(rig: Rig, box: Box | None = None, *, range_mm: float = np.inf) -> Array:
    """Return a grid over a box, by default where the wand went, else what the cameras see."""
    box = box or wave_box(rig) or seen_box(rig, range_mm)
    return box.grid(np.minimum(box.size_mm.max() / DEFAULT_STEPS, box.size_mm / LEAST_STEPS))


def of_wave(rig: Rig) -> Precision | None:
    """Return how precisely a rig places a marker where the wand went when it was solved; None where
    nothing can be said.
    """
    if rig.covariance is None or not len(rig.wave_mm):
        return None
    try:
        return precision(rig, rig.wave_mm[:: max(1, len(rig.wave_mm) // FEW_PLACES)])
    except UnsolvableError:
        return None


def one_line(rig: Rig) -> str:
    """Return the one figure of a rig: how precisely it places a marker in the middle of where the
    wand went and at worst there; empty where nothing can be said.
    """
    found = of_wave(rig)
    return "" if found is None else in_one_line(found, " where the wand went,")


def in_one_line(found: Precision, of_places: str = "") -> str:
    """Return the figure for the middle and the worst of the places as a sentence."""
    worst = found.worst[0]
    x, y, z = found.places_mm[worst]
    return (
        "A marker in the middle of the volume is placed to "
        f"± {found.sigma_mm[found.middle]:.2f} mm, at worst ± {found.sigma_mm[worst]:.2f} "
        f"mm{of_places} near ({x:.0f}, {y:.0f}, {z:.0f})."
    )


def _worst(places: Array, sigma: Array) -> tuple[int, ...]:
    """Return the rows of the worst places, each far from those before it."""
    apart = WORST_APART * float(np.linalg.norm(np.ptp(places, axis=0)))
    chosen: list[int] = []
    for k in np.argsort(-sigma, kind="stable"):
        if not np.isfinite(sigma[k]) or len(chosen) == MOST_NAMED:
            break
        if all(np.linalg.norm(places[k] - places[c]) >= apart for c in chosen):
            chosen.append(int(k))
    return tuple(chosen)


def _help(
    place: Array, sees: NDArray[np.bool_], cameras: Cameras, errors: RigErrors, range_mm: float
) -> Help | None:
    """Return the camera that would help a place most if it were turned to look at it."""
    ray = place - cameras.position_mm
    away = np.linalg.norm(ray, axis=1)
    others = np.flatnonzero(~sees & (away > 0) & (away <= range_mm))
    if not len(others):
        return None
    R = cameras.R.copy()
    for c in others:
        R[c] = R[c] @ turn_between(R[c, 2], ray[c] / away[c]).T
    t = -(R @ cameras.position_mm[:, :, None])[..., 0]
    sigma = _changed(place, sees, others, replace(cameras, R=R, t_mm=t), errors)
    if np.isnan(sigma).all():
        return None
    best = int(np.nanargmin(sigma))
    return Help(cameras.names[others[best]], float(sigma[best]))


def _spoils(
    place: Array, sees: NDArray[np.bool_], cameras: Cameras, errors: RigErrors, least_mm: float
) -> Help | None:
    """Return the camera without which the others place a marker there best, where that is to less
    than ``least_mm``.
    """
    seeing = np.flatnonzero(sees)
    sigma = _changed(place, sees, seeing, cameras, errors)
    if not (sigma < least_mm).any():
        return None
    worst = int(np.nanargmin(sigma))
    return Help(cameras.names[seeing[worst]], float(sigma[worst]), is_left_out=True)


def _changed(
    place: Array,
    sees: NDArray[np.bool_],
    one: NDArray[np.intp],
    cameras: Cameras,
    errors: RigErrors,
) -> Array:
    """Return the sigma (n,) in mm at a place if one camera of ``one (n,)`` saw it that does not, or
    did not that does.
    """
    is_seen = np.tile(sees[:, None], len(one))
    is_seen[one, np.arange(len(one))] ^= True
    places = np.tile(place, (len(one), 1))
    found = covariance_of(*effects(errors, views_where(is_seen), places, cameras))
    return np.asarray(sigma_in_space(found))
