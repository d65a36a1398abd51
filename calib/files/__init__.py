"""Every file that calib opens: tracks and rigs in HDF5, wands, camera lists and scenarios in TOML,
tables in CSV.

Reading checks format, version, types and shapes here and leaves the meaning to the records, whose
errors gain the file's name. Writing is whole or not at all (``calib.outputs``), and the same record
always gives the same bytes. Readers ignore groups, datasets and attributes that they do not know.

Tracks file, version 1 (HDF5), beside a camera's ``frame``, ``xy``, ``marker`` and attributes::

    /                  optional attribute identified (0 or 1): whether the markers are those that
                       ``identify`` found; without it, whether there are masks
    /masks/<camera>    optional, by ``identify``: circles (k×3), x, y and radius in px, about
                       reflections that stay put

Rig file, version 2 (HDF5; lengths in mm, angles in radian, image quantities in px)::

    /                  attributes format = "calib.rig", version = 2, unit = "mm", lasting_share;
                       where known captured_at (ISO 8601) and parent_sha256
    /cameras/<name>    in the rig's order (creation order); attributes width, height, K (3×3),
                       dist (5 or 8), R (3×3) and t (3) of cam_from_world; where a solve found it
                       time_offset_frames (later is positive) and time_offset_sigma_frames;
                       placed = 0 where a fault puts it elsewhere by more than its sigmas say
      faults           where there are any, text (n): what its solve found wrong with it
      residuals        only where known: attributes points, n_left_out, rms_px, median_px,
                       p95_px, sigma_px, bias_px (2), coverage
    /wand, /wand_used  as the wand file states it, and the shape that the solve ended with:
                       attributes name, sigma; datasets markers (text, n), points (n×3),
                       certified_between (m×2), _length and _sigma (m)
    /covariance        where known: parameters (text, k×3: "camera" or "wand", its name or the
                       marker's, kind or axis), matrix (k×k); held (text, h×2: camera, kind),
                       pull (k×h), held_sigma (h)
    /left_out          datasets names and reasons (text, n): cameras of the capture that are not
                       in the rig
    /findings          text (n): what the solve found to say about the rig
    /doubts            text (n), JSON: finding, cameras, figures, effect_mm; what speaks
                       against the rig as a whole
    /wave              where known: places of the wand in the wave (n×3)
    /alignment, /verification   one text each, where known: JSON
    /provenance        one text: JSON

Points file, version 1 (HDF5), written by ``reconstruct``, a row a marker and frame::

    /                  attributes format = "calib.points", version = 1, unit = "mm", frame_rate,
                       n_open, provenance (JSON)
    /frame, /marker    (n): as the tracks number them
    /xyz               (n×3): its place
    /covariance        (n×6): xx, xy, xz, yy, yz, zz of its covariance in mm²
    /rms_px, /rms_mm   (n): RMS of its residuals, and of its rays' distances
    /cameras           (n): how many cameras place it

Version 1 of rig files, still read, kept in the provenance what are fields now, and labels of one
text, such as cam01/rotation_x and wand/p_x, in place of parameters.
"""

from calib.files.kind import kind_of as kind_of
from calib.files.live import Arrival as Arrival
from calib.files.live import follow as follow
from calib.files.pieces import frame_rate_of as frame_rate_of
from calib.files.pieces import tracks_in_pieces as tracks_in_pieces
from calib.files.points import load_points as load_points
from calib.files.points import save_points as save_points
from calib.files.points import write_lines as write_lines
from calib.files.points import write_points as write_points
from calib.files.recording import recording as recording
from calib.files.rig import load_rig as load_rig
from calib.files.rig import save_rig as save_rig
from calib.files.text import load_cameras as load_cameras
from calib.files.text import load_image_list as load_image_list
from calib.files.text import load_plan as load_plan
from calib.files.text import load_scenario as load_scenario
from calib.files.text import load_table as load_table
from calib.files.text import load_wand as load_wand
from calib.files.text import save_plan as save_plan
from calib.files.text import save_wand as save_wand
from calib.files.text import sha256 as sha256
from calib.files.text import unchanged as unchanged
from calib.files.text import with_sha256 as with_sha256
from calib.files.tracks import load_tracks as load_tracks
from calib.files.tracks import save_tracks as save_tracks
from calib.outputs import check_output as check_output
from calib.outputs import check_output_folder as check_output_folder
from calib.outputs import check_outputs as check_outputs
from calib.outputs import together as together
from calib.outputs import write_folder as write_folder
from calib.outputs import write_text as write_text
from calib.outputs import written as written
