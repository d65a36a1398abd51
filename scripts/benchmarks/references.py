"""A small wand problem by ours, Ceres, GTSAM and SciPy: time, final cost, and whether all reach the
same minimum.

GTSAM and SciPy get the residuals from Python here, so their times are mostly Python's; what counts
is that two solvers that share no code with ours, on residuals written apart from ours, end at the
same cost. Those residuals take rotation vectors, and their derivatives are complex steps (Squire &
Trapp, Using complex variables to estimate derivatives of real functions, SIAM Review 40(1), 1998).
Neither library is a dependency of the project.
"""

from __future__ import annotations

import argparse
import importlib
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.core.geometry import Array, vector_from_rotation
from calib.core.parameters import term_values
from scripts.benchmarks.ceres import KINDS, compile_ceres, run_ceres, write_problem
from scripts.benchmarks.speed import best, ours
from scripts.benchmarks.table import WORK, Row, note
from scripts.benchmarks.wand_task import SMALL_ROOM_MM, TERMS, Task, make_simulation, make_task

N_CAMERA, N_FRAME = 6 + len(TERMS), 6
AGREE = 1e-6
Complex = NDArray[np.complexfloating[Any, Any]]
STEP = 1e-30  # of the complex step: nothing is subtracted, so nothing cancels


def turned(vector: Complex, points: Complex) -> Complex:
    """Return points (..., 3) turned by rotation vectors (..., 3), after Rodrigues; for complex
    vectors too.
    """
    squared = (vector * vector).sum(axis=-1, keepdims=True)
    angle = np.sqrt(squared)  # no camera or wand here is unturned
    c, s = np.cos(angle), np.sin(angle) / angle
    along = (vector * points).sum(axis=-1, keepdims=True)
    return np.asarray(
        points * c + np.cross(vector, points) * s + vector * along * (1.0 - c) / squared
    )


def predicted(camera: Complex, frame: Complex, marker: Array) -> Complex:
    """Return image points (..., 2) of markers (..., 3) for cameras (..., 11) and wand poses (...,
    6).
    """
    world = turned(frame[..., :3], marker + 0j) + frame[..., 3:]
    x = turned(camera[..., :3], world) + camera[..., 3:6]
    plane = x[..., :2] / x[..., 2:]
    r2 = (plane * plane).sum(axis=-1, keepdims=True)
    focal, centre, k1, k2 = (
        camera[..., 6:7],
        camera[..., 7:9],
        camera[..., 9:10],
        camera[..., 10:11],
    )
    return np.asarray(focal * plane * (1.0 + r2 * (k1 + r2 * k2)) + centre)


class Reference:
    """The problem in plain arrays: points with camera, frame, marker, image point and sigma, and
    the lens priors.
    """

    def __init__(self, task: Task) -> None:
        problem, s = task.problem(), task.start
        marker, pair = np.nonzero(problem.weight > 0)
        order = np.lexsort((marker, problem.cam[pair], problem.frame[pair]))
        marker, pair = marker[order], pair[order]
        self.cam, self.frame, self.marker = (
            problem.cam[pair],
            problem.frame[pair],
            s.shape_mm[marker],
        )
        self.uv, self.weight = (
            problem.uv_px[:, marker, pair].T,
            problem.weight[marker, pair][:, None],
        )
        terms = [term_values(s.lens, n)[:, None] for n in TERMS]
        self.cameras = np.hstack([vector_from_rotation(s.cam_R), s.cam_t, *terms])
        self.frames = np.hstack([vector_from_rotation(s.wand_R), s.wand_t])
        self.prior_mean, self.prior_weight = task.prior.mean, 1.0 / task.prior.sigma

    def rows(
        self, camera: Array, frame: Array, at: NDArray[np.intp] | slice
    ) -> tuple[Array, Array]:
        """Return whitened residuals (n, 2), predicted minus observed, and derivatives (n, 2, 17) of
        points ``at``.

        ``camera`` (n, 11) and ``frame`` (n, 6) are each point's own.
        """
        both = np.hstack([camera, frame]).astype(complex)
        steps = both + 1j * STEP * np.eye(N_CAMERA + N_FRAME)[:, None]
        uv = predicted(steps[..., :N_CAMERA], steps[..., N_CAMERA:], self.marker[at])
        weight = self.weight[at]
        residual = weight * (uv[0].real - self.uv[at])
        return residual, np.moveaxis(uv.imag / STEP * weight, 0, -1)


def run_scipy(ref: Reference) -> tuple[float, float, int]:
    """Return seconds, cost and evaluations of ``least_squares`` with a dense exact Jacobian."""
    n_cameras, n = len(ref.cameras), len(ref.uv)
    split = n_cameras * N_CAMERA
    columns = np.hstack(
        [
            ref.cam[:, None] * N_CAMERA + np.arange(N_CAMERA),
            split + ref.frame[:, None] * N_FRAME + np.arange(N_FRAME),
        ]
    )

    def unpack(x: Array) -> tuple[Array, Array]:
        return x[:split].reshape(-1, N_CAMERA), x[split:].reshape(-1, N_FRAME)

    def residual(x: Array) -> Array:
        cameras, frames = unpack(x)
        uv = predicted(cameras[ref.cam] + 0j, frames[ref.frame] + 0j, ref.marker).real
        prior = ref.prior_weight * (cameras[:, 6:] - ref.prior_mean)
        return np.concatenate([(ref.weight * (uv - ref.uv)).ravel(), prior.ravel()])

    def jacobian(x: Array) -> Array:
        cameras, frames = unpack(x)
        J = np.zeros((2 * n + ref.prior_weight.size, len(x)))
        _, blocks = ref.rows(cameras[ref.cam], frames[ref.frame], slice(None))
        J[: 2 * n].reshape(n, 2, -1)[
            np.arange(n)[:, None, None], np.arange(2)[:, None], columns[:, None]
        ] = blocks
        lens = (np.arange(n_cameras)[:, None] * N_CAMERA + np.arange(6, N_CAMERA)).ravel()
        J[2 * n + np.arange(len(lens)), lens] = ref.prior_weight.ravel()
        return J

    begin = perf_counter()
    x0 = np.concatenate([ref.cameras.ravel(), ref.frames.ravel()])
    out = least_squares(
        residual, x0, jacobian, x_scale="jac", ftol=1e-9, xtol=1e-14, gtol=1e-12, max_nfev=100
    )
    return perf_counter() - begin, float(out.cost), int(out.nfev)


