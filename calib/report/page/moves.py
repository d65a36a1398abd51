"""The page's part on two states of a rig: moved cameras first, where they stood and stand."""

from __future__ import annotations

import numpy as np

from calib.report.figures.moves import Move, Moves, moves_in_space, picture_moved
from calib.report.page import html
from calib.report.tables import Column, xyz
from calib.report.words import CAUTION, OVERHEAD, escaped, sentence

MOST_PICTURES = 24  # cameras whose picture is drawn; beyond, it is the rig that moved


def before_and_after(moves: Moves, title: str) -> str:
    """Return what moved where: in space, as a table, and how each moved camera's picture went."""
    parts = [html.paragraph(moves.verdict)]
    told = [
        f"<li><b>{html.name(m.camera.name)}</b>"
        f'<span dir="auto">{escaped(sentence(m.note))}</span></li>'
        for m in moves.cameras
        if m.note
    ]
    parts += [f'<ol class="todo">{"".join(told)}</ol>'] if told else []
    # A command is copied: it ends as it is typed.
    parts += map(html.paragraph, moves.remedies)
    parts += [html.paragraph(sentence(text)) for text in moves.findings]
    if moves.needs_a_hand:
        parts.append(html.paragraph(f"{OVERHEAD} {CAUTION}", "caution"))
    if moves.named:
        parts += [
            f'<div class="tools">{html.view_buttons("moved")}</div>',
            html.chart(
                "moved",
                moves_in_space(moves),
                "Grey: where cameras stood. Arrows are drawn many times as long as the moves, as "
                "the legend says: brown from the camera, blue from the middle of what it sees.",
                "space",
            ),
        ]
    parts.append(_table(moves))
    pictures = "".join(
        html.chart(
            f"picture-{k}",
            picture_moved(m, moves.rig),
            "Of what is as far away as the middle of the volume.",
        )
        for k, m in enumerate(moves.named[:MOST_PICTURES])
    )
    parts += [f'<div class="charts halves">{pictures}</div>'] if pictures else []
    return html.section("moves", title, *parts)


def _table(moves: Moves) -> str:
    of = moves.cameras
    columns = [
        Column("camera", [m.camera.name for m in of], is_left=True),
        Column("verdict", [f"{'▲' if m.is_named else '●'} {m.word}" for m in of], is_left=True),
        Column("shift|mm", [m.shift_mm for m in of], ".2f"),
        Column("|± mm", [m.sigma_mm for m in of], ".2f"),
        Column("turn|deg", [m.turn_deg for m in of], ".3f"),
        Column("|± deg", [m.sigma_deg for m in of], ".3f"),
        Column("picture|px", [m.shift_px for m in of], ".2f"),
        *xyz((m.camera.position_mm for m in of), ".1f", "{} before|mm"),
        *xyz(map(_place, of), ".1f", "{} after|mm"),
    ]
    rows = [html.Row(is_strong=m.is_named) for m in of]
    return html.table(columns, rows, "Before and after, moved cameras first")


def _place(move: Move) -> np.ndarray:
    return np.full(3, np.nan) if move.later is None else move.later.position_mm
