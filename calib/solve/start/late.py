"""Cameras that expose at other times than their frame numbers say, told from pairs before anything
is solved.

Two cameras that see a point at one moment obey one epipolar geometry; where the second sees it a
little later, its points lie along their motion in the image: ``x_aᵀ F (x_b - d v_b) = 0`` with v
the image velocity and d the delay. Linear in F and nearly so in d, both are found together by
least squares of Sampson's error, reweighted for gross errors (Hartley & Zisserman, Multiple View
Geometry, 2nd edition, section 11.4.3). Lenses bend the geometry by where a point is, not by which
way it goes, so d is hardly pulled; what is left hangs together for a while, so d's variance is by
sums over seconds (Liang & Zeger, Biometrika 73 (1986), 13-22).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.core.frames import Ints, point_keys
from calib.core.geometry import Array, sigma_of
from calib.core.tracks import CameraTracks, Tracks
from calib.solve.bundle.linearise import cauchy
from calib.solve.start.epipolar import fundamental
from calib.solve.start.motion import shared_points
from calib.solve.start.pair_views import BREAKS, PairViews

STEP_S = 1.0 / 30.0  # to either side, of the places whose difference is the velocity
ROUNDS = 6
MIN_POINTS, MIN_SECONDS = 150, 8  # with a velocity, and seconds with such: a variance to a half
MOST_FRAMES = 1.5  # beyond, the way is no straight line; whole frames are for ``suspects``
SURE = 3.0  # standard deviations, in every pair of a camera
# Standard deviation in frames of what bent lenses pull a pair's delay by (measured on pairs of real
# lenses; ideal ones: a few thousandths).
LENS_PULL = 0.02
# What matters: it moves points by this, several times a good centroid's noise (common practice, no
# source).
MATTERS_PX = 0.5


@dataclass(frozen=True, slots=True)
class Late:
    """A camera that exposes ``frames`` (± ``sigma``) later than its neighbours, which moves its
    points by ``px`` in the median.
    """

    camera: str
    frames: float
    sigma: float
    px: float


@dataclass(frozen=True, slots=True)
class Delay:
    """How much later one camera of a pair exposes than the other, in frames, and how fast points go
    in its image, in px a frame.
    """

    frames: float
    sigma: float
    speed_px: float


def late_cameras(tracks: Tracks, views: PairViews) -> list[Late]:
    """Return the cameras that all their pairs show to be late or early; of two cameras that show
    it against one another alone the second.
    """
    of: list[list[Delay]] = [[] for _ in tracks.cameras]
    for (a, b), view in views.items():
        if view.share < BREAKS:
            continue
        delay = delay_between(tracks.cameras[a], tracks.cameras[b], tracks.frame_rate_hz)
        if delay is not None:
            of[b].append(delay)
            of[a].append(Delay(-delay.frames, delay.sigma, delay.speed_px))
    out = []
    for camera, delays in zip(tracks.cameras, of, strict=True):
        if len(delays) < (2 if len(tracks.cameras) > 2 else 1):
            continue
        sign = np.sign(np.median([d.frames for d in delays]))
        if any(d.frames * sign < SURE * d.sigma for d in delays):
            continue
        delays.sort(key=lambda d: abs(d.frames))
        # Neighbours may be late as well: the least is this camera's at least.
        if abs(delays[0].frames) * delays[0].speed_px < MATTERS_PX:
            continue
        middle = delays[len(delays) // 2]
        px = abs(middle.frames) * middle.speed_px
        out.append(Late(camera.name, middle.frames, middle.sigma, px))
    return out[-1:] if len(tracks.cameras) == 2 else out


def delay_between(a: CameraTracks, b: CameraTracks, rate_hz: float) -> Delay | None:
    """Return by how much camera b exposes later than a, None where that cannot be told."""
    uv_a, uv_b, frame, marker = shared_points(a, b)
    velocity = image_velocity(b, frame, marker, max(1, round(rate_hz * STEP_S)))
    moves = np.isfinite(velocity).all(axis=1)
    second = np.unique((frame[moves] // max(rate_hz, 1.0)).astype(int), return_inverse=True)[1]
    if moves.sum() < MIN_POINTS or second.max() + 1 < MIN_SECONDS:
        return None
    uv_a, uv_b, velocity = uv_a[moves], uv_b[moves], velocity[moves]
    F, _ = fundamental(uv_a, uv_b)
    if F is None:
        return None
    scale = max(a.width, b.width) / 2.0
    to_px = np.array([[scale, 0.0, scale], [0.0, scale, scale], [0.0, 0.0, 1.0]])
    found = _fitted(uv_a / scale - 1.0, uv_b / scale - 1.0, velocity / scale, to_px.T @ F @ to_px)
    if found is None:
        return None
    frames, scores, information = found
    sums = np.bincount(second, scores)
    speed = float(np.median(np.linalg.norm(velocity, axis=1)))
    own = np.sqrt((sums**2).sum()) / information
    return Delay(frames, float(np.hypot(own, LENS_PULL)), speed)


def _fitted(xa: Array, xb: Array, v: Array, F: Array) -> tuple[float, Array, float] | None:
    """Return the delay in frames, each point's score (n,) for it, and its information, starting
    from no delay and a matrix; None where it runs off.
    """
    one = np.ones((len(xa), 1))
    ha, hv = np.hstack([xa, one]), np.hstack([v, 0.0 * one])
    f, d = F.ravel(), 0.0
    for _ in range(ROUNDS):
        f = f / np.linalg.norm(f)
        hb = np.hstack([xb - d * v, one])
        M = f.reshape(3, 3)
        in_a, in_b = hb @ M, ha @ M.T
        size = np.sqrt((in_a[:, :2] ** 2).sum(axis=1) + (in_b[:, :2] ** 2).sum(axis=1))
        A = np.einsum("ni,nj->nij", hb, ha).reshape(-1, 9) / np.maximum(size, 1e-12)[:, None]
        s = -np.einsum("ni,ij,nj->n", hv, M, ha) / np.maximum(size, 1e-12)
        r = A @ f
        sigma = max(float(sigma_of(r)), 1e-9)
        w = np.sqrt(cauchy((r / sigma) ** 2, 2.0)[1])
        # The geometry gives way but for its size; what of the motion it does not take is the
        # delay's.
        Q, _ = np.linalg.qr((A * w[:, None]) @ np.linalg.svd(f[None])[2][1:].T)
        own = w * s - Q @ (Q.T @ (w * s))
        rest = w * r - Q @ (Q.T @ (w * r))
        H = float(own @ own)
        if H <= 0.0:
            return None
        step = -float(own @ rest) / H
        full = np.linalg.lstsq(A * w[:, None], -(w * (r + s * step)), rcond=1e-10)[0]
        f, d = f + full - f * float(f @ full), d + step
        if abs(d) > MOST_FRAMES:
            return None
    return d, own * (rest + own * step), H


def image_velocity(
    camera: CameraTracks, frame: Ints, marker: Ints | NDArray[np.int16], step: int
) -> Array:
    """Return the image velocity (n, 2) of points in px a frame; nan where it is not known."""
    named = np.flatnonzero(camera.marker >= 0)
    keys = point_keys(camera.frame[named], camera.marker[named])
    order = np.argsort(keys, kind="stable")
    known = keys[order]

    def place(by: int) -> Array:
        wanted = point_keys(frame + by, marker.astype(np.int16))
        at = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
        xy = camera.xy_px[named[order[at]]]
        return np.asarray(np.where((known[at] == wanted)[:, None], xy, np.nan))

    return (place(step) - place(-step)) / (2 * step)
