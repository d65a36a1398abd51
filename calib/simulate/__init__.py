"""Ground truth for tests, the demo and benchmarks: rigs, wand waves and what the cameras would have
seen of them.
"""

from calib.simulate.layouts import sample_points
from calib.simulate.render import RenderOptions, draw_spots, expose, render
from calib.simulate.run import Simulation, simulate
from calib.simulate.scenario import PLAIN, Knock, Scenario
from calib.simulate.still import bar_capture, floor_capture

__all__ = [
    "PLAIN",
    "Knock",
    "RenderOptions",
    "Scenario",
    "Simulation",
    "bar_capture",
    "draw_spots",
    "expose",
    "floor_capture",
    "render",
    "sample_points",
    "simulate",
]
