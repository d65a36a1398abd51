"""A drawing of each camera's sensor as SVG, written by hand: where points were, what was named,
what is masked.
"""

from __future__ import annotations

from html import escape

import numpy as np

from calib.core.tracks import CameraTracks, Tracks

WIDTH, GAP, HEAD, FOOT = 400.0, 16.0, 40.0, 46.0
N_COLUMNS = 3
N_POINTS = 1500  # of a kind and camera: enough to see where they lie, and a page that opens
NAMED, OTHER, MASKED = "#1b6ca8", "#9a9a9a", "#b5541c"


def masks_svg(tracks: Tracks) -> str:
    """Return the text of an SVG page with one sensor a camera; circles are drawn at six px of the
    page or more.
    """
    heights = [WIDTH * c.height / c.width for c in tracks.cameras]
    step = max(heights) + 26.0 + GAP
    n_columns = min(N_COLUMNS, len(heights))
    width = n_columns * (WIDTH + GAP) + GAP
    height = HEAD + -(-len(heights) // n_columns) * step + FOOT
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:.0f}" '
        f'width="{width:g}"'
        f' height="{height:.0f}" font-family="sans-serif" font-size="12" fill="#222">',
        f'<rect width="{width:g}" height="{height:.0f}" fill="#fff"/>',
        f'<text x="{GAP}" y="25" font-size="15" font-weight="bold">Named points and '
        f"masked reflections"
        f"{': ' + escape(tracks.title) if tracks.title else ''}</text>",
    ]
    for k, camera in enumerate(tracks.cameras):
        x, y = GAP + k % n_columns * (WIDTH + GAP), HEAD + k // n_columns * step
        parts.append(f'<g transform="translate({x:g} {y:.1f})">{_sensor(camera, heights[k])}</g>')
    y = height - FOOT / 2
    for k, (colour, text) in enumerate(
        ((NAMED, "named"), (OTHER, "not named"), (MASKED, "masked: stays put"))
    ):
        x = GAP + 150.0 * k
        parts.append(f'<circle cx="{x + 5}" cy="{y - 4:.1f}" r="5" fill="{colour}"/>')
        parts.append(f'<text x="{x + 16}" y="{y:.1f}">{text}</text>')
    return "\n".join([*parts, "</svg>", ""])


def _sensor(camera: CameraTracks, height: float) -> str:
    scale = WIDTH / camera.width
    is_masked, is_named = camera.is_masked, camera.marker >= 0
    masks = camera.masks_px if camera.masks_px is not None else np.empty((0, 3))
    title = f"{camera.name}: {is_named.sum()} of {camera.n_points} points named, {len(masks)} masks"
    out = [f'<text y="14">{escape(title)}</text><g transform="translate(0 22)">']
    out.append(f'<rect width="{WIDTH:g}" height="{height:.1f}" fill="#fafafa" stroke="#888"/>')
    for colour, pick in ((OTHER, ~is_masked & ~is_named), (NAMED, is_named)):
        rows = np.flatnonzero(pick)
        if len(rows) > N_POINTS:
            rows = rows[np.linspace(0, len(rows) - 1, N_POINTS).astype(int)]
        dots = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in (camera.xy_px[rows] + 0.5) * scale)
        if dots:
            out.append(
                f'<path d="{dots}" stroke="{colour}" stroke-width="1.6" stroke-linecap="round"/>'
            )
    for x, y, radius in masks:
        cx, cy = (x + 0.5) * scale, (y + 0.5) * scale
        out.append(
            f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{max(radius * scale, 6.0):.1f}" '
            f'fill="none" stroke="{MASKED}"'
            f' stroke-width="1.5"><title>{x:.1f}, {y:.1f} px, radius {radius:.1f} '
            f"px</title></circle>"
        )
    return "".join([*out, "</g>"])
