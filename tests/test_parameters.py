"""The unknowns' names, order and layout, held against OpenCV's; cameras named as the wand is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from calib.check.recheck.run import recheck
from calib.cli.main import app
from calib.core.camera import Lens
from calib.core.parameters import (
    LENS_GROUPS,
    LENS_TERMS,
    LENS_VECTOR,
    N_POSE,
    PLACE,
    POSE,
    CameraParameter,
    WandCoordinate,
    in_order,
    of_cameras,
    of_wand,
    term_names,
    term_values,
    with_term_steps,
)
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import InputError
from calib.files import load_rig, save_rig, save_tracks
from calib.files.version_1 import parameter_of_label
from calib.pipeline import calibrate
from calib.simulate import Scenario, Simulation, simulate
from calib.solve.bundle.linearise import weighted_rows
from calib.solve.repair import repair
from tests.rigs_in_time import turned
from tests.small_problems import make_problem

STRANGE = ("wand", "position_x", "wand p", "cam:focal")  # names that labels of one text confuse


def test_a_cameras_unknowns_lie_as_columns_of_projectpoints_do() -> None:
    """cv2.projectPoints gives derivatives by turn, shift, fx, fy, cx, cy and eight coefficients, in
    this order. Of points in a camera's own frame, with no turn and shift, its turn is one on the
    left of cam_from_world.
    """
    problem, state = make_problem(np.random.default_rng(4), 3, 12, is_line=False)
    J = weighted_rows(problem, state, LENS_TERMS, np.ones_like(problem.weight))
    d = problem.n_rotation + 3
    assert J.shape[-1] == d + N_POSE + len(LENS_TERMS) + 1
    for pair, (c, f) in enumerate(zip(problem.cam, problem.frame, strict=True)):
        world = state.shape_mm @ state.wand_R[f].T + state.wand_t[f]
        seen = world @ state.cam_R[c].T + state.cam_t[c]
        lens = Lens.from_vector(state.lens[c])
        _, by_column = cv2.projectPoints(seen, np.zeros(3), np.zeros(3), lens.K, lens.dist)
        by_column = by_column.reshape(len(world), 2, N_POSE + len(LENS_VECTOR))
        theirs = dict(zip((*POSE, *LENS_VECTOR), np.moveaxis(by_column, 2, 0), strict=True))
        # A focal length moves fx with fy / fx kept; the aspect moves fy alone.
        theirs["focal"] = theirs["fx"] + lens.fy / lens.fx * theirs["fy"]
        theirs["aspect"] = lens.fx * theirs["fy"]
        for k, kind in enumerate((*POSE, *LENS_TERMS)):
            expected = theirs[kind]
            # Both are sums of some ten products in double precision.
            np.testing.assert_allclose(
                J[pair, :, :, d + k], expected, rtol=1e-9, atol=1e-9 * np.abs(expected).max()
            )


def test_a_lens_vector_is_opencvs_matrix_and_coefficients() -> None:
    vector = np.arange(1.0, 13.0)
    lens = Lens.from_vector(vector)
    named = dict(zip(LENS_VECTOR, vector, strict=True))
    assert lens.K.tolist() == [
        [named["fx"], 0, named["cx"]],
        [0, named["fy"], named["cy"]],
        [0, 0, 1],
    ]
    # (k1, k2, p1, p2, k3, k4, k5, k6): OpenCV's documentation of calib3d, distCoeffs.
    order = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
    assert lens.dist.tolist() == [named[name] for name in order]


def test_steps_of_terms_change_these_terms_and_no_other() -> None:
    lens = np.random.default_rng(1).uniform(0.5, 2.0, (3, 12))
    before = {term: term_values(lens, term) for term in LENS_TERMS}
    for term in LENS_TERMS:
        after = with_term_steps(lens, [term], np.full((3, 1), 0.25))
        for other in LENS_TERMS:
            expected = before[other] + 0.25 * (other == term)
            np.testing.assert_allclose(term_values(after, other), expected, rtol=1e-14)
    assert sorted(PLACE.values()) == list(range(len(LENS_VECTOR)))


def test_terms_come_in_order_and_unknown_groups_are_refused() -> None:
    assert in_order({"k3", "cx", "focal"}) == ("focal", "cx", "k3")
    assert term_names(LENS_GROUPS) == LENS_TERMS
    with pytest.raises(InputError, match="lens terms"):
        term_names(["zoom"])


def test_a_camera_and_the_wand_are_never_the_same() -> None:
    cameras, wand = of_cameras(["wand", "p"], LENS_TERMS), of_wand(["wand", "p"], 3)
    assert len({*cameras, *wand}) == len(cameras) + len(wand)
    assert [p.kind for p in cameras[: N_POSE + len(LENS_TERMS)]] == [*POSE, *LENS_TERMS]
    assert [(p.marker, p.axis) for p in wand[:4]] == [*(("wand", a) for a in "xyz"), ("p", "x")]
    for make in (lambda: CameraParameter("cam01", "x"), lambda: WandCoordinate("p", "focal")):
        with pytest.raises(InputError, match="expected one of"):
            make()


@pytest.mark.parametrize(
    ("label", "parameter"),
    [
        ("cam01/k1", CameraParameter("cam01", "k1")),
        ("wand/p_x", WandCoordinate("p", "x")),
        ("wand/left p_z", WandCoordinate("left p", "z")),
        ("wand/position_x", CameraParameter("wand", "position_x")),
        ("position_x/position_x", CameraParameter("position_x", "position_x")),
    ],
)
def test_labels_of_version_1_are_told_apart(
    label: str, parameter: CameraParameter | WandCoordinate
) -> None:
    names = ["cam01", "wand", "position_x"]
    assert parameter_of_label(label, names, ["p", "left p"]) == parameter


@cache
def strange(wave: int = 0) -> tuple[Simulation, Tracks]:
    """Return a capture whose cameras bear names like those of parameters."""
    sim = simulate(Scenario.plain(n_cameras=4, n_frames=400, seed=31, wave=wave))
    cameras = zip(sim.tracks.cameras, STRANGE, strict=True)
    return sim, replace(sim.tracks, cameras=tuple(replace(c, name=n) for c, n in cameras))


@cache
def strange_rig() -> Rig:
    sim, tracks = strange()
    return calibrate(tracks, sim.wand)


def test_cameras_may_be_called_as_the_wand_and_parameters_are(tmp_path: Path) -> None:
    rig = strange_rig()
    assert rig.covariance is not None
    owners = {p.camera for p in rig.covariance.parameters if isinstance(p, CameraParameter)}
    assert owners == set(STRANGE)
    assert any(isinstance(p, WandCoordinate) for p in rig.covariance.parameters)
    save_rig(rig, tmp_path / "r.h5")
    assert load_rig(tmp_path / "r.h5").covariance.parameters == rig.covariance.parameters
    _, wave = strange(1)
    assert {c.verdict for c in recheck(rig, wave).cameras} == {"unmoved"}
    moved = turned(rig, "wand", 0.5)
    found = recheck(moved, wave)
    assert found.moved == ("wand",)
    mended = repair(moved, found.tracks, found.repairable)
    assert mended.covariance is not None
    assert set(mended.covariance.parameters) == set(rig.covariance.parameters)
    assert {c.verdict for c in recheck(mended, wave).cameras} == {"unmoved"}


def test_commands_take_such_names(tmp_path: Path) -> None:
    save_rig(strange_rig(), tmp_path / "r.h5")
    save_tracks(strange(1)[1], tmp_path / "t.h5")
    for command in ("recheck", "residuals"):
        done = CliRunner().invoke(app, [command, str(tmp_path / "r.h5"), str(tmp_path / "t.h5")])
        assert done.exit_code == 0, done.output
    with pytest.raises(InputError, match="name without '/'"):
        replace(strange()[1].cameras[0], name="wand/p")
