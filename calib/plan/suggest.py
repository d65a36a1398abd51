"""Better plans: cameras turned, zoomed and moved along their rails; which one could do without, and
where one more helps most.

Greedy first: camera by camera the best of many aims, focal lengths and places, as long as that
helps; then each is refined by Powell's method (``scipy.optimize``). Whatever comes of it is judged
like any plan, and never kept where that says it is worse.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import ClassVar

import numpy as np
from scipy import optimize

from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.threads import one_blas_thread
from calib.errors import CalibError, InputError
from calib.plan.assess import Assessment, assess
from calib.plan.coverage import look, noise_sigma
from calib.plan.reach import Reach, ratio_of, reach_of, rest_of, shortfall
from calib.plan.records import NEAREST_MM, Plan, PlanCamera
from calib.told import Told

MOST_SWEEPS = 8
WORTH_IT = 1e-5  # of the shortfall: less is no reason for another sweep
N_AIMS = (5, 5, 3)  # aims over the volume
N_ZOOMS, N_ALONG, N_AROUND = 4, 6, 24
ROUNDS = 4  # each counts what the wave left before, and the places that lacked, so many times
WEIGHT, MOST_LACKING = 3, 100
NEVER = 1e3  # the shortfall of a setting that cannot be
REFINED = 120  # evaluations a camera
FROM_WALL_MM = 150.0
AWAY_MM = 1000.0  # from the volume, where no room is stated


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Suggestion(Told):
    """A plan before and after: ``changed`` names the cameras that are to be set otherwise,
    ``added`` and ``dropped`` those that came and went, in order.
    """

    REPORT: ClassVar[str] = "planned.changed"

    before: Assessment
    after: Assessment
    changed: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()


@one_blas_thread
def suggest(plan: Plan, step_mm: float | None = None, progress: Progress = quiet) -> Suggestion:
    """Return a plan whose cameras are turned, zoomed and moved along their rails to meet the need;
    the one given where it is met, or nothing comes nearer to it.
    """
    before = best = assess(plan, step_mm)
    lacking: list[Array] = []
    for k in range(ROUNDS):
        if best.is_met:
            break
        lacking.append(_lacking(best))
        more = np.concatenate(lacking * WEIGHT)
        better = bettered(best.plan, ratio_of(best), more, progress, f"round {k + 1}")
        try:
            after = assess(better, step_mm)
        except CalibError:  # turned away from all that others see
            break
        if _rank(after) >= _rank(best):
            lacking.append(_lacking(after))
        else:
            best = after
    return Suggestion(before, best, _changed(plan, best.plan))


def _lacking(found: Assessment) -> Array:
    """Return some of the places (n, 3) at which the need is not met."""
    lacks = found.lacks_cameras.copy()
    lacks[found.judged[found.lacks_precision]] = True
    at = np.flatnonzero(lacks)
    return found.places_mm[at[:: max(1, len(at) // MOST_LACKING)]]


def _rank(found: Assessment) -> tuple[bool, float, float]:
    """Return how good a plan is, less is better: met or not, how far from it, and the usual
    precision.
    """
    return not found.is_met, round(found.shortfall, 9), float(np.median(found.sigma_mm))


def _changed(before: Plan, after: Plan) -> tuple[str, ...]:
    return tuple(
        a.name for a, b in zip(before.cameras, after.cameras, strict=True) if is_other(a, b)
    )


def is_other(a: PlanCamera, b: PlanCamera) -> bool:
    """Return whether two cameras stand, look or are zoomed otherwise."""
    same = np.allclose(a.position_mm, b.position_mm, atol=1.0) and a.focal_mm == b.focal_mm
    return not (same and np.allclose(a.direction, b.direction, atol=1e-4))


def bettered(plan: Plan, ratio: float, more_mm: Array, progress: Progress, stage: str) -> Plan:
    """Return the plan with cameras set greedily, then each refined; ``more_mm (n, 3)`` are places
    that count besides.
    """
    free = [k for k, c in enumerate(plan.cameras) if not c.is_held]
    value, start = _value(reach_of(plan, ratio, more_mm)), plan.cameras
    n_all = (MOST_SWEEPS + 1) * len(free)
    for sweep in range(MOST_SWEEPS):
        for n, k in enumerate(free):
            plan = plan.with_camera(k, _best(plan, reach_of(plan, ratio, more_mm), k))
            progress(stage, sweep * len(free) + n, n_all)
        new = _value(reach_of(plan, ratio, more_mm))
        if new > value - WORTH_IT:
            break
        value = new
    for n, k in enumerate(free):
        refined = _refined(plan, reach_of(plan, ratio, more_mm), k)
        plan = plan.with_camera(k, _settable(refined) if refined is not start[k] else start[k])
        progress(stage, MOST_SWEEPS * len(free) + n + 1, n_all)
    return plan


def _settable(camera: PlanCamera) -> PlanCamera:
    """Return the camera as a person can set it: the ring to a tenth, the aim to a centimetre."""
    focal = round(camera.focal_mm, 1)
    if camera.zoom_mm is not None:
        focal = float(np.clip(focal, *camera.zoom_mm))
    aim = np.round(camera.aim_mm, -1)
    return (
        camera if (aim == camera.position_mm).all() else replace(camera, focal_mm=focal, aim_mm=aim)
    )


def _value(reach: Reach) -> float:
    return shortfall(reach.need, *reach.without(()))


def _best(plan: Plan, reach: Reach, k: int) -> PlanCamera:
    """Return the best setting of a camera among many, the others as they are: aim and focal length
    where it hangs, then other places on its rail.
    """
    value = partial(_value_with, plan, reach, rest_of(reach, k))
    aims, best = _aims(plan, reach), plan.cameras[k]
    least = value(best)
    for camera in _turned(best, aims):
        if (new := value(camera)) < least:
            best, least = camera, new
    rail = plan.rail_of(best)
    for along in np.linspace(0.0, 1.0, N_ALONG) * (rail.length_mm if rail else 0.0):
        if rail is None:
            break
        moved = _moved(plan, best, rail.at(float(along)))
        for camera in () if moved is None else (moved, *_turned(moved, aims, zooms=False)):
            if (new := value(camera)) < least:
                best, least = camera, new
    return best


def _value_with(
    plan: Plan, reach: Reach, rest: tuple[Array, Array], camera: PlanCamera | None
) -> float:
    """Return the shortfall of the rest with one camera more; None: one that cannot be."""
    if camera is None:
        return NEVER
    (count, total), one = rest, look(plan, camera, reach.places_mm)
    sigma = reach.ratio * noise_sigma(total + one.information)
    return shortfall(reach.need, count + one.is_seen, sigma)


def _aims(plan: Plan, reach: Reach) -> Array:
    """Return aims (n, 3) all over the volume, and the middle of what lacks cameras."""
    shares = np.array(list(product(*((np.arange(n) + 0.5) / n for n in N_AIMS))))
    aims = plan.volume.low_mm + shares * plan.volume.size_mm
    lacking = reach.is_seen.sum(axis=0) < reach.need.cameras
    return np.vstack([aims, reach.places_mm[lacking].mean(axis=0)]) if lacking.any() else aims


def _turned(camera: PlanCamera, aims: Array, *, zooms: bool = True) -> Iterator[PlanCamera]:
    """Yield the camera at aims (n, 3), at some focal lengths of its ring."""
    focal = [camera.focal_mm]
    if zooms and camera.zoom_mm is not None:
        focal += np.linspace(*camera.zoom_mm, N_ZOOMS).tolist()
    for aim in aims:
        if np.linalg.norm(aim - camera.position_mm) >= NEAREST_MM:
            for f in focal:
                yield replace(camera, aim_mm=aim, focal_mm=float(f))


def _moved(plan: Plan, camera: PlanCamera, place: Array) -> PlanCamera | None:
    """Return the camera at another place, None where none may hang."""
    try:
        moved = replace(camera, position_mm=place)
        replace(plan, cameras=(moved, *(c for c in plan.cameras if c.name != camera.name)))
    except InputError:
        return None
    return moved


def _refined(plan: Plan, reach: Reach, k: int) -> PlanCamera:
    """Return the camera with aim, focal length and place on its rail refined."""
    start, rail = plan.cameras[k], plan.rail_of(plan.cameras[k])
    half = 0.15 * plan.volume.size_mm
    zoom = start.zoom_mm or (start.focal_mm, start.focal_mm)

    free = [0, 1, 2, *([3] if zoom[1] > zoom[0] else []), *([4] if rail is not None else [])]
    value = partial(_value_with, plan, reach, rest_of(reach, k))

    def camera(of_free: Array) -> PlanCamera | None:
        x = np.zeros(5)
        x[free] = of_free
        try:
            aimed = replace(start, aim_mm=start.aim_mm + x[:3] * half) if x[:3].any() else start
            if zoom[1] > zoom[0]:
                focal = float(np.clip(start.focal_mm * np.exp(x[3]), *zoom))
                aimed = replace(aimed, focal_mm=focal)
        except InputError:
            return None
        if rail is None or not x[4]:
            return aimed
        way = (rail.end_mm - rail.start_mm) / rail.length_mm
        along = float((start.position_mm - rail.start_mm) @ way) + x[4] * 0.1 * rail.length_mm
        return _moved(plan, aimed, rail.at(float(np.clip(along, 0.0, rail.length_mm))))

    found = optimize.minimize(
        lambda x: value(camera(x)),
        np.zeros(len(free)),
        method="Powell",
        bounds=[(-1.0, 1.0)] * len(free),
        options={"maxfev": REFINED, "xtol": 0.02, "ftol": 1e-4},
    )
    is_better = found.fun < value(camera(np.zeros(len(free))))
    return (camera(found.x) if is_better else None) or start


# ---- fewer and more


@one_blas_thread
def drop(plan: Plan, n: int, step_mm: float | None = None) -> Suggestion:
    """Return the plan without the n cameras that it does best without, one after another."""
    if not 1 <= n <= len(plan.cameras) - max(2, plan.need.cameras):
        raise InputError(
            "--drop",
            expected=f"1 to {len(plan.cameras) - max(2, plan.need.cameras)}, so that "
            f"{max(2, plan.need.cameras)} cameras are left",
            found=str(n),
        )
    before, less, gone = assess(plan, step_mm), plan, []
    for _ in range(n):
        reach = reach_of(less, ratio_of(before))
        values = [shortfall(reach.need, *reach.without((k,))) for k in range(len(less.cameras))]
        k = int(np.argmin(values))
        gone.append(less.cameras[k].name)
        less = replace(less, cameras=(*less.cameras[:k], *less.cameras[k + 1 :]))
    return Suggestion(before, assess(less, step_mm), dropped=tuple(gone))


@one_blas_thread
def add(plan: Plan, n: int, step_mm: float | None = None) -> Suggestion:
    """Return the plan with n more cameras of its first one's kind, each where it helps most: on a
    rail, else along the room's walls at the height of the others, or about the volume.
    """
    before, more, names = assess(plan, step_mm), plan, []
    ratio = ratio_of(before)
    for _ in range(n):
        reach = reach_of(more, ratio)
        everyone = reach.is_seen.sum(axis=0), reach.information.sum(axis=0)
        aims, best, least = _aims(plan, reach), None, np.inf
        for place, rail in _free_places(plan):
            new = _new(more, place, rail)
            for camera in () if new is None else _turned(new, aims, zooms=False):
                if (value := _value_with(more, reach, everyone, camera)) < least:
                    best, least = camera, value
        if best is None:
            raise InputError(
                "--add",
                expected="a rail or a wall that a camera may hang at",
                found="none",
                remedy="State [[rails]] or a larger [room].",
            )
        names.append(best.name)
        more = replace(more, cameras=(*more.cameras, best))
        k = len(more.cameras) - 1
        more = more.with_camera(k, _settable(_refined(more, reach_of(more, ratio), k)))
    return Suggestion(before, assess(more, step_mm), added=tuple(names))


def _new(plan: Plan, place: Array, rail: str) -> PlanCamera | None:
    number = next(k for k in range(1, 1000) if f"new{k:02d}" not in plan.names)
    middle = 0.5 * (plan.volume.low_mm + plan.volume.high_mm)
    try:
        camera = replace(
            plan.cameras[0],
            name=f"new{number:02d}",
            position_mm=place,
            aim_mm=middle,
            rail=rail,
            roll_deg=0.0,
            is_held=False,
            dist=None,
            focal_mm=(plan.cameras[0].zoom_mm or (plan.cameras[0].focal_mm,))[0],
        )
        replace(plan, cameras=(*plan.cameras, camera))
    except InputError:
        return None
    return camera


def _free_places(plan: Plan) -> Iterator[tuple[Array, str]]:
    """Yield places (3,) at which a camera may hang, with the rail."""
    for rail in plan.rails:
        for share in (np.arange(N_ALONG) + 0.5) / N_ALONG:
            yield rail.at(float(share) * rail.length_mm), rail.name
    if plan.rails:
        return
    height = float(np.median([c.position_mm[2] for c in plan.cameras]))
    if plan.room is not None:
        low, high = plan.room.low_mm + FROM_WALL_MM, plan.room.high_mm - FROM_WALL_MM
        height = float(np.clip(height, low[2], high[2]))
    else:
        low, high = plan.volume.low_mm - AWAY_MM, plan.volume.high_mm + AWAY_MM
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]) * (high - low)[:2] + low[:2]
    sides = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(sides)])
    for share in np.arange(N_AROUND) / N_AROUND * along[-1]:
        x, y = (float(np.interp(share, along, corners[:, k])) for k in range(2))
        yield np.array([x, y, height]), ""