def run_gtsam(ref: Reference) -> tuple[float, float, int]:
    """Return seconds, cost and iterations of GTSAM's Levenberg-Marquardt, one factor a camera and
    frame.
    """
    gtsam = importlib.import_module("gtsam")
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    cam_key = [gtsam.symbol("c", i) for i in range(len(ref.cameras))]
    frame_key = [gtsam.symbol("f", i) for i in range(len(ref.frames))]
    for keys, vectors in ((cam_key, ref.cameras), (frame_key, ref.frames)):
        for key, vector in zip(keys, vectors, strict=True):
            values.insert(key, vector)

    def reprojection(at: NDArray[np.intp]):  # type: ignore[no-untyped-def]
        def error(this, values, jacobians):  # type: ignore[no-untyped-def]
            camera, frame = map(values.atVector, this.keys())
            residual, J = ref.rows(np.tile(camera, (len(at), 1)), np.tile(frame, (len(at), 1)), at)
            if jacobians is not None:
                J = J.reshape(2 * len(at), -1)
                jacobians[0], jacobians[1] = (
                    np.asfortranarray(J[:, :N_CAMERA]),
                    np.asfortranarray(J[:, N_CAMERA:]),
                )
            return residual.ravel()

        return error

    def prior(c: int):  # type: ignore[no-untyped-def]
        J = np.asfortranarray(np.hstack([np.zeros((len(TERMS), 6)), np.diag(ref.prior_weight[c])]))

        def error(this, values, jacobians):  # type: ignore[no-untyped-def]
            if jacobians is not None:
                jacobians[0] = J
            return ref.prior_weight[c] * (values.atVector(this.keys()[0])[6:] - ref.prior_mean[c])

        return error

    starts = np.flatnonzero(np.diff(ref.cam, prepend=-1) | np.diff(ref.frame, prepend=-1))
    for at in np.split(np.arange(len(ref.uv)), starts[1:]):
        noise = gtsam.noiseModel.Unit.Create(2 * len(at))
        keys = [cam_key[ref.cam[at[0]]], frame_key[ref.frame[at[0]]]]
        graph.add(gtsam.CustomFactor(noise, keys, reprojection(at)))
    for c, key in enumerate(cam_key):
        graph.add(gtsam.CustomFactor(gtsam.noiseModel.Unit.Create(len(TERMS)), [key], prior(c)))
    params = gtsam.LevenbergMarquardtParams()
    params.setRelativeErrorTol(1e-12)
    params.setAbsoluteErrorTol(0.0)
    params.setMaxIterations(100)
    ordering = gtsam.Ordering()
    for key in frame_key + cam_key:  # frames first, as each meets the cameras alone
        ordering.push_back(key)
    params.setOrdering(ordering)
    begin = perf_counter()
    optimizer = gtsam.LevenbergMarquardtOptimizer(graph, values, params)
    optimizer.optimize()
    return perf_counter() - begin, float(optimizer.error()), int(optimizer.iterations())


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--cameras", type=int, default=6)
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)


def run(options: argparse.Namespace) -> list[Row]:
    sim = make_simulation(options.cameras, options.frames, options.seed, size_mm=SMALL_ROOM_MM)
    task, seed = make_task(sim, options.seed), str(options.seed)
    ref = Reference(task)
    what = f"references: {options.cameras} × {options.frames} ({len(ref.uv):,} points)"
    run_ours = ours(task)
    mine = best([run_ours() for _ in range(3)])
    rows = [
        Row(
            f"{what}, calib",
            "",
            f"{mine.total_s:.3f} s, {mine.n_total} steps, cost {mine.cost:.6f}",
            None,
            seed,
        )
    ]

    def compared(program: str, seconds: float, cost: float, n: int) -> Row:
        found = f"{seconds:.3f} s, {n} steps, cost {cost:.6f}, off by {cost / mine.cost - 1:+.0e}"
        return Row(
            f"{what}, {program}",
            f"cost within {AGREE:g}",
            found,
            abs(cost / mine.cost - 1) <= AGREE,
            seed,
        )

    program = compile_ceres()
    if isinstance(program, Path):
        path = WORK / "small.txt"
        write_problem(task, path)
        for kind in KINDS:
            t = run_ceres(program, path, kind)
            rows.append(compared(t.program, t.total_s, t.cost, t.n_total))
    else:
        rows.append(Row(f"{what}, Ceres", "", f"not run: {program}", None))
    try:
        rows.append(compared("GTSAM, factors in Python", *run_gtsam(ref)))
    except ModuleNotFoundError:
        rows.append(Row(f"{what}, GTSAM", "", "not run: not installed (pip install gtsam)", None))
    rows.append(compared("SciPy least_squares, dense", *run_scipy(ref)))
    for row in rows:
        note(f"{row.what}: {row.found}")
    return rows
