"""Complete examples of the file formats; every one is read back in the tests. All of it is
invented.

Examples of HDF5 files are programs that write them, so that they serve who writes such files
without calib.
"""

WAND = """\
name = "line3"
unit = "mm"
sigma = 0.02

[markers]
p = [0.0, 0.0, 0.0]
q = [170.0, 0.0, 0.0]
r = [460.0, 0.0, 0.0]

[[certified]]
between = ["p", "r"]
length = 460.02
sigma = 0.01
"""

PLAN = """\
name = "an invented hall"

[room]
low_mm = [-5000.0, -4500.0, 0.0]
high_mm = [5000.0, 4500.0, 4500.0]

[volume]
low_mm = [-2500.0, -2000.0, 0.0]
high_mm = [2500.0, 2000.0, 2000.0]

[need]
cameras = 3
precision_mm = 1.5
marker_px = 2.5

[marker]
diameter_mm = 16.0
gap_mm = 40.0
noise_px = 0.12
blur_px = 2.0

[wave]
seconds = 60.0
frame_rate = 25.0
walk_mm_s = 700.0
lost_share = 0.2

[wand]
p = [0.0, 0.0, 0.0]
q = [170.0, 0.0, 0.0]
r = [460.0, 0.0, 0.0]

[[rails]]
name = "north"
from_mm = [-4000.0, 3800.0, 3500.0]
to_mm = [4000.0, 3800.0, 3500.0]

[[obstacles]]
name = "pillar"
low_mm = [3000.0, -200.0, 0.0]
high_mm = [3400.0, 200.0, 4500.0]

[common]
width = 2000
height = 1200
pixel_pitch_mm = 0.0045
focal_mm = 5.0
zoom_mm = [5.0, 10.0]
f_number = 4.0
focus_mm = 5000.0

[cameras.cam01]
rail = "north"
along_mm = 500.0
aim_mm = [0.0, 0.0, 900.0]

[cameras.cam02]
rail = "north"
along_mm = 7500.0
aim_mm = [0.0, 0.0, 900.0]

[cameras.cam03]
position_mm = [-4000.0, -3800.0, 3300.0]
aim_mm = [0.0, 0.0, 900.0]
roll_deg = 2.0

[cameras.cam04]
position_mm = [4000.0, -3800.0, 3300.0]
pan_deg = 136.5
tilt_deg = -23.5

[cameras.cam05]
width = 2000
height = 1200
pixel_pitch_mm = 0.0045
focal_mm = 5.8
zoom_mm = [5.0, 10.0]
f_number = 5.6
focus_mm = 4500.0
range_mm = 9000.0
position_mm = [-4600.0, 0.0, 3300.0]
aim_mm = [0.0, 0.0, 900.0]
dist = [-0.08, 0.09, 0.0, 0.0, 0.0]
held = 1
"""

SURVEY = """\
name = "corners of the hall, by total station"
unit = "mm"
sigma = 0.5

[markers]
corner = [0.0, 0.0, 0.0]
east = [5000.0, 0.0, 0.0]
north = [0.0, 4000.0, 0.0]
post = [5000.0, 4000.0, 1200.0]

[[certified]]
between = ["corner", "east"]
length = 5000.2
sigma = 0.2
"""

TABLE = """\
camera,frame,x,y,marker,radius
cam01,0,512.31,400.02,0,3.1
cam01,0,580.77,401.90,1,3.0
cam01,0,697.12,405.33,2,3.1
cam02,0,901.45,377.20,,2.8
cam02,1,903.10,377.95,,2.8
"""

CAMERAS = """\
frame_rate = 50.0
captured_at = "2031-05-06T10:15:00+02:00"
title = "an invented capture"

[cameras.cam01]
width = 2000
height = 1200
pixel_pitch_mm = 0.0045
focal_mm = 6.8
serial = "100041"
model = "an invented camera"

[cameras.cam02]
width = 2000
height = 1200
K = [[1502.1, 0.0, 995.4], [0.0, 1501.8, 603.2], [0.0, 0.0, 1.0]]
dist = [-0.081, 0.094, 0.0002, -0.0001, 0.0]
lens_sigma = [0.8, 0.8, 0.6, 0.6, 0.001, 0.004, 0.0001, 0.0001, 0.0]
"""

