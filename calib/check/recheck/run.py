"""The recheck of a rig by a new wave: which cameras moved, by how much, how sure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from calib.check.recheck.agree import Agreement, find_agreement
from calib.check.recheck.compare import N_CHANGE, Comparison, compare
from calib.check.recheck.drift import NO_SCALE, Scale, growth, scale_of, without_scale
from calib.check.recheck.explain import (
    BOTH,
    LENS,
    Explanation,
    explain,
    image_points,
    pose_alone,
    shift_px,
    shift_sigma_px,
)
from calib.check.recheck.inputs import judged, matched
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.recheck.whole import whole
from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.naming.identify import identify, is_unnamed
from calib.naming.renaming import rename
from calib.solve.bundle.descent import BundleOptions
from calib.solve.bundle.problem import Problem, State
from calib.solve.clock.common_time import fractions_moved, in_step, is_known_late, with_timing
from calib.solve.clock.frame_slip import whole_frame_offsets
from calib.solve.clock.offsets import estimate_offsets
from calib.solve.clock.path import corrected
from calib.solve.lasting.find import USUAL_SHARE, share_off
from calib.solve.lasting.scatter import together
from calib.solve.refine import Fit
from calib.solve.repair import reduced, shape_axes, solve_anew

# a noise this many times the others' (each against its own of the solve) may be late frames
STANDS_OUT = 1.5
# and this many times: a blob out of focus, too dim or too small; common practice, no source
NOISY = 2.0
# Errors that last have heavy tails: where there are any, a camera is named from five standard
# deviations on (of a normal law, both sides), and one that is less clear is said to be undecided.
SURE_ALPHA = 5.7e-7
# an offset below this moves points by less than the noise: 1 m/s at 25 Hz, 5 m away, is 10 px a
# frame
SAME_FRAMES = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class RecheckOptions:
    """When a camera is named, and when its change matters."""

    # chance of naming any camera of a rig in which none moved; half of the one in a hundred asked
    alpha: float = 0.005
    # as large as the noise of a well-lit round marker: residuals of that camera then double
    matters_px: float = 0.2
    matters_mm: float = (
        0.5  # half a millimetre: what a room-sized rig is trusted to (common practice, no source)
    )

    def __post_init__(self) -> None:
        for name in ("matters_px", "matters_mm"):
            if not (np.isfinite(getattr(self, name)) and getattr(self, name) > 0):
                raise InputError(
                    name, expected="a number above 0", found=f"{getattr(self, name):g}"
                )
        if not 0 < self.alpha < 1:
            raise InputError("alpha", expected="a chance between 0 and 1", found=f"{self.alpha:g}")


@one_blas_thread
def recheck(
    rig: Rig, tracks: Tracks, options: RecheckOptions | None = None, progress: Progress = quiet
) -> Recheck:
    """Return which cameras of a rig a new wave of its wand shows to have changed.

    Raises InputError where rig and tracks do not belong together and UnsolvableError where the wave
    joins no two cameras.
    """
    options = options or RecheckOptions()
    tracks = in_step(rig, _identified(rig, matched(rig, tracks), progress))
    tracks, why = judged(rig, tracks)
    fit = solve_anew(rig, tracks, progress)
    if tracks.is_identified:
        progress("names", 0, 1)
        tracks = rename(tracks, rig.wand_used, fit.result.state).tracks
        fit = solve_anew(rig, tracks, progress, fit.result.state)
    fit, tracks, clock = _in_time(rig, *_at_known_time(rig, tracks, fit, progress), progress)
    noise = _noise_ratio(rig, tracks, fit)
    progress("comparison", 0, 1)
    lasts = max(rig.lasting_share, share_off(fit.problem, fit.stretches)) > USUAL_SHARE
    sure = (
        replace(options, alpha=min(options.alpha, SURE_ALPHA * len(tracks.names)))
        if lasts
        else options
    )
    found, agreed, scale, is_grown = _agreement(rig, tracks, fit, sure)
    cameras, readings = _cameras(rig, tracks, fit, found, agreed, noise, clock, options)
    R, t = found.rig_from_fit
    places = fit.result.state.position_mm @ R.T + t
    return whole(rig, tracks, found, agreed, scale, is_grown, cameras, readings, why, places)


def _identified(rig: Rig, tracks: Tracks, progress: Progress) -> Tracks:
    return identify(tracks, rig.wand, progress).tracks if is_unnamed(tracks) else tracks


def _at_known_time(rig: Rig, tracks: Tracks, fit: Fit, progress: Progress) -> tuple[Tracks, Fit]:
    """Return the tracks without the time offsets that the rig knows, and their fit."""

    def fitted(moved: Tracks) -> tuple[Problem, State]:
        now = fit if moved is tracks else solve_anew(rig, moved, progress, fit.result.state)
        return now.problem, now.result.state

    moved = fractions_moved(rig, tracks, fitted)
    if moved is not tracks:
        fit = solve_anew(rig, moved, progress, fit.result.state)
    return moved, fit


def _in_time(
    rig: Rig, tracks: Tracks, fit: Fit, progress: Progress
) -> tuple[Fit, Tracks, tuple[Array, Array]]:
    """Return fit and tracks at a common time, and each camera's offset (C,) in frames beyond what
    the rig knows, with its sigma, later positive.

    Cameras whose noise stands out are tried: first whole frames alone, which is quick and mostly
    all; fractions, where noise that stands out is left.
    """
    n = len(tracks.names)
    if not (_noise_ratio(rig, tracks, fit) > STANDS_OUT).any():
        return fit, tracks, (np.zeros(n), np.full(n, np.nan))
    options = BundleOptions(terms=fit.options.terms, prior=fit.options.prior)
    whole, _ = whole_frame_offsets(fit, tracks)
    if whole.any():
        tracks = corrected(tracks, fit.problem, fit.result.state, whole.astype(float))
        fit = solve_anew(rig, tracks, progress)
    if whole.any() and not (_noise_ratio(rig, tracks, fit) > STANDS_OUT).any():
        offsets = estimate_offsets(fit, tracks)
    else:
        _, tracks, offsets = with_timing(tracks, rig.wand_used, fit, options, progress)
        fit = solve_anew(rig, tracks, progress)
    return fit, tracks, (whole + offsets.offset_frames, np.array(offsets.sigma_frames))


def _noise_ratio(rig: Rig, tracks: Tracks, fit: Fit) -> Array:
    """Return each camera's noise (C,) against that of the rig's solve, in units of the median
    camera's ratio.

    Where the rig does not state it, against the median camera's noise. In a solve with lenses held
    their errors made up part of it, which differs: a camera stands out if it is also noisier than
    it was, or than the others are.
    """
    stored = [rig.camera(n).stats for n in tracks.names]
    before = np.array([s.sigma_px if s is not None and s.sigma_px > 0 else np.nan for s in stored])
    ratio = fit.sigma_px / np.where(np.isfinite(before), before, np.nan)
    if not np.isfinite(ratio).any():
        ratio = fit.sigma_px.copy()
    ratio = np.where(np.isfinite(ratio), ratio, np.nanmedian(ratio))
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
    now = reduced(fit.problem, fit.result.state, tracks.names, fit.options.terms, shape_axes(rig))
    now = now.with_scatter(
        together(fit.problem, fit.result.state, now.terms, now.blocks, fit.scatter)
    )
    every = np.arange(len(tracks.names))
    found = compare(now, rig)
    agreed = find_agreement(found, every, options.alpha)
    for _ in range(
        2
    ):  # the agreeing cameras put the new solve in its place; that may change a close call
        found = compare(now, rig, agreed.is_agreeing)
        before, agreed = agreed, find_agreement(found, every, options.alpha)
        if (before.is_agreeing == agreed.is_agreeing).all():
            break
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


def _cameras(
    rig: Rig, tracks: Tracks, fit: Fit, found: Comparison, agreed: Agreement, noise: Array,
    clock: tuple[Array, Array], options: RecheckOptions,
) -> tuple[list[CameraChange], list[Explanation]]:  # fmt: skip
    """Return every judged camera's change and its explanation, each tested against the agreeing
    ones.
    """
    n = len(tracks.names)
    changed_set = np.flatnonzero(~agreed.is_agreeing)
    seen = (fit.problem.weight > 0).any(axis=0)
    R, t = found.rig_from_fit
    places = fit.result.state.wand_t @ R.T + t
    out, readings = [], []
    for c, name in enumerate(tracks.names):
        camera, others = rig.camera(name), changed_set[changed_set != c]
        if len(others) == n - 1:  # alone among the changed: a reading, not a finding
            others = others[:0]
        at_pairs = seen & (fit.problem.cam == c)
        middle = np.median(places[fit.problem.frame[at_pairs]], axis=0)
        distance = float(np.linalg.norm(middle - camera.position_mm))
        e = explain(found, c, others)
        readings.append(e)
        p = min(1.0, n * float(special.chdtrc(N_CHANGE, e.gain)))
        change, covariance = (
            (e.change, e.covariance) if c in changed_set else pose_alone(found, c, others)
        )
        points = image_points(camera, distance)
        px = shift_px(camera, change, points)
        mm = px * distance / camera.lens.fx
        verdict, kind, note = "unmoved", "", ""
        delay, sigma_delay = (float(v[c]) for v in clock)
        late = (
            abs(delay) > SAME_FRAMES
            and 2 * n * special.ndtr(-abs(delay) / sigma_delay) < options.alpha
        )
        matters = px > options.matters_px or mm > options.matters_mm
        if c in changed_set:
            verdict, kind = "lens" if e.kind == LENS else "moved", e.kind
            note = _describe(e, camera.lens.fx)
        elif late:
            verdict = "timing"
        elif noise[c] > NOISY:
            verdict, note = (
                "noisy",
                f"its noise is {noise[c]:.1f} times what its solve and the other cameras "
                f"let expect: focus, light",
            )
            matters = True
        else:
            sigma = shift_sigma_px(camera, covariance, points)
            if p < options.alpha and matters:
                verdict = "undecided"
                note = (
                    f"it may have moved by {px:.1f} px, but errors that last for a while "
                    f"(see residuals) may look like"
                    " that: wave again"
                )
            elif sigma > options.matters_px:
                verdict = "undecided"
                note = (
                    f"a move of {3 * sigma:.1f} px would not show: wave longer, and "
                    f"all over its image"
                )
            matters = False
        if late:
            ms = 1000.0 * delay / tracks.frame_rate_hz
            word = "later" if delay > 0 else "earlier"
            than = (
                "the rig file says"
                if is_known_late(camera)
                else "its frame numbers say, by the rig's clock"
            )
            text = (
                f"exposes {abs(delay):.3f} frames ({abs(ms):.2f} ms) {word} than {than}"
                f" (1σ {sigma_delay:.4f} frames): sync cable, trigger mode, dropped frames"
            )
            note, matters = f"{note}; {text}" if note else text, True
        numbers = camera.lens.fx, delay, sigma_delay, float(fit.sigma_px[c]), float(noise[c])
        words = note, kind, e.is_separable, e.correlation
        out.append(
            CameraChange(name, verdict, change, covariance, px, mm, p, matters, *words, *numbers)
        )
    return out, readings


def _describe(e: Explanation, focal_px: float) -> str:
    focal = (
        f"focal length {100 * e.change[6] / focal_px:+.2f} %, centre "
        f"({e.change[7]:+.1f}, {e.change[8]:+.1f}) px"
    )
    if not e.is_separable:
        return (
            f"a move and a turned ring explain it alike (correlation "
            f"{e.correlation:.3f}), taken is: {e.kind}; wave"
            " nearer and farther to tell them apart"
        )
    if e.kind == LENS:
        return f"it stands where it stood, its ring or mount gave: {focal}"
    if e.kind == BOTH:
        return (
            f"it moved and its ring or mount gave: {focal} (correlation with the move "
            f"{e.correlation:.3f})"
        )
    return ""
