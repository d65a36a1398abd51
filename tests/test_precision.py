"""Predicted precision against repeated reconstruction, and what it says of where it is worst."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from time import process_time

import numpy as np
import pytest

from calib.core.camera import Lens
from calib.core.geometry import Array, Pose, rotation_from_vector
from calib.core.parameters import POSITION, CameraParameter, of_cameras
from calib.core.rig import Covariance, Rig, RigCamera
from calib.core.wand import Wand
from calib.errors import InputError, UnsolvableError
from calib.pipeline import calibrate
from calib.prove.precision import default_places, in_one_line, one_line, precision
from calib.prove.space.joint import covariance_of, effects, joint_of
from calib.prove.space.place import place
from calib.prove.space.views import Views, cameras_of, views_of_places
from calib.prove.volume import Box
from calib.prove.world import moved
from calib.simulate import Scenario, simulate
from calib.solve.calibrate import SolveOptions
from calib.solve.certainty.rig_errors import rig_errors
from tests.floors import drawn, stats

N_DRAWS = 800


@lru_cache
def solved(plain: bool = False, lens: str = "auto", n_cameras: int = 6) -> Rig:
    make = Scenario.plain if plain else Scenario
    known = "measured" if lens == "hold" else "nominal"
    scenario = make(n_cameras=n_cameras, n_frames=400, seed=7, known_lens=known)
    made = simulate(scenario)
    return calibrate(made.tracks, made.wand, SolveOptions(lens=lens))


def by_hand() -> Rig:
    """Two cameras at right angles, one metre from the origin, of 1000 px focal length."""
    lens = Lens(1000.0, 1000.0, 499.5, 499.5, np.zeros(5))
    turn = np.array([[0.0, 0, -1], [0, 1, 0], [1, 0, 0]])
    cameras = tuple(
        RigCamera(name, 1000, 1000, lens, Pose(R, np.array([0.0, 0, 1000.0])), stats(0.1))
        for name, R in (("a", np.eye(3)), ("b", turn))
    )
    wand = Wand("w", ("p", "q"), np.array([[0.0, 0, 0], [100, 0, 0]]))
    return Rig(cameras, wand, wand)


def test_two_cameras_at_right_angles_by_hand() -> None:
    """A pixel is a millimetre a metre away: across each ray 0.1 mm. Camera a, along z, gives x and
    y; camera b, along x, gives z and y again: y has half the variance (worked by hand).
    """
    found = precision(by_hand(), np.zeros((1, 3)))
    np.testing.assert_allclose(found.covariance_mm2[0], np.diag([0.01, 0.005, 0.01]), atol=1e-12)
    half, axes = found.axes(0)
    np.testing.assert_allclose(half, [0.1, 0.1, np.sqrt(0.005)], atol=1e-9)
    np.testing.assert_allclose(np.abs(axes[2]), [0, 1, 0], atol=1e-9)
    assert not found.has_covariance
    assert found.sigma_mm[0] == pytest.approx(np.sqrt(0.025))


def test_an_error_of_a_cameras_position_by_hand() -> None:
    """Camera a off by 1 mm along x and y: x is its alone and goes along whole, y by half."""
    free = of_cameras(("a",), (), POSITION)
    rig = replace(by_hand(), covariance=Covariance(free, np.diag([1.0, 4.0, 9.0])))
    views = views_of_places(rig, np.zeros((1, 3)))
    B, noise = effects(rig_errors(rig), views, np.zeros((1, 3)), cameras_of(rig))
    np.testing.assert_allclose(B[0] @ B[0].T, np.diag([1.0, 1.0, 0.0]), atol=1e-9)
    np.testing.assert_allclose(covariance_of(B, noise)[0], np.diag([1.01, 1.005, 0.01]), atol=1e-9)


def errors_of_draws(rig: Rig, places: Array) -> Array:
    """Errors (draws, n, 3) of places reconstructed by rigs drawn from the covariance, from images
    with noise.
    """
    rng, cameras, views = np.random.default_rng(3), cameras_of(rig), views_of_places(rig, places)
    out, errors = np.empty((N_DRAWS, len(places), 3)), rig_errors(rig)
    for k in range(N_DRAWS):
        error = rng.normal(size=views.uv_px.shape) * cameras.sigma_px[views.cam][:, None]
        noisy = Views(views.cam, views.starts, views.uv_px + error)
        out[k] = place(noisy, cameras_of(drawn(rig, rng, errors)), 1e9).points_mm - places
    return out


@pytest.mark.parametrize(("plain", "lens"), [(True, "auto"), (False, "auto"), (False, "hold")])
def test_the_map_is_what_repeated_reconstruction_gives(plain: bool, lens: str) -> None:
    """Within 5 % over all places; a single one's 800 draws scatter by 2.5 % (chi, one freedom a
    draw where one direction has nearly all), five of which are allowed.
    """
    rig = solved(plain, lens)
    places = rig.wave_mm[::60]
    found = precision(rig, places)
    # Where rays meet at a flat angle an error is no longer a small one.
    seen = np.flatnonzero(found.sigma_mm < 3.0 * np.nanmedian(found.sigma_mm))
    assert len(seen) >= 5
    e = errors_of_draws(rig, places[seen])
    ratio = np.sqrt((e**2).sum(axis=2).mean(axis=0)) / found.sigma_mm[seen]
    assert abs(np.sqrt((ratio**2).mean()) - 1.0) < 0.05
    assert np.abs(ratio - 1.0).max() < 0.12
    if lens == "hold":
        assert rig.covariance is not None and rig.covariance.held
        without = replace(rig, covariance=replace(rig.covariance, held=(), sensitivity=np.zeros(0)))
        assert (precision(without, places).sigma_mm[seen] < found.sigma_mm[seen]).all()


def test_places_err_together_as_the_joint_covariance_says() -> None:
    """The length between two places: its variance takes the covariance between them."""
    rig = solved()
    places = rig.wave_mm[[50, 60]]
    e = errors_of_draws(rig, places)
    ray = (places[1] - places[0]) / np.linalg.norm(places[1] - places[0])
    found = ((e[:, 1] - e[:, 0]) @ ray).std()
    views, cameras = views_of_places(rig, places), cameras_of(rig)
    C = joint_of(*effects(rig_errors(rig), views, places, cameras))
    row = np.concatenate([-ray, ray])
    assert found == pytest.approx(np.sqrt(row @ C @ row), rel=4.0 / np.sqrt(2 * N_DRAWS))


def test_the_figure_names_the_middle_and_the_worst() -> None:
    rig = solved()
    found = precision(rig, rig.wave_mm)
    worst = found.worst[0]
    assert found.sigma_mm[worst] == np.nanmax(found.sigma_mm)
    line = in_one_line(found)
    assert f"± {found.sigma_mm[found.middle]:.2f} mm," in line
    assert f"at worst ± {found.sigma_mm[worst]:.2f} mm" in line
    assert one_line(rig).startswith("A marker in the middle of the volume is placed to")
    assert one_line(replace(rig, covariance=None)) == ""


def test_a_long_low_volume_is_looked_at_in_all_its_heights() -> None:
    rig = solved()
    box = Box(np.array([-6000.0, -900, 100]), np.array([6000.0, 900, 2000]))
    assert all(len(np.unique(axis.round(6))) >= 3 for axis in default_places(rig, box).T)


def test_places_and_noise_that_are_none_are_refused() -> None:
    for places in (np.zeros((3, 2)), np.full((1, 3), np.nan)):
        with pytest.raises(InputError, match="places_mm"):
            precision(by_hand(), places)
    with pytest.raises(InputError, match="noise"):
        precision(by_hand(), np.zeros((1, 3)), noise_px=-1.0)


def test_the_figure_is_the_same_in_any_world() -> None:
    """A rig's record, made once it is aligned, has the figures of its solve."""
    rig = solved()
    turned = moved(rig, Pose(rotation_from_vector(np.array([2.0, 0.4, -0.9])), np.ones(3)))
    told = one_line(rig).partition(" near ")[0]
    assert one_line(turned).startswith(told) and told.endswith(" where the wand went,")


