"""A rig that exists before a new wave: solved anew from where it stands, and repaired where cameras
have moved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens
from calib.core.geometry import Array, Pose
from calib.core.names import listed
from calib.core.parameters import (
    LENS_TERMS,
    N_POSE,
    RING,
    CameraParameter,
    Parameter,
    WandCoordinate,
    in_order,
    n_unknowns,
    of_cameras,
    of_wand,
    term_values,
)
from calib.core.progress import Progress, quiet
from calib.core.rig import Covariance, Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.solve.bundle.descent import BundleOptions, Prior, without_frames
from calib.solve.bundle.linearise import Blocks, linearise
from calib.solve.bundle.monotonic import monotonic_prior, sensor_sizes
from calib.solve.bundle.problem import Problem, State
from calib.solve.certainty.lens_terms import SMALL_TERMS
from calib.solve.certainty.normal import Information
from calib.solve.certainty.statistics import rig_stats
from calib.solve.fit import Fit
from calib.solve.hold import MOST_OFF, RigFit, fit_to_rig, rig_state
from calib.solve.lasting.scatter import Together, together
from calib.solve.lasting.stretches import PASSES, Stretch, chance_of_most, pairs_in, stretch_of
from calib.solve.refine import EVERY_TERM, refine
from calib.solve.start.lenses import lens_prior

# Weak knowledge about a lens since the rig was solved, as standard deviations: rings turn by some
# percent at most without anybody noticing the framing, mounts give by a fraction of a millimetre;
# neither changes the distortion much.
FOCAL_SHARE, CENTRE_SHARE, OTHER_TERM = 0.05, 0.01, 0.02
# Share of a camera's points that stand off from the rig from a frame on: some between lie near
# enough not to be told. What is over sooner than so many seconds passes.
STAYS, STAYS_S = 0.7, 3.0
POINT = Wand("points", ("point",), np.zeros((1, 3)))


def of_points(rig: Rig) -> Rig:
    """Return the rig as points in space see it, each of them a frame: without its wand, and without
    what was known of that.
    """
    known = rig.covariance
    if known is not None:
        at = [i for i, p in enumerate(known.parameters) if isinstance(p, CameraParameter)]
        known = replace(
            known,
            parameters=tuple(known.parameters[i] for i in at),
            matrix=known.matrix[np.ix_(at, at)],
            sensitivity=known.sensitivity[at],
        )
    return replace(rig, wand=POINT, wand_used=POINT, covariance=known)


def stored_terms(rig: Rig) -> tuple[str, ...]:
    """Return the lens terms that the rig's solve determined or may have held wrong, and those of a
    ring, in order.

    Where it freed lenses these are all that a lens may have, as the wave must not bend to those
    that it left out.
    """
    known = rig.covariance
    if known is None:
        return RING
    found = {p.kind for p in (*known.parameters, *known.held) if isinstance(p, CameraParameter)}
    every = EVERY_TERM if any(known.frees(name) for name in rig.names) else ()
    return in_order(found | {*RING, *every})


def lacks_terms(rig: Rig) -> bool:
    """Return whether the rig's solve freed lenses and left out small terms that a lens may have."""
    known = rig.covariance
    return known is not None and any(
        known.frees(name)
        and any(CameraParameter(name, term) not in known.row for term in SMALL_TERMS)
        for name in rig.names
    )


def shape_axes(rig: Rig) -> int:
    """Return how many coordinates of each wand marker the rig's covariance covers."""
    known = rig.covariance.parameters if rig.covariance is not None else ()
    return sum(isinstance(p, WandCoordinate) for p in known) // len(rig.wand_used.markers)


