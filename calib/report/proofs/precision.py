"""Predicted precision as people read it, as JSON, and as a table for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.geometry import Array, sigma_in_space
from calib.core.names import command, counted, listed
from calib.core.rig import Doubt, Rig
from calib.prove.precision import Precision, in_one_line, of_wave
from calib.report.rigs.whole import named
from calib.report.tables import Blocks, Column, Table, following, strong
from calib.report.words import document, sentence

MOST_LAYERS = 12
HEADER = (
    "x_mm,y_mm,z_mm,cameras,sigma_mm,noise_sigma_mm,axis1_mm,axis2_mm,axis3_mm,axis1_x,axis1_y,"
    "axis1_z\n"
)
LEGEND = (
    "±: the standard deviation of a marker's place, root of the sum of the variances of x, y "
    "and z, from the rig's joint covariance and its cameras' noise; it is largest along the axis "
    "given. The error of the world as a whole is not in it. What hides a marker is not known: "
    "cameras count where it lies on their sensor."
)


def as_blocks(
    found: Precision, explain: bool = False, then: str = "", doubts: Sequence[Doubt] = ()
) -> Blocks:
    """Return the figure, what the rig was in doubt for when it was solved, the next command, where
    it is worst and what would help, and the layers of the volume.
    """
    out: Blocks = [in_one_line(found)]
    if doubts:
        out.append(
            strong(f"The rig is in doubt, and these figures do not count that: {named(doubts)}.")
        )
    if not found.has_covariance:
        out.append(
            "The rig file does not say how sure its poses are: the figures count the noise of the "
            "images alone."
        )
    out += map(sentence, found.notes)
    spoilt = dict.fromkeys(h.camera for h in found.helped if h is not None and h.is_left_out)
    if spoilt:
        it = "it" if len(spoilt) == 1 else "them"
        without = command("select", "TRACKS", "--without", ",".join(spoilt), "-o", "NEW")
        out.append(
            f"Where {listed(spoilt)} took part the others would do better alone: wave more before "
            f"{it} and solve again, or leave {it} out of what is measured: {without}"
        )
    blind = int((~found.is_seen).sum())
    if blind:
        out.append(
            f"{blind} of {counted(len(found.places_mm), 'place')} "
            f"{'is' if blind == 1 else 'are'} seen by fewer than two "
            "cameras."
        )
    out += [following(then)] if then else []
    out += ["", _worst(found), "", _layers(found)]
    return [*out, "", LEGEND] if explain else out


def as_json(found: Precision) -> dict[str, Any]:
    """Return the map as ``calib precision --json`` prints it."""
    sigma, noise, seen = found.sigma_mm, sigma_in_space(found.noise_mm2), found.is_seen
    worst = [
        {
            "place_mm": found.places_mm[k],
            "sigma_mm": sigma[k],
            "cameras": int(found.n_cameras[k]),
            "axes_mm": found.axes(k)[0],
            "axes": found.axes(k)[1],
            "helps": None
            if h is None
            else {"camera": h.camera, "sigma_mm": h.sigma_mm, "left_out": h.is_left_out},
        }
        for k, h in zip(found.worst, found.helped, strict=True)
    ]
    return document(
        {
            "middle": {"place_mm": found.places_mm[found.middle], "sigma_mm": sigma[found.middle]},
            "median_mm": float(np.median(sigma[seen])),
            "worst": worst,
            "blind": int((~seen).sum()),
            "notes": found.notes,
            "places": {
                "place_mm": found.places_mm,
                "sigma_mm": sigma,
                "noise_sigma_mm": noise,
                "cameras": found.n_cameras,
            },
        }
    )


def of_wave_as_json(rig: Rig) -> dict[str, Any] | None:
    """Return how precisely a rig places a marker where the wand went when it was solved, by the
    same names as ``calib precision --json``; None where nothing can be said.
    """
    found = of_wave(rig)
    return None if found is None else {k: v for k, v in as_json(found).items() if k != "places"}


def as_csv(found: Precision) -> str:
    """Return a line for every place: its figures and the longest axis of its ellipsoid."""
    sigma, noise, lines = found.sigma_mm, sigma_in_space(found.noise_mm2), [HEADER]
    for k, (x, y, z) in enumerate(found.places_mm):
        numbers = [f"{v:.3f}" for v in (x, y, z)] + [str(int(found.n_cameras[k]))]
        if found.is_seen[k]:
            half, axes = found.axes(k)
            numbers += [f"{v:.5f}" for v in (sigma[k], noise[k], *half, *axes[0])]
        else:
            numbers += [""] * 8
        lines.append(",".join(numbers) + "\n")
    return "".join(lines)


def _worst(found: Precision) -> Table:
    rows = list(found.worst)
    axes = [found.axes(k) for k in rows]
    directions = [f"({a[0][0]:+z.2f}, {a[0][1]:+z.2f}, {a[0][2]:+z.2f})" for _, a in axes]
    helps = [
        "all see it: add one across that axis"
        if h is None
        else f"{h.camera}, left out: {h.sigma_mm:.2f} mm"
        if h.is_left_out
        else f"{h.camera}, turned to see it: {h.sigma_mm:.2f} mm"
        for h in found.helped
    ]
    columns = [
        Column(
            "worst near|mm",
            [f"({x:.0f}, {y:.0f}, {z:.0f})" for x, y, z in found.places_mm[rows]],
            is_left=True,
        ),
        Column("|± mm", found.sigma_mm[rows].tolist(), ".2f"),
        Column("cameras|see it", found.n_cameras[rows].tolist()),
        Column("largest|± mm", [float(half[0]) for half, _ in axes], ".2f", rank=1),
        Column("along", directions, is_left=True, rank=1),
        Column("what would help", helps, is_left=True),
    ]
    return Table(columns)


def by_height(z_mm: Array, most: int) -> tuple[NDArray[np.intp], list[str]]:
    """Return in which layer places at heights (n,) lie, from below, and the layers' heights: a
    layer a height, or so many of the same thickness where there are more heights.
    """
    heights = np.unique(z_mm.round(3))
    if len(heights) <= most:
        return np.searchsorted(heights, z_mm.round(3)), [f"{h:.0f}" for h in heights]
    edges = np.linspace(heights[0], heights[-1], most + 1)
    layer = np.clip(np.searchsorted(edges, z_mm, side="right") - 1, 0, most - 1)
    return layer, [f"{a:.0f} to {b:.0f}" for a, b in pairwise(edges)]


def _layers(found: Precision) -> Table:
    """Return a line for each layer of the volume by height."""
    layer, names = by_height(found.places_mm[:, 2], MOST_LAYERS)
    rows = [k for k in range(len(names)) if (found.is_seen & (layer == k)).any()]
    of = [found.is_seen & (layer == k) for k in rows]
    sigma = found.sigma_mm
    columns = [
        Column("at z|mm", [names[k] for k in rows]),
        Column("places|seen", [int(m.sum()) for m in of]),
        Column(
            "places|unseen",
            [int((layer == k).sum() - m.sum()) for k, m in zip(rows, of, strict=True)],
        ),
        Column("cameras|see one", [float(np.median(found.n_cameras[m])) for m in of], ".0f"),
        Column("typical|± mm", [float(np.median(sigma[m])) for m in of], ".2f"),
        Column("worst|± mm", [float(sigma[m].max()) for m in of], ".2f"),
    ]
    return Table(columns)
