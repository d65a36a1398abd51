"""Mistakes that are made on site, planted one at a time into simulated captures with real lenses.

Each changes the scenario (what the simulator can draw) or the capture (what it cannot): names,
clocks, mirrored images, wands that are not as their file says. ``expected`` are the names by which
it may be called; which cameras are at fault is what ``planted`` says.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.check.verdicts import Fault, RigFault, Standing
from calib.core.camera import Lens, project
from calib.core.geometry import Array
from calib.core.tracks import CameraTracks, Tracks
from calib.core.wand import Wand
from calib.errors import UnsolvableError
from calib.simulate import Knock, Scenario, Simulation, simulate
from calib.solve.start.suspects import Reading


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Capture:
    """What a person would hold after the mistake: tracks and wand file, the cameras at fault (none:
    the wand or the whole rig), and the simulation with the truth. ``earlier`` is the sound wave
    that the rig was solved from before, where the mistake is one for a recheck.
    """

    tracks: Tracks
    wand: Wand
    cameras: tuple[str, ...]
    simulation: Simulation
    earlier: Tracks | None = None


Change = Callable[[Scenario, str, float], Scenario]
Edit = Callable[[Simulation, str, float, np.random.Generator], tuple[Tracks, Wand]]


def _same(scenario: Scenario, camera: str, strength: float) -> Scenario:
    del camera, strength
    return scenario


def _as_is(
    sim: Simulation, camera: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    del camera, strength, rng
    return sim.tracks, sim.wand


@dataclass(frozen=True, kw_only=True, slots=True)
class Mistake:
    """How a mistake is planted, how strong it may be, what it may be called, and how many cameras
    the rig then has.

    ``who``: "one" camera is at fault, "two" or "three" (it and the next), "all" of them, or "none"
    (the wand).
    ``is_stale``: the rig no longer stands, however well it was solved.
    ``is_later``: it happens after a sound wave that a rig was solved from. ``is_half_way``: it
    begins in the middle of the wave.
    """

    expected: tuple[str, ...]
    strengths: tuple[float, ...] = (1.0,)
    change: Change = _same
    edit: Edit = _as_is
    who: str = "one"
    n_cameras: tuple[int, int] = (5, 9)
    wands: tuple[str, ...] = ("line3", "plane5", "solid6")
    layouts: tuple[str, ...] = ("room", "corridor", "row", "dome")
    stated_lens: str = "nominal"
    is_stale: bool = False
    is_later: bool = False
    is_half_way: bool = False


# Of named points on either side of the middle, five for each number of a pose: a camera that saw
# nothing before it moved shows another mistake, and one that saw nothing after it none. Of several
# that move as the wave ends two must have seen as much since: one alone may be off for a while; and
# more of the others, as only these tell who moved.
MIN_SIDE = 30
END_S = 2.0


def _with(tracks: Tracks, changed: Mapping[str, CameraTracks]) -> Tracks:
    return replace(tracks, cameras=tuple(changed.get(c.name, c) for c in tracks.cameras))


def _world(sim: Simulation, frame: Array) -> Array:
    """Return the markers (n, M, 3) at frames that need not be whole."""
    markers = sim.markers_world_mm
    at = np.clip(frame, 0.0, len(markers) - 1.0)
    low = np.minimum(np.floor(at).astype(int), len(markers) - 2)
    part = (at - low)[:, None, None]
    return np.asarray((1.0 - part) * markers[low] + part * markers[low + 1])


def _seen(sim: Simulation, camera: str, points: Array) -> Array:
    truth = sim.truth.camera(camera)
    return project(truth.lens, truth.cam_from_world.apply(points))


def _moved(
    sim: Simulation, camera: CameraTracks, of: Callable[[Array, NDArray[np.intp]], Array]
) -> CameraTracks:
    """Return the camera with each named point moved as its marker's place moves to ``of`` of frames
    (n,) and markers (n,), which gives places (n, 3).
    """
    named = np.flatnonzero(camera.marker >= 0)
    frame, marker = camera.frame[named].astype(float), camera.marker[named].astype(np.intp)
    before = _world(sim, frame)[np.arange(len(named)), marker]
    shift = _seen(sim, camera.name, of(frame, marker)) - _seen(sim, camera.name, before)
    return _shifted(camera, named, shift)


def _shifted(camera: CameraTracks, rows: NDArray[np.intp], shift: Array) -> CameraTracks:
    """Return the camera with the points of the rows moved; those that leave the sensor go."""
    xy = camera.xy_px.copy()
    xy[rows] += np.nan_to_num(shift)
    edge = np.array([camera.width, camera.height]) - 0.5
    keep = np.asarray(((xy >= -0.5) & (xy <= edge)).all(axis=1))
    return replace(camera, xy_px=np.where(keep[:, None], xy, camera.xy_px)).rows(keep)


def _clock(when: Callable[[Simulation, Array, float, np.random.Generator], Array]) -> Edit:
    """Return the edit that exposes a camera at other times than its frame numbers say."""

    def edit(
        sim: Simulation, name: str, strength: float, rng: np.random.Generator
    ) -> tuple[Tracks, Wand]:
        def later(frame: Array, marker: NDArray[np.intp]) -> Array:
            at = frame + when(sim, frame, strength, rng)
            return np.asarray(_world(sim, at)[np.arange(len(frame)), marker])

        moved = _moved(sim, sim.tracks.camera(name), later)
        return _with(sim.tracks, {name: moved}), sim.wand

    return edit


def _jitter(sim: Simulation, frame: Array, strength: float, rng: np.random.Generator) -> Array:
    by_frame = rng.normal(0.0, strength, len(sim.R_world_from_wand))
    return np.asarray(by_frame[frame.astype(int)])


def _drift(sim: Simulation, frame: Array, strength: float, rng: np.random.Generator) -> Array:
    del rng
    return np.asarray(strength * frame / len(sim.R_world_from_wand))


def _posed(
    change: Callable[[Simulation, Array, float, np.random.Generator], tuple[Array, Array]],
    n_cameras: int = 1,
) -> Edit:
    """Return the edit that turns a camera, or so many side by side as one, about the middle of
    their places, by ``change`` of frames: rotation vectors and shifts (n, 3).
    """

    def edit(
        sim: Simulation, name: str, strength: float, rng: np.random.Generator
    ) -> tuple[Tracks, Wand]:
        names = _side_by_side(sim.tracks.names, name, n_cameras)
        middle = np.mean([sim.truth.camera(n).position_mm for n in names], axis=0)
        every = np.arange(len(sim.R_world_from_wand), dtype=float)
        turn, shift = change(sim, every, strength, rng)
        R = Rotation.from_rotvec(turn).as_matrix()

        def place(frame: Array, marker: NDArray[np.intp]) -> Array:
            at = frame.astype(int)
            away = sim.markers_world_mm[at, marker] - middle - shift[at]
            return np.asarray(np.einsum("nji,nj->ni", R[at], away) + middle)

        moved = {n: _moved(sim, sim.tracks.camera(n), place) for n in names}
        return _with(sim.tracks, moved), sim.wand

    return edit


def _sag(
    sim: Simulation, frame: Array, strength: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Evenly over the wave, by ``strength`` px of a usual lens; the truth is in the middle."""
    turn = strength / 2000.0 * _unit(rng.normal(size=3))
    return (frame / len(frame) - 0.5)[:, None] * turn, np.zeros((len(frame), 3))


