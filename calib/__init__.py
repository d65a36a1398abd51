"""Calibrate a rig of many tracking cameras from a wand wave."""

__version__ = "0.1.0"