def test_the_camera_that_helps_helps_when_it_sees() -> None:
    """The prediction against the map of a rig in which that camera sees the place, turned to it."""
    rig = solved(n_cameras=6)
    found = precision(rig, rig.wave_mm)
    k, helps = found.worst[0], found.helped[0]
    assert helps is not None and helps.sigma_mm < found.sigma_mm[k]
    camera = rig.camera(helps.camera)
    to = found.places_mm[k] - camera.position_mm
    axis = np.cross(camera.cam_from_world.R[2], to / np.linalg.norm(to))
    angle = np.arccos(camera.cam_from_world.R[2] @ to / np.linalg.norm(to))
    least = rotation_from_vector(axis / np.linalg.norm(axis) * angle)
    R = camera.cam_from_world.R @ least.T
    turned = replace(camera, cam_from_world=Pose(R, -R @ camera.position_mm))
    cameras = tuple(turned if c.name == camera.name else c for c in rig.cameras)
    with_help = precision(replace(rig, cameras=cameras), found.places_mm[[k]])
    assert with_help.sigma_mm[0] == pytest.approx(helps.sigma_mm, rel=1e-3)


def test_a_camera_that_spoils_a_place_is_told_with_what_the_others_leave() -> None:
    """A camera that may be off by centimetres takes part in placing a marker like any other."""
    rig = solved(n_cameras=6)
    assert rig.covariance is not None
    matrix = rig.covariance.matrix.copy()
    at = [rig.covariance.row[CameraParameter("cam02", kind)] for kind in POSITION]
    matrix[at, at] += 30.0**2
    loose = replace(rig, covariance=replace(rig.covariance, matrix=matrix))
    places = rig.wave_mm[precision(rig, rig.wave_mm).n_cameras >= 4]
    found = precision(loose, places)
    spoilt = {h for h in found.helped if h is not None and h.is_left_out}
    assert {h.camera for h in spoilt} == {"cam02"}
    k, without = found.worst[0], found.helped[0]
    assert without is not None and without.is_left_out
    others = replace(loose, cameras=tuple(c for c in loose.cameras if c.name != "cam02"))
    assert precision(others, found.places_mm[[k]]).sigma_mm[0] == pytest.approx(without.sigma_mm)
    assert not any(h.is_left_out for h in precision(rig, places).helped if h is not None)


