"""The whole story: a capture of a wand in, a rig at true scale out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.core.camera import Lens
from calib.core.geometry import Array, Pose
from calib.core.names import listed
from calib.core.parameters import AUTO, n_unknowns, term_names
from calib.core.progress import Progress
from calib.core.rig import Rig, RigCamera
from calib.core.tracks import Tracks
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError, require_kinds
from calib.solve.bundle.descent import BundleOptions
from calib.solve.bundle.monotonic import monotonic_prior, sensor_sizes
from calib.solve.bundle.problem import State
from calib.solve.bundle.shape import reshaped, shape_prior, wand_shape
from calib.solve.certainty.covariance import joint_covariance
from calib.solve.certainty.held import assumed, held_terms, known_sigma, sensitivity
from calib.solve.certainty.lens_model import Whole, examine_lenses, with_held_terms
from calib.solve.certainty.sound import require_lenses, require_settled, require_sound
from calib.solve.certainty.statistics import rig_stats
from calib.solve.clock.common_time import least_that_matters, with_timing
from calib.solve.clock.offsets import TimeOffsets
from calib.solve.fit import Fit
from calib.solve.lasting.scatter import together
from calib.solve.lasting.stretches import share_off
from calib.solve.refine import Rough, refine, roughly
from calib.solve.start.graph import (
    Overlap,
    camera_graph,
    choose_pairs,
    overlap,
    require_connected,
    wave_advice,
)
from calib.solve.start.initial import InitialRig, initial_rig
from calib.solve.start.lenses import is_lens_free, lens_prior, start_lens
from calib.solve.start.motion import require_depth, require_motion
from calib.solve.start.pairs import PairPose, solve_pairs
from calib.solve.start.single import (
    KnownDistance,
    as_points,
    at_distance,
    common_scale,
    fit_at_distance,
    is_single,
)

WAVE_PLACES = 400  # of the wand that a rig keeps: enough to tell where the wave went


@dataclass(frozen=True, kw_only=True, slots=True)
class SolveOptions:
    """How to solve.

    Parameters
    ----------
    lens : str
        ``free``, ``hold``, or ``auto``: held where it is measured.
    terms : str or tuple of str
        Lens terms to free; ``auto``: what the capture shows to be there.
    partial : bool
        Solve the largest connected part of a rig in pieces.
    frames : int, optional
        So many frames, spread evenly; None: all.
    timing : bool
        Also find each camera's time offset.
    distance : KnownDistance, optional
        The scale of a capture of a single marker.
    """

    lens: str = "auto"  # hold measured lenses, free nominal ones
    # auto: focal length, centre, k1, k2, and of the small terms what the capture shows to be there
    terms: str | tuple[str, ...] = "auto"
    partial: bool = False  # a rig in pieces is a mistake until somebody says otherwise
    frames: int | None = None  # None: all; else this many, evenly spread over the capture
    timing: bool = False  # cameras on one sync box have no offsets worth finding
    distance: KnownDistance | None = None  # the scale of a capture of a single marker

    def __post_init__(self) -> None:
        require_kinds(self)


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """A capture made ready for the bundle: the cameras to solve with all their frames, where they
    start, what is freed, and the cameras left out with the reason.

    ``stated`` is the wand as its file has it, ``wand`` what the bundle takes for it.
    """

    tracks: Tracks
    stated: Wand
    wand: Wand
    options: SolveOptions
    start: State
    bundle: BundleOptions
    left_out: dict[str, str]

    @property
    def used(self) -> Tracks:
        """The frames that enter the solve."""
        n = self.options.frames
        return self.tracks if n is None else self.tracks.thinned(n)

    def fit(self, progress: Progress, start: State | None = None) -> Fit:
        """Return the fit of the cameras from where they start, or from where a fit left them."""
        return refine(self.used, self.wand, start or self.start, self.bundle, progress)

    def rough(self, progress: Progress) -> Rough:
        """Return the fit of the cameras from where they start, before it is ``finished``."""
        return roughly(self.used, self.wand, self.start, self.bundle, progress)


def begin(tracks: Tracks, stated: Wand, options: SolveOptions, progress: Progress) -> Task:
    """Return what the bundle needs of named tracks: who is solved, from where, with what freed."""
    if options.frames is not None and options.timing:
        raise InputError(
            "frames",
            expected="all frames, as time offsets show between neighbouring ones",
            found=str(options.frames),
            remedy="Leave the number of frames out.",
        )
    tracks, wand = _with_scale(tracks, stated, options)
    progress("camera graph", 0, 1)
    # Before islands: a still wand that some cameras see alone is a still wand first.
    require_motion(tracks)
    tracks, table, left_out = _largest_part(tracks, options.partial)
    used = tracks
    if options.frames is not None:
        used = tracks.thinned(options.frames)
        table = overlap(used)
    start, bundle_options = _start(used, table, wand, options, progress)
    return Task(tracks, stated, wand, options, start, bundle_options, left_out)


def finish(
    task: Task, fit: Fit, progress: Progress, findings: Sequence[str] = ()
) -> tuple[Rig, Tracks, Fit]:
    """Return the rig that a fit of the task came to, with its covariance and what is to be said;
    the tracks it is of, at a common time; and the fit in the rig's world.

    Raises UnsolvableError where the fit cannot be true or nothing fixes a camera; how sure each is
    is judged by whoever knows of their faults (``require_certain``).
    """
    tracks, options, bundle_options = task.used, task.options, task.bundle
    findings, offsets = list(findings), None
    if options.timing:
        fit, tracks, offsets = with_timing(tracks, task.wand, fit, bundle_options, progress)
        findings += offsets.findings(least_that_matters(tracks, fit.sigma_px))
    if bundle_options.distance:
        fit = fit_at_distance(fit, bundle_options.distance)
    findings += [str(fit.wand_finding)] if fit.wand_finding else []
    progress("covariance", 0, 1)
    fit = _in_first_camera(fit)
    require_lenses(fit, tracks)
    whole = with_held_terms(fit) if bundle_options.terms and options.terms != "auto" else None
    rig = _as_rig(tracks, task.stated, fit, whole)
    findings += assumed(tracks.cameras, rig.covariance.held) if rig.covariance else []
    require_sound(rig)
    require_settled(fit, tracks.names)
    if whole:
        progress("lens terms", 0, 1)
        lens_model = examine_lenses(fit, tracks.names, whole=whole)
        findings += [str(lens_model)] if any(f.kind == "add" for f in lens_model.advised) else []
    rig = replace(
        rig,
        cameras=_with_offsets(rig.cameras, offsets) if offsets else rig.cameras,
        provenance={"options": asdict(options)} | _dropped(tracks),
        left_out=task.left_out,
        findings=tuple(findings),
        captured_at=tracks.captured_at,
        lasting_share=share_off(fit.problem, fit.stretches),
        wave_mm=_wave(fit),
    )
    return rig, tracks, fit


def _dropped(tracks: Tracks) -> dict[str, dict[str, int]]:
    """Return how many points outside the sensor were left out of each camera that had any."""
    outside = {c.name: c.n_outside for c in tracks.cameras if c.n_outside}
    return {"points_outside": outside} if outside else {}


def _wave(fit: Fit) -> Array:
    """Return places of the wand (n, 3), evenly over the frames that stand."""
    placed = fit.problem.frame[fit.is_inlier.any(axis=0)]
    frames = np.unique(placed)
    return fit.result.state.wand_t[frames[:: max(1, len(frames) // WAVE_PLACES)]]


def _with_offsets(cameras: Sequence[RigCamera], found: TimeOffsets) -> tuple[RigCamera, ...]:
    """Return the cameras with the time offsets that the capture determines."""
    return tuple(
        replace(c, time_offset_frames=float(offset), time_offset_sigma_frames=float(sigma))
        if np.isfinite(sigma)
        else c
        for c, offset, sigma in zip(cameras, found.offset_frames, found.sigma_frames, strict=True)
    )


def _with_scale(tracks: Tracks, wand: Wand, options: SolveOptions) -> tuple[Tracks, Wand]:
    """Return the capture and its wand: as given, or a single marker's points where a known distance
    gives the scale.
    """
    _check_wand(tracks, wand)
    if is_single(tracks):
        return as_points(tracks, options.distance, options.lens)
    if options.distance is not None:
        raise InputError(
            "distance",
            expected="a capture of a single marker, which has no other scale",
            found="a wand's markers, whose lengths fix the scale",
            remedy="Leave the distance out and compare it with the solved positions.",
        )
    return tracks, wand


def _start(
    tracks: Tracks, table: Overlap, wand: Wand, options: SolveOptions, progress: Progress
) -> tuple[State, BundleOptions]:
    """Return starting cameras from pairs, and what the bundle frees and knows of them."""
    lens = np.stack([start_lens(c) for c in tracks.cameras])
    is_free = is_lens_free(tracks, options.lens)
    if is_free.any():
        require_depth(tracks, table)
    is_auto = options.terms == "auto"
    names = term_names(AUTO if is_auto else options.terms) if is_free.any() else ()
    _require_focal(tracks, is_free, names)
    distance = options.distance.among(tracks) if options.distance else None
    is_open = is_free & ("focal" in names) & (distance is None)
    edges = _solve_pairs(tracks, table, wand, lens, is_open, progress)
    edges = common_scale(tracks, edges, lens) if distance else edges
    initial = initial_rig(len(lens), edges, lens[:, 0])
    _require_placed(tracks, initial)
    found = lens.copy()
    found[:, :2] *= (initial.focal_px / lens[:, 0])[:, None]
    nowhere = np.empty((0, 3))
    start = State(
        initial.cam_R, initial.cam_t, found, np.empty((0, 3, 3)), nowhere, wand_shape(wand)
    )
    start = at_distance(start, distance) if distance else start
    free = np.ones((len(lens), n_unknowns(names)), bool)
    free[:, 6:] = is_free[:, None]
    widths, heights = sensor_sizes(tracks)
    prior = lens_prior(lens, names, widths, is_usual=is_auto)
    prior = monotonic_prior(prior, names, found[:, 0], widths, heights, is_usual=is_auto)
    bundle_options = BundleOptions(
        terms=names,
        is_free=free,
        prior=prior,
        # A single marker's cameras all but share a change of aspect: what each shows of its width
        # is no own witness.
        is_hierarchical=is_auto and bool(names) and distance is None,
        shape=shape_prior(wand, tracks),
        distance=distance,
    )
    return start, bundle_options


def _require_focal(tracks: Tracks, is_free: NDArray[np.bool_], names: tuple[str, ...]) -> None:
    """Raise InputError where focal lengths that nobody measured are not among what is solved: a
    zoom's ring may be off by a quarter, and all that follows would be told of the wrong cause.
    """
    nominal = [
        c.name for c, free in zip(tracks.cameras, is_free, strict=True) if free and not c.lens
    ]
    if names and nominal and "focal" not in names:
        raise InputError(
            "terms",
            expected=f"focal among them, as no focal length of {listed(nominal)} was measured",
            found=",".join(names),
            remedy="Add it (--terms focal,principal,k1,k2), leave --terms out, or state measured "
            "lenses (K) with the tracks.",
        )


def _check_wand(tracks: Tracks, wand: Wand) -> None:
    tracks.check_markers(len(wand.markers))
    if len(tracks.cameras) < 2:
        raise InputError(
            "cameras",
            expected="two or more",
            found=tracks.names[0],
            remedy="One camera sees no depth.",
        )
    if not any(c.n_points for c in tracks.cameras):
        raise InputError(
            "cameras", expected="points", found="none in any camera", remedy="Check the capture."
        )


def _largest_part(tracks: Tracks, partial: bool) -> tuple[Tracks, Overlap, dict[str, str]]:
    """Return the cameras to solve, what they share, and why each of the others is left out."""
    table = overlap(tracks)
    graph = camera_graph(table)
    if not partial or len(graph.islands[0]) < 2:
        require_connected(graph)
    if len(graph.islands) == 1:
        return tracks, table, {}
    keep = tracks.subset(n for n in tracks.names if n in graph.islands[0])
    reason = f"shares too few wand frames with the solved cameras. {wave_advice(graph)}"
    return keep, overlap(keep), {n: reason for n in tracks.names if n not in keep.names}


def _solve_pairs(
    tracks: Tracks,
    table: Overlap,
    wand: Wand,
    lens: Array,
    is_open: NDArray[np.bool_],
    progress: Progress,
) -> list[PairPose]:
    chosen = choose_pairs(table)
    edges = solve_pairs(tracks, wand, chosen, lens, is_open, progress)
    if not edges:
        raise UnsolvableError(
            "camera pairs",
            expected="two cameras whose shared points tell how they stand to one another",
            found=f"none among {len(chosen)} pairs",
            remedy="Check that the tracks are of this wand and genlocked, and wave "
            "through the whole volume.",
            cameras=tracks.names,
        )
    return edges


def _require_placed(tracks: Tracks, initial: InitialRig) -> None:
    apart = [n for n, placed in zip(tracks.names, initial.is_placed, strict=True) if not placed]
    if apart:
        raise UnsolvableError(
            listed(apart),
            expected="a place among the other cameras that these agree with",
            found="none",
            remedy="Check these cameras' tracks (time, marker numbers) and wave longer "
            "where they and a neighbour see.",
            cameras=apart,
        )


def _in_first_camera(fit: Fit) -> Fit:
    """Return the fit with the first camera's frame as the world."""
    state = fit.result.state
    world = Pose(state.cam_R[0], state.cam_t[0])
    poses = [Pose(R, t) @ world.inverse() for R, t in zip(state.cam_R, state.cam_t, strict=True)]
    poses[0] = Pose(np.eye(3), np.zeros(3))  # to the bit: R Rᵀ only is to rounding
    moved = replace(
        state,
        cam_R=np.stack([p.R for p in poses]),
        cam_t=np.stack([p.t_mm for p in poses]),
        wand_R=world.R @ state.wand_R,
        wand_t=world.apply(state.wand_t),
    )
    return replace(fit, result=replace(fit.result, state=moved))