def change_prior(rig: Rig, terms: tuple[str, ...], tracks: Tracks) -> Prior:
    """Return the weak prior about the lenses of a rig that stood for a while; of one that bent with
    a pose that its solve got wrong, what is known of any lens of about that focal length.
    """
    lens = rig_state(rig, tracks.names).lens
    mean = np.stack([term_values(lens, name) for name in terms], axis=1)
    width, height = sensor_sizes(tracks)
    known = {
        "focal": FOCAL_SHARE * lens[:, 0],
        "cx": CENTRE_SHARE * width,
        "cy": CENTRE_SHARE * width,
    }
    other = np.full(len(width), OTHER_TERM)
    sigma = np.stack([known.get(name, other) for name in terms], axis=1)
    is_free = [rig.covariance is not None and rig.covariance.frees(n) for n in tracks.names]
    is_bent = np.array(is_free) & [not rig.camera(n).is_placed for n in tracks.names]
    focal = lens[:, 0]
    middle = (width - 1) / 2, (height - 1) / 2
    plain = np.column_stack([focal, focal, *middle, np.zeros((len(lens), 8))])
    of_any = lens_prior(plain, terms, width, is_usual=True)
    of_any = monotonic_prior(of_any, terms, focal, width, height, is_usual=True)
    at = is_bent[:, None]
    return Prior(np.where(at, of_any.mean, mean), np.where(at, of_any.sigma, sigma))


def solve_anew(
    rig: Rig, tracks: Tracks, progress: Progress, start: State | None = None
) -> tuple[Fit, RigFit]:
    """Return the fit of a new wave with every camera free, from where the rig's cameras stood or
    from ``start``, the wand's shape held; and that with the rig's cameras held.

    Raises UnsolvableError where the wave does not determine the cameras.
    """
    stood, terms = rig_state(rig, tracks.names), stored_terms(rig)
    # Against the stored rig stretches that stand off show before a fit can give way to them; of two
    # cameras none does.
    can_tell = len(tracks.names) > 2 and not lacks_terms(rig)  # nor does what a lens lacks
    held = fit_to_rig(rig, tracks, gives_way=False)
    against = _that_pass(held) if can_tell else ()
    against = tuple(s for s in against if rig.camera(tracks.names[s.camera]).is_placed)
    # Whoever linearises about the fit takes the last step himself.
    options = BundleOptions(terms=terms, prior=change_prior(rig, terms, tracks), tolerance=1e-7)
    fit = refine(_without(tracks, against), rig.wand_used, start or stood, options, progress)
    return replace(fit, stretches=(*against, *fit.stretches)), held


def _that_pass(held: RigFit) -> tuple[Stretch, ...]:
    """Return the stretches that stand off from a rig that is held, but for those of cameras that do
    so from a frame on, or up to one: these were moved meanwhile.
    """
    problem = held.problem
    is_off, moved = pairs_in(problem, held.stretches), set(stays_off(problem, held.stretches))
    for c, at in enumerate(problem.pairs_by_camera()):
        if at.size and is_off[at].mean() > MOST_OFF:
            moved.add(c)
    return tuple(s for s in held.stretches if s.camera not in moved)


def stays_off(problem: Problem, stretches: Sequence[Stretch]) -> dict[int, tuple[int, float]]:
    """Return the cameras most of whose points from a frame on, or up to one, lie in stretches that
    span more than passes, or that errors that last seldom make; with the frame of the change, and
    by how many px they are off.
    """
    out = {}
    of, number = stretch_of(problem, stretches), problem.frame_number[problem.frame]
    is_off, size_px = of >= 0, np.array([np.hypot(*s.shift_px) for s in stretches])
    for c, at in enumerate(problem.pairs_by_camera()):
        for own, is_after in ((at, False), (at[::-1], True)):
            off = own[is_off[own]]
            n_off, n = np.arange(1, len(off) + 1), 1 + np.flatnonzero(is_off[own])
            span = np.abs(number[off] - number[off[:1]])
            more = np.where(span > STAYS_S * problem.rate_hz, 2 * n_off - n, 0)
            if more.max(initial=0) > 0:
                k = int(more.argmax())
                frame = int(number[off[k]]) + (not is_after)
                px = float(np.median(size_px[of[off[: k + 1]]]))
                if (
                    n_off[k] > STAYS * n[k]
                    or chance_of_most(problem, stretches, c, frame, px) < PASSES
                ):
                    out[c] = frame, px
    return out


