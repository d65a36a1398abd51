"""The recheck of a rig by a new wave: which cameras moved, by how much, how sure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from calib.check.apart import moves_apart
from calib.check.causes.last_seen import last_seen
from calib.check.recheck.agree import Agreement, find_agreement
from calib.check.recheck.clocks import with_clocks
from calib.check.recheck.compare import Comparison, compare, information, likeliest
from calib.check.recheck.drift import NO_SCALE, Scale, growth, scale_of, without_scale
from calib.check.recheck.exchange import bearers, under_right_names
from calib.check.recheck.inputs import joined, matched
from calib.check.recheck.judge import (
    Clock,
    RecheckOptions,
    judged,
    measured,
    with_knocks,
    within_own_doubt,
)
from calib.check.recheck.misread import as_read, elsewhere, misread, sure
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.recheck.passing import with_passing
from calib.check.recheck.whole import in_doubt, whole, with_serials
from calib.check.verdicts import RigFault, Standing
from calib.check.whole.find import doubts_of_wand
from calib.check.whole.left_out import at_end
from calib.check.whole.steps import largest_step, may_pass, moves_of
from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.errors import UnsolvableError
from calib.naming.identify import identify, is_unnamed
from calib.naming.renaming import rename
from calib.solve.bundle.descent import BundleOptions
from calib.solve.clock.common_time import (
    earlier,
    in_step,
    known_fractions,
    with_timing,
    without_fractions,
)
from calib.solve.clock.frame_slip import whole_frame_offsets
from calib.solve.clock.offsets import estimate_offsets
from calib.solve.fit import Fit
from calib.solve.hold import RigFit, as_held
from calib.solve.lasting.stretches import STEP_PX, USUAL_SHARE, off_until_end, share_off
from calib.solve.repair import solve_anew, stays_off

# a noise this many times the others' (each against its own of the solve) may be late frames
STANDS_OUT = 1.5
# Errors that last have heavy tails: where there are any, a camera is named from five standard
# deviations on (of a normal law, both sides), and one that is less clear is said to be undecided.
SURE_ALPHA = 5.7e-7


@one_blas_thread
def recheck(
    rig: Rig, tracks: Tracks, options: RecheckOptions | None = None, progress: Progress = quiet
) -> Recheck:
    """Return which cameras of a rig a new wave of its wand shows to have changed.

    Parameters
    ----------
    rig : Rig
        As it was.
    tracks : Tracks
        A new wave of its wand.
    options : RecheckOptions, optional
        When a camera is named, and when its change matters.
    progress : callable, optional
        Told stage, done and total.

    Returns
    -------
    Recheck
        A verdict on each camera and on the rig as a whole; ``repair`` takes its ``tracks`` and
        ``repairable``.

    Raises
    ------
    InputError
        Rig and tracks do not belong together.
    UnsolvableError
        The wave joins no two cameras.
    """
    options, given = options or RecheckOptions(), tracks
    tracks = in_step(rig, _identified(rig, matched(rig, tracks), progress))
    borne = bearers(rig, tracks)
    tracks = under_right_names(tracks, borne)
    wrong = misread(rig, tracks)
    try:
        found = _of_others(rig, tracks, borne, sure(wrong), options, progress)
    except np.linalg.LinAlgError:  # of numbers that ran away
        wrong = elsewhere(rig, tracks) | sure(wrong)
        found = _of_others(rig, tracks, borne, wrong, options, progress)
    found = replace(found, cameras=tuple(as_read(found.cameras, wrong)))
    return with_serials(found, rig, given)


def _of_others(
    rig: Rig,
    tracks: Tracks,
    borne: dict[str, str],
    left_out: Collection[str],
    options: RecheckOptions,
    progress: Progress,
) -> Recheck:
    """Return what a wave shows of the cameras that can be judged by their points."""
    tracks, n_shared = joined(rig, tracks.subset([n for n in tracks.names if n not in left_out]))
    in_time = without_fractions(rig, tracks)
    fit, held = solve_anew(rig, in_time, progress)
    if tracks.is_identified:
        progress("names", 0, 1)
        tracks = rename(tracks, rig.wand_used, fit.result.state).tracks
        in_time = without_fractions(rig, tracks)
        fit, held = solve_anew(rig, in_time, progress, fit.result.state)
    as_given = fit, held
    fit, held, tracks, clock = _in_time(rig, tracks, in_time, as_given, progress)
    # A knocked camera takes up another clock by half, and the solve with that follows no knock.
    early = {} if fit is as_given[0] else _knocked(rig, in_time, *as_given)
    found = compared(rig, tracks, (fit, held), clock, borne, n_shared, options, progress, early)
    of_wand = doubts_of_wand(rig, as_held(fit)) if len(rig.wand.markers) > 1 else []
    changed = [d for d in of_wand if d.finding == RigFault.REBUILT]
    if changed:
        return in_doubt(found, changed)
    found = replace(found, cameras=tuple(with_clocks(found.cameras, rig, tracks, fit)))
    return _apart(
        found,
        tracks,
        lambda part, at, out: compared(
            rig,
            part,
            solve_anew(rig, part, progress),
            Clock(clock.offset_frames[at], clock.sigma_frames[at]),
            borne,
            n_shared | dict.fromkeys(out),
            options,
            progress,
        ),
    )


def _apart(
    found: Recheck, tracks: Tracks, ask: Callable[[Tracks, list[int], Collection[str]], Recheck]
) -> Recheck:
    """Return what is found once the others are asked again without those beside whom sound cameras
    seem moved; ``ask`` solves and compares the rest of the tracks, which stand at these places.

    No one place is right for a camera that moved meanwhile, or whose clock runs away; and one that
    has another lens than a ring makes of its own (a camera put in its stead) pulls its neighbours
    along. Whoever changed most is left out, as long as it is others who then stand as before.
    """
    out: dict[str, CameraChange] = {}
    for is_at_fault in (lambda c: c.cause is not None, lambda c: c.verdict == Standing.MOVING):
        more = {c.name: c for c in found.cameras if is_at_fault(c)}
        out |= more
        if more and any(c.needs_a_hand and c.name not in out for c in found.cameras):
            found = _asked(found, tracks, out, ask) or found
    if not found.has_majority:
        found, out = _with_majority(found, tracks, out, ask)
    named = _changed(found, out)
    while len(named) > 1:
        most = max(named, key=lambda c: c.shift_px)
        without = _asked(found, tracks, out | {most.name: most}, ask)
        if without is None or len(_changed(without, {*out, most.name})) >= len(named) - 1:
            break
        found, out = without, out | {most.name: most}
        named = _changed(found, out)
    return found


def _with_majority(
    found: Recheck,
    tracks: Tracks,
    out: Mapping[str, CameraChange],
    ask: Callable[[Tracks, list[int], Collection[str]], Recheck],
) -> tuple[Recheck, dict[str, CameraChange]]:
    """Return what is found, and who is left out, where one camera is all that keeps more than half
    of them from agreeing: that one changed, then.
    """
    open_ones = [c for c in found.cameras if c.verdict == Standing.UNDECIDED]
    if len(open_ones) < 2:
        return found, dict(out)
    most = max(open_ones, key=lambda c: c.shift_px)
    left = {**out, most.name: replace(most, verdict=Standing.MOVED)}
    without = _asked(found, tracks, left, ask)
    if without is None or 2 * len(without.agreeing) <= len(tracks.names):
        return found, dict(out)
    return without, left


def _changed(found: Recheck, out: Collection[str]) -> list[CameraChange]:
    """Return the cameras that moved or have another lens, but for those left out."""
    return [
        c
        for c in found.cameras
        if c.verdict in {Standing.MOVED, Standing.LENS} and c.name not in out
    ]


def _asked(
    found: Recheck,
    tracks: Tracks,
    out: Mapping[str, CameraChange],
    ask: Callable[[Tracks, list[int], Collection[str]], Recheck],
) -> Recheck | None:
    """Return what is found without some cameras, these as they were; None where too few are left to
    say it.
    """
    rest = [n for n in tracks.names if n not in out]
    if len(rest) <= 2:
        return None
    with suppress(UnsolvableError):
        apart = ask(tracks.subset(rest), [tracks.names.index(n) for n in rest], out.keys())
        cameras = tuple(out.get(c.name, c) for c in apart.cameras)
        return replace(apart, cameras=cameras, tracks=tracks)
    return None


def compared(
    rig: Rig,
    tracks: Tracks,
    solved: tuple[Fit, RigFit],
    clock: Clock,
    borne: dict[str, str],
    n_shared: dict[str, int | None],
    options: RecheckOptions,
    progress: Progress = quiet,
    early: Mapping[str, tuple[int, float]] = MappingProxyType({}),
) -> Recheck:
    """Return what a new wave says of the rig, ``solved`` anew; ``borne`` names the cameras whose
    points stand under another's name, ``n_shared`` those that cannot be judged, and ``early`` those
    that seemed knocked before clocks were put right: they were, if that did not help.
    """
    fit, stored = solved
    noise = _noise_ratio(rig, tracks, fit)
    progress("comparison", 0, 1)
    lasts = max(rig.lasting_share, share_off(fit.problem, fit.stretches)) > USUAL_SHARE
    sure = (
        replace(options, alpha=min(options.alpha, SURE_ALPHA * len(tracks.names)))
        if lasts
        else options
    )
    found, agreed, scale, is_grown = _agreement(rig, tracks, fit, sure)
    cameras, readings = measured(rig, fit, found, agreed, noise, clock)
    cameras = [judged(c, len(cameras), options) for c in cameras]
    cameras = with_passing(cameras, rig, tracks, fit, agreed.is_agreeing, sure.alpha)
    noisy = {n for n, ratio in zip(tracks.names, noise, strict=True) if ratio > STANDS_OUT}
    knocked = {n: at for n, at in early.items() if n in noisy}
    cameras = with_knocks(cameras, knocked | _knocked(rig, tracks, fit, stored))
    cameras = [
        replace(c, verdict=Standing.EXCHANGED, borne=borne[c.name], matters=True)
        if c.name in borne
        else c
        for c in cameras
    ]
    R, t = found.rig_from_fit
    places = fit.result.state.position_mm @ R.T + t
    late = off_until_end(fit.problem, fit.stretches)
    return replace(
        whole(rig, tracks, found, agreed, scale, is_grown, cameras, readings, n_shared, places),
        off_until_end={tracks.names[c]: frame for c, frame in late.items()},
    )


def _knocked(rig: Rig, tracks: Tracks, fit: Fit, stored: RigFit) -> dict[str, tuple[int, float]]:
    """Return the cameras that moved during the wave, from which frame on and by how many px: by
    what a solve of it followed, and by what it left out, which is seen with the ``stored`` cameras.
    """
    held = as_held(fit)
    moves = moves_of(largest_step(held), held, tracks.names)
    if len(moves.of) > 1:
        moves = moves_apart(rig.wand_used, tracks, held, moves, ())
    if moves.of:  # beside these a sound camera's points are left out as well
        return moves.of
    left = {}
    for c, (frame, size_px) in stays_off(fit.problem, fit.stretches).items():
        if not may_pass(held, [c], frame, size_px):
            left[tracks.names[c]] = frame, size_px
    # What stood off from the stored rig then is no part of this solve.
    for name, seen in zip(tracks.names, last_seen(stored), strict=True):
        if seen is not None and not seen.frames and rig.camera(name).is_placed:
            left.setdefault(name, (seen.first, seen.size_px))
    end = at_end(stored, tracks.names, left)
    if end is not None and end.others_fit:
        ended = {n: (end.first, end.size_px) for n in end.cameras if rig.camera(n).is_placed}
        left = ended | left
    # What warms up drifts by less, in every wave: it is judged as it stands on average.
    return {n: (first, size_px) for n, (first, size_px) in left.items() if size_px > STEP_PX}


def _identified(rig: Rig, tracks: Tracks, progress: Progress) -> Tracks:
    return identify(tracks, rig.wand, progress).tracks if is_unnamed(tracks) else tracks


def _in_time(
    rig: Rig, tracks: Tracks, moved: Tracks, solved: tuple[Fit, RigFit], progress: Progress
) -> tuple[Fit, RigFit, Tracks, Clock]:
    """Return what is ``solved`` anew, and tracks, at a common time, and how far each camera's clock
    was off beyond what the rig knows; ``moved`` are the tracks without that.

    Cameras whose noise stands out are tried: first whole frames alone, which is quick and mostly
    all; fractions, where noise that stands out is left.
    """
    n, (fit, held) = len(tracks.names), solved
    if not (_noise_ratio(rig, tracks, fit) > STANDS_OUT).any():
        return fit, held, moved, Clock(np.zeros(n), np.full(n, np.nan))
    known = known_fractions(rig, tracks)
    options = BundleOptions(terms=fit.options.terms, prior=fit.options.prior)
    whole, _ = whole_frame_offsets(fit, moved)
    if whole.any():
        moved = earlier(tracks, rig.wand_used, fit.result.state, known + whole)
        fit, held = solve_anew(rig, moved, progress)
    if whole.any() and not (_noise_ratio(rig, tracks, fit) > STANDS_OUT).any():
        offsets = estimate_offsets(fit, moved)
        beyond = whole + offsets.offset_frames
    else:
        of_moved = known + whole
        _, moved, offsets = with_timing(tracks, rig.wand_used, fit, options, progress, of_moved)
        beyond = offsets.offset_frames - known
        fit, held = solve_anew(rig, moved, progress)
    return fit, held, moved, Clock(beyond, np.array(offsets.sigma_frames))


def _noise_ratio(rig: Rig, tracks: Tracks, fit: Fit) -> Array:
    """Return each camera's noise (C,) against that of the rig's solve, in units of the median
    camera's ratio.

    Where the rig does not state it, or states a fault's, it is the median camera's. In a solve with
    lenses held their errors made up part of it, which differs: a camera stands out if it is also
    noisier than it was, or than the others are.
    """
    before = np.full(len(tracks.names), np.nan)
    for c, camera in enumerate(map(rig.camera, tracks.names)):
        if camera.is_placed and camera.stats is not None and camera.stats.sigma_px > 0:
            before[c] = camera.stats.sigma_px
    is_known = np.isfinite(before)
    usual = np.median(before[is_known]) if is_known.any() else 1.0
    ratio = fit.sigma_px / np.where(is_known, before, usual)
    return np.asarray(
        np.minimum(
            ratio / np.median(ratio), np.maximum(ratio, fit.sigma_px / np.median(fit.sigma_px))
        )
    )


def _agreement(
    rig: Rig, tracks: Tracks, fit: Fit, options: RecheckOptions
) -> tuple[Comparison, Agreement, Scale, bool]:
    """Return comparison, agreement, the rig's growth and whether that growth is taken as real and
    left open.
    """
    now = information(rig, tracks, fit, fit.result.state)
    every = np.arange(len(tracks.names))
    found = compare(now, rig)
    agreed = find_agreement(found, every, options.alpha)
    for _ in range(
        2
    ):  # the agreeing cameras put the new solve in its place; that may change a close call
        # Who may have stood is judged from there: from where a few points have it when nothing else
        # holds it, a sound camera seems to have gone.
        stood = agreed.is_agreeing | within_own_doubt(rig, fit, found, agreed)
        now = information(rig, tracks, fit, likeliest(now, rig, stood))
        found = compare(now, rig, agreed.is_agreeing)
        before, agreed = agreed, find_agreement(found, every, options.alpha)
        if (before.is_agreeing == agreed.is_agreeing).all():
            break
    if not agreed.is_agreeing.all():  # who is named is measured at where it went
        now = information(rig, tracks, fit, likeliest(now, rig, agreed.is_agreeing))
        found = compare(now, rig, agreed.is_agreeing)
    if len(every) <= 3 or len(rig.wand.markers) == 1:  # a single marker shows no size
        return found, agreed, NO_SCALE, False
    direction = growth(rig, tracks.names)
    n_out = int((~agreed.is_agreeing).sum())
    if n_out > 1:
        open_scale = without_scale(found, direction)
        other = find_agreement(open_scale, every, options.alpha)
        left = int((~other.is_agreeing).sum())
        if 2 * left < n_out:  # one number instead of several moves
            scale = scale_of(found, direction, found.at(np.flatnonzero(~other.is_agreeing)))
            return without_scale(found, direction), other, scale, True
    scale = scale_of(found, direction, found.at(np.flatnonzero(~agreed.is_agreeing)))
    return found, agreed, scale, scale.p_value < options.alpha