IMAGES = """\
frame_rate = 50.0
file_names = "{camera}/shot-{frame}.tif"

[cameras.cam01]
pixel_pitch_mm = 0.0045
focal_mm = 6.8

[cameras.cam02]
width = 2000
height = 1200
"""

SCENARIO = """\
layout = "corridor"
n_cameras = 12
n_frames = 2000
wand = "line3"
sigma_px = 0.15
seed = 7
title = "a long room"

[noisy]
cam03 = 2.0

[late]
cam05 = 0.25

[[knock]]
camera = "cam04"
frame = 900
rotation_deg = 0.3
translation_mm = 4.0
"""

TRACKS = """\
import h5py
import numpy as np

with h5py.File("tracks.h5", "w") as file:
    file.attrs["format"] = "calib.tracks"
    file.attrs["version"] = 1
    file.attrs["frame_rate"] = 50.0
    file.attrs["captured_at"] = "2031-05-06T10:15:00+02:00"
    file.attrs["title"] = "an invented capture"
    cameras = file.create_group("cameras", track_order=True)

    cam01 = cameras.create_group("cam01")
    cam01.attrs["width"] = 2000
    cam01.attrs["height"] = 1200
    cam01.attrs["pixel_pitch_mm"] = 0.0045
    cam01.attrs["focal_mm"] = 6.8
    cam01.attrs["serial"] = "100041"
    cam01.attrs["model"] = "an invented camera"
    cam01.attrs["n_outside"] = 2
    cam01["frame"] = np.array([0, 0, 0, 1])
    cam01["xy"] = np.array([[512.3, 400.0], [580.8, 401.9], [697.1, 405.3], [514.0, 400.6]])
    cam01["marker"] = np.array([0, 1, 2, -1], dtype=np.int16)
    cam01["radius"] = np.array([3.1, 3.0, 3.1, 3.1], dtype=np.float32)

    cam02 = cameras.create_group("cam02")
    cam02.attrs["width"] = 2000
    cam02.attrs["height"] = 1200
    cam02.attrs["K"] = np.array([[1502.1, 0.0, 995.4], [0.0, 1501.8, 603.2], [0.0, 0.0, 1.0]])
    cam02.attrs["dist"] = np.array([-0.081, 0.094, 0.0002, -0.0001, 0.0])
    cam02.attrs["lens_sigma"] = np.array([0.8, 0.8, 0.6, 0.6, 1e-3, 4e-3, 1e-4, 1e-4, 0.0])
    cam02["frame"] = np.array([0, 1])
    cam02["xy"] = np.array([[901.5, 377.2], [903.1, 378.0]])
    cam02["marker"] = np.array([-1, -1], dtype=np.int16)

    file.attrs["identified"] = 0
    file["masks/cam02"] = np.array([[1250.0, 80.5, 6.0]])
"""

