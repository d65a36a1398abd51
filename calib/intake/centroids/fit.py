"""The image of a round marker and its least-squares fit to pixels, as compiled loops.

A disc of radius R under a Gaussian blur of standard deviation s, at distance r from its centre, has the brightness

    P(a, b) = 1 - Q1(a, b),  a = r / s,  b = R / s,

Marcum's function of order 1 (J. I. Marcum, "A statistical theory of target detection by pulsed radar", IRE Trans.
Inf. Theory 6(2), 1960), with dP/da = -b exp(-(a-b)²/2) I1(ab) e^-ab and dP/db = b exp(-(a-b)²/2) I0(ab) e^-ab. A small b
gives a Gaussian, a large one a sharp disc, so that one model serves both. Each pixel is its mean over the pixel's square.

A group of k spots shares background and blur; its parameters are ``[background, log s, (x, y, b, height) * k]``.
Pixels count by the inverse of their variance, noise² + gain · signal: with shot noise, equal weights would scatter by
up to 4/3 more (K. I. Mortensen et al., "Optimized localization analysis for single-molecule tracking", Nature Methods 7,
2010). Saturated pixels only say that the spot is at least as bright.
"""

from __future__ import annotations

import math

import numpy as np

from calib.core.compiled import compiled

N_SHARED, N_OWN = 2, 4
MIN_SHARPNESS = 0.5  # b below which the shape is a Gaussian for every purpose
MAX_SHARPNESS = 200.0
_MIN_LOG_BLUR, _MAX_LOG_BLUR = math.log(0.2), math.log(30.0)
_N_STEPS, _REACH = 32, 6.0  # of the table of a profile: intervals, and how far it reaches from the edge in units of s


@compiled
def i0e(x):  # type: ignore[no-untyped-def]
    """I0(x) e^-x for x >= 0 to 2e-7 (Abramowitz & Stegun, Handbook of Mathematical Functions, 1964, 9.8.1 and 9.8.2)."""
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
        return x * math.exp(-x) * (0.5 + t * (0.87890594 + t * (0.51498869 + t * (0.15084934 + t * p))))
    t = 3.75 / x
    p = 0.02282967 + t * (-0.02895312 + t * (0.01787654 - t * 0.00420059))
    p = -0.00362018 + t * (0.00163801 + t * (-0.01031555 + t * p))
    return (0.39894228 + t * (-0.03988024 + t * p)) / math.sqrt(x)


@compiled
def fill_profile(b, table):  # type: ignore[no-untyped-def]
    """Fill ``table`` (3, _N_STEPS + 1) with P/P(0), its slope in a and its slope in b; return first a and the step."""
    low = max(0.0, b - _REACH)
    step = (b + _REACH - low) / _N_STEPS
    top = -math.expm1(-0.5 * b * b)
    value, slope_outer = 0.0, 0.0
    for k in range(_N_STEPS, -1, -1):
        a = low + k * step
        slope = -b * math.exp(-0.5 * (a - b) ** 2) * i1e(a * b)
        if k < _N_STEPS:  # Simpson's rule inwards from where nothing is left
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
    table = np.empty((3, _N_STEPS + 1))
    low, step = fill_profile(b, table)
    for k in range(_N_STEPS):
        if table[0, k + 1] < 0.5:
            return s * (low + step * (k + (table[0, k] - 0.5) / (table[0, k] - table[0, k + 1])))
    return s * (low + _N_STEPS * step)


@compiled
def _add_spot(x, y, s, b, table, low, step, nodes, out):  # type: ignore[no-untyped-def]
    """Set ``out`` (4) to the mean over a pixel at (x, y) from the centre and its derivatives by the centre, log s and b."""
    value = by_x = by_y = by_s = by_b = 0.0
    n = len(nodes)
    r = math.sqrt(x * x + y * y)
    if r - 0.71 > s * (low + _N_STEPS * step) or r + 0.71 < s * low:
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
            if place >= _N_STEPS:
                continue
            k = int(place)
            t = place - k
            u = 1.0 - t
            slope = table[1, k] * u + table[1, k + 1] * t
            curve = t * u * step * (u * table[1, k] - t * table[1, k + 1])
            value += share * (u * u * (1 + 2 * t) * table[0, k] + t * t * (1 + 2 * u) * table[0, k + 1] + curve)
            by_s -= share * a * slope
            by_b += share * (table[2, k] * u + table[2, k + 1] * t)
            if r > 1e-9:
                by_x -= share * slope / s * dx / r
                by_y -= share * slope / s * dy / r
    out[0], out[1], out[2], out[3], out[4] = value, by_x, by_y, by_s, by_b


