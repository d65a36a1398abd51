"""The command that draws captures to try things on: simulate."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.help import argument, option
from calib.cli.options import Force
from calib.errors import InputError, OutputError

if TYPE_CHECKING:
    from calib.core.tracks import Tracks
    from calib.simulate import Knock, Scenario, Simulation


TICK_S = 0.2  # from one write of a recording to the next


def simulate(
    out_dir: Annotated[Path, argument("OUT_DIR", "Folder to write to; made where absent.")],
    scenario: Annotated[
        Path | None, option("--scenario FILE", "Scenario (TOML); options go before it.")
    ] = None,
    layout: Annotated[str | None, option("--layout", "room, corridor, row or dome.")] = None,
    cameras: Annotated[int | None, option("--cameras", "Number of cameras, 2 to 300.")] = None,
    frames: Annotated[int | None, option("--frames", "Number of frames.")] = None,
    wand: Annotated[str | None, option("--wand", "line3, plane5 or solid6.")] = None,
    noise: Annotated[
        float | None, option("--noise", "Standard deviation of a centroid's coordinate, px.")
    ] = None,
    seed: Annotated[int | None, option("--seed", "Another seed draws another capture.")] = None,
    plain: Annotated[
        bool,
        option("--plain", "Plain lenses (square pixels, k1, k2) and independent errors alone."),
    ] = False,
    nameless: Annotated[
        bool, option("--nameless", "Points without names, for calib identify.")
    ] = False,
    waves: Annotated[
        int,
        option("--waves", "Also wave2.h5 and so on: later waves of the same rig.", min=1, max=99),
    ] = 1,
    knock: Annotated[
        list[str] | None,
        option(
            "--knock CAM:TURN[,SHIFT]",
            "A camera knocked after the first wave, as cam03:0.3deg or cam03:0.3deg,5mm; several.",
        ),
    ] = None,
    day: Annotated[
        int | None,
        option(
            "--day N",
            "Also day.h5: N nameless markers of everyday work, half a minute, after all "
            "waves and knocks; for calib recheck --any.",
            min=1,
            max=500,
        ),
    ] = None,
    floor: Annotated[
        bool, option("--floor", "Also floor.h5: a frame of three markers at rest.")
    ] = False,
    bar: Annotated[
        bool, option("--bar", "Also bar.h5 and bar.toml: a certified bar carried about.")
    ] = False,
    images: Annotated[
        int | None,
        option(
            "--images N",
            "Also images/, what each camera saw in the first N frames, and images.toml, their "
            "list; of a small sensor and large markers unless the scenario says width.",
            min=1,
        ),
    ] = None,
    live: Annotated[
        bool, option("--live", "tracks.h5 grows as the wave goes on, for calib watch.")
    ] = False,
    speed: Annotated[
        float, option("--speed X", "With --live: so many times as fast.", min=0.01)
    ] = 1.0,
    force: Force = False,
) -> None:
    """Simulate a rig and a wand wave: tracks.h5, wand.toml, truth.h5 (the true rig) and
    scenario.toml; on request what the other commands take.

    Examples:
      calib simulate trial
      calib simulate trial --layout corridor --cameras 12 --floor --bar
      calib simulate trial --waves 2 --knock cam03:0.3deg    # wave2.h5: cam03 was knocked
      calib simulate pictures --cameras 4 --frames 80 --images 80

    Lenses are decentred and pixels not square, noise grows with distance and at times
    lasts, as with real cameras; --plain draws ideal ones. "calib formats scenario"
    lists all that a scenario file can ask for: late, noisy or half-blind cameras,
    reflections, knocks.
    """
    import calib.simulate as simulation
    from calib import files
    from calib.cli import console
    from calib.core.fields import as_toml
    from calib.simulate.path import n_frames

    options = {
        "layout": layout,
        "n_cameras": cameras,
        "n_frames": frames,
        "wand": wand,
        "sigma_px": noise,
        "seed": seed,
        "is_named": False if nameless else None,
    }
    given = {key: value for key, value in options.items() if value is not None}

    def parse(table: dict[str, Any]) -> Scenario:
        small = {} if images is None or "width" in table else dict(simulation.SMALL_IMAGES)
        usual = dict(simulation.PLAIN) if plain else {}
        return simulation.Scenario.from_dict(table | small | usual | given)

    chosen = parse({}) if scenario is None else files.load_scenario(scenario, parse)
    knocks = _knocks(knock or [], chosen, waves > 1 or day is not None)
    names = ["tracks.h5", "wand.toml", "truth.h5", "scenario.toml"]
    names += [f"wave{n}.h5" for n in range(2, waves + 1)]
    names += ["truth_after.h5"] if chosen.knock or knocks else []
    names += [f"{name}.h5" for name, is_asked in (("day", day), ("floor", floor)) if is_asked]
    names += ["bar.h5", "bar.toml"] if bar else []
    names += ["images.toml"] if images else []
    is_new = not out_dir.exists()
    # A folder that is still to be made stands for its files.
    targets = [out_dir] if is_new else [out_dir / name for name in names]
    files.check_outputs(targets, force, inputs=[scenario] if scenario else [])
    shown = range(min(images or 0, n_frames(chosen)))
    pictures = [_picture(camera, n) for camera in chosen.names for n in shown]
    if images and not is_new:
        files.check_output_folder(out_dir / "images", pictures, force)
    made = simulation.simulate(chosen)
    later = [simulation.later_wave(made, n, knocks) for n in range(1, waves)]
    last = simulation.later_wave(made, waves, knocks) if day else [made, *later][-1]
    further = {} if live else {"tracks.h5": made.tracks}
    further |= {f"wave{n}.h5": wave.tracks for n, wave in enumerate(later, 2)} | {
        **({"day.h5": simulation.day_capture(last, day).tracks} if day else {}),
        **({"floor.h5": simulation.floor_capture(made)} if floor else {}),
    }
    of_bar, known = simulation.bar_capture(made) if bar else (made.tracks, made.wand)
    further |= {"bar.h5": of_bar} if bar else {}
    drawn = _drawn(made, shown) if images else {}
    with _whole(out_dir, is_new):
        files.save_wand(made.wand, out_dir / "wand.toml", force)
        files.save_rig(made.truth, out_dir / "truth.h5", force)
        if "truth_after.h5" in names:
            files.save_rig(last.truth_after, out_dir / "truth_after.h5", force)
        files.write_text(out_dir / "scenario.toml", as_toml(chosen.as_dict()), force)
        for name, tracks in further.items():
            files.save_tracks(tracks, out_dir / name, force)
        if bar:
            files.save_wand(known, out_dir / "bar.toml", force)
        if images:
            files.write_text(out_dir / "images.toml", _image_list(made), force)
            files.write_folder(out_dir / "images", drawn, force)
    if live:
        _record(made.tracks, out_dir / "tracks.h5", speed, force)
    console.note(_told(made, names, len(drawn), out_dir))


def _told(made: Simulation, names: list[str], n_images: int, out_dir: Path) -> str:
    from calib.core.names import counted

    cameras = counted(len(made.tracks.cameras), "camera")
    points = counted(sum(c.n_points for c in made.tracks.cameras), "point")
    written = ", ".join([*names, *([counted(n_images, "image")] if n_images else [])])
    return f"wrote {written} to {out_dir} ({cameras}, {points})"


def _knocks(texts: list[str], chosen: Scenario, is_followed: bool) -> list[Knock]:
    """Return what ``--knock`` states: something follows, each camera is one of the rig's and
    knocked but once.
    """
    from calib.simulate import Knock

    if texts and not is_followed:
        raise InputError(
            "--knock",
            expected="a wave or a day after it",
            found="one wave alone",
            remedy="Add --waves 2, or --day 30.",
        )
    knocks = [Knock.parse(text) for text in texts]
    chosen.require_cameras("--knock", [k.camera for k in knocks])
    every = [k.camera for k in (*chosen.knock, *knocks)]
    if len(set(every)) < len(every):
        raise InputError(
            "--knock", expected="each camera once, in the scenario or here", found=", ".join(every)
        )
    return knocks


@contextmanager
def _whole(out_dir: Path, is_new: bool) -> Iterator[None]:
    """Make the folder where it is absent; all that is written there appears together."""
    from calib.outputs import together

    try:
        if is_new:
            out_dir.mkdir()
        with together():
            yield
    except BaseException as error:
        if is_new:
            with suppress(OSError):
                out_dir.rmdir()
        if isinstance(error, OSError):
            raise OutputError(
                str(out_dir),
                expected="a folder that can be made",
                found=str(error.strerror),
                remedy="Choose another.",
            ) from None
        raise


def _record(tracks: Tracks, path: Path, speed: float, force: bool) -> None:
    """Write a tracks file as its recording would: frames come when it is their time."""
    from calib import files
    from calib.cli import console
    from calib.cli.waves.live import in_seconds

    console.note(f"recording {path}: calib watch follows it")
    with files.recording(path, tracks, force) as append, console.progress() as progress:
        start = time.monotonic()
        parts = list(in_seconds(tracks, TICK_S))
        for k, part in enumerate(parts, 1):
            time.sleep(max(0.0, start + k * TICK_S / speed - time.monotonic()))
            append(part)
            progress("recording", k, len(parts))


def _picture(camera: str, frame: int) -> str:
    return f"{camera}_{frame:05d}.png"


def _drawn(made: Simulation, shown: range) -> dict[str, bytes]:
    """Return the image files of some frames by name."""
    from calib.cli import console
    from calib.intake.centroids.sources import png
    from calib.simulate import render

    out: dict[str, bytes] = {}
    with console.progress() as progress:
        for camera, frame, image in render(made, frames=shown):
            out[_picture(camera, frame)] = png(image)
            progress("images", len(out), len(shown) * len(made.tracks.cameras))
    return out


def _image_list(made: Simulation) -> str:
    """Return the list of the images: their rate, and what the tracks state of each lens."""
    from calib.core.fields import as_toml

    cameras = {}
    for c in made.tracks.cameras:
        own: dict[str, Any] = {"pixel_pitch_mm": c.pixel_pitch_mm, "focal_mm": c.focal_mm}
        if c.lens is not None:
            own |= {"K": c.lens.K.tolist(), "dist": c.lens.dist.tolist()}
        cameras[c.name] = {key: value for key, value in own.items() if value is not None}
    return as_toml({"frame_rate": made.scenario.frame_rate_hz, "cameras": cameras})
