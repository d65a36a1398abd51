"""Which centroid is which marker of the wand, camera by camera, from its geometry and from how it moves."""

from calib.intake.identify.run import CameraNames, Identification, identify, is_unnamed

__all__ = ["CameraNames", "Identification", "identify", "is_unnamed"]
