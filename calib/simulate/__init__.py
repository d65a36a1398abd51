"""Ground truth for tests, the demo and benchmarks: rigs, wand waves and what the cameras would have
seen of them.
"""

from calib.simulate.layouts import sample_points
from calib.simulate.render import RenderOptions, draw_spots, expose, render
from calib.simulate.run import Simulation, simulate
from calib.simulate.scenario import PLAIN, Knock, Scenario

__all__ = [
    "PLAIN",
    "Knock",
    "RenderOptions",
    "Scenario",
    "Simulation",
    "draw_spots",
    "expose",
    "render",
    "sample_points",
    "simulate",
]
