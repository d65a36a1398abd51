"""The residual table of simulated captures before the true rig: its figures, what it prints and
what it refuses.
"""

import json
from dataclasses import asdict, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import stats
from scipy.optimize import least_squares

from calib.check.causes import Cause
from calib.check.residuals import residual_table, wand_lengths
from calib.check.verdicts import Fault, RigFault
from calib.core.camera import project
from calib.core.rig import Doubt
from calib.core.tracks import Tracks
from calib.errors import InputError, UnsolvableError
from calib.files import save_tracks, save_wand
from calib.pipeline import solve_rig
from calib.report.rigs.causes import evidence
from calib.report.rigs.residuals import as_blocks, as_json, lasting_sentences, size_asked, to_do
from calib.report.tables import lines_of
from calib.simulate import Scenario, simulate
from calib.simulate.scenario import INDEPENDENT
from calib.solve.certainty.statistics import camera_stats
from calib.solve.hold import fit_to_rig
from tests.captures import (
    IDEAL,
    SIGMA,
    capture,
    fixed_only,
    seen_twice,
    table_in,
    table_of,
    with_camera,
    with_points,
)
from tests.program import Call

# Of a pattern over the sensor.
BENT = ("inner_px", "middle_px", "outer_px", "cell_px", "cell_x", "cell_y")

# ---- the figures


def test_every_figure_is_what_scipy_and_opencv_find_frame_by_frame():
    # Source: scipy.optimize.least_squares with cv2.projectPoints, six parameters a frame from the
    # true pose on, the cameras weighted as the table's own fit weights them; numpy for the
    # statistics.
    sim = capture(n_cameras=5, seed=3, n_frames=90, **IDEAL)
    tracks, frames = fixed_only(sim)
    sigma = fit_to_rig(sim.truth, tracks).sigma_px
    parts = []
    for f in frames:
        rows = [(c.frame == f) for c in tracks.cameras]
        views = [
            (rig, c.marker[r], c.xy_px[r])
            for rig, c, r in zip(sim.truth.cameras, tracks.cameras, rows, strict=True)
        ]

        def residual(p, views=views):
            R = cv2.Rodrigues(p[:3])[0]
            points = sim.truth.wand_used.points_mm @ R.T + p[3:]
            out = []
            for (camera, marker, xy), s in zip(views, sigma, strict=True):
                if len(marker):
                    at = camera.cam_from_world.apply(points[marker]).reshape(-1, 1, 3)
                    uv = cv2.projectPoints(
                        at, np.zeros(3), np.zeros(3), camera.lens.K, camera.lens.dist
                    )[0]
                    out.append((xy - uv.reshape(-1, 2)) / s)
            return np.concatenate(out).ravel()

        start = np.append(
            cv2.Rodrigues(sim.R_world_from_wand[f])[0].ravel(), sim.t_world_from_wand_mm[f]
        )
        best = least_squares(
            residual, start, x_scale=[0.01, 0.01, 0.01, 1, 1, 1], xtol=1e-12, ftol=1e-12, gtol=1e-12
        )
        which = np.concatenate([np.full(len(m), i) for i, (_, m, _) in enumerate(views)])
        parts.append(np.c_[which, residual(best.x).reshape(-1, 2) * sigma[which][:, None]])
    found = np.concatenate(parts)
    table = residual_table(sim.truth, tracks)
    for i, (name, camera) in enumerate(zip(tracks.names, tracks.cameras, strict=True)):
        s = next(r.stats for r in table.cameras if r.name == name)
        d = found[found[:, 0] == i, 1:]
        length = np.hypot(*d.T)
        assert (s.points, s.n_left_out) == (len(d), 0) and len(d) > 60
        # The table's fit ends where a frame's cost falls by less than 1e-4: a pose within 0.01 of
        # its sigma.
        close = 0.02 * SIGMA
        assert s.rms_px == pytest.approx(np.sqrt((d**2).sum() / len(d)), abs=0.1 * close)
        assert s.median_px == pytest.approx(np.median(length), abs=close)
        assert s.p95_px == pytest.approx(np.sort(length)[round(0.95 * (len(d) - 1))], abs=5 * close)
        assert np.abs(np.array(s.bias_px) - d.mean(axis=0)).max() < 0.1 * close
        cells = {
            (int(x), int(y))
            for x, y in (camera.xy_px + 0.5) // [camera.width / 10, camera.height / 10]
        }
        assert s.coverage == pytest.approx(len(cells) / 100)
    assert [r.stats.rms_px for r in table.cameras] == sorted(
        (r.stats.rms_px for r in table.cameras), reverse=True
    )


