"""Commands that look at images: centroids, focus."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.help import argument, option
from calib.cli.options import AsJson, Explain, Force
from calib.cli.reading import inside
from calib.errors import InputError

if TYPE_CHECKING:
    from calib.intake.centroids.spots import SpotOptions
    from calib.intake.centroids.stream import Extraction
    from calib.plan.pointing import Pointing

Threshold = Annotated[
    float | None,
    option(
        "--threshold", "Grey level above which pixels belong to a spot; default: from each image."
    ),
]
FullScale = Annotated[
    float | None,
    option("--full-scale", "Grey level at which pixels saturate; default: from the bit depth."),
]
_LISTED = 5  # gaps named in a note
# What tells how a camera is to look, and where the markers of its image are.
PAIRS = ("--plan", "--marks"), ("--rig", "--marks"), ("--rig", "--tracks")


def centroids(
    images: Annotated[
        list[Path], argument("IMAGES_OR_VIDEO...", "Image files, folders of them, video files.")
    ],
    output: Annotated[Path, option("-o --output TRACKS", "Tracks file to write.")],
    image_list: Annotated[
        Path | None,
        option("--list FILE", "TOML: frame_rate, file_names, and [cameras.<name>] tables."),
    ] = None,
    rate: Annotated[float | None, option("--rate", "Frame rate in Hz.")] = None,
    threshold: Threshold = None,
    full_scale: FullScale = None,
    method: Annotated[
        str, option("--method", "fitted, or weighted: the centre of light.")
    ] = "fitted",
    max_radius: Annotated[float, option("--max-radius", "Largest radius of a spot, px.")] = 60.0,
    min_roundness: Annotated[
        float, option("--min-roundness", "Shorter by longer axis, 0 to 1.")
    ] = 0.8,
    max_blobs: Annotated[
        int, option("--max-blobs", "Blobs kept in an image, largest first.")
    ] = 1000,
    spots: Annotated[
        Path | None,
        option("--spots CSV", "Also write roundness, peak and saturation of every spot."),
    ] = None,
    keep_going: Annotated[
        bool, option("--keep-going", "Name files that cannot be used and go on with the rest.")
    ] = False,
    explain: Explain = False,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Make a tracks file from images: the sub-pixel centres of bright round spots, nameless.

    Examples:
      calib centroids images/ --rate 25 -o tracks.h5
      calib centroids cam01.avi cam02.avi -o tracks.h5
      calib centroids shots/ --list images.toml -o tracks.h5

    Names such as cam01_000123.png or cam01/000123.png state camera and frame, a part
    such as _50fps the rate; an image list (calib formats images) explains other names
    and states lenses. Mono images of 8 or 16 bit and videos are read. Touching markers
    are separated where each still shows its shape; what is not round or cannot be
    separated is refused and counted.
    """
    from calib import files
    from calib.cli import console
    from calib.core.frames import check_rate
    from calib.intake.centroids.names import find_sources
    from calib.intake.centroids.spots import SpotOptions
    from calib.intake.centroids.stream import extract
    from calib.report.captures import images as report

    if rate is not None:
        check_rate("--rate", rate)
    listed = files.load_image_list(image_list) if image_list else None
    sources = find_sources(images, listed)
    files.check_outputs([output, spots], force, inputs=[*(s.path for s in sources), image_list])
    options = SpotOptions(
        threshold=threshold,
        full_scale=full_scale,
        method=method,
        max_radius_px=max_radius,
        min_roundness=min_roundness,
        max_blobs=max_blobs,
    )
    with console.progress() as show:
        found = extract(
            sources, listed, options, rate_hz=rate, keep_going=keep_going, progress=show
        )
    with files.together():
        files.save_tracks(found.tracks, output, force)
        if spots:
            files.write_text(spots, report.spots_as_csv(found), force)
    if as_json:
        console.print_json(report.as_json(found))
    else:
        console.print_report(report.as_blocks(found, explain, str(output)))
    _note_troubles(found, max_blobs)
    console.wrote_points(output, found.cameras)


def _note_troubles(found: Extraction, max_blobs: int) -> None:
    """Say on standard error what an eye should be kept on."""
    from calib.cli import console
    from calib.core.names import counted

    for c in found.cameras:
        if c.missing:
            some = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in c.missing[:_LISTED])
            more = (
                f" and {counted(len(c.missing) - _LISTED, 'more gap')}"
                if len(c.missing) > _LISTED
                else ""
            )
            has = "has" if c.n_missing == 1 else "have"
            frames = counted(c.n_missing, "frame")
            console.note(f"{c.name}: {frames} {has} no image: {some}{more}.")
        if c.n_images and c.n_without_spots == c.n_images:
            console.note(
                f"{c.name}: no spot in {counted(c.n_images, 'image')}. See calib focus IMAGES."
            )
        if c.n_capped:
            capped = counted(c.n_capped, "image")
            console.note(
                f"{c.name}: more than {max_blobs} blobs in {capped}, of which the largest were"
                " kept. Raise --threshold, shorten the exposure or cover what shines."
            )
    for error in found.bad:
        console.note(f"not used: {error}")
    if found.bad:
        verb = "was" if len(found.bad) == 1 else "were"
        console.note(f"{counted(len(found.bad), 'file')} {verb} not used; all others were.")
    if any(c.n_capped or c.n_without_spots == c.n_images > 0 for c in found.cameras):
        console.caution()