@compiled
def _nodes(s):  # type: ignore[no-untyped-def]
    """Places across a pixel and their weights (Gauss-Legendre): more of them for a sharper edge."""
    if s >= 0.5:
        return np.array([[-0.28867513459, 0.5], [0.28867513459, 0.5]])
    if s >= 0.35:
        return np.array([[-0.38729833462, 5 / 18], [0.0, 8 / 18], [0.38729833462, 5 / 18]])
    a, b, c = 0.46623475710, 0.33060469323, 0.11930959304
    u, v, w = 0.08566224619, 0.18038078652, 0.23395696729
    return np.array([[-a, u], [-b, v], [-c, w], [c, w], [b, v], [a, u]])


@compiled
def _evaluate(pixels, weight, params, saturation, matrix, gradient, model):  # type: ignore[no-untyped-def]
    """Return the weighted sum of squares; fill model, normal matrix and gradient."""
    n_spots = (len(params) - N_SHARED) // N_OWN
    n = len(params)
    s = math.exp(params[1])
    nodes = _nodes(s)
    tables = np.empty((n_spots, 3, _N_STEPS + 1))
    starts = np.empty((n_spots, 2))
    for k in range(n_spots):
        starts[k, 0], starts[k, 1] = fill_profile(params[4 + N_OWN * k], tables[k])
    row, out = np.empty(n), np.empty(5)
    matrix[:] = 0.0
    gradient[:] = 0.0
    cost = 0.0
    for p in range(len(pixels)):
        value = params[0]
        row[0], row[1] = 1.0, 0.0
        for k in range(n_spots):
            o = N_SHARED + N_OWN * k
            height = params[o + 3]
            x, y = pixels[p, 0] - params[o], pixels[p, 1] - params[o + 1]
            _add_spot(x, y, s, params[o + 2], tables[k], starts[k, 0], starts[k, 1], nodes, out)
            value += height * out[0]
            row[1] += height * out[3]
            row[o], row[o + 1] = height * out[1], height * out[2]
            row[o + 2], row[o + 3] = height * out[4], out[0]
        model[p] = value
        residual = pixels[p, 2] - value
        if weight[p] == 0.0 or (pixels[p, 2] >= saturation and residual <= 0.0):
            continue
        cost += weight[p] * residual * residual
        for i in range(n):
            w = weight[p] * row[i]
            gradient[i] += w * residual
            for j in range(i + 1):
                matrix[i, j] += w * row[j]
    return cost


@compiled
def _solve(matrix, gradient, damping, step):  # type: ignore[no-untyped-def]
    """Solve (matrix + damping · diagonal) step = gradient by Cholesky; False where it is not positive."""
    n = len(gradient)
    L = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            v = matrix[i, j]
            if i == j:
                v += damping * matrix[i, i] + 1e-12
            for k in range(j):
                v -= L[i, k] * L[j, k]
            if i == j:
                if not v > 0.0:
                    return False
                L[i, i] = math.sqrt(v)
            else:
                L[i, j] = v / L[j, j]
    for i in range(n):
        v = gradient[i]
        for k in range(i):
            v -= L[i, k] * step[k]
        step[i] = v / L[i, i]
    for i in range(n - 1, -1, -1):
        v = step[i]
        for k in range(i + 1, n):
            v -= L[k, i] * step[k]
        step[i] = v / L[i, i]
    return True


