"""Measurements of calib itself: ``scripts/bench PART [OPTIONS]``."""

from __future__ import annotations

import argparse
import sys

from scripts.benchmarks import accuracy, speed

PARTS = {"accuracy": accuracy, "speed": speed}


def main() -> int:
    parser = argparse.ArgumentParser(prog="scripts/bench", description="Measure calib itself.")
    parts = parser.add_subparsers(dest="part", required=True, metavar="PART")
    for name, module in PARTS.items():
        about = (module.__doc__ or "").splitlines()[0]
        module.add_options(parts.add_parser(name, help=about, description=about))
    options = parser.parse_args()
    return int(PARTS[options.part].main(options))


if __name__ == "__main__":
    sys.exit(main())
