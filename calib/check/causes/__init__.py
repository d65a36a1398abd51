"""What is wrong with which camera: causes, each with the figures that say so."""

from calib.check.causes.find import Cause, find_causes, of_last

__all__ = ["Cause", "find_causes", "of_last"]
