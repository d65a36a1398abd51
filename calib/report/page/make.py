"""The report of a rig as one page: what is the matter and what to do first, the rig in space, every
camera, what holds the cameras together, the wand's lengths, and what it was made from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np

from calib.check.residuals import CameraRow, ResidualTable
from calib.check.verdicts import Verdict
from calib.core.names import listed
from calib.core.rig import Rig
from calib.core.threads import one_blas_thread
from calib.core.tracks import Tracks
from calib.prove.precision import of_wave
from calib.report.figures.data import Portrait, Sensor, portrait
from calib.report.figures.lengths import length_errors
from calib.report.figures.links import links_map, links_table
from calib.report.figures.moves import Moves
from calib.report.figures.sensor import sensor_map
from calib.report.figures.space import rig_in_space
from calib.report.figures.spread import histogram, over_time
from calib.report.figures.stage import stage_of
from calib.report.page import html
from calib.report.page.moves import before_and_after
from calib.report.papers.describe import rig_facts
from calib.report.rigs import causes, residuals
from calib.report.tables import Column
from calib.report.words import CAUTION, OVERHEAD, RMS, escaped, filled, sentence

SIGNS = {Verdict.ACT: "▲ needs action", Verdict.OK: "● good"}
MOST_RANK = 4  # of columns: a sheet has no room for more
MOST_OPEN = 6  # cameras that need action whose charts are open from the start


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """What a page was made from, for the record.

    Parameters
    ----------
    title : str
        Names the rig.
    files : sequence of (str, str)
        What was read: label, and name with SHA-256.
    made_at : str
        When and with what.
    capture : str
        Names the wave.
    moves_title : str
        What is compared.
    typed : mapping of str to str
        RIG and TRACKS as they are typed in commands.
    """

    title: str = "Camera rig"
    files: Sequence[tuple[str, str]] = ()
    made_at: str = ""
    capture: str = ""
    moves_title: str = "Before and after"
    typed: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Page:
    """A page's HTML, and whether it says that something needs action."""

    html: str
    needs_a_hand: bool


@one_blas_thread
def html_report(
    rig: Rig, tracks: Tracks, source: Source | None = None, *, moves: Moves | None = None
) -> Page:
    """Return the report of a rig and a capture of its wand as one self-contained HTML page.

    Parameters
    ----------
    rig : Rig
        The rig to show.
    tracks : Tracks
        A capture of its wand.
    source : Source, optional
        What the page was made from, for the record.
    moves : Moves, optional
        Before and after, by ``figures.of_recheck`` or ``figures.of_history``.

    Returns
    -------
    Page
        HTML, and whether it says that something needs action.

    Raises
    ------
    InputError
        Cameras of the tracks are not in the rig, or sensors differ.
    UnsolvableError
        No two cameras see the same marker in the same frame.
    """
    source = source or Source()
    seen = portrait(rig, tracks)
    parts = [
        _header(seen, source, moves),
        _contents(seen, moves),
        "" if moves is None else before_and_after(moves, source.moves_title),
        _todo(seen, source, moves),
        _in_space(seen),
        _all_cameras(seen.table),
        _each_camera(seen, source),
        _links(seen),
        _wand(seen),
        _origin(seen, source),
        _legend(),
    ]
    text = html.page(source.title, ["<main>", *filter(None, parts), "</main>"])
    return Page(text, seen.table.needs_a_hand or (moves is not None and not moves.is_settled))


def _header(seen: Portrait, source: Source, moves: Moves | None) -> str:
    capture = f"By {source.capture}: " if source.capture else ""
    told = [(f"{capture}{residuals.verdict(seen.table)}", seen.table.needs_a_hand)]
    if moves is not None:
        told.insert(0, (f"{source.moves_title}: {moves.verdict}", not moves.is_settled))
    verdicts = "".join(
        f'<p class="verdict {"act" if acts else "ok"}">'
        f'<span class="sign" aria-hidden="true">{"▲" if acts else "●"}</span>'
        f'<span dir="auto">{escaped(text)}</span></p>'
        for text, acts in told
    )
    captured = f"Captured {seen.rig.captured_at}. " if seen.rig.captured_at else ""
    made = f"Page made {source.made_at}." if source.made_at else ""
    return (
        '<header><p class="kind">Report of a camera rig</p>'
        f"<h1>{html.name(source.title)}</h1>"
        f'{verdicts}<p class="soft">{escaped(captured + made)}</p>'
        f"{html.facts(_figures(seen), 'tiles')}</header>"
    )