def focus(
    images: Annotated[
        list[Path],
        argument("IMAGE...", "Images, folders of them or videos, of one camera or more."),
    ],
    marker_mm: Annotated[float | None, option("--marker-mm", "Diameter of the marker, mm.")] = None,
    distance_mm: Annotated[
        float | None, option("--distance-mm", "From camera to marker, mm.")
    ] = None,
    focal_mm: Annotated[float | None, option("--focal-mm", "Focal length, mm.")] = None,
    pitch_mm: Annotated[float | None, option("--pitch-mm", "Pixel pitch, mm.")] = None,
    plan: Annotated[
        Path | None, option("--plan PLAN.toml", "Also: does it look where its plan says?")
    ] = None,
    rig: Annotated[
        Path | None, option("--rig RIG", "Also: does it look as when this rig was solved?")
    ] = None,
    camera: Annotated[
        str | None,
        option(
            "--camera NAME",
            "With --plan or --rig: its name there.",
            show_default="as the image is called",
        ),
    ] = None,
    marks: Annotated[
        Path | None,
        option(
            "--marks FILE",
            "With --plan or --rig: markers at known places of its world (a wand file).",
        ),
    ] = None,
    tracks: Annotated[
        Path | None,
        option(
            "--tracks TRACKS",
            "With --rig: a capture by the other cameras of markers that lie where they lay "
            "for the image.",
        ),
    ] = None,
    threshold: Threshold = None,
    full_scale: FullScale = None,
    as_json: AsJson = False,
) -> None:
    """Say whether cameras' spots are fit to measure, and what to turn: focus, aperture, exposure,
    zoom.

    Examples:
      calib focus cam01_000123.png
      calib focus images/
      calib focus cam01.avi --marker-mm 16 --distance-mm 5000 --focal-mm 7 --pitch-mm 0.0045
      calib focus cam01.png --plan hall.toml --marks floor.toml
      calib focus cam01.png --rig rig.h5 --tracks at_rest.h5

    Marker, distance, focal length and pitch together predict how wide a spot should be.
    With a plan and markers at known places: does the camera look where it should, and
    how far to turn it. With a rig: does it look as when the rig was solved; markers that
    lie still, in a capture by the other cameras (--tracks), will do.
    """
    from calib.cli import console
    from calib.intake.centroids.focus import Optics
    from calib.intake.centroids.images import focus as judge_focus
    from calib.intake.centroids.spots import SpotOptions
    from calib.report.captures import focus as report
    from calib.report.planned import built

    optics = Optics(
        marker_mm=marker_mm, distance_mm=distance_mm, focal_mm=focal_mm, pitch_mm=pitch_mm
    )
    options = SpotOptions(threshold=threshold, full_scale=full_scale)
    ways = {"--plan": plan, "--rig": rig, "--marks": marks, "--tracks": tracks}
    given = {key: path for key, path in ways.items() if path is not None}
    aim = _aim(images, given, camera, options) if given or camera else None
    with console.progress() as progress:
        verdicts = judge_focus(images, optics, options, progress)
    is_fit = all(v.is_fit for v in verdicts) and (aim is None or aim.is_as_stated())
    if as_json:
        documents = [report.as_json(v) for v in verdicts]
        document = documents[0] if len(documents) == 1 else {"cameras": documents}
        console.print_json(document if aim is None else document | {"aim": built.aim_as_json(aim)})
    else:
        told = [] if aim is None else [*built.aim_as_blocks(aim), ""]
        console.print_report([*told, *report.as_blocks(verdicts)])
        if not is_fit:
            console.caution()
    raise typer.Exit(0 if is_fit else 1)


def _aim(
    images: list[Path], given: dict[str, Path], camera: str | None, options: SpotOptions
) -> Pointing:
    """Return how the camera of the first image looks against its plan or its rig."""
    if tuple(given) not in PAIRS:
        raise InputError(
            "focus",
            expected=", or ".join(" with ".join(pair) for pair in PAIRS),
            found=" and ".join(given) or "--camera alone",
        )
    import calib
    from calib.intake.centroids.images import first_spots
    from calib.plan.pointing import marks_of_others, pointing

    where = given.get("--plan") or given["--rig"]
    stated = calib.load_plan(where) if "--plan" in given else calib.load_rig(where)
    name, spots, (width, height) = first_spots(images, options)
    with inside(where):
        one = stated.camera(camera or name)
    if (one.width, one.height) != (width, height):
        raise InputError(
            str(images[0]),
            expected=f"{one.width} × {one.height} px, as {where} has {one.name}",
            found=f"{width} × {height} px",
            remedy="Name the camera (--camera), or its own image.",
        )
    if isinstance(stated, calib.Rig) and (tracks := given.get("--tracks")):
        with inside(tracks):
            places = marks_of_others(stated, calib.load_tracks(tracks), one.name)
    else:
        places = calib.load_wand(given["--marks"]).points_mm
    return pointing(one, places, spots.xy_px)