def test_rms_is_that_of_opencvs_calibration():
    # Source: the value that cv2.calibrateCamera returns.
    rng = np.random.default_rng(2)
    board = np.float32([[30 * x, 30 * y, 0] for y in range(6) for x in range(8)])
    K, dist = np.array([[800.0, 0, 320], [0, 800, 240], [0, 0, 1]]), np.zeros(5)
    images = []
    for _ in range(6):
        uv = cv2.projectPoints(board, rng.normal(0, 0.3, 3), np.array([-100.0, -80, 700]), K, dist)[
            0
        ]
        images.append(np.float32(uv + rng.normal(0, 0.3, uv.shape)))
    rms, K, dist, turns, shifts = cv2.calibrateCamera([board] * 6, images, (640, 480), K, dist)
    predicted = [
        cv2.projectPoints(board, r, t, K, dist)[0] for r, t in zip(turns, shifts, strict=True)
    ]
    residual = (np.concatenate(images) - np.concatenate(predicted)).reshape(-1, 2)
    found = camera_stats(
        residual, np.concatenate(images).reshape(-1, 2), np.zeros(len(residual), bool), 640, 480
    )
    assert found.rms_px == pytest.approx(rms, rel=1e-5)  # images are single precision


@pytest.mark.parametrize(
    "layout, n_cameras, seed", [("room", 2, 1), ("row", 4, 2), ("corridor", 6, 3), ("dome", 12, 4)]
)
def test_residuals_have_the_size_that_noise_and_degrees_of_freedom_give(layout, n_cameras, seed):
    # Theory: with the cameras true, the sum of squares over sigma² follows chi-square with 2 a
    # point less 5 a frame.
    sim = capture(layout, n_cameras, seed, **IDEAL)
    tracks, frames = fixed_only(sim)
    table = residual_table(sim.truth, tracks)
    n = sum(r.stats.points for r in table.cameras)
    total = sum(r.stats.points * r.stats.rms_px**2 for r in table.cameras) / SIGMA**2
    low, high = stats.chi2.interval(1 - 1e-4, 2 * n - 5 * len(frames))
    assert low < total < high
    for row in table.cameras:
        # The median of n lengths of a 2D normal law scatters by 0.721 / sqrt(n) of sigma (1 / (2
        # f(m) sqrt(n)) at the median m of the Rayleigh law). Freedom differs from frame to frame,
        # which makes a mixture of normal laws whose median is smaller by some percent where few
        # cameras share a frame.
        ratio = row.stats.sigma_px / SIGMA
        assert (
            -4 * 0.721 / np.sqrt(row.stats.points) - 0.05
            < ratio - 1
            < 4 * 0.721 / np.sqrt(row.stats.points)
        )


def test_outliers_are_left_out_and_counted():
    sim = capture(
        n_cameras=8,
        seed=5,
        n_frames=800,
        outliers=0.01,
        outlier_px=(20.0, 300.0),
        strays=1.0,
        **INDEPENDENT,
    )
    judged = seen_twice(sim.tracks, 3)
    n_gross = n_found = n_points = 0
    for row in table_of(sim).cameras:
        c, rig = sim.tracks.camera(row.name), sim.truth.camera(row.name)
        named = (c.marker >= 0) & np.isin(c.frame, judged)
        true = project(
            rig.lens,
            rig.cam_from_world.apply(sim.markers_world_mm[c.frame[named], c.marker[named]]),
        )
        gross = np.linalg.norm(c.xy_px[named] - true, axis=1) > 5.0
        n_gross, n_found, n_points = (
            n_gross + gross.sum(),
            n_found + row.stats.n_left_out,
            n_points + len(gross),
        )
        assert gross.sum() - 1 <= row.stats.n_left_out
    # Where two cameras alone see a marker or a frame, a wrong point takes good ones with it; most
    # see more. Stretches in which nothing is amiss are taken once in a thousand, by the search's
    # level, at five lengths and two offsets.
    assert 80 < n_gross <= n_found <= 1.25 * n_gross + 1e-3 * 10 * n_points


