"""The least-squares fit of round spots to pixels, as compiled loops; the spots' image is in
``profile``.

A group of k spots shares background and blur; its parameters are ``[background, log s, (x, y, b,
height) * k]``. Pixels count by the inverse of their variance, noise² + gain · signal: with shot
noise, equal weights would scatter by up to 4/3 more (K. I. Mortensen et al., "Optimized
localization analysis for single-molecule tracking", Nature Methods 7, 2010). Saturated pixels only
say that the spot is at least as bright.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from calib.core.compiled import compiled
from calib.core.geometry import factor_in_place, solve_in_place
from calib.intake.centroids.profile import N_STEPS, add_spot, fill_profile, nodes_across

N_SHARED, N_OWN = 2, 4
MIN_SHARPNESS = 0.5  # b below which the shape is a Gaussian for every purpose
MAX_SHARPNESS = 200.0
_MIN_LOG_BLUR, _MAX_LOG_BLUR = math.log(0.2), math.log(30.0)


class Quality(NamedTuple):
    """How good a fit is, or many: 1 where it converged, RMS residual, what noise alone would leave
    of it, and the grey levels² of noise per grey level of signal seen in it.
    """

    is_converged: Any
    rms: Any
    noise_rms: Any
    gain: Any


@compiled
def _evaluate(pixels, weight, params, saturation, matrix, gradient, model):  # type: ignore[no-untyped-def]
    """Return the weighted sum of squares; fill model, normal matrix and gradient."""
    n_spots = (len(params) - N_SHARED) // N_OWN
    n = len(params)
    s = math.exp(params[1])
    nodes = nodes_across(s)
    tables = np.empty((n_spots, 3, N_STEPS + 1))
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
            add_spot(x, y, s, params[o + 2], tables[k], starts[k, 0], starts[k, 1], nodes, out)
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
    """Solve (matrix + damping · diagonal) step = gradient by Cholesky; False where it is not
    positive.
    """
    L = matrix.copy()
    for i in range(len(gradient)):
        L[i, i] += damping * matrix[i, i] + 1e-12
        step[i] = gradient[i]
    if not factor_in_place(L):
        return False
    solve_in_place(L, step)
    return True


@compiled
def _freeze(matrix, gradient, params):  # type: ignore[no-untyped-def]
    """Take out of the step what stands at its bound and would leave it."""
    n = len(params)
    for i in range(1, n):
        is_blur, is_sharpness = i == 1, i >= N_SHARED and (i - N_SHARED) % N_OWN == 2
        low = (is_blur and params[i] <= _MIN_LOG_BLUR) or (
            is_sharpness and params[i] <= MIN_SHARPNESS
        )
        high = (is_blur and params[i] >= _MAX_LOG_BLUR) or (
            is_sharpness and params[i] >= MAX_SHARPNESS
        )
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
    """Fit ``params`` in place to ``pixels`` (n, 3) of x, y, value; return its ``Quality``.

    Each turn weighs the pixels by the model before it.
    """
    n = len(params)
    matrix, gradient, model = np.zeros((n, n)), np.zeros(n), np.empty(len(pixels))
    weight = np.ones(len(pixels))
    is_converged = False
    for turn in range(n_turns):
        _evaluate(pixels, weight, params, saturation, matrix, gradient, model)
        _weigh(pixels, params, model, noise, gain, turn > 0, weight)
        is_converged = _descend(pixels, weight, params, saturation, model)
    _evaluate(pixels, weight, params, saturation, matrix, gradient, model)
    n_used, squares, expected, top, bottom = 0, 0.0, 0.0, 0.0, 0.0
    for p in range(len(pixels)):
        if weight[p] == 0.0 or pixels[p, 2] >= saturation:
            continue
        signal = max(model[p] - params[0], 0.0)
        r2 = (pixels[p, 2] - model[p]) ** 2
        n_used += 1
        squares += r2
        expected += noise * noise + gain * signal
        top += weight[p] * weight[p] * (r2 - noise * noise) * signal
        bottom += weight[p] * weight[p] * signal * signal
    free, count = max(n_used - n, 1), max(n_used, 1)
    seen = top / bottom * n_used / free if bottom > 0.0 else gain
    return Quality(
        1.0 if is_converged else 0.0, math.sqrt(squares / count), math.sqrt(expected / count), seen
    )


@compiled
def _weigh(pixels, params, model, noise, gain, is_apart, weight):  # type: ignore[no-untyped-def]
    """Set the pixels' weights to one by their variance; where ``is_apart`` and two markers cover
    each other, their light does not add up and counts nothing.
    """
    s = math.exp(params[1])
    for p in range(len(pixels)):
        weight[p] = 1.0 / (noise * noise + gain * max(model[p] - params[0], 0.0))
        n_inside = 0
        for o in range(N_SHARED, len(params), N_OWN):
            dx, dy = pixels[p, 0] - params[o], pixels[p, 1] - params[o + 1]
            n_inside += dx * dx + dy * dy < (params[o + 2] * s) ** 2
        if is_apart and n_inside > 1:
            weight[p] = 0.0


@compiled
def _descend(pixels, weight, params, saturation, model):  # type: ignore[no-untyped-def]
    """Bring ``params`` to the least weighted sum of squares by Levenberg and Marquardt's method;
    say whether it got there.
    """
    n = len(params)
    matrix, gradient, step, trial = np.zeros((n, n)), np.zeros(n), np.zeros(n), params.copy()
    new_matrix, new_gradient = np.zeros((n, n)), np.zeros(n)
    damping = 1e-3
    cost = _evaluate(pixels, weight, params, saturation, matrix, gradient, model)
    for _ in range(30):
        _freeze(matrix, gradient, params)
        is_solved = _solve(matrix, gradient, damping, step)
        new = math.inf
        if is_solved:
            _bounded(params, step, trial)
            new = _evaluate(pixels, weight, trial, saturation, new_matrix, new_gradient, model)
        moved = 0.0
        for o in range(N_SHARED, n, N_OWN):
            moved = max(moved, abs(trial[o] - params[o]), abs(trial[o + 1] - params[o + 1]))
        if not new <= cost * (1.0 + 1e-9):
            damping = max(damping, 1e-5) * 8.0
            # Steps too small to matter fail on rounding, or on the steps of a table.
            if (is_solved and moved < 1e-4) or damping > 1e8:
                return is_solved
            continue
        gone = cost - new
        params[:], gradient[:], cost = trial, new_gradient, new
        matrix[:] = new_matrix
        damping = max(damping * 0.1, 1e-9)
        if moved < 1e-3 and gone < 1e-3 * (len(pixels) + cost):
            return True
    return False


@compiled
def gather(image, labels, label, box, margin):  # type: ignore[no-untyped-def]
    """Return the pixels (n, 3) of one blob and its surroundings (x, y, value), without what other
    blobs may light.
    """
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
                        is_near = is_near or other not in (0, label)
                if is_near:
                    continue
            out[n, 0], out[n, 1], out[n, 2] = x, y, image[y, x]
            n += 1
    return out[:n]


@compiled
def fit_singles(  # type: ignore[no-untyped-def]
    image, labels, chosen, boxes, margin, params, saturation, noise, gain, n_turns, quality
):
    """Fit one spot to each chosen blob: ``params`` (n, 6) in place, a ``Quality`` a row of
    ``quality`` (n, 4).
    """
    for i in range(len(chosen)):
        pixels = gather(image, labels, chosen[i], boxes[i], margin[i])
        found = fit_group(pixels, params[i], saturation, noise, gain, n_turns)
        for k in range(len(found)):
            quality[i, k] = found[k]
