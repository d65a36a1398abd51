"""Commands that make and judge captures: simulate, import, inspect."""

# ruff: noqa: PLC0415 - what loads SciPy, OpenCV or HDF5 waits for the command that needs it: --help
# is quick

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.options import AsJson, Force, TracksFile, WandFile, load_capture
from calib.errors import OutputError


def add_commands(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command("simulate")(simulate)
    app.command("import")(import_table)
    app.command("inspect")(inspect)


def simulate(
    out_dir: Annotated[
        Path, typer.Argument(metavar="OUT_DIR", help="Folder to write to; made where absent.")
    ],
    scenario: Annotated[
        Path | None,
        typer.Option("--scenario", metavar="FILE", help="Scenario (TOML); options go before it."),
    ] = None,
    layout: Annotated[str | None, typer.Option(help="room, corridor, row or dome.")] = None,
    cameras: Annotated[int | None, typer.Option(help="Number of cameras, 2 to 200.")] = None,
    frames: Annotated[int | None, typer.Option(help="Number of frames.")] = None,
    wand: Annotated[str | None, typer.Option(help="line3, plane5 or solid6.")] = None,
    noise: Annotated[
        float | None, typer.Option(help="Standard deviation of a centroid's coordinate, px.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Another seed draws another capture.")] = None,
    plain: Annotated[
        bool,
        typer.Option(
            "--plain", help="Plain lenses (square pixels, k1, k2) and independent errors alone."
        ),
    ] = False,
    floor: Annotated[
        bool, typer.Option("--floor", help="Also floor.h5: a frame of three markers at rest.")
    ] = False,
    bar: Annotated[
        bool, typer.Option("--bar", help="Also bar.h5 and bar.toml: a certified bar carried about.")
    ] = False,
    force: Force = False,
) -> None:
    """Simulate a rig and a wand wave: tracks.h5, wand.toml, truth.h5 (the true rig) and
    scenario.toml; on request what else align and verify take.
    """
    import calib.simulate as simulation
    from calib import files
    from calib.cli.console import note
    from calib.core.fields import as_toml

    def parse(table: dict[str, Any]) -> simulation.Scenario:
        given = {
            "layout": layout,
            "n_cameras": cameras,
            "n_frames": frames,
            "wand": wand,
            "sigma_px": noise,
        }
        given |= {"seed": seed} | (dict(simulation.PLAIN) if plain else {})
        return simulation.Scenario.from_dict(
            table | {key: v for key, v in given.items() if v is not None}
        )

    chosen = parse({}) if scenario is None else files.load_scenario(scenario, parse)
    names = ["tracks.h5", "wand.toml", "truth.h5", "scenario.toml"]
    names += ["truth_after.h5"] if chosen.knock else []
    names += ["floor.h5"] if floor else []
    names += ["bar.h5", "bar.toml"] if bar else []
    is_new = not out_dir.exists()
    # A folder that is still to be made stands for its files.
    for target in [out_dir] if is_new else [out_dir / name for name in names]:
        files.check_output(target, force, inputs=[scenario] if scenario else [])
    made = simulation.simulate(chosen)
    existing = {name for name in names if (out_dir / name).exists()}
    try:
        if is_new:
            out_dir.mkdir()
        files.save_tracks(made.tracks, out_dir / "tracks.h5", force)
        files.save_wand(made.wand, out_dir / "wand.toml", force)
        files.save_rig(made.truth, out_dir / "truth.h5", force)
        if chosen.knock:
            files.save_rig(made.truth_after, out_dir / "truth_after.h5", force)
        files.write_text(out_dir / "scenario.toml", as_toml(chosen.as_dict()), force)
        if floor:
            files.save_tracks(simulation.floor_capture(made), out_dir / "floor.h5", force)
        if bar:
            tracks, known = simulation.bar_capture(made)
            files.save_tracks(tracks, out_dir / "bar.h5", force)
            files.save_wand(known, out_dir / "bar.toml", force)
    except BaseException as error:
        with suppress(OSError):
            for name in set(names) - existing:
                (out_dir / name).unlink(missing_ok=True)
            if is_new:
                out_dir.rmdir()
        if isinstance(error, OSError):
            raise OutputError(
                str(out_dir),
                expected="a folder that can be made",
                found=str(error.strerror),
                remedy="Choose another.",
            ) from None
        raise
    points = sum(c.n_points for c in made.tracks.cameras)
    note(
        f"wrote {', '.join(names)} to {out_dir} ({len(made.tracks.cameras)} cameras, "
        f"{points} points)"
    )


def import_table(
    table: Annotated[
        Path,
        typer.Argument(
            metavar="CSV", help="Columns camera,frame,x,y and optionally marker,radius."
        ),
    ],
    cameras: Annotated[
        Path,
        typer.Argument(
            metavar="CAMERAS.toml", help="frame_rate and a [cameras.<name>] table for each camera."
        ),
    ],
    output: Annotated[
        Path, typer.Option("-o", "--output", metavar="TRACKS", help="Tracks file to write.")
    ],
    force: Force = False,
) -> None:
    """Make a tracks file from comma-separated values."""
    from calib import files
    from calib.cli.console import note

    files.check_output(output, force, inputs=[table, cameras])
    tracks = files.load_table(table, cameras)
    files.save_tracks(tracks, output, force)
    note(
        f"wrote {output} ({len(tracks.cameras)} cameras, "
        f"{sum(c.n_points for c in tracks.cameras)} points)"
    )


def inspect(tracks: TracksFile, wand: WandFile, as_json: AsJson = False) -> None:
    """Say whether a capture is good enough to solve: counts, coverage, overlap, islands, timing,
    the wave itself.
    """
    import calib
    from calib.check.verdicts import Shortcoming, Verdict
    from calib.cli import console
    from calib.report import inspection as report

    at_the_camera = {Shortcoming.BLIND, Shortcoming.TIMING}
    found = calib.inspect(*load_capture(tracks, wand))
    if as_json:
        console.print_json(report.as_json(found))
    else:
        console.print_report(report.as_lines(found, console.width()))
        if any(f.severity == Verdict.ACT and f.kind in at_the_camera for f in found.findings):
            console.caution()
    raise typer.Exit(0 if found.good else 1)
