"""What is known of the wand's shape: coordinates with their uncertainty and certified lengths, as
observations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.core.geometry import Array
from calib.core.tracks import Tracks
from calib.core.wand import CertifiedLength, Wand

BESIDE_MM = 1e-4  # held, by less than any wand is measured to


def wand_axes(wand: Wand) -> tuple[Array, Array]:
    """Return (R (3, 3), middle_mm (3,)) of the wand's own axes: ``x_own = R @ (x_file -
    middle_mm)``.

    The middle of the markers is the origin and their longest extent runs along x.
    """
    middle = wand.points_mm.mean(axis=0)
    _, _, axes = np.linalg.svd(wand.points_mm - middle)
    axes[2] *= np.linalg.det(axes)
    return axes, middle


def wand_shape(wand: Wand) -> Array:
    """Return the markers (M, 3) in mm in the wand's own axes.

    A line's markers lie on x exactly; that is what leaves its turn about x out of the problem by
    construction.
    """
    axes, middle = wand_axes(wand)
    shape = (wand.points_mm - middle) @ axes.T
    if wand.dimension == 1:
        shape[:, 1:] = 0.0
    return np.asarray(shape)


def reshaped(wand: Wand, shape_mm: Array) -> Wand:
    """Return the wand with its markers moved to shape_mm (M, 3), which is in its own axes.

    Off a line the markers keep what little they lie beside it.
    """
    axes, _ = wand_axes(wand)
    return replace(wand, points_mm=wand.points_mm + (shape_mm - wand_shape(wand)) @ axes)


@dataclass(frozen=True, slots=True, eq=False)
class ShapePrior:
    """Coordinates mean_mm (M, 3) in the wand's own axes with sigma_mm (M,), and certified lengths.

    ``n_axes`` coordinates of each marker are free: 1 of a line, 3 otherwise. ``along`` (3,) is the
    line on which all markers lie that a capture of another wand shows: where each lies beside it
    counts as stated. Every frame turns its wand about the line, so a distance from it shows without
    its direction, and noise alone would make one.
    """

    mean_mm: Array
    sigma_mm: Array
    certified: tuple[CertifiedLength, ...]
    n_axes: int
    along: Array | None = None

    def rows(self, shape_mm: Array) -> tuple[Array, Array]:
        """Return whitened residuals (k,), given minus stated, and their derivatives (k, M n_axes)
        at a shape (M, 3).
        """
        n_markers, n = len(shape_mm), self.n_axes
        weight = np.diag(np.repeat(1.0 / self.sigma_mm, n))
        if self.along is not None:
            own = np.kron(np.eye(n_markers), np.outer(self.along, self.along))
            weight = weight @ own + (np.eye(len(own)) - own) / BESIDE_MM
        residual = [weight @ (shape_mm - self.mean_mm)[:, :n].ravel()]
        jacobian = [weight]
        for c in self.certified:
            arm = shape_mm[c.i] - shape_mm[c.j]
            length = float(np.linalg.norm(arm))
            row = np.zeros((n_markers, n))
            row[c.i], row[c.j] = arm[:n] / length, -arm[:n] / length
            residual.append(np.array([(length - c.length_mm) / c.sigma_mm]))
            jacobian.append(row.reshape(1, -1) / c.sigma_mm)
        return np.concatenate(residual), np.concatenate(jacobian)


def shape_prior(wand: Wand, tracks: Tracks | None = None) -> ShapePrior | None:
    """Return the prior of a wand whose coordinates are stated as uncertain, None where they are
    exact; of ``tracks`` it counts which markers they show.
    """
    if wand.sigma_mm <= 0:
        return None
    sigma = np.full(len(wand.markers), wand.sigma_mm)
    if wand.dimension == 1:
        return ShapePrior(wand_shape(wand), sigma, wand.certified, 1)
    along = None if tracks is None else _line_of_seen(wand, tracks)
    return ShapePrior(wand_shape(wand), sigma, wand.certified, 3, along)


def _line_of_seen(wand: Wand, tracks: Tracks) -> Array | None:
    """Return the line, in the wand's own axes, on which the markers lie that are seen; None where
    they lie on none.
    """
    seen = np.unique(np.concatenate([c.marker[c.marker >= 0] for c in tracks.cameras]))
    if len(seen) < 2:
        return None
    names, points = tuple(wand.markers[m] for m in seen), wand.points_mm[seen]
    part = replace(wand, markers=names, points_mm=points, certified=())
    return wand_axes(part)[0][0] @ wand_axes(wand)[0].T if part.dimension == 1 else None
