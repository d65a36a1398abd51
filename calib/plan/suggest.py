"""Better plans: cameras turned, zoomed and moved along their rails; which one could do without, and
where one more helps most.

Greedy, in rounds: the camera that helps most is set to the best of many aims, focal lengths and
places, refined by Powell's method (``scipy.optimize``), then the next one. What the rig's own
uncertainty adds is taken to stay as it was; so a round is judged like any plan, kept only where
that says it is better, and else tried with half as many cameras.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import product
from typing import ClassVar

import numpy as np
from scipy import optimize

from calib.core.geometry import Array
from calib.core.progress import Progress, quiet
from calib.core.threads import one_blas_thread
from calib.errors import CalibError, InputError
from calib.plan.assess import Assessment, assess
from calib.plan.kernels import NEVER, Rest
from calib.plan.reach import Reach, reach_of, rest_of, shortfalls
from calib.plan.records import NEAREST_MM, Plan, PlanCamera, looking
from calib.printed import Reported

WORTH_IT = 1e-4  # of the shortfall: less is no reason to climb to a camera
N_AIMS = (5, 5, 3)  # aims over the volume
N_ZOOMS, N_ALONG, N_AROUND = 4, 6, 24
ROUNDS = 8  # of cameras set otherwise and all judged anew
WEIGHT, MOST_LACKING = 10, 100  # of places that lacked, which count so many times
MARGIN = 0.95  # of the precision needed, for what the wave will tell less of cameras set otherwise
REFINED = 120  # evaluations a camera
FROM_WALL_MM = 150.0
AWAY_MM = 1000.0  # from the volume, where no room is stated
# Of two cameras: room for housings, clamps and hands, and neither in the other's view (assumed).
APART_MM = 300.0


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Suggestion(Reported):
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
    free = frozenset(k for k, c in enumerate(plan.cameras) if not c.is_held)
    more, tried, most = np.empty((0, 3)), frozenset[int](), len(free)
    for n in range(ROUNDS):
        if best.is_met:
            break
        more = np.unique(np.concatenate([more, _lacking(best)]), axis=0)
        better, changed = bettered(best, free - tried, most, more, progress, f"round {n + 1}")
        if not changed:
            break
        after = None
        with suppress(CalibError):  # turned away from all that others see
            after = assess(better, step_mm)
        if after is not None and is_better(after, best):
            best, tried, most = after, frozenset(), 2 * len(changed)
        else:
            tried = tried | changed if len(changed) == 1 else tried
            most = max(len(changed) // 2, 1)
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


def is_better(after: Assessment, before: Assessment) -> bool:
    """Return whether a plan is better and leaves no more places with too few cameras: a marker that
    is lost there is worse than many that are placed a little roughly.
    """
    more = after.lacks_cameras.sum() > before.lacks_cameras.sum()
    return not more and _rank(after) < _rank(before)


def _changed(before: Plan, after: Plan) -> tuple[str, ...]:
    return tuple(
        a.name for a, b in zip(before.cameras, after.cameras, strict=True) if is_other(a, b)
    )


def is_other(a: PlanCamera, b: PlanCamera) -> bool:
    """Return whether two cameras stand, look or are zoomed otherwise."""
    same = np.allclose(a.position_mm, b.position_mm, atol=1.0) and a.focal_mm == b.focal_mm
    return not (same and np.allclose(a.direction, b.direction, atol=1e-4))


def bettered(
    found: Assessment,
    free: frozenset[int],
    most: int,
    more_mm: Array,
    progress: Progress,
    stage: str,
) -> tuple[Plan, frozenset[int]]:
    """Return a plan with some of the ``free`` cameras set otherwise, ``most`` at most, the one that
    helps most first, until the need seems met or none helps; and which. ``more_mm (n, 3)`` are
    places that count besides.

    What a camera could add falls as others add theirs: it is asked again only when what it could
    add before is more than what the others do (Minoux, Accelerated greedy algorithms, 1978; from
    memory). When none seems to add anything all are asked once more.
    """
    plan, reach = found.plan, with_margin(reach_of(found.plan, found, more_mm, WEIGHT))
    could, asked = np.full(len(plan.cameras), -np.inf), np.full(len(plan.cameras), -1)
    could[list(free)] = np.inf
    changed: frozenset[int] = frozenset()
    value, n = reach.shortfall(), 0
    while not reach.is_met_without(()):
        k = int(could.argmax())
        if could[k] <= WORTH_IT:
            if (asked[list(free)] == n).all():
                break
            could[list(free)] = np.inf
        elif asked[k] < n:
            could[k], asked[k] = value - _best(plan, reach, k)[1], n
        elif len(changed | {k}) > most:
            break
        else:
            could[k] = 0.0
            best = _settable(_refined(plan, rest_of(reach, k), _best(plan, reach, k)[0]))
            new = reach.with_camera(plan.with_camera(k, best), k)
            if (less := new.shortfall()) < value - WORTH_IT:
                plan, reach, value, n = plan.with_camera(k, best), new, less, n + 1
                asked[k], changed = n, changed | {k}
                progress(stage, len(changed), most)
    return plan, changed


def with_margin(reach: Reach) -> Reach:
    """Return the same with a need that is a little higher: what the wave tells changes as cameras
    are set otherwise.
    """
    need = reach.need
    if need.precision_mm is not None:
        need = replace(need, precision_mm=MARGIN * need.precision_mm)
    return replace(reach, need=need)


def _settable(camera: PlanCamera) -> PlanCamera:
    """Return the camera as a person can set it: the ring to a tenth, the aim to a centimetre."""
    focal = float(np.clip(round(camera.focal_mm, 1), *camera.ring_mm))
    aim = np.round(camera.aim_mm, -1)
    return (
        camera if (aim == camera.position_mm).all() else replace(camera, focal_mm=focal, aim_mm=aim)
    )


def _best(plan: Plan, reach: Reach, k: int) -> tuple[PlanCamera, float]:
    """Return the best setting of a camera among many, the others as they are: aim, focal length
    and place on its rail; and the shortfall then.
    """
    camera, rest, aims = plan.cameras[k], rest_of(reach, k), _aims(plan, reach)
    rail, short_long = plan.rail_of(camera), camera.zoom_mm
    zooms = [] if short_long is None else np.linspace(*short_long, N_ZOOMS).tolist()
    focal = np.array([camera.focal_mm, *zooms])
    best, least = _turned(plan, rest, camera, np.vstack([camera.aim_mm, aims]), focal)
    for share in np.linspace(0.0, 1.0, N_ALONG) if rail is not None else ():
        assert rail is not None
        moved = _moved(plan, camera, rail.at(float(share) * rail.length_mm))
        if moved is not None:
            other, value = _turned(plan, rest, moved, aims, focal)
            if value < least:
                best, least = other, value
    return best, least


def _turned(
    plan: Plan, rest: Rest, camera: PlanCamera, aims: Array, focal_mm: Array
) -> tuple[PlanCamera, float]:
    """Return the camera at the best of the aims (n, 3) and focal lengths (f,), the first of equal
    ones, and the shortfall then.
    """
    aims = aims[np.linalg.norm(aims - camera.position_mm, axis=1) >= NEAREST_MM]
    if not len(aims):
        return camera, NEVER
    ways = aims - camera.position_mm
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    R = np.stack([looking(way, camera.roll_deg) for way in ways])
    values = shortfalls(rest, plan, camera, R, focal_mm)
    a, f = divmod(int(values.argmin()), len(focal_mm))
    is_same = (aims[a] == camera.aim_mm).all() and focal_mm[f] == camera.focal_mm
    set_ = replace(camera, aim_mm=aims[a], focal_mm=float(focal_mm[f]))
    return camera if is_same else set_, float(values[a, f])


def _aims(plan: Plan, reach: Reach) -> Array:
    """Return aims (n, 3) all over the volume, and the middle of what lacks cameras."""
    shares = np.array(list(product(*((np.arange(n) + 0.5) / n for n in N_AIMS))))
    aims = plan.volume.low_mm + shares * plan.volume.size_mm
    lacking = reach.is_seen.sum(axis=0) < reach.need.cameras
    return np.vstack([aims, reach.places_mm[lacking].mean(axis=0)]) if lacking.any() else aims


def _moved(plan: Plan, camera: PlanCamera, place: Array) -> PlanCamera | None:
    """Return the camera at another place, None where none may hang."""
    others = tuple(c for c in plan.cameras if c.name != camera.name)
    if any(np.linalg.norm(c.position_mm - place) < APART_MM for c in others):
        return None
    try:
        moved = replace(camera, position_mm=place)
        replace(plan, cameras=(moved, *others))
    except InputError:
        return None
    return moved


def _refined(plan: Plan, rest: Rest, start: PlanCamera) -> PlanCamera:
    """Return a camera with aim, focal length and place on its rail refined."""
    rail = plan.rail_of(start)
    half = 0.15 * plan.volume.size_mm
    zoom = start.ring_mm
    free = [0, 1, 2, *([3] if zoom[1] > zoom[0] else []), *([4] if rail is not None else [])]

    def value(camera: PlanCamera | None) -> float:
        if camera is None:  # one that cannot be
            return NEVER
        focal = np.array([camera.focal_mm])
        return float(shortfalls(rest, plan, camera, camera.R[None], focal)[0, 0])

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
        along = float(np.clip(np.round(along, -1), 0.0, rail.length_mm))  # what a person can set
        return _moved(plan, aimed, rail.at(along))

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
    most = len(plan.cameras) - plan.need.cameras
    if not 1 <= n <= most:
        raise InputError(
            "--drop",
            expected=f"1 to {most}, so that {plan.need.cameras} cameras are left",
            found=str(n),
        )
    before, less, gone = assess(plan, step_mm), plan, []
    for _ in range(n):
        reach = reach_of(less, before)
        values = [reach.shortfall((k,)) for k in range(len(less.cameras))]
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
    for _ in range(n):
        reach = reach_of(more, before)
        rest, aims, best, least = rest_of(reach), _aims(plan, reach), None, np.inf
        for place, rail in _free_places(plan):
            if (new := _new(more, place, rail)) is not None:
                camera, value = _turned(more, rest, new, aims, np.array([new.focal_mm]))
                if value < least:
                    best, least = camera, value
        if best is None:
            raise InputError(
                "--add",
                expected="a rail or a wall that a camera may hang at",
                found="none",
                remedy="State [[rails]] or a larger [room].",
            )
        names.append(best.name)
        best = _settable(_refined(more, rest, best))
        more = replace(more, cameras=(*more.cameras, best))
    return Suggestion(before, assess(more, step_mm), added=tuple(names))


def _new(plan: Plan, place: Array, rail: str) -> PlanCamera | None:
    number = next(k for k in range(1, 1000) if f"new{k:02d}" not in plan.names)
    like = replace(
        plan.cameras[0],
        name=f"new{number:02d}",
        rail=rail,
        roll_deg=0.0,
        is_held=False,
        dist=None,
        focal_mm=plan.cameras[0].ring_mm[0],
    )
    try:
        aimed = replace(like, position_mm=place, aim_mm=plan.volume.middle_mm)
    except InputError:
        return None
    return _moved(plan, aimed, place)


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