def test_wand_lengths_are_those_of_a_plain_intersection_and_as_sure_as_theory_says():
    # Source: cv2.undistortPoints and numpy's least squares for a plain intersection of rays; for
    # theory the covariance of a point, sigma² (sum Jᵀ J)^-1 with J by differences of
    # cv2.projectPoints.
    sim = capture("room", 6, 6, **IDEAL)
    known, world = sim.truth.wand_used, sim.markers_world_mm
    n_frames, n_markers = world.shape[:2]
    A, b, count = (
        np.zeros((n_frames, n_markers, 3, 3)),
        np.zeros((n_frames, n_markers, 3)),
        np.zeros((n_frames, n_markers)),
    )
    H = np.zeros_like(A)
    for rig, c in zip(sim.truth.cameras, sim.tracks.cameras, strict=True):
        f, m = c.frame, c.marker
        K, dist, pose = rig.lens.K, rig.lens.dist, rig.cam_from_world
        xy = cv2.undistortPoints(c.xy_px.reshape(-1, 1, 2), K, dist).reshape(-1, 2)
        ray = np.c_[xy, np.ones(len(f))] @ pose.R
        ray /= np.linalg.norm(ray, axis=1, keepdims=True)
        P = np.eye(3) - ray[:, :, None] * ray[:, None]
        A[f, m] += P
        b[f, m] += P @ pose.origin_mm
        count[f, m] += 1
        shifted = [pose.apply(world[f, m] + s * e) for e in np.eye(3) for s in (0.5, -0.5)]
        uv = [
            cv2.projectPoints(p, np.zeros(3), np.zeros(3), K, dist)[0].reshape(-1, 2)
            for p in shifted
        ]
        J = np.stack([uv[0] - uv[1], uv[2] - uv[3], uv[4] - uv[5]], axis=2)
        H[f, m] += np.swapaxes(J, 1, 2) @ J
    A[count < 2], H[count < 2] = np.nan, np.nan
    points = (np.linalg.inv(A) @ b[..., None])[..., 0]
    error, variance = [], []
    for i, j in ((0, 1), (0, 2), (1, 2)):
        ok = (count[:, i] >= 2) & (count[:, j] >= 2)
        along = points[ok, i] - points[ok, j]
        length = np.linalg.norm(along, axis=1)
        error.append(length - np.linalg.norm(known.points_mm[i] - known.points_mm[j]))
        u = (along / length[:, None])[:, :, None]
        C = SIGMA**2 * (np.linalg.inv(H[ok, i]) + np.linalg.inv(H[ok, j]))
        variance.append((np.swapaxes(u, 1, 2) @ C @ u)[:, 0, 0])
    error, variance = np.concatenate(error), np.concatenate(variance)
    w = table_of(sim).wand
    assert w.n_lengths == len(error) > 1000
    # Both are linear intersections; the table's weighs rays by their miss distance, so single
    # errors differ.
    assert w.length_sd_mm == pytest.approx(error.std(), rel=0.1)
    assert w.length_p95_mm == pytest.approx(np.percentile(np.abs(error), 95), rel=0.1)
    # A frame's three lengths hold two independent errors: n is 2/3 of their number, and the SD of a
    # SD 1 / sqrt(2 n). Nothing unbiased does better than the theory; Cauchy weights cost some 5 %
    # of variance (Huber 1981) and equal weights for near and distant cameras about as much again.
    n = len(error) * 2 / 3
    theory = np.sqrt(variance.mean())
    assert 1 - 4 / np.sqrt(2 * n) < w.length_sd_mm / theory < 1.1 + 4 / np.sqrt(2 * n)
    assert abs(w.length_mean_mm) < 4 * theory / np.sqrt(n)
    assert w.length_rms_mm == pytest.approx(np.hypot(w.length_mean_mm, w.length_sd_mm))


