"""The file formats as people read them: from the items that check the files, each with a complete
example.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from calib.core.fields import CAMERA
from calib.core.layout import POINT_TABLE, RIG, SPACE, TRACKS, WAND_FILE, Section
from calib.errors import require_one_of
from calib.intake.centroids.names import IMAGE_LIST
from calib.intake.table import CAMERA_LIST, COLUMNS
from calib.plan.table import PLAN_FILE
from calib.report.own import own_text
from calib.report.tables import Blocks, Listing, Said, strong
from calib.report.words import picked
from calib.simulate.explain import sections as scenario_sections


@dataclass(frozen=True, slots=True)
class FileFormat:
    """A file format, as ``calib formats`` explains it.

    Parameters
    ----------
    name : str
        For ``calib formats``.
    kind : str
        HDF5, TOML or CSV.
    purpose : str
        What it is for.
    sections : tuple of Section
        Its places and what lies there.
    notes : tuple of str
        What else there is to say.
    """

    name: str
    kind: str
    purpose: str
    sections: tuple[Section, ...]
    notes: tuple[str, ...] = ()

    @property
    def language(self) -> str:
        """The example's: an HDF5 file's is a program that writes one."""
        return "python" if self.kind.startswith("HDF5") else self.kind.lower()

    @property
    def example(self) -> str:
        """A complete file, all of it invented; every one is read back in the tests."""
        ending = "py.txt" if self.language == "python" else self.language
        return own_text(f"papers/examples/{self.name}.{ending}")


def formats() -> tuple[FileFormat, ...]:
    """Return all formats, in the order in which a job meets them.

    Returns
    -------
    tuple of FileFormat
        What each file holds, place by place, with an example.
    """
    cameras = Section("[cameras.<name>]", "keys", CAMERA)
    free = tuple(replace(item, is_needed=False) for item in CAMERA)
    known = Section("[cameras.<name>]", "keys", free, False)
    return (
        FileFormat(
            "tracks",
            "HDF5",
            "what each camera saw: centroids by frame; calib import, calib "
            "centroids and calib simulate write it",
            TRACKS,
            (
                "A camera has at most one point per frame and marker; some may have none at all.",
                "What else is in the file is ignored.",
            ),
        ),
        FileFormat(
            "table",
            "CSV",
            "points for calib import, beside a camera list",
            (Section("first line", "columns", COLUMNS),),
            ("Columns may stand in any order; rows too.",),
        ),
        FileFormat(
            "cameras",
            "TOML",
            "the camera list: what the table for calib import does not say",
            (Section("top level", "keys", CAMERA_LIST), cameras),
            ("A lens is either measured (K and dist) or nominal (focal_mm and pixel_pitch_mm).",),
        ),
        FileFormat(
            "images",
            "TOML",
            "the image list for calib centroids --list: what names of image files do not say",
            (Section("top level", "keys", IMAGE_LIST), known),
            ("width and height of a camera are not needed here: they are only checked.",),
        ),
        FileFormat(
            "wand",
            "TOML",
            "the wand: its markers and certified lengths",
            WAND_FILE,
            (
                "Two markers or more; on a line, in a plane or in space.",
                "calib verify takes such a file of another bar (--bar) with certified lengths, "
                'and a limit as text: --limit "A=0.2 K=5000 B=0.5" allows 0.2 mm + length/5000, at '
                "most 0.5 mm.",
            ),
        ),
        FileFormat(
            "survey",
            "TOML",
            "markers of known coordinates, for calib align --survey: written as a wand is",
            WAND_FILE,
            ("Three markers or more, not all on a line.",),
        ),
        FileFormat(
            "plan",
            "TOML",
            "the plan of a rig: room, volume, cameras, and what must be reached; "
            "calib plan judges it",
            PLAN_FILE,
            (
                "z is up. [common] holds any key of a camera but those of its place and aim.",
                "Without [wand] it is one of 460 mm with three markers.",
            ),
        ),
        FileFormat(
            "rig",
            "HDF5",
            "a solved rig: poses, lenses and how sure they are; calib solve writes "
            "it, calib export turns it into other formats",
            RIG,
            (
                "Groups of /cameras are in the rig's order (creation order).",
                "What else is in the file is ignored.",
            ),
        ),
        FileFormat(
            "points",
            "HDF5 or CSV",
            "markers in space, a row a marker and frame; calib reconstruct writes it",
            (*SPACE, Section("CSV: first line", "columns", POINT_TABLE)),
            (
                "Rows are by frame, then marker; a marker that no two cameras place has none.",
                "CSV (-o POINTS.csv) has the same, in mm, mm² and px, in this order.",
                "C3D (-o POINTS.c3d) has places and rms_mm; its frames count from 1, so frame 0 of "
                "the tracks is its frame 1.",
            ),
        ),
        FileFormat(
            "scenario",
            "TOML",
            "what calib simulate draws; a key left out has its default, which stands first below",
            scenario_sections(),
        ),
    )


def named(name: str) -> FileFormat:
    """Return the format of that name, or raise InputError with the names there are."""
    known = {f.name: f for f in formats()}
    require_one_of("NAME", name, known)
    return known[name]


def overview() -> Blocks:
    """Return all formats, a line each."""
    heads = ("name", "file", "what it is")
    rows = [heads, *((f.name, f.kind, f.purpose.partition(";")[0]) for f in formats())]
    then = "calib formats NAME lists what is in it, with an example; calib formats NAME --example "
    return [Listing(rows), "", f"{then}prints that alone."]


def as_blocks(one: FileFormat) -> Blocks:
    """Return a format: its places, their items, and the example."""
    out: Blocks = [f"{one.name} ({one.kind}): {one.purpose}."]
    for section in one.sections:
        heading = f"{section.place}: {section.holds}"
        out += ["", strong(heading + ("" if section.is_needed else ", may be absent"))]
        rows = [
            (f"{'*' if item.is_needed else ' '} {item.key}", item.holds, item.meaning or "-")
            for item in section.items
        ]
        out.append(Listing(rows))
    out += ["", "* must be there."]
    out += one.notes
    what = "Program that writes one (Python, h5py)" if one.language == "python" else "Example"
    example = (Said(line, is_whole=True) for line in one.example.rstrip("\n").split("\n"))
    return [*out, "", strong(f"{what}:"), "", *example]


def as_json(every: tuple[FileFormat, ...]) -> dict[str, Any]:
    """Return formats as ``calib formats --json`` prints them."""
    return {
        "formats": [
            {
                **picked(f, "name", "kind", "purpose"),
                "sections": [
                    {
                        "place": s.place,
                        "holds": s.holds,
                        "needed": s.is_needed,
                        "items": [
                            picked(item, "key", "holds", "meaning") | {"needed": item.is_needed}
                            for item in s.items
                        ],
                    }
                    for s in f.sections
                ],
                "notes": list(f.notes),
                "language": f.language,
                "example": f.example,
            }
            for f in every
        ]
    }