def _without(tracks: Tracks, stretches: Sequence[Stretch]) -> Tracks:
    """Return the tracks without names for the points in stretches that stand off."""
    cameras = []
    for c, camera in enumerate(tracks.cameras):
        marker = camera.marker.copy()
        for s in stretches:
            if s.camera == c:
                marker[(camera.frame >= s.first) & (camera.frame <= s.last)] = -1
        cameras.append(replace(camera, marker=marker))
    return replace(tracks, cameras=tuple(cameras))


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """What a wave says at a state of turns, positions, lens terms and shape, frames eliminated.

    Rows are the parameters of each camera as ``Covariance`` counts them, then the wand's
    coordinates.
    """

    names: tuple[str, ...]
    terms: tuple[str, ...]
    state: State
    information: Information
    blocks: Blocks

    @property
    def n(self) -> int:
        return n_unknowns(self.terms)

    def parameters(self, markers: tuple[str, ...]) -> tuple[Parameter, ...]:
        """Return the parameters, as a covariance has them."""
        n_axes = (len(self.information.own) - len(self.names) * self.n) // len(markers)
        return (*of_cameras(self.names, self.terms), *of_wand(markers, n_axes))

    def with_scatter(self, scattered: Together | None) -> Reduced:
        """Return the same with errors that last counted: ``scattered`` is of the twists that the
        solve uses.
        """
        if scattered is None:
            return self
        of_positions = self.of_positions(scattered)
        return replace(self, information=of_positions.of_independent(self.information))

    def of_positions(self, scattered: Together) -> Together:
        """Return what errors that last do to twists as what they do to positions."""
        D = Information.of(scattered.D).carried(-self.state.cam_R, self.n).matrix
        return replace(scattered, D=D)

    def turned(self, R: Array) -> Reduced:
        """Return the same in a world turned by R (3, 3): positions run along its axes."""
        back = np.broadcast_to(R.T, self.state.cam_R.shape)
        return replace(self, information=self.information.carried(back, self.n))


def reduced(
    problem: Problem, state: State, names: tuple[str, ...], terms: tuple[str, ...], n_axes: int
) -> Reduced:
    """Return the reduced normal equations of a wave at a state, frames eliminated."""
    blocks = linearise(problem, state, terms, np.inf, n_axes)
    found = without_frames(problem, blocks).carried(-state.cam_R, n_unknowns(terms))
    return Reduced(names, terms, state, found, blocks)