RIG = """\
import json

import h5py
import numpy as np

TEXT = h5py.string_dtype()

with h5py.File("rig.h5", "w") as file:
    file.attrs["format"] = "calib.rig"
    file.attrs["version"] = 2
    file.attrs["unit"] = "mm"
    file.attrs["lasting_share"] = 0.0
    file.attrs["captured_at"] = "2031-05-06T10:15:00+02:00"
    file.attrs["parent_sha256"] = "0" * 64
    cameras = file.create_group("cameras", track_order=True)
    for name, x_mm in (("cam01", 0.0), ("cam02", 2400.0)):
        camera = cameras.create_group(name)
        camera.attrs["width"] = 2000
        camera.attrs["height"] = 1200
        camera.attrs["K"] = np.array([[1500.0, 0.0, 1000.0], [0.0, 1500.0, 600.0], [0.0, 0.0, 1.0]])
        camera.attrs["dist"] = np.array([-0.08, 0.09, 0.0, 0.0, 0.0])
        camera.attrs["R"] = np.eye(3)
        camera.attrs["t"] = np.array([-x_mm, 0.0, 0.0])
        camera.attrs["time_offset_frames"] = 0.02
        camera.attrs["time_offset_sigma_frames"] = 0.01
        camera.attrs["serial"] = "100041" if name == "cam01" else "100042"
        residuals = camera.create_group("residuals")
        residuals.attrs["points"] = 1800
        residuals.attrs["n_left_out"] = 12
        residuals.attrs["rms_px"] = 0.18
        residuals.attrs["median_px"] = 0.15
        residuals.attrs["p95_px"] = 0.33
        residuals.attrs["sigma_px"] = 0.13
        residuals.attrs["coverage"] = 0.81
        residuals.attrs["bias_px"] = np.array([0.0, 0.01])
    for key in ("wand", "wand_used"):
        wand = file.create_group(key)
        wand.attrs["name"] = "line3"
        wand.attrs["sigma"] = 0.02
        wand.create_dataset("markers", data=["p", "q", "r"], dtype=TEXT)
        wand["points"] = np.array([[0.0, 0.0, 0.0], [170.0, 0.0, 0.0], [460.0, 0.0, 0.0]])
        wand["certified_between"] = np.array([[0, 2]])
        wand["certified_length"] = np.array([460.02])
        wand["certified_sigma"] = np.array([0.01])
    kinds = [f"{kind}_{axis}" for kind in ("rotation", "position") for axis in "xyz"]
    parameters = [["camera", name, kind] for name in ("cam01", "cam02") for kind in kinds]
    held = [["cam01", "focal"], ["cam02", "focal"]]
    covariance = file.create_group("covariance")
    covariance.create_dataset("parameters", data=parameters, dtype=TEXT)
    covariance["matrix"] = np.diag(([1e-8] * 3 + [0.04] * 3) * 2)
    covariance.create_dataset("held", data=held, dtype=TEXT)
    covariance["pull"] = np.zeros((len(parameters), 2))
    covariance["held_sigma"] = np.array([7.5, 7.5])
    left_out = file.create_group("left_out")
    left_out.create_dataset("names", data=["cam03"], dtype=TEXT)
    left_out.create_dataset("reasons", data=["it saw nothing"], dtype=TEXT)
    file.create_dataset("findings", data=["an invented finding"], dtype=TEXT)
    doubt = {"finding": "wand not as its file", "cameras": [], "effect_mm": 0.4}
    doubt["figures"] = {"marker": "q", "offset_mm": 0.4}
    file.create_dataset("doubts", data=[json.dumps(doubt)], dtype=TEXT)
    file["wave"] = np.array([[0.0, 0.0, 2500.0], [120.0, -80.0, 2600.0]])
    for key in ("alignment", "verification", "provenance"):
        file.create_dataset(key, data=json.dumps({"tool": "written by hand"}), dtype=TEXT)
"""

POINTS = """\
import json

import h5py
import numpy as np

with h5py.File("points.h5", "w") as file:
    file.attrs["format"] = "calib.points"
    file.attrs["version"] = 1
    file.attrs["unit"] = "mm"
    file.attrs["frame_rate"] = 50.0
    file.attrs["n_open"] = 3
    file.attrs["provenance"] = json.dumps({"tool": "written by hand"})
    file["frame"] = np.array([0, 0, 1])
    file["marker"] = np.array([0, 1, 0], dtype=np.int16)
    file["xyz"] = np.array([[0.0, 0.0, 900.0], [170.0, 0.0, 900.0], [2.0, 0.0, 901.0]])
    file["covariance"] = np.array([[0.04, 0.0, 0.0, 0.04, 0.0, 0.09]] * 3, dtype=np.float32)
    file["rms_px"] = np.array([0.11, 0.09, 0.12], dtype=np.float32)
    file["rms_mm"] = np.array([0.21, 0.18, 0.22], dtype=np.float32)
    file["cameras"] = np.array([4, 4, 3], dtype=np.int16)
"""
