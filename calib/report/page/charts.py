"""Pages of charts alone: a rig's history, and what was named on each sensor."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from calib.check.history.records import History
from calib.core.tracks import Tracks
from calib.plan.assess import Assessment
from calib.report.changes import history as words
from calib.report.figures.history import QUANTITIES, history_chart
from calib.report.figures.planned import plan_from_above, plan_in_space
from calib.report.figures.sensor import sensor_named
from calib.report.page import html
from calib.report.planned import judged
from calib.report.words import RIGGING, escaped


def history_page(history: History) -> str:
    """Return the changes of a rig from file to file as a page of charts over time."""
    charts = [history_chart(history, quantity) for quantity in QUANTITIES]
    note = (
        "Grey: steady cameras. Bars: two standard uncertainties either way. Changes are against "
        "the first file."
    )
    return charts_page("History of a camera rig", [words.verdict(history), note], charts)


def plan_page(found: Assessment) -> str:
    """Return a plan as a page of charts: in space, and from above."""
    notes = [judged.verdict(found), RIGGING]
    charts = [plan_in_space(found), *plan_from_above(found)]
    return charts_page(f"Plan of a camera rig: {found.plan.name}", notes, charts)


def sensors_page(tracks: Tracks) -> str:
    """Return what was named and what is masked on each camera's sensor as a page of charts."""
    title = "Named points and masked reflections"
    notes = [tracks.title] if tracks.title else []
    return charts_page(title, notes, [sensor_named(c) for c in tracks.cameras])


def charts_page(title: str, notes: Sequence[str], charts: Sequence[go.Figure]) -> str:
    """Return charts as one page that needs no network."""
    body = [
        f"<main><header><h1>{escaped(title)}</h1>{''.join(map(html.paragraph, notes))}</header>",
        '<div class="charts halves">',
        *(html.chart(f"chart-{k}", chart) for k, chart in enumerate(charts)),
        "</div></main>",
    ]
    return html.page(title, body)
