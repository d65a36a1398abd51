"""Compare the time per point and iteration of a corridor, where a tenth of the cameras see a frame,
with a room.
"""

from __future__ import annotations

import argparse

from scripts.benchmarks.sizes import in_own_process, tell
from scripts.benchmarks.table import Row, note
from scripts.benchmarks.wand_task import SMALL_ROOM_MM

LIMIT = 1.5


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--cameras", type=int, default=100)
    parser.add_argument(
        "--frames", type=int, default=7400, help="of the corridor: as many points as the room"
    )
    parser.add_argument("--room-frames", type=int, default=400, help="of the room")
    parser.add_argument("--iterations", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=2, help="the best stands")
    parser.add_argument("--seed", type=int, default=1)


def run(options: argparse.Namespace) -> list[Row]:
    kinds = {
        "corridor": ("corridor", options.cameras, options.frames, None),
        "room": ("room", options.cameras, options.room_frames, SMALL_ROOM_MM),
    }
    per_point = {}
    for name, kind in kinds.items():
        sizes = [
            in_own_process(*kind, options.seed, options.iterations) for _ in range(options.repeats)
        ]
        best = min(sizes, key=lambda s: s.iteration_s)
        note(f"{name:9}{tell(best)}")
        per_point[name] = best.iteration_s / best.n_points
    ratio = per_point["corridor"] / per_point["room"]
    found = (
        f"{ratio:.2f} times ({1e6 * per_point['corridor']:.2f} and "
        f"{1e6 * per_point['room']:.2f} µs)"
    )
    what = f"sparse: time a point and iteration, corridor / room, {options.cameras} cameras"
    return [Row(what, f"≤ {LIMIT:g} times", found, ratio <= LIMIT, str(options.seed))]
