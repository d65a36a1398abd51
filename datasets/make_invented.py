"""Make the invented captures, each from its scenario.toml: tracks.h5, wand.toml and the true rig,
truth.h5.

python datasets/make_invented.py [FOLDER]   (default: this folder)
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.core.camera import Lens
from calib.core.geometry import Pose
from calib.core.rig import Rig
from calib.core.tracks import Tracks
from calib.errors import CalibError
from calib.files import load_scenario, save_rig, save_tracks, save_wand
from calib.simulate import Scenario, simulate

HERE = Path(__file__).parent
CAPTURES = ("rehearsal-hall", "workshop-aisle")


# Machines' mathematics libraries differ in the last bits of a sine. Rounded far above those bits,
# and far below anything a camera resolves, the numbers are the same everywhere to a step of the
# rounding, and nearly all to the bit.
def rounded_tracks(tracks: Tracks) -> Tracks:
    """Return the tracks with points rounded to 0.0001 px and radii to 0.001 px."""
    cameras = (
        replace(
            c,
            xy_px=c.xy_px.round(4),
            radius_px=None if c.radius_px is None else c.radius_px.round(3),
        )
        for c in tracks.cameras
    )
    return replace(tracks, cameras=tuple(cameras))


def rounded_rig(rig: Rig) -> Rig:
    """Return the rig with every number rounded to nine decimals or better."""
    cameras = tuple(
        replace(
            c,
            lens=Lens.from_vector(c.lens.vector.round(9)),
            cam_from_world=Pose(c.cam_from_world.R.round(12), c.cam_from_world.t_mm.round(9)),
        )
        for c in rig.cameras
    )
    wand = replace(rig.wand_used, points_mm=np.round(rig.wand_used.points_mm, 9))
    return replace(rig, cameras=cameras, wand_used=wand)


def make(folder: Path) -> None:
    """Write every capture under ``folder``, over what is there."""
    for name in CAPTURES:
        simulation = simulate(load_scenario(HERE / name / "scenario.toml", Scenario.from_dict))
        out = folder / name
        out.mkdir(parents=True, exist_ok=True)
        save_tracks(rounded_tracks(simulation.tracks), out / "tracks.h5", overwrite=True)
        save_wand(simulation.wand, out / "wand.toml", overwrite=True)
        save_rig(rounded_rig(simulation.truth), out / "truth.h5", overwrite=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=HERE)
    try:
        make(parser.parse_args().folder)
    except CalibError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
