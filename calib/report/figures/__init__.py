"""Charts as Plotly figures, for the report's page and for a notebook.

>>> from calib.report import figures
>>> seen = figures.portrait(rig, tracks)  # doctest: +SKIP
>>> figures.rig_in_space(seen, by="precision").show()  # doctest: +SKIP
>>> figures.sensor_map(seen.sensors[0]).show()  # doctest: +SKIP
"""

from calib.report.figures.data import portrait
from calib.report.figures.history import history_chart
from calib.report.figures.lengths import length_errors
from calib.report.figures.links import links_map, links_table
from calib.report.figures.moves import moves_in_space, of_history, of_recheck, picture_moved
from calib.report.figures.planned import plan_from_above, plan_in_space
from calib.report.figures.sensor import sensor_map, sensor_named
from calib.report.figures.space import rig_in_space
from calib.report.figures.spread import histogram, over_time
from calib.report.figures.stage import stage_of

__all__ = [
    "histogram",
    "history_chart",
    "length_errors",
    "links_map",
    "links_table",
    "moves_in_space",
    "of_history",
    "of_recheck",
    "over_time",
    "picture_moved",
    "plan_from_above",
    "plan_in_space",
    "portrait",
    "rig_in_space",
    "sensor_map",
    "sensor_named",
    "stage_of",
]