def bare_rig(tracks: Tracks, wand: Wand, fit: Fit) -> Rig:
    """Return the rig that a fit has come to, without its covariance."""
    state, problem = fit.result.state, fit.problem
    stats = rig_stats(tracks, problem, state, fit.is_inlier, fit.sigma_px, fit.result.blocks.frame)
    cameras = tuple(
        RigCamera(
            c.name,
            c.width,
            c.height,
            Lens.from_vector(state.lens[k], c.name),
            Pose(state.cam_R[k], state.cam_t[k]),
            stats[k],
            serial=c.serial,
        )
        for k, c in enumerate(tracks.cameras)
    )
    used = reshaped(wand, state.shape_mm) if fit.options.shape else wand
    return Rig(cameras, wand, used)


def _as_rig(tracks: Tracks, wand: Wand, fit: Fit, whole: Whole | None) -> Rig:
    state, problem = fit.result.state, fit.problem
    found = whole.of_fit() if whole else fit.information
    scattered = together(problem, state, fit.options.terms, fit.result.blocks, fit.scatter, found)
    given = problem, fit.result, fit.options, tracks.names, wand.markers, found
    covariance = joint_covariance(*given, scattered)
    if held := held_terms(covariance, state, tracks.names):
        focal = dict(zip(tracks.names, state.lens[:, 0].tolist(), strict=True))
        alone = covariance if scattered is None else joint_covariance(*given)
        order, to_held = sensitivity(
            alone, held, problem, state, fit.options, tracks.names, wand.markers
        )
        sigma = np.array(
            [known_sigma(tracks.camera(p.camera), p.kind, focal[p.camera]) for p in order]
        )
        covariance = replace(covariance, held=order, sensitivity=to_held, held_sigma=sigma)
    return replace(bare_rig(tracks, wand, fit), covariance=covariance)