def test_lengths_by_hand():
    # A marker that was not seen takes its two lengths with it: 3 + 1 errors are left.
    points = np.array([[[0.0, 0, 0], [3, 0, 0], [0, 4, 0]], [[0, 0, 0], [0, 0, 2], [np.nan] * 3]])
    w = wand_lengths(points, np.array([[0.0, 3, 3], [3, 0, 5], [3, 5, 0]]))
    error = np.array([0.0, 1, 0, -1])  # 3 - 3, 4 - 3, 5 - 5, 2 - 3
    assert (w.n_lengths, w.length_mean_mm) == (4, 0.0)
    assert w.length_sd_mm == w.length_rms_mm == pytest.approx(np.sqrt(0.5))
    assert w.length_p95_mm == pytest.approx(np.percentile(np.abs(error), 95))
    assert wand_lengths(np.full((2, 3, 3), np.nan), np.ones((3, 3))).n_lengths == 0


# ---- what is printed


def test_json_has_its_keys_and_holds_the_tables_numbers():
    table = table_of(capture(n_cameras=4, seed=18, noisy=(("cam03", 4.0),)))
    document = json.loads(json.dumps(as_json(table), allow_nan=False))
    keys = {
        "name",
        "points",
        "rms_px",
        "median_px",
        "p95_px",
        "sigma_px",
        "bias_px",
        "coverage",
        "verdict",
        "causes",
    }
    for found, row in zip(document["cameras"], table.cameras, strict=True):
        assert keys <= set(found)
        assert set(found) - keys == {
            "left_out",
            "outside",
            "sigma_position_mm",
            "sigma_rotation_deg",
            "lens_terms",
        }
        assert (found["name"], found["points"], found["rms_px"]) == (
            row.name,
            row.stats.points,
            row.stats.rms_px,
        )
        assert found["bias_px"] == list(row.stats.bias_px) and found["verdict"] == row.verdict
        assert found["causes"] == [{"cause": c.cause, "evidence": evidence(c)} for c in row.causes]
    assert (
        document["wand"]["length_rms_mm"] == table.wand.length_rms_mm
        and document["frames"] == table.n_frames
    )


def test_text_has_the_verdict_first_then_what_to_do_then_one_line_a_camera_under_headings():
    table = table_of(capture(n_cameras=4, seed=18, noisy=(("cam03", 4.0),)))
    lines = str(table).splitlines()
    (first, units), rows = table_in(str(table))
    assert lines[0] == "3 of 4 cameras good; cam03 needs action."
    n_causes = sum(len(r.causes) for r in table.cameras)
    assert lines[1].startswith("cam03: noise only: its noise is ") and lines[1 + n_causes] == ""
    assert lines.index(first) == 2 + n_causes
    assert [line.split()[0] for line in rows] == [r.name for r in table.cameras]
    for heading, unit in zip(("RMS", "95 %", "noise", "bias x", "bias y"), ["px"] * 5, strict=True):
        end = first.index(heading) + len(heading)
        assert units[end - 2 : end] == unit
        assert all(line[end - 1].isdigit() and line[end] == " " for line in rows)
    assert rows[0].split()[:2] == ["cam03", "act"]
    below = lines[lines.index(rows[-1]) + 2 :]
    assert below[0] == "RMS is sqrt(mean(dx² + dy²)) over a camera's points."  # as every table says
    below = below[1 + len(lasting_sentences(table.lasting, False)) :]
    assert below[0].startswith(f"Wand lengths ({table.wand.n_lengths}): ")
    assert "wand 460 mm, cameras over " in below[1]
    # Statistics, and what other figures mean, are for --json and --explain.
    told, explained = str(table), "\n".join(lines_of(as_blocks(table, explain=True)))
    for word in ("ninths", "; p ", "what 19 of 20 points stay within"):
        assert word not in told and word in explained


def test_a_cause_that_many_have_is_told_in_full_of_a_few() -> None:
    """Of 110 cameras 33 had a line each, all with the same words."""
    made = simulate(Scenario(n_cameras=4, seed=18, n_frames=60, **INDEPENDENT))
    table = residual_table(made.truth, made.tracks)
    cause = Cause(Fault.TOO_FEW, {"points": 10.0, "needed": 100.0})
    rows = [
        replace(table.cameras[0], name=f"cam{k:02d}", causes=(cause,) if k < 9 else ())
        for k in range(12)
    ]
    told = to_do(replace(table, cameras=tuple(rows), doubts=()))
    assert [name for name, _ in told] == ["cam00", "cam01", "cam02", ""]
    assert told[-1][1] == (
        "Too few points as well: cam03, cam04, cam05, cam06, cam07 and cam08; --json tells each."
    )
    few = to_do(replace(table, cameras=tuple(rows[4:]), doubts=()))
    assert [name for name, _ in few] == ["cam04", "cam05", "cam06", "cam07", "cam08"]


