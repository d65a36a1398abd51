"""Ground truth for tests, the demo and benchmarks: rigs, wand waves and what the cameras would have
seen of them.
"""

from calib.simulate.day import Day as Day
from calib.simulate.day import day_capture as day_capture
from calib.simulate.layouts import sample_points as sample_points
from calib.simulate.render import RenderOptions as RenderOptions
from calib.simulate.render import draw_spots as draw_spots
from calib.simulate.render import expose as expose
from calib.simulate.render import render as render
from calib.simulate.run import Simulation as Simulation
from calib.simulate.run import later_wave as later_wave
from calib.simulate.run import simulate as simulate
from calib.simulate.scenario import PLAIN as PLAIN
from calib.simulate.scenario import SMALL_IMAGES as SMALL_IMAGES
from calib.simulate.scenario import Knock as Knock
from calib.simulate.scenario import Scenario as Scenario
from calib.simulate.still import bar_capture as bar_capture
from calib.simulate.still import floor_capture as floor_capture