@one_blas_thread
def repair(
    rig: Rig,
    tracks: Tracks,
    changed: Mapping[str, tuple[str, ...]],
    progress: Progress = quiet,
    *,
    is_any: bool = False,
) -> Rig:
    """Return the rig with the cameras of ``changed`` solved anew from a wave, in its frame; all
    others stay to the bit, as does all else that the rig tells.

    The covariance of what is solved is that of the wave plus what the held parameters' own
    uncertainty does to it: with S the reduced normal matrix, ``G = -S_mm⁻¹ S_mh`` and C of the
    held, it is ``S_mm⁻¹ + G C Gᵀ``, and ``G C`` against the held.

    Parameters
    ----------
    rig : Rig
        As it was.
    tracks : Tracks
        A wave at a common time, as a recheck gives it.
    changed : mapping of str to tuple of str
        The cameras to solve, and which lens terms (``focal``, ``cx``...) with their pose.
    progress : callable, optional
        Told stage, done and total.
    is_any : bool
        The tracks are of points, each a frame, and not of the rig's wand.

    Returns
    -------
    Rig
        The repaired rig.

    Raises
    ------
    InputError
        A camera or a lens term is unknown, or no camera is held.
    UnsolvableError
        The wave does not place one of them.
    """
    names = tracks.names
    unknown = [n for n in changed if n not in names]
    if unknown:
        raise InputError(
            "repair", expected=f"cameras of the wave, {listed(names)}", found=listed(unknown)
        )
    if not changed or len(changed) >= len(names):
        found = "none to solve" if not changed else "no camera that stays"
        raise InputError(
            "repair", expected="some cameras to solve and others that stay", found=found
        )
    shown = of_points(rig) if is_any else rig
    terms = stored_terms(rig)
    for freed in changed.values():
        if not set(freed) <= set(terms):
            raise InputError(
                "repair", expected=f"lens terms of {', '.join(terms)}", found=listed(freed)
            )
    start = rig_state(shown, names)
    is_free = np.zeros((len(names), n_unknowns(terms)), bool)
    for name, freed in changed.items():
        is_free[names.index(name)] = [True] * N_POSE + [t in freed for t in terms]
    options = BundleOptions(terms=terms, is_free=is_free, prior=change_prior(shown, terms, tracks))
    fit = refine(tracks, shown.wand_used, start, options, progress)
    now = reduced(fit.problem, fit.result.state, names, terms, shape_axes(shown))
    parameters = now.parameters(shown.wand_used.markers)
    solved = np.flatnonzero(is_free.ravel())
    if now.information.at(solved).open_direction() is not None:
        blind = [
            n
            for n in changed
            if not (fit.problem.weight[:, fit.problem.cam == names.index(n)] > 0).any()
        ]
        raise UnsolvableError(
            listed(blind or changed),
            expected="points that place the camera",
            found="too few",
            remedy=f"{'Let markers move' if is_any else 'Wave'} longer in front of it, then: "
            f"calib recheck RIG NEW_TRACKS{' --any' if is_any else ''} --repair -o NEW_RIG",
            cameras=blind or list(changed),
        )
    scattered = together(fit.problem, fit.result.state, terms, now.blocks, fit.scatter)
    stats = rig_stats(tracks, fit.problem, fit.result.state, fit.is_inlier, fit.sigma_px)
    cameras = {camera.name: camera for camera in rig.cameras}
    for name, freed in changed.items():
        c, was = names.index(name), rig.camera(name)
        pose = Pose(fit.result.state.cam_R[c], fit.result.state.cam_t[c])
        lens = Lens.from_vector(fit.result.state.lens[c]) if freed else was.lens
        serial = tracks.cameras[c].serial or was.serial
        now_is = replace(was, lens=lens, cam_from_world=pose, stats=stats[c], serial=serial)
        cameras[name] = replace(now_is, faults=(), is_placed=True)
    return replace(
        rig,
        cameras=tuple(cameras.values()),
        doubts=tuple(d for d in rig.doubts if not d.cameras or {*d.cameras} - {*changed}),
        covariance=_covariance(rig, now, scattered, parameters, solved),
        verification=None,  # the lengths that were tested were the other cameras'
    )


def _covariance(
    rig: Rig,
    now: Reduced,
    scattered: Together | None,
    parameters: tuple[Parameter, ...],
    solved: NDArray[np.intp],
) -> Covariance:
    """Return the joint covariance with the rows ``solved`` determined by the wave and all else as
    it was.
    """
    S, found = now.information.matrix, now.information.at(solved)
    new = [parameters[i] for i in solved]
    old = rig.covariance or Covariance((), np.zeros((0, 0)))
    is_new = set(new)
    kept = [p for p in old.parameters if p not in is_new]
    there = [old.row[p] for p in kept]
    C = old.matrix[np.ix_(there, there)]
    row = {p: i for i, p in enumerate(parameters)}
    own = found.covariance()
    across = np.zeros((len(solved), len(kept)))
    for k, p in enumerate(kept):
        if p in row:
            across[:, k] = S[solved, row[p]]
    G = -own @ across
    GC = G @ C
    of_wave = own if scattered is None else now.of_positions(scattered).covariance(own, solved)
    joint = np.block([[C, GC.T], [GC, of_wave + GC @ G.T]])
    every = [*kept, *new]
    sensitivity = np.vstack([old.sensitivity[there], G @ old.sensitivity[there]])
    for k, held in enumerate(old.held):
        if held in row and held not in every:  # a lens that is held still pulls this wave as well
            sensitivity[len(kept) :, k] -= own @ S[solved, row[held]]
    # Camera by camera in the rig's order, the wand last, as a solve writes them.
    place = {p: k for k, p in enumerate(of_cameras(rig.names, LENS_TERMS))}
    order = sorted(range(len(every)), key=lambda i: place.get(every[i], len(place) + i))
    matrix = 0.5 * (joint + joint.T)[np.ix_(order, order)]
    return Covariance(tuple(every[i] for i in order), matrix, old.held, sensitivity[order])