@pytest.mark.parametrize("n", [2, 3, 4])
def test_cameras_have_no_more_extents_than_they_span(n: int):
    """Two stand on a line and three in a plane: a third extent of 0.0 m would be none."""
    made = simulate(Scenario(n_cameras=n, seed=18, n_frames=60, **INDEPENDENT))
    told = " ".join(" ".join(lines_of(as_blocks(residual_table(made.truth, made.tracks)))).split())
    span = told.split("cameras over ")[1].split(" m.")[0].split(" × ")
    at = np.array([c.position_mm for c in made.truth.cameras])
    of_line = np.linalg.norm(at[1] - at[0]) / 1000.0
    assert len(span) == n - 1 and (n > 2 or float(span[0]) == pytest.approx(of_line, abs=0.05))


def test_text_fits_the_lines_that_there_are():
    table = table_of(capture(n_cameras=4, seed=18, noisy=(("cam03", 4.0),)))
    assert max(map(len, lines_of(as_blocks(table), 60))) <= 60
    narrow = lines_of(as_blocks(table), 80)
    assert max(map(len, narrow)) <= 80
    # One line a camera; what there is no room for is named, and the verdict and RMS stay.
    assert sum(line.startswith("cam03  ") for line in narrow) == 1
    header, _ = table_in("\n".join(narrow))
    assert {"camera", "verdict", "RMS"} <= set(header[0].split())
    (hidden,) = [k for k, line in enumerate(narrow) if line.startswith("(lines of ")]
    assert "bias x px" in " ".join(narrow[hidden:])
    n_full = int(narrow[hidden].split()[2])
    full, less = (" ".join(lines_of(as_blocks(table), n)) for n in (n_full, n_full - 1))
    assert "(lines of" not in full and "(lines of" in less


def test_commands_name_the_files_that_were_read_and_lenses_are_told_in_one_finding():
    table = table_of(capture(n_cameras=4, seed=18, noisy=(("cam03", 4.0),)))
    off = {"focal_share": -0.029, "x_px": 0.3, "y_px": 0.4, "is_exchanged": False}
    doubts = tuple(Doubt(RigFault.STATED, (name,), off, 2.0) for name in ("cam01", "cam03"))
    moved = Cause(Fault.MOVED, {"turn_deg": 0.1, "shift_mm": 2.0})
    bent = Cause(Fault.LENS, dict.fromkeys(BENT, 0.5))
    rows = {"cam03": (bent,), "cam04": (moved, bent)}
    cameras = tuple(replace(r, causes=rows.get(r.name, ())) for r in table.cameras)
    table = replace(table, cameras=cameras, doubts=doubts)
    files = {"RIG": "hall 2/rig.h5", "TRACKS": "wave.h5", "WAND": "wand.toml"}
    lines = lines_of(as_blocks(table, files=files))
    assert lines[0].startswith(
        "The rig as a whole is in doubt: stated lens does not fit (cam01 and cam03). "
    )
    assert lines[1].endswith(": calib solve wave.h5 --wand wand.toml --lens free -o NEW_RIG")
    (told,) = [line for line in lines if line.startswith("Stated lens does not fit: ")]
    assert "that of cam01 comes" in told and "that of cam03 comes" in told
    assert told.count("measure it again") == 1
    assert any(line.endswith(": calib recheck 'hall 2/rig.h5' wave.h5") for line in lines)
    # A lens that is not as stated leaves a pattern: that is told once, of others still.
    of = [line.split(":")[0] for line in lines if "lens model does not fit" in line]
    assert of == ["cam04"]


# ---- what is refused


