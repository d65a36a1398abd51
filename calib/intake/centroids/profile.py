"""The image of a round marker, as compiled loops.

A disc of radius R under a Gaussian blur of standard deviation s, at distance r from its centre, has
the brightness

    P(a, b) = 1 - Q1(a, b),  a = r / s,  b = R / s,

Marcum's function of order 1 (J. I. Marcum, "A statistical theory of target detection by pulsed
radar", IRE Trans. Inf. Theory 6(2), 1960), with dP/da = -b exp(-(a-b)²/2) I1(ab) e^-ab and dP/db =
b exp(-(a-b)²/2) I0(ab) e^-ab. A small b gives a Gaussian, a large one a sharp disc, so that one
model serves both. A pixel is the mean over its square.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.compiled import compiled

# Of the table of a profile: intervals, and how far it reaches from the edge in units of s.
N_STEPS, _REACH = 32, 6.0


@compiled
def i0e(x):  # type: ignore[no-untyped-def]
    """I0(x) e^-x for x >= 0 to 2e-7 (Abramowitz & Stegun, "Handbook of Mathematical Functions",
    1964, 9.8.1-2).
    """
    if x < 3.75:
        t = (x / 3.75) ** 2
        p = 0.2659732 + t * (0.0360768 + t * 0.0045813)
        return math.exp(-x) * (1.0 + t * (3.5156229 + t * (3.0899424 + t * (1.2067492 + t * p))))
    t = 3.75 / x
    p = -0.02057706 + t * (0.02635537 + t * (-0.01647633 + t * 0.00392377))
    p = 0.00225319 + t * (-0.00157565 + t * (0.00916281 + t * p))
    return (0.39894228 + t * (0.01328592 + t * p)) / math.sqrt(x)


@compiled
def i1e(x):  # type: ignore[no-untyped-def]
    """I1(x) e^-x for x >= 0 to 2e-7 (Abramowitz & Stegun, 9.8.3 and 9.8.4)."""
    if x < 3.75:
        t = (x / 3.75) ** 2
        p = 0.02658733 + t * (0.00301532 + t * 0.00032411)
        return (
            x
            * math.exp(-x)
            * (0.5 + t * (0.87890594 + t * (0.51498869 + t * (0.15084934 + t * p))))
        )
    t = 3.75 / x
    p = 0.02282967 + t * (-0.02895312 + t * (0.01787654 - t * 0.00420059))
    p = -0.00362018 + t * (0.00163801 + t * (-0.01031555 + t * p))
    return (0.39894228 + t * (-0.03988024 + t * p)) / math.sqrt(x)


@compiled
def fill_profile(b, table):  # type: ignore[no-untyped-def]
    """Fill ``table`` (3, N_STEPS + 1) with P/P(0), its slope in a and its slope in b; return first
    a and the step.
    """
    low = max(0.0, b - _REACH)
    step = (b + _REACH - low) / N_STEPS
    top = -math.expm1(-0.5 * b * b)
    value, slope_outer = 0.0, 0.0
    for k in range(N_STEPS, -1, -1):
        a = low + k * step
        slope = -b * math.exp(-0.5 * (a - b) ** 2) * i1e(a * b)
        if k < N_STEPS:  # Simpson's rule inwards from where nothing is left
            mid = a + 0.5 * step
            middle = -b * math.exp(-0.5 * (mid - b) ** 2) * i1e(mid * b)
            value -= step / 6.0 * (slope + 4.0 * middle + slope_outer)
        slope_outer = slope
        by_b = b * math.exp(-0.5 * (a - b) ** 2) * i0e(a * b)
        table[0, k] = value / top
        table[1, k] = slope / top
        table[2, k] = (by_b - value / top * b * math.exp(-0.5 * b * b)) / top
    return low, step


@compiled
def half_height_radius(b, s):  # type: ignore[no-untyped-def]
    """The distance in px at which a spot has half its height."""
    table = np.empty((3, N_STEPS + 1))
    low, step = fill_profile(b, table)
    for k in range(N_STEPS):
        if table[0, k + 1] < 0.5:
            return s * (low + step * (k + (table[0, k] - 0.5) / (table[0, k] - table[0, k + 1])))
    return s * (low + N_STEPS * step)


@compiled
def add_spot(x, y, s, b, table, low, step, nodes, out):  # type: ignore[no-untyped-def]
    """Set ``out`` (5) to the mean over a pixel at (x, y) from the centre and its slopes by centre,
    log s and b.
    """
    value = by_x = by_y = by_s = by_b = 0.0
    n = len(nodes)
    r = math.sqrt(x * x + y * y)
    if r - 0.71 > s * (low + N_STEPS * step) or r + 0.71 < s * low:
        out[0], out[1], out[2], out[3], out[4] = 1.0 if r < s * low else 0.0, 0.0, 0.0, 0.0, 0.0
        return
    for i in range(n):
        for j in range(n):
            dx, dy = x + nodes[i, 0], y + nodes[j, 0]
            share = nodes[i, 1] * nodes[j, 1]
            r = math.sqrt(dx * dx + dy * dy)
            a = r / s
            place = (a - low) / step
            if place <= 0.0:
                value += share
                continue
            if place >= N_STEPS:
                continue
            k = int(place)
            t = place - k
            u = 1.0 - t
            slope = table[1, k] * u + table[1, k + 1] * t
            curve = t * u * step * (u * table[1, k] - t * table[1, k + 1])
            value += share * (
                u * u * (1 + 2 * t) * table[0, k] + t * t * (1 + 2 * u) * table[0, k + 1] + curve
            )
            by_s -= share * a * slope
            by_b += share * (table[2, k] * u + table[2, k + 1] * t)
            if r > 1e-9:
                by_x -= share * slope / s * dx / r
                by_y -= share * slope / s * dy / r
    out[0], out[1], out[2], out[3], out[4] = value, by_x, by_y, by_s, by_b


@compiled
def nodes_across(s):  # type: ignore[no-untyped-def]
    """Places across a pixel and their weights (Gauss-Legendre): more of them for a sharper edge."""
    if s >= 0.5:
        return np.array([[-0.28867513459, 0.5], [0.28867513459, 0.5]])
    if s >= 0.35:
        return np.array([[-0.38729833462, 5 / 18], [0.0, 8 / 18], [0.38729833462, 5 / 18]])
    a, b, c = 0.46623475710, 0.33060469323, 0.11930959304
    u, v, w = 0.08566224619, 0.18038078652, 0.23395696729
    return np.array([[-a, u], [-b, v], [-c, w], [c, w], [b, v], [a, u]])
