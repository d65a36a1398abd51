"""What a blob's pixels show before any fit: centre of light, roundness, peak, clipped pixels; as
compiled loops.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from calib.core.compiled import compiled


class Blob(NamedTuple):
    """A row of what ``measure`` fills, or its columns: the centre of the light above the
    background, brightest pixel, how many pixels are clipped and how many above half height, and 1
    where one of these touches the image's edge.
    """

    x: Any
    y: Any
    roundness: Any
    peak: Any
    n_saturated: Any
    n_core: Any
    is_at_edge: Any


@compiled
def _roundness(image, labels, label, box, x, y, spread, background):  # type: ignore[no-untyped-def]
    """Shorter by longer axis of a blob, from second moments of its light under a Gaussian of twice
    its spread.

    That weight lets the light below the threshold count too, which would otherwise be cut off in
    whole pixels; it narrows a Gaussian spot to 1 / (1 / variance + 1 / weight's), which is undone
    after. Weights narrower than a pixel or two would be too coarsely sampled.
    """
    wide = max(2.0 * spread, 3.0)
    height, width = image.shape
    total = mx = my = xx = yy = xy = 0.0
    for v in range(max(box[1] - 2, 0), min(box[1] + box[3] + 2, height)):
        for u in range(max(box[0] - 2, 0), min(box[0] + box[2] + 2, width)):
            if labels[v, u] in (0, label):
                dx, dy = u - x, v - y
                light = (image[v, u] - background) * math.exp(-0.5 * (dx * dx + dy * dy) / wide)
                total += light
                mx += light * dx
                my += light * dy
                xx += light * dx * dx
                yy += light * dy * dy
                xy += light * dx * dy
    mx, my = mx / total, my / total
    xx, yy, xy = xx / total - mx * mx, yy / total - my * my, xy / total - mx * my
    mean, half_gap = 0.5 * (xx + yy), math.hypot(0.5 * (xx - yy), xy)
    short, long = mean - half_gap, mean + half_gap
    if not short > 0.0:
        return 0.0
    inverse = 1.0 / long - 1.0 / wide
    return (
        math.sqrt(max(inverse, 0.0) / (1.0 / short - 1.0 / wide)) if inverse < 1.0 / short else 1.0
    )


@compiled
def measure(image, labels, chosen, boxes, background, saturation, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` (n, 7) with a ``Blob`` a row."""
    height, width = image.shape
    for i in range(len(chosen)):
        x0, y0, w, h = boxes[i, 0], boxes[i, 1], boxes[i, 2], boxes[i, 3]
        total = mx = my = xx = yy = 0.0
        peak, n_saturated = 0.0, 0
        for y in range(y0, y0 + h):
            for x in range(x0, x0 + w):
                if labels[y, x] != chosen[i]:
                    continue
                v = float(image[y, x])
                peak = max(peak, v)
                n_saturated += v >= saturation
                v -= background
                dx, dy = x - x0, y - y0
                total += v
                mx += v * dx
                my += v * dy
                xx += v * dx * dx
                yy += v * dy * dy
        mx, my = mx / total, my / total
        # A twelfth, the variance across a pixel, keeps a row of two pixels from being a line.
        spread = 0.5 * ((xx + yy) / total - mx * mx - my * my) + 1 / 12
        roundness = _roundness(
            image, labels, chosen[i], boxes[i], x0 + mx, y0 + my, spread, background
        )
        n_core, touches = 0, 0.0
        for y in range(y0, y0 + h):
            for x in range(x0, x0 + w):
                if labels[y, x] == chosen[i] and image[y, x] - background > 0.5 * (
                    peak - background
                ):
                    n_core += 1
                    if x == 0 or y == 0 or x == width - 1 or y == height - 1:
                        touches = 1.0
        out[i, 0], out[i, 1], out[i, 2] = x0 + mx, y0 + my, roundness
        out[i, 3], out[i, 4], out[i, 5], out[i, 6] = peak, n_saturated, n_core, touches
