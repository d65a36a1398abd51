"""The open formats that a rig goes out in."""

from __future__ import annotations

from enum import StrEnum


class Format(StrEnum):
    """An open format."""

    json = "json"
    opencv = "opencv"
    ros = "ros"
    colmap = "colmap"
    gltf = "gltf"
    csv = "csv"


FOLDERS = {Format.ros, Format.colmap}  # of several files
METRES = {Format.ros: "ROS (REP 103)", Format.gltf: "glTF 2.0"}  # and who says so