def _figures(seen: Portrait) -> list[tuple[str, str]]:
    rows, wand = seen.table.cameras, seen.table.wand
    good = sum(row.verdict == Verdict.OK for row in rows)
    rms = np.array([row.stats.rms_px for row in rows])
    used = sum(row.stats.points for row in rows)
    out = [("cameras good", f"{good} of {len(rows)}")]
    if np.isfinite(rms).any():
        out.append(("RMS residual, typical camera", f"{np.nanmedian(rms):.3f} px"))
    p = of_wave(seen.rig) or seen.precision  # a file of an older version has no wave
    if p is not None and p.has_covariance:
        out.append(
            (
                "a marker is placed to",
                f"{p.sigma_mm[p.middle]:.2f} mm, at worst {p.sigma_mm[p.worst[0]]:.2f} mm",
            )
        )
    if wand.n_lengths:
        out.append(("wand lengths, 19 of 20 within", f"{wand.length_p95_mm:.2f} mm"))
    out.append(("points used", f"{used:,} of {seen.n_points:,}"))
    out.append(("wave", f"{seen.table.n_frames:,} frames, {seen.duration_s:.0f} s"))
    return out


def _contents(seen: Portrait, moves: Moves | None) -> str:
    of = [] if moves is None else [("moves", "Before and after")]
    of += [
        ("first", "What to do"),
        ("space", "Rig in space"),
        ("cameras", "All cameras"),
        ("each", "Each camera"),
        ("links", "Links"),
    ]
    of += [("wand", "Wand")] if seen.table.wand.n_lengths else []
    of += [("origin", "How it was made"), ("legend", "How to read it")]
    links = "".join(f'<li><a href="#{key}">{title}</a></li>' for key, title in of)
    return f'<nav aria-label="Sections"><ul>{links}</ul></nav>'


def _todo(seen: Portrait, source: Source, moves: Moves | None) -> str:
    table, told = seen.table, []
    place = {row.name: k for k, row in enumerate(table.cameras)}
    for name, same in groupby(residuals.to_do(table, source.typed), key=lambda one: one[0]):
        texts = [text for _, text in same]
        if not name:
            told += [f'<li dir="auto">{escaped(text)}</li>' for text in texts]
            continue
        link = f'<b><a href="#camera-{place[name]}">{html.name(name)}</a></b>'
        said = " ".join(map(sentence, texts))
        told.append(f"<li>{link}<span dir='auto'>{escaped(said)}</span></li>")
    parts = [f'<ol class="todo">{"".join(told)}</ol>'] if told else []
    if not told:
        parts.append(html.paragraph(_next_step(seen.rig, source, moves)))
    if table.sends_up:
        first = f"{OVERHEAD} " if table.may_hang_loose else ""
        parts.append(html.paragraph(first + CAUTION, "caution"))
    lasting, *when = residuals.lasting_sentences(table.lasting) or [""]
    touched = filled(residuals.touch_asked(table), source.typed)
    also = [
        *filter(None, (residuals.size_asked(table), touched)),
        *([lasting] if lasting else []),
        *(f"{name} is not in the rig: {why}" for name, why in seen.rig.left_out.items()),
        *seen.rig.findings,
    ]
    if also:
        parts.append(f"<h3>Also seen</h3>{''.join(map(html.paragraph, also))}")
    if when:
        details = "".join(html.paragraph(text, "soft") for text in when)
        parts.append(f"<details><summary>when they lay off together</summary>{details}</details>")
    return html.section("first", "What to do first", *parts)


def _next_step(rig: Rig, source: Source, moves: Moves | None) -> str:
    if moves is not None and not moves.is_settled:
        return "No camera needs action for its residuals; what moved, or is open, stands above."
    if rig.alignment is None:
        return filled(
            "No camera needs action. Next, give the rig an origin and axes: "
            "calib align RIG FLOOR -o NEW_RIG",
            source.typed,
        )
    return "No camera needs action."


def _in_space(seen: Portrait) -> str:
    stage = stage_of(seen.rig, seen.wave.places_mm)
    has_precision = seen.precision is not None and seen.precision.has_covariance
    note = (
        "The line through the volume is the way of the wand. ▲ marks cameras that need action. "
        "Drag to turn; once clicked, the wheel or two fingers zoom, arrow keys turn, + and - zoom. "
    )
    note += (
        "Origin and axes are those of the rig file."
        if stage.is_aligned
        else "The rig is not aligned: up is told from how the cameras hang, and the grid lies at "
        "the lowest place of the wand. For an origin, axes and the floor: calib align."
    )
    choices = [("rig-data", "residual"), *([("rig-precise", "precision")] * has_precision)]
    radios = "".join(
        f'<label><input type="radio" name="by" data-of="rig" data-source="{key}"'
        f"{' checked' if key == 'rig-data' else ''}> {word}</label>"
        for key, word in choices
    )
    other = rig_in_space(seen, "precision").to_dict() if has_precision else {}
    if other:
        other["layout"].pop("template"), other["layout"].pop("title")
        other["layout"]["margin"]["t"] -= html.TITLE_PX
    return html.section(
        "space",
        "The rig in space",
        f'<div class="tools"><fieldset><legend>colour by</legend>{radios}</fieldset>'
        f"{html.view_buttons('rig')}</div>",
        html.chart("rig", rig_in_space(seen, "residual"), note, "space"),
        html.data("rig-precise", other) if other else "",
    )