def _knocked_at_end(
    sim: Simulation, frame: Array, strength: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """By ``strength`` degrees, and 20 mm a degree, in the last two seconds."""
    after = (frame >= len(frame) - END_S * sim.tracks.frame_rate_hz).astype(float)[:, None]
    turn, shift = (_unit(rng.normal(size=3)) for _ in range(2))
    return after * np.radians(strength) * turn, after * 20.0 * strength * shift


def _repeating(sim: Simulation, frame: Array, share: float, rng: np.random.Generator) -> Array:
    """In a share of frames the camera sends the one before once more."""
    by_frame = -(rng.random(len(sim.R_world_from_wand)) < share).astype(float)
    return np.asarray(by_frame[frame.astype(int)])


def _lost_frames(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """From half-way on the camera's counter is behind by whole frames."""
    del rng
    camera = sim.tracks.camera(name)
    half = len(sim.R_world_from_wand) // 2
    number = np.where(camera.frame >= half + strength, camera.frame - int(strength), camera.frame)
    keep = (camera.frame < half) | (camera.frame >= half + strength)
    lost = replace(camera.rows(keep), frame=number[keep])
    return _with(sim.tracks, {name: lost}), sim.wand


def _jumping_count(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """Somewhere in the wave, and not so late that all after it outlasts the others' frames, nor
    where the camera sees the wand no more, its counter runs ahead by a number of frames.
    """
    camera, n = sim.tracks.camera(name), len(sim.R_world_from_wand)
    seen = np.quantile(camera.frame[camera.marker >= 0], [0.1, 0.9])
    at = int(np.clip(rng.uniform(0.1, 0.8 - strength / n) * n, *seen))
    number = np.where(camera.frame >= at, camera.frame + int(strength), camera.frame)
    return _with(sim.tracks, {name: replace(camera, frame=number)}), sim.wand


def _reversed_names(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    del strength, rng
    camera, n = sim.tracks.camera(name), len(sim.wand.markers)
    marker = np.where(camera.marker >= 0, n - 1 - camera.marker, -1).astype(np.int16)
    return _with(sim.tracks, {name: replace(camera, marker=marker)}), sim.wand


def _image(how: str, everybody: bool = False) -> Edit:
    """Return the edit that mirrors or transposes images: "x", "y" or "xy"."""

    def one(camera: CameraTracks) -> CameraTracks:
        xy = camera.xy_px.copy()
        if how == "xy":
            return replace(camera, width=camera.height, height=camera.width, xy_px=xy[:, ::-1])
        size = (camera.width, camera.height)["xy".index(how)]
        xy[:, "xy".index(how)] = size - 1 - xy[:, "xy".index(how)]
        return replace(camera, xy_px=xy)

    def edit(
        sim: Simulation, name: str, strength: float, rng: np.random.Generator
    ) -> tuple[Tracks, Wand]:
        del strength, rng
        names = sim.tracks.names if everybody else (name,)
        return _with(sim.tracks, {n: one(sim.tracks.camera(n)) for n in names}), sim.wand

    return edit


def _swapped(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """The points of a camera and the next come under each other's names."""
    del strength, rng
    _, other = _side_by_side(sim.tracks.names, name, 2)
    a, b = sim.tracks.camera(name), sim.tracks.camera(other)
    return _with(sim.tracks, {name: replace(b, name=name), other: replace(a, name=other)}), sim.wand


def _stated_wand(change: Callable[[Wand, float], Array]) -> Edit:
    """Return the edit that leaves the capture alone and states another wand."""

    def edit(
        sim: Simulation, name: str, strength: float, rng: np.random.Generator
    ) -> tuple[Tracks, Wand]:
        del name, rng
        wand = replace(sim.wand, points_mm=change(sim.wand, strength), certified=())
        return sim.tracks, wand

    return edit


def _end_off(wand: Wand, share: float) -> Array:
    """The last marker lies farther from the first than the file says, by a share of the wand."""
    points = wand.points_mm.copy()
    points[-1] += share * (points[-1] - points[0])
    return points


def _middle_off(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """The true wand has its second marker ``strength`` mm beside where its file has it."""
    del name, rng
    side = np.cross(sim.wand.points_mm[-1] - sim.wand.points_mm[0], [0.3, 0.5, 0.8])
    return _real_wand(sim, lambda frame: np.ones(len(frame)), 1, strength * _unit(side))


def _flexing(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """The last marker swings beside its place by ``strength`` mm, three times a second."""
    del name
    side = np.cross(sim.wand.points_mm[-1] - sim.wand.points_mm[0], [0.3, 0.5, 0.8])
    turn = 2 * np.pi * 3.0 / sim.tracks.frame_rate_hz
    phase = rng.uniform(0, 2 * np.pi)
    last = len(sim.wand.markers) - 1
    return _real_wand(sim, lambda f: np.sin(turn * f + phase), last, strength * _unit(side))


def _screwed_on(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """From half-way on the last marker sits farther out by ``strength`` mm."""
    del name, rng
    along = _unit(sim.truth.wand_used.points_mm[-1] - sim.truth.wand_used.points_mm[0])
    last, half = len(sim.wand.markers) - 1, len(sim.R_world_from_wand) // 2
    return _real_wand(sim, lambda f: (f >= half).astype(float), last, strength * along)


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v))


def _real_wand(
    sim: Simulation, swing: Callable[[Array], Array], which: int, offset_mm: Array
) -> tuple[Tracks, Wand]:
    changed = {}
    for camera in sim.tracks.cameras:

        def place(frame: Array, marker: NDArray[np.intp]) -> Array:
            at = frame.astype(int)
            out = sim.markers_world_mm[at, marker].copy()
            own = marker == which
            away = sim.R_world_from_wand[at[own]] @ offset_mm
            out[own] += swing(frame[own])[:, None] * away
            return np.asarray(out)

        changed[camera.name] = _moved(sim, camera, place)
    return _with(sim.tracks, changed), sim.wand


def _biased_marker(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """One marker's centroids lie to one side in every camera: half covered, or with a glint."""
    del name, rng
    changed = {}
    for camera in sim.tracks.cameras:
        rows = np.flatnonzero(camera.marker == len(sim.wand.markers) - 1)
        changed[camera.name] = _shifted(camera, rows, np.array([0.0, strength]))
    return _with(sim.tracks, changed), sim.wand


def _loose_marker(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """A share of one marker's points lie grossly off in every camera: glints, or it hides."""
    del name
    changed = {}
    for camera in sim.tracks.cameras:
        rows = np.flatnonzero(camera.marker == len(sim.wand.markers) - 1)
        rows = rows[rng.random(len(rows)) < strength]
        changed[camera.name] = _shifted(camera, rows, rng.normal(0.0, 8.0, (len(rows), 2)))
    return _with(sim.tracks, changed), sim.wand


def _reflection(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """Within a circle of the image, its radius a share of the width, points fall on a reflection
    at its middle, in a place that the wand passes.
    """
    camera = sim.tracks.camera(name)
    middle = camera.xy_px[rng.integers(camera.n_points)]
    away = middle - camera.xy_px
    near = (np.linalg.norm(away, axis=1) < strength * camera.width) & (camera.marker >= 0)
    rows = np.flatnonzero(near)
    shift = away[rows] + rng.normal(0.0, 0.3, (len(rows), 2))
    return _with(sim.tracks, {name: _shifted(camera, rows, shift)}), sim.wand


def _wrong_lens(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """A stated lens has a focal length that is off by a share."""
    del rng
    camera = sim.tracks.camera(name)
    assert camera.lens is not None
    vector = camera.lens.vector.copy()
    vector[:2] *= 1.0 + strength
    return _with(sim.tracks, {name: replace(camera, lens=Lens.from_vector(vector))}), sim.wand


def _wrong_lenses(
    sim: Simulation, name: str, strength: float, rng: np.random.Generator
) -> tuple[Tracks, Wand]:
    """All stated lenses have focal lengths that are off by the same share."""
    del name
    tracks = sim.tracks
    for of in tracks.names:
        tracks, _ = _wrong_lens(replace(sim, tracks=tracks), of, strength, rng)
    return tracks, sim.wand


def _knocked(at: float, everybody: bool = False) -> Change:
    def change(s: Scenario, camera: str, strength: float) -> Scenario:
        n = s.n_frames or 1500
        names = s.names if everybody else (camera,)
        knocks = tuple(
            Knock(
                camera=c, frame=int(at * n), rotation_deg=strength, translation_mm=20.0 * strength
            )
            for c in names
        )
        return replace(s, knock=knocks)

    return change


def _moved_between(s: Scenario, camera: str, strength: float) -> Scenario:
    return _knocked(0.0)(s, camera, strength)


PAIR = RigFault.PAIR
SHAPE = (RigFault.WAND, RigFault.BENT, RigFault.OFF_LINE)
# What each mistake may be called, how it is planted, and how strongly.
MISTAKES: dict[str, Mistake] = {
    "end marker off": Mistake(
        expected=(RigFault.WAND, RigFault.LENGTHS),
        strengths=(0.01, 0.05, 0.2),
        edit=_stated_wand(_end_off),
        who="none",
    ),
    "middle marker off the line": Mistake(
        # Nameless, such a wand is found in few views or none, which the error says first.
        expected=(*SHAPE, "see that the wand file is that of the wand that was waved"),
        strengths=(2.0, 6.0, 20.0),
        edit=_middle_off,
        who="none",
        wands=("line3",),
    ),
    "wand flexes": Mistake(expected=SHAPE, strengths=(2.0, 5.0, 10.0), edit=_flexing, who="none"),
    "marker biased": Mistake(
        expected=(RigFault.MARKER, RigFault.WAND),
        strengths=(0.5, 1.0, 3.0),
        edit=_biased_marker,
        who="none",
    ),
    "all knocked late": Mistake(
        expected=(RigFault.CHANGED, Fault.KNOCK),
        strengths=(0.05, 0.2, 0.5),
        change=_knocked(0.8, everybody=True),
        who="all",
    ),
    "one knocked half-way": Mistake(
        expected=(Fault.KNOCK,), strengths=(0.05, 0.2, 1.0), change=_knocked(0.5), is_half_way=True
    ),
    "truss knocked at the end": Mistake(
        expected=(RigFault.CHANGED, RigFault.LEFT_OUT),
        strengths=(0.1, 0.3, 0.6),
        edit=_posed(_knocked_at_end, 3),
        who="three",
        n_cameras=(7, 12),
        is_stale=True,
        layouts=("room", "dome"),  # in a long rig they may see nothing then
    ),
    "mount sags": Mistake(
        expected=(Fault.CREEPS,), strengths=(2.0, 3.0, 5.0), edit=_posed(_sag), is_half_way=True
    ),
    "marker screwed on anew": Mistake(
        expected=(RigFault.REBUILT,), strengths=(0.5, 1.0, 3.0), edit=_screwed_on, who="none"
    ),
    "frames sent twice": Mistake(
        expected=(Fault.REPEATED,), strengths=(0.05, 0.1, 0.2), edit=_clock(_repeating)
    ),
    "exposure jitter": Mistake(
        expected=(Fault.JITTER,), strengths=(0.05, 0.1, 0.2), edit=_clock(_jitter)
    ),
    "clock drifts": Mistake(
        expected=(Fault.DRIFT,), strengths=(0.2, 0.5, 2.0), edit=_clock(_drift)
    ),
    "frames lost half-way": Mistake(
        expected=(Reading.LOST,), strengths=(1.0, 2.0, 5.0), edit=_lost_frames, is_half_way=True
    ),
    "count jumps": Mistake(
        expected=(Reading.LOST, Reading.SHIFTED),
        strengths=(60.0, 120.0, 240.0),
        edit=_jumping_count,
    ),
    "names reversed": Mistake(expected=(Reading.REVERSED,), edit=_reversed_names, wands=("line3",)),
    "mirrored": Mistake(expected=(Reading.MIRRORED,), edit=_image("x")),
    "y upwards": Mistake(expected=(Reading.UPSIDE_DOWN,), edit=_image("y")),
    "x and y exchanged": Mistake(expected=(Reading.EXCHANGED,), edit=_image("xy")),
    "all mirrored": Mistake(
        expected=(RigFault.MIRRORED,),
        edit=_image("x", everybody=True),
        who="all",
        wands=("solid6",),
    ),
    "late by part of a frame": Mistake(
        expected=(Fault.TIMING,),
        strengths=(0.1, 0.3, 0.5),
        change=lambda s, c, x: replace(s, late={c: x}),
    ),
    "late by whole frames": Mistake(
        expected=(Reading.SHIFTED, Fault.TIMING),
        strengths=(1.0, 2.0, 3.0),
        change=lambda s, c, x: replace(s, slip={c: int(x)}),
    ),
    "out of focus": Mistake(
        expected=(Fault.NOISE,),
        strengths=(3.0, 5.0, 10.0),
        change=lambda s, c, x: replace(s, noisy={c: x}),
    ),
    "bent window": Mistake(
        expected=(Fault.LENS,),
        strengths=(0.5, 1.0, 3.0),
        change=lambda s, c, x: replace(s, window_px={c: x}),
    ),
    "vibration": Mistake(
        expected=(Fault.VIBRATION,),
        strengths=(0.5, 1.0, 3.0),
        change=lambda s, c, x: replace(s, vibration_px={c: x}),
    ),
    "mount sways": Mistake(
        expected=(Fault.SWAYS,),
        strengths=(0.3, 0.6, 1.5),
        change=lambda s, c, x: replace(s, sway_px={c: x}),
    ),
    "rolling rows": Mistake(
        expected=(Fault.ROWS,),
        strengths=(0.1, 0.3, 0.5),
        change=lambda s, c, x: replace(s, row_delay={c: x}),
    ),
    "stray points": Mistake(
        expected=(Fault.STRAY,),
        strengths=(0.05, 0.1, 0.2),
        change=lambda s, c, x: replace(s, stray_share={c: x}),
    ),
    "marker glints": Mistake(
        expected=(RigFault.MARKER_LOST,),
        strengths=(0.2, 0.5),
        edit=_loose_marker,
        who="none",
        wands=("plane5", "solid6"),
    ),
    "reflection in one place": Mistake(
        expected=(RigFault.PLACE_LOST, Fault.STRAY), strengths=(0.05, 0.1), edit=_reflection
    ),
    "pair late": Mistake(
        expected=(PAIR, Reading.SHIFTED),
        strengths=(0.2, 1.0, 5.0),
        edit=_clock(lambda sim, f, x, rng: np.full(len(f), x)),
        who="all",
        n_cameras=(2, 2),
    ),
    "pair knocked half-way": Mistake(
        expected=(PAIR,),
        strengths=(0.1, 0.3, 1.0),
        change=_knocked(0.5),
        who="all",
        n_cameras=(2, 2),
    ),
    "pair, stated lens off": Mistake(
        expected=(PAIR, "stated lens"),
        strengths=(0.02, 0.05),
        edit=_wrong_lens,
        who="all",
        n_cameras=(2, 2),
        stated_lens="measured",
    ),
    "stated lens off": Mistake(
        expected=(Fault.LENS, "stated lens"),
        strengths=(0.02, 0.05),
        edit=_wrong_lens,
        stated_lens="measured",
    ),
    "all stated lenses off": Mistake(
        expected=("stated lens",),
        strengths=(-0.01, 0.01, 0.02),
        edit=_wrong_lenses,
        who="all",
        stated_lens="measured",
    ),
    "moved between waves": Mistake(
        expected=(Standing.MOVED,), strengths=(0.05, 0.2, 1.0), change=_moved_between, is_later=True
    ),
    "knocked in a later wave": Mistake(
        expected=(Standing.MOVING,),
        strengths=(0.05, 0.2, 1.0),
        change=_knocked(0.5),
        is_later=True,
        is_half_way=True,
    ),
    "marker screwed on in a later wave": Mistake(
        expected=(RigFault.REBUILT,),
        strengths=(1.0, 2.0, 3.0),
        edit=_screwed_on,
        who="none",
        is_later=True,
    ),
    "exchanged in a later wave": Mistake(
        expected=(Standing.EXCHANGED,), edit=_swapped, who="two", is_later=True
    ),
    "late in a later wave": Mistake(
        expected=(Standing.TIMING,),
        strengths=(0.2, 1.0, 2.0),
        change=lambda s, c, x: replace(s, late={c: x}),
        is_later=True,
    ),
}
# Of a clock, after a sound wave: a recheck has one verdict for all.
MISTAKES |= {
    f"{kind.removesuffix(' half-way')} in a later wave": replace(
        MISTAKES[kind], expected=(Standing.TIMING,), is_later=True
    )
    for kind in (
        "frames sent twice",
        "exposure jitter",
        "clock drifts",
        "frames lost half-way",
        "count jumps",
    )
}


def planted(kind: str, seed: int, strength: float | None = None) -> Capture:
    """Return a capture with a mistake planted; rig and camera are drawn from the seed, and the
    strength where none is given.
    """
    mistake, rng = MISTAKES[kind], np.random.default_rng([seed, 77])
    scenario = scenario_of(
        seed, mistake.n_cameras, mistake.wands, mistake.stated_lens, mistake.layouts
    )
    camera = str(rng.choice(scenario.names))
    drawn = float(rng.choice(mistake.strengths))
    strength = drawn if strength is None else strength
    try:
        earlier = simulate(scenario).tracks if mistake.is_later else None
        now = replace(scenario, wave=1) if mistake.is_later else scenario
        sim = simulate(mistake.change(now, camera, strength))
    except UnsolvableError:  # no wave joins this rig's cameras: another rig
        return planted(kind, seed + 100_000, strength)
    if mistake.is_half_way and not _sees_both_halves(sim, camera):
        return planted(kind, seed + 100_000, strength)
    names = {
        "one": (camera,),
        "two": _side_by_side(scenario.names, camera, 2),
        "three": _side_by_side(scenario.names, camera, 3),
        "all": scenario.names,
        "none": (),
    }[mistake.who]
    if mistake.who == "three":
        late = {name for name in scenario.names if _n_at_end(sim, name) >= MIN_SIDE}
        if len(late & {*names}) < 2 or len(late - {*names}) <= len(late & {*names}):
            return planted(kind, seed + 100_000, strength)
    tracks, wand = mistake.edit(sim, camera, strength, rng)
    return Capture(tracks=tracks, wand=wand, cameras=names, simulation=sim, earlier=earlier)


def _sees_both_halves(sim: Simulation, camera: str) -> bool:
    of = sim.tracks.camera(camera)
    is_late = of.frame[of.marker >= 0] >= len(sim.R_world_from_wand) // 2
    return bool(min(is_late.sum(), (~is_late).sum()) >= MIN_SIDE)


def _n_at_end(sim: Simulation, camera: str) -> int:
    of = sim.tracks.camera(camera)
    since = len(sim.R_world_from_wand) - END_S * sim.tracks.frame_rate_hz
    return int((of.frame[of.marker >= 0] >= since).sum())


def _side_by_side(names: tuple[str, ...], camera: str, n: int) -> tuple[str, ...]:
    """Return so many cameras, one after another in their rig."""
    return tuple(names[(names.index(camera) + k) % len(names)] for k in range(n))


def clean(seed: int) -> Capture:
    """Return a capture without any mistake."""
    try:
        sim = simulate(scenario_of(seed))
    except UnsolvableError:
        return clean(seed + 100_000)
    return Capture(tracks=sim.tracks, wand=sim.wand, cameras=(), simulation=sim)


def scenario_of(
    seed: int,
    n_cameras: tuple[int, int] = (4, 9),
    wands: tuple[str, ...] = ("line3", "plane5", "solid6"),
    stated_lens: str = "nominal",
    layouts: tuple[str, ...] = ("room", "corridor", "row", "dome"),
) -> Scenario:
    """Return a rig and wave with real lenses and noise, drawn from the seed."""
    rng = np.random.default_rng([seed, 78])
    n = int(rng.integers(n_cameras[0], n_cameras[1] + 1))
    return Scenario(
        layout=str(rng.choice(layouts)) if n > 2 else "row",
        n_cameras=n,
        wand=str(rng.choice(wands)),
        n_frames=int(rng.integers(600, 1000)),
        sigma_px=float(np.exp(rng.uniform(np.log(0.07), np.log(0.25)))),
        noise_spread=1.3,
        known_lens=stated_lens,
        seed=seed,
    )
