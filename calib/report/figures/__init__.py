"""Charts as Plotly figures, for the report's page and for a notebook.

>>> from calib.report import figures
>>> seen = figures.portrait(rig, tracks)  # doctest: +SKIP
>>> figures.rig_in_space(seen, by="precision").show()  # doctest: +SKIP
>>> figures.sensor_map(seen.sensors[0]).show()  # doctest: +SKIP
"""

from calib.report.figures.data import portrait as portrait
from calib.report.figures.history import history_chart as history_chart
from calib.report.figures.lengths import length_errors as length_errors
from calib.report.figures.links import links_map as links_map
from calib.report.figures.links import links_table as links_table
from calib.report.figures.moves import moves_in_space as moves_in_space
from calib.report.figures.moves import of_history as of_history
from calib.report.figures.moves import of_recheck as of_recheck
from calib.report.figures.moves import picture_moved as picture_moved
from calib.report.figures.planned import plan_from_above as plan_from_above
from calib.report.figures.planned import plan_in_space as plan_in_space
from calib.report.figures.sensor import sensor_map as sensor_map
from calib.report.figures.sensor import sensor_named as sensor_named
from calib.report.figures.space import rig_in_space as rig_in_space
from calib.report.figures.spread import histogram as histogram
from calib.report.figures.spread import over_time as over_time
from calib.report.figures.stage import stage_of as stage_of
