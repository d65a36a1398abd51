"""What the truth of a measurement is drawn from: lenses and errors that the solver's own model
holds, and others.

Small terms are drawn evenly within their limits. ``real`` is what the simulator draws by default.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

import numpy as np

from calib.core.geometry import Array
from calib.simulate import Scenario
from calib.simulate.layouts import MOST_K3
from calib.simulate.scenario import PLAIN

REAL_LENS = {"lens_terms": ("k1", "k2", "k3", "tangential", "aspect")}
STRENGTH = {"full": 1.0, "third": 1.0 / 3.0, "tenth": 0.1}  # of p ± 1e-3, aspect ± 0.1 %, k3 ± 0.02
ABOUT = {
    "real": "lenses as in full; errors that grow with distance, follow pixels and motion, and last",
    "plain": "square pixels, k1 and k2; independent errors of one size a camera",
    "full": "plain errors; p within ± 1e-3, aspect within ± 0.1 %, k3 within ± 0.02",
    "third": "a third of full",
    "tenth": "a tenth of full",
    "aspect": "plain but for aspect as in full",
    "tangential": "plain but for p as in full",
    "k3": "plain but for k3 as in full",
    "one": "one camera as in full, the others plain",
    "lasting": "plain lenses; a twentieth to a fifth of stretches of 0.1 to 2 s off by "
    "0.3 to 3 px, drawn a rig",
    "wander": "as real, and all the time off by 0.3 to 1 of the noise, correlated over 0.2 to 2 s, "
    "drawn a rig",
    "lasting-full": "lenses as in full, errors as in lasting",
}


def changes(truth: str, n_cameras: int, seed: int) -> dict[str, Any]:
    """Return what a truth changes in a scenario of so many cameras."""
    if truth == "real":
        return {}
    if truth == "wander":
        rng = np.random.default_rng([seed, 11])
        size, seconds = np.exp(rng.uniform(np.log([0.3, 0.2]), np.log([1.0, 2.0])))
        return {"wander_px": float(size) * Scenario().sigma_px, "wander_s": float(seconds)}
    out = dict(PLAIN)
    if truth in STRENGTH or truth in {"one", "lasting-full"}:
        s = STRENGTH.get(truth, 1.0)
        out |= REAL_LENS | {"aspect_error": 1e-3 * s, "decentring": 1e-3 * s, "k3_limit": 0.02 * s}
    if truth in {"aspect", "tangential", "k3"}:
        out |= {"lens_terms": ("k1", "k2", truth)}
    rng = np.random.default_rng([seed, 9])
    if truth == "one":
        out |= {"only_real": (str(rng.choice(Scenario(n_cameras=n_cameras).names)),)}
    if truth.startswith("lasting"):
        length = float(np.exp(rng.uniform(np.log(0.1), np.log(2.0))))
        out |= {
            "lasting_share": float(rng.uniform(0.05, 0.2)),
            "lasting_s": (length, length),
            "lasting_px": float(np.exp(rng.uniform(np.log(0.3), np.log(3.0)))),
        }
    return out


def drawn_from(scenario: Scenario, truth: str) -> Scenario:
    """Return the scenario with its lenses and errors drawn from a truth."""
    return replace(scenario, **changes(truth, scenario.n_cameras, scenario.seed))


def add_option(parser: argparse.ArgumentParser) -> None:
    words = "; ".join(f"{k}: {v}" for k, v in ABOUT.items()).replace("%", "%%")
    parser.add_argument("--truth", choices=ABOUT, default="real", help=words)


def small_term_sd(s: Scenario, terms: tuple[str, ...], focal_px: Array) -> Array:
    """Return standard deviations (C, L) of lens terms as the scenario draws them; infinite for
    those that are large.

    ``terms`` are single ones (p1, not tangential), ``focal_px (C,)`` the true focal lengths.
    """
    has, focal = set(s.lens_terms), np.asarray(focal_px, dtype=float)
    corner = np.hypot(s.width, s.height) / 2.0 / focal
    limit = {
        "aspect": np.full_like(focal, s.aspect_error * ("aspect" in has)),
        "p1": np.full_like(focal, s.decentring * ("tangential" in has)),
        "p2": np.full_like(focal, s.decentring * ("tangential" in has)),
        "k3": np.minimum(s.k3_limit, MOST_K3 / corner**6) * ("k3" in has),
    }
    unknown = np.full_like(focal, np.inf)
    out = np.stack([limit[t] / np.sqrt(3.0) if t in limit else unknown for t in terms], axis=1)
    if s.only_real:
        plain = [name not in s.only_real for name in s.names]
        out[np.ix_(plain, [t in limit for t in terms])] = 0.0
    return np.asarray(np.maximum(out, 1e-9))  # nothing, as a number that a prior can hold