def test_4000_places_of_24_cameras_take_less_than_a_second() -> None:
    rig = solved(n_cameras=6)
    # Four copies of each camera: as many views and parameters as 24 cameras have.
    assert rig.covariance is not None
    cameras = [replace(c, name=f"{c.name}_{k}") for k in range(4) for c in rig.cameras]
    of = [(p, i) for p, i in rig.covariance.row.items() if isinstance(p, CameraParameter)]
    own = [i for _, i in of]
    block = rig.covariance.matrix[np.ix_(own, own)]
    names = tuple(CameraParameter(f"{p.camera}_{k}", p.kind) for k in range(4) for p, _ in of)
    many = replace(
        rig, cameras=tuple(cameras), covariance=Covariance(names, np.kron(np.eye(4), block))
    )
    low, high = np.percentile(rig.wave_mm, [5, 95], axis=0)
    places = Box(low, high).grid((high - low) / [20, 20, 10])
    assert len(places) == 4000
    precision(many, places[:10])  # compiles
    start = process_time()
    precision(many, places)
    assert process_time() - start < 1.0


def test_a_volume_nobody_sees_and_odd_words_are_refused() -> None:
    with pytest.raises(UnsolvableError, match="two cameras see"):
        precision(solved(), np.array([[0.0, 0.0, 1e6]]))
    for text in ("1,2,3", "1,0,0,1,0,1", "a,b,c,d,e,f"):
        with pytest.raises(InputError):
            Box.parse(text)
    with pytest.raises(InputError, match="places"):
        Box(np.zeros(3), np.full(3, 1e4)).grid(np.full(3, 1.0))


def test_cells_are_named_by_where_they_lie() -> None:
    box = Box(np.zeros(3), np.full(3, 300.0))
    missed = box.missed(np.array([[50.0, 150.0, 250.0]]))
    assert len(missed) == 26 and "low x, middle y, high z" not in missed