def test_captures_that_are_not_of_the_rig_are_refused_by_name():
    sim = capture(n_cameras=4, seed=18, noisy=(("cam03", 4.0),))
    first = sim.tracks.cameras[0]
    strange = Tracks((*sim.tracks.cameras, replace(first, name="porch")), 25.0)
    with pytest.raises(InputError, match=r"cam01, cam02, cam03 and cam04\), found also porch\."):
        residual_table(sim.truth, strange)
    with pytest.raises(
        InputError,
        match=r"cam01: expected the rig's sensor of 2000 × 1200 px, found 2049 × 1200 px",
    ):
        residual_table(sim.truth, with_camera(sim.tracks, replace(first, width=2049)))
    with pytest.raises(InputError, match=r"cam01: marker row \d+: .* 3 markers, found 3\."):
        residual_table(
            sim.truth,
            with_camera(
                sim.tracks, replace(first, marker=np.where(first.marker == 2, 3, first.marker))
            ),
        )
    blind_stranger = Tracks(
        (*sim.tracks.cameras, replace(with_points(first, slice(0)), name="porch")), 25.0
    )
    assert len(residual_table(sim.truth, blind_stranger).cameras) == 4


@pytest.mark.parametrize("is_named", [True, False])
def test_captures_in_which_no_two_cameras_see_the_same_marker_are_refused(is_named):
    sim = capture(n_cameras=3, seed=19)
    cameras = tuple(
        with_points(c, c.frame % 3 == i)
        if is_named
        else replace(c, marker=np.full_like(c.marker, -1))
        for i, c in enumerate(sim.tracks.cameras)
    )
    with pytest.raises(
        UnsolvableError, match="two of the rig's cameras see in the same frame, found none"
    ):
        residual_table(sim.truth, Tracks(cameras, 25.0))


def test_a_ready_fit_gives_the_same_table_as_the_tables_own():
    sim = capture(n_cameras=4, seed=21, noisy=(("cam03", 4.0),))
    ready = fit_to_rig(sim.truth, sim.tracks)
    assert str(residual_table(sim.truth, sim.tracks, ready)) == str(
        residual_table(sim.truth, sim.tracks)
    )
    # It is the fit given that counts: with its first hundred camera frames out fewer points are
    # left.
    fewer = ready.is_inlier.copy()
    fewer[:, :100] = False
    table = residual_table(sim.truth, sim.tracks, replace(ready, is_inlier=fewer))
    left_out = sum(r.stats.n_left_out for r in table_of(sim).cameras)
    lost = int(ready.is_inlier[:, :100].sum())
    assert lost > 100 and sum(r.stats.n_left_out for r in table.cameras) == left_out + lost


def test_a_solves_own_statistics_stand_in_its_table():
    sim = capture(n_cameras=4, seed=22)
    solution = solve_rig(sim.tracks, sim.wand)
    fit = solution.rig_fit
    table = residual_table(solution.rig, solution.tracks, fit)
    assert {r.name: r.stats for r in table.cameras} == {
        c.name: c.stats for c in solution.rig.cameras
    }
    anew = residual_table(solution.rig, solution.tracks, replace(fit, stats=None))
    for a, b in zip(table.cameras, anew.cameras, strict=True):
        # The solve counts what the wands took up with its last weights; these are settled to one
        # part in 200.
        assert a.stats.sigma_px == pytest.approx(b.stats.sigma_px, rel=5e-3)
        assert asdict(replace(a.stats, sigma_px=0.0)) == asdict(replace(b.stats, sigma_px=0.0))
        assert a.verdict == b.verdict


def test_a_wand_in_another_unit_is_asked_about_with_the_markers_own_size(
    call: Call, tmp_path: Path
) -> None:
    """No image tells it; a marker of 1.6 mm anyone can see is none of 16 mm. A rig that is small
    in truth is no case to act on.
    """
    sim = capture(n_cameras=4, seed=22)
    table = residual_table(solve_rig(sim.tracks, sim.wand).rig, sim.tracks)
    # Discs as the simulator draws them, blurred a little.
    assert table.sizes.marker_mm == pytest.approx(Scenario().marker_diameter_mm, rel=0.3)
    assert table.sizes.is_usual and size_asked(table) == ""
    tracks, wand, rig = (tmp_path / n for n in ("t.h5", "cm.toml", "rig.h5"))
    save_tracks(sim.tracks, tracks)
    save_wand(replace(sim.wand, points_mm=sim.wand.points_mm / 10.0), wand)
    code, printed, _ = call("solve", tracks, "--wand", wand, "-o", rig)
    verdict, asked = printed.splitlines()[:2]
    assert code == 0 and verdict == "All 4 cameras good."
    assert asked.startswith("Is this so: wand 46 mm, markers some 1.") and "state mm" in asked
