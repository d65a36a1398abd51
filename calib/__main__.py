"""``python -m calib``: the program."""

from calib.cli.main import run

run()
