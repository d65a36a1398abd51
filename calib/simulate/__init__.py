"""Ground truth for tests, the demo and benchmarks: rigs, wand waves and what the cameras would have
seen of them.
"""

from calib.simulate.day import Day, day_capture
from calib.simulate.layouts import sample_points
from calib.simulate.render import RenderOptions, draw_spots, expose, render
from calib.simulate.run import Simulation, later_wave, simulate
from calib.simulate.scenario import PLAIN, SMALL_IMAGES, Knock, Scenario
from calib.simulate.still import bar_capture, floor_capture

__all__ = [
    "PLAIN",
    "SMALL_IMAGES",
    "Day",
    "Knock",
    "RenderOptions",
    "Scenario",
    "Simulation",
    "bar_capture",
    "day_capture",
    "draw_spots",
    "expose",
    "floor_capture",
    "later_wave",
    "render",
    "sample_points",
    "simulate",
]
