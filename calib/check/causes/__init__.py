"""What is wrong with which camera: causes, each with the figures that say so."""

from calib.check.causes.find import MIN_COVERAGE, MIN_POINTS, Cause, find_causes

__all__ = ["MIN_COVERAGE", "MIN_POINTS", "Cause", "find_causes"]
