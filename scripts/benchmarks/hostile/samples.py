"""Good files of every kind that a command reads, small, to be spoiled."""

from __future__ import annotations

import io
import shutil
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path

import cv2
import numpy as np
from typer.main import get_command

from calib.cli.main import app
from calib.intake.centroids.sources import quiet
from calib.report.papers.formats import named

IMAGES = (".png", ".jpg", ".bmp", ".tif", ".pgm", ".webp", ".jp2")
OLD_RIG = Path(__file__).parents[3] / "tests" / "data" / "rig_version_1.h5"


PROGRAM = get_command(app)  # made once: to make it takes ten times what a short command does


def call(arguments: list[str]) -> tuple[int, str, str]:
    """Return exit code, standard output and standard error of a command in this process."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", "backslashreplace") for _ in range(2))
    code = 0
    with redirect_stdout(out), redirect_stderr(err):
        try:
            PROGRAM(arguments)
        except SystemExit as end:
            code = int(end.code or 0)
    texts = []
    for stream in (out, err):
        stream.flush()
        assert isinstance(stream.buffer, io.BytesIO)
        texts.append(stream.buffer.getvalue().decode("utf-8", "replace"))
    return code, texts[0], texts[1]


def calib(folder: Path, *arguments: object) -> None:
    """Run a command that must do."""
    with chdir(folder):
        code, _, said = call(list(map(str, arguments)))
    if code not in (0, 1):
        raise RuntimeError(f"calib {' '.join(map(str, arguments))}: {said}")


def make(folder: Path) -> None:
    """Write the files into a new folder."""
    folder.mkdir(parents=True)
    calib(
        folder,
        "simulate",
        "sim",
        "--cameras",
        4,
        "--frames",
        400,
        "--seed",
        3,
        "--floor",
        "--bar",
        "--waves",
        2,
        "--knock",
        "cam02:1deg",
    )
    for path in (folder / "sim").iterdir():
        shutil.move(path, folder / path.name)
    (folder / "sim").rmdir()
    calib(
        folder,
        "simulate",
        "sim",
        "--cameras",
        3,
        "--frames",
        200,
        "--seed",
        4,
        "--nameless",
        "--wand",
        "line3",
    )
    shutil.move(folder / "sim" / "tracks.h5", folder / "nameless.h5")
    shutil.move(folder / "sim" / "wand.toml", folder / "line.toml")
    shutil.rmtree(folder / "sim")
    calib(folder, "solve", "tracks.h5", "--wand", "wand.toml", "-o", "rig.h5")
    calib(folder, "reconstruct", "rig.h5", "tracks.h5", "-o", "points.h5", "--frames", "0-40")
    calib(folder, "reconstruct", "rig.h5", "tracks.h5", "-o", "points.csv", "--frames", "0-9")
    calib(folder, "select", "tracks.h5", "--frames", "0-60", "-o", "short.h5")
    shutil.copy(OLD_RIG, folder / "old.h5")
    for kind in ("cameras", "images", "plan", "wand", "table"):
        name = {"table": "table.csv", "wand": "example.toml"}.get(kind, f"{kind}.toml")
        (folder / name).write_text(named(kind).example, encoding="utf-8")
    y, x = np.mgrid[:64, :80]
    spots = [(20.3, 15.8), (55.1, 40.2), (30.7, 50.5)]
    image = sum(180 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 8) for a, b in spots) + 10
    grey = np.asarray(image).astype(np.uint8)
    for ending in IMAGES:
        is_good, data = cv2.imencode(ending, grey)
        if is_good:
            (folder / f"cam_000001{ending}").write_bytes(data.tobytes())
    with quiet():  # for all of the process: FFmpeg asks but once how loud it is to be
        writer = cv2.VideoWriter(
            str(folder / "cam.avi"), cv2.VideoWriter.fourcc(*"MJPG"), 25.0, (80, 64), False
        )
    for _ in range(3):
        writer.write(grey)
    writer.release()