@compiled
def _freeze(matrix, gradient, params):  # type: ignore[no-untyped-def]
    """Take out of the step what stands at its bound and would leave it."""
    n = len(params)
    for i in range(1, n):
        is_blur, is_sharpness = i == 1, i >= N_SHARED and (i - N_SHARED) % N_OWN == 2
        low = (is_blur and params[i] <= _MIN_LOG_BLUR) or (is_sharpness and params[i] <= MIN_SHARPNESS)
        high = (is_blur and params[i] >= _MAX_LOG_BLUR) or (is_sharpness and params[i] >= MAX_SHARPNESS)
        if (low and gradient[i] < 0.0) or (high and gradient[i] > 0.0):
            gradient[i] = 0.0
            for j in range(n):
                matrix[max(i, j), min(i, j)] = 0.0
            matrix[i, i] = 1.0


@compiled
def _bounded(params, step, out):  # type: ignore[no-untyped-def]
    """Set ``out`` to params + step, no part of it further than makes sense in one go."""
    for i in range(len(params)):
        v = step[i]
        if i == 1:
            out[i] = min(max(params[i] + min(max(v, -0.5), 0.5), _MIN_LOG_BLUR), _MAX_LOG_BLUR)
        elif i >= N_SHARED and (i - N_SHARED) % N_OWN == 2:
            b = params[i]
            out[i] = min(max(b + min(max(v, -0.5 * b), b), MIN_SHARPNESS), MAX_SHARPNESS)
        elif i >= N_SHARED and (i - N_SHARED) % N_OWN < 2:
            out[i] = params[i] + min(max(v, -2.0), 2.0)
        else:
            out[i] = params[i] + v


@compiled
def fit_group(pixels, params, saturation, noise, gain, n_turns):  # type: ignore[no-untyped-def]
    """Fit ``params`` in place to ``pixels`` (n, 3) of x, y, value, by Levenberg and Marquardt's method.

    Each turn weighs the pixels by the model before it. Returns 1 where it converged, reduced chi-square, RMS residual,
    what noise alone would leave of it, and the gain seen in it.
    """
    n, n_pixels = len(params), len(pixels)
    n_spots = (n - N_SHARED) // N_OWN
    matrix, gradient, step, trial = np.zeros((n, n)), np.zeros(n), np.zeros(n), params.copy()
    new_matrix, new_gradient = np.zeros((n, n)), np.zeros(n)
    model, weight = np.empty(n_pixels), np.ones(n_pixels)
    is_converged, cost = 0.0, 0.0
    for turn in range(n_turns):
        _evaluate(pixels, weight, params, saturation, matrix, gradient, model)
        s = math.exp(params[1])
        for p in range(n_pixels):
            weight[p] = 1.0 / (noise * noise + gain * max(model[p] - params[0], 0.0))
            inside = 0
            for k in range(n_spots):
                o = N_SHARED + N_OWN * k
                radius = params[o + 2] * s
                inside += (pixels[p, 0] - params[o]) ** 2 + (pixels[p, 1] - params[o + 1]) ** 2 < radius * radius
            if turn and inside > 1:  # where two markers cover each other, their light does not add up
                weight[p] = 0.0
        damping, is_converged = 1e-3, 0.0
        cost = _evaluate(pixels, weight, params, saturation, matrix, gradient, model)
        for _ in range(30):
            _freeze(matrix, gradient, params)
            is_solved = _solve(matrix, gradient, damping, step)
            new = math.inf
            if is_solved:
                _bounded(params, step, trial)
                new = _evaluate(pixels, weight, trial, saturation, new_matrix, new_gradient, model)
            moved = 0.0
            for k in range(n_spots):
                o = N_SHARED + N_OWN * k
                moved = max(moved, abs(trial[o] - params[o]), abs(trial[o + 1] - params[o + 1]))
            if not new <= cost * (1.0 + 1e-9):
                damping = max(damping, 1e-5) * 8.0
                # Steps too small to matter fail on rounding, or on the steps of a table.
                if is_solved and moved < 1e-4 or damping > 1e8:
                    is_converged = 1.0 if is_solved else 0.0
                    break
                continue
            gone = cost - new
            params[:], gradient[:], cost = trial, new_gradient, new
            matrix[:] = new_matrix
            damping = max(damping * 0.1, 1e-9)
            if moved < 1e-3 and gone < 1e-3 * (n_pixels + cost):
                is_converged = 1.0
                break
    _evaluate(pixels, weight, params, saturation, matrix, gradient, model)
    n_used, squares, expected, top, bottom = 0, 0.0, 0.0, 0.0, 0.0
    for p in range(n_pixels):
        if weight[p] == 0.0 or pixels[p, 2] >= saturation:
            continue
        signal = max(model[p] - params[0], 0.0)
        r2 = (pixels[p, 2] - model[p]) ** 2
        n_used += 1
        squares += r2
        expected += noise * noise + gain * signal
        top += weight[p] * weight[p] * (r2 - noise * noise) * signal
        bottom += weight[p] * weight[p] * signal * signal
    free = max(n_used - n, 1)
    count = max(n_used, 1)
    seen = top / bottom * n_used / free if bottom > 0.0 else gain
    return is_converged, cost / free, math.sqrt(squares / count), math.sqrt(expected / count), seen


