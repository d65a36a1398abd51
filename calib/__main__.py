"""The program, as ``calib`` or ``python -m calib``."""

from calib.cli import process


def run() -> None:
    """Run the program; the console script."""
    process.prepare()  # before what takes time to load
    process.reserve()
    from calib.cli.main import app  # noqa: PLC0415

    app()


if __name__ == "__main__":
    run()