def _all_cameras(table: ResidualTable) -> str:
    rows = table.cameras
    name, _, *figures = residuals.columns(table)
    columns = [
        name,
        Column("verdict", [SIGNS[row.verdict] for row in rows], is_left=True),
        *(c for c in figures if c.rank < MOST_RANK),
        Column("likely cause", [listed(c.cause for c in row.causes) for row in rows], is_left=True),
    ]
    lines = [html.Row(f"camera-{k}", row.verdict == Verdict.ACT) for k, row in enumerate(rows)]
    caption = f"All cameras; the headings put them in order. RMS is {RMS}"
    return html.section("cameras", "All cameras", html.table(columns, lines, caption, "RMS|px"))


def _each_camera(seen: Portrait, source: Source) -> str:
    rows = seen.table.cameras
    acting = [k for k, row in enumerate(rows) if row.verdict == Verdict.ACT]
    is_open = set(acting[:MOST_OPEN] or [0])
    spread = np.array([s.spread_px for s in seen.sensors])
    buttons = "".join(
        f'<button type="button" class="plain" data-open="{key}">{words}</button>'
        for key, words in (("yes", "open all"), ("no", "close all"))
    )
    parts = [f'<div class="tools">{buttons}</div>']
    for k, (row, sensor) in enumerate(zip(rows, seen.sensors, strict=True)):
        others = np.delete(spread, k)
        others = others[np.isfinite(others)]
        usual = float(np.median(others)) if len(others) else float("nan")
        parts.append(_camera(k, row, sensor, usual, seen.rig, source, k in is_open))
    return html.section("each", "Each camera", *parts)


def _camera(
    k: int, row: CameraRow, sensor: Sensor, usual_px: float, rig: Rig, source: Source, is_open: bool
) -> str:
    s, camera = row.stats, rig.camera(row.name)
    sign = f'<span class="sign {row.verdict}">{SIGNS[row.verdict]}</span>'
    brief = f"RMS {s.rms_px:.3f} px, {s.points:,} points, {s.coverage:.0%} of the sensor"
    found = "".join(
        f'<li dir="auto">{escaped(filled(sentence(causes.advice(c)), source.typed))}'
        f'<br><span class="soft">{escaped(causes.in_words(c).numbers)}</span></li>'
        for c in row.causes
    )
    x, y, z = camera.position_mm
    told = [
        ("at", f"({x:.1f}, {y:.1f}, {z:.1f}) mm"),
        ("focal length", f"{camera.lens.fx:.1f} px"),
        ("bias", f"({s.bias_px[0]:+z.3f}, {s.bias_px[1]:+z.3f}) px"),
        ("left out", f"{s.n_left_out:,} points"),
    ]
    if camera.time_offset_sigma_frames is not None:
        told.append(("exposes late by", f"{camera.time_offset_frames:.3f} frames"))
    charts = (
        html.chart(
            f"sensor-{k}",
            sensor_map(sensor),
            "Arrows show observed minus predicted, on average in a cell. White: no points there.",
        ),
        html.chart(f"size-{k}", histogram(sensor, usual_px)),
        html.chart(f"time-{k}", over_time(sensor)),
    )
    return (
        f'<details class="camera" id="camera-{k}"{" open" if is_open else ""}>'
        f'<summary><span class="title">{html.name(row.name)}</span>{sign}'
        f'<span class="soft">{escaped(brief)}</span></summary><div class="within">'
        + (f'<ul class="findings">{found}</ul>' if found else "")
        + f'<div class="charts"><div>{charts[0]}{html.facts(told, "facts long")}</div>'
        f"<div>{charts[1]}{charts[2]}</div></div></div></details>"
    )


def _links(seen: Portrait) -> str:
    return html.section(
        "links",
        "What holds the cameras together",
        '<div class="charts">'
        + html.chart(
            "map",
            links_map(seen.rig, seen.overlap),
            "Lines lead to the three cameras with which each shares most frames; a camera on one "
            "thin line is placed by few frames.",
        )
        + html.chart("pairs", links_table(seen.overlap))
        + "</div>",
    )


def _wand(seen: Portrait) -> str:
    if not seen.table.wand.n_lengths:
        return ""
    stage = stage_of(seen.rig, seen.wave.places_mm)
    return html.section(
        "wand",
        "The wand's lengths over the volume",
        html.paragraph(residuals.lengths_sentence(seen.table.wand)),
        '<div class="charts">'
        + html.chart("above", length_errors(seen.lengths, stage, "above"))
        + html.chart("side", length_errors(seen.lengths, stage, "side"))
        + "</div>",
    )


def _origin(seen: Portrait, source: Source) -> str:
    return html.section(
        "origin", "How it was made", html.facts([*rig_facts(seen.rig), *source.files], "facts long")
    )


def _legend() -> str:
    return html.section(
        "legend", "How to read it", *(html.paragraph(text, "soft") for text in residuals.LEGEND[:2])
    )