@compiled
def gather(image, labels, label, box, margin):  # type: ignore[no-untyped-def]
    """Return the pixels (n, 3) of one blob and its surroundings (x, y, value), without what other blobs may light."""
    height, width = image.shape
    x0, y0 = max(box[0] - margin, 0), max(box[1] - margin, 0)
    x1, y1 = min(box[0] + box[2] + margin, width), min(box[1] + box[3] + margin, height)
    out = np.empty(((x1 - x0) * (y1 - y0), 3))
    n = 0
    for y in range(y0, y1):
        for x in range(x0, x1):
            own = labels[y, x]
            if own != label:
                if own != 0:
                    continue
                is_near = False
                for v in range(max(y - 2, 0), min(y + 3, height)):
                    for u in range(max(x - 2, 0), min(x + 3, width)):
                        other = labels[v, u]
                        is_near = is_near or (other != 0 and other != label)
                if is_near:
                    continue
            out[n, 0], out[n, 1], out[n, 2] = x, y, image[y, x]
            n += 1
    return out[:n]


@compiled
def fit_singles(image, labels, chosen, boxes, margin, params, saturation, noise, gain, n_turns, quality):  # type: ignore[no-untyped-def]
    """Fit one spot to each chosen blob: ``params`` (n, 6) in place, ``quality`` (n, 5) as ``fit_group`` returns it."""
    for i in range(len(chosen)):
        pixels = gather(image, labels, chosen[i], boxes[i], margin[i])
        a, b, c, d, e = fit_group(pixels, params[i], saturation, noise, gain, n_turns)
        quality[i, 0], quality[i, 1], quality[i, 2], quality[i, 3], quality[i, 4] = a, b, c, d, e


@compiled
def measure(image, labels, chosen, boxes, background, saturation, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` (n, 8): weighted x, y, roundness, peak, saturated pixels, pixels and mean x² above half height,

    and 1 where those touch the image's edge. Weights are the light above the background.
    """
    height, width = image.shape
    for i in range(len(chosen)):
        x0, y0, w, h = boxes[i, 0], boxes[i, 1], boxes[i, 2], boxes[i, 3]
        total = mx = my = xx = yy = xy = 0.0
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
                xy += v * dx * dy
        mx, my = mx / total, my / total
        # A twelfth, the variance across a pixel, keeps a row of two pixels from being a line.
        xx, yy, xy = xx / total - mx * mx + 1 / 12, yy / total - my * my + 1 / 12, xy / total - mx * my
        mean, half_gap = 0.5 * (xx + yy), math.hypot(0.5 * (xx - yy), xy)
        n_core, touches = 0, 0.0
        for y in range(y0, y0 + h):
            for x in range(x0, x0 + w):
                if labels[y, x] == chosen[i] and image[y, x] - background > 0.5 * (peak - background):
                    n_core += 1
                    if x == 0 or y == 0 or x == width - 1 or y == height - 1:
                        touches = 1.0
        out[i, 0], out[i, 1], out[i, 2] = x0 + mx, y0 + my, math.sqrt(max(mean - half_gap, 0.0) / (mean + half_gap))
        out[i, 3], out[i, 4], out[i, 5], out[i, 6], out[i, 7] = peak, n_saturated, n_core, mean, touches
