"""How a rig changed from file to file: every camera's pose and focal length against the first, drift told from jumps.

Each file's world is its own as far as a solve can tell, so every rig is first moved on to the first one by the cameras
that agree (the search of the recheck, with the covariances of both files). What is left of a camera's seven numbers
(turn, position, focal length) is then explained by the simplest of four: nothing, one jump between two files, a steady
drift, or change without either pattern. The first file's own error is an unknown like any other, so it is no change of
all the later ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from scipy import special

from calib.check.recheck.agree import find_agreement
from calib.check.recheck.compare import HELD_SIGMA, N_CHANGE, Comparison, rig_from_other
from calib.core.geometry import Array, cross_matrix, vector_from_rotation
from calib.core.rig import Rig
from calib.errors import InputError
from calib.solve.repair import POSE, RING
from calib.solve.threads import one_blas_thread

ALPHA = 0.005  # chance that any camera of an unchanged rig is said to have changed between two files
MIN_FOR_DRIFT = 3  # files: between two, a drift and a jump are the same
N_SHOWN = 7  # turn, position, focal length


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A rig file: its name, the rig and its SHA-256."""

    name: str
    rig: Rig
    sha256: str = ""

    @property
    def time(self) -> str:
        """When its wave was captured, else when it was solved, as ISO 8601; empty where neither is stated."""
        tracks = self.rig.provenance.get("tracks")
        captured = tracks.get("captured_at") if isinstance(tracks, dict) else None
        return str(captured or self.rig.provenance.get("time") or "")

    @property
    def moment(self) -> float | None:
        """The time in seconds, None where it is not stated or no ISO 8601."""
        try:
            return datetime.fromisoformat(self.time).timestamp()
        except ValueError:
            return None


@dataclass(frozen=True, slots=True, eq=False)
class CameraHistory:
    """One camera over the files (K): its change against the first (K, 7) and the standard uncertainties of each.

    Columns are turn (rad, on the left of cam_from_world), position (mm, first file's world) and focal length (share);
    rows of files that lack the camera are nan. ``verdict`` is "steady", "jump", "drift", "changed" or "unknown";
    ``at_file`` the index of the first file after a jump.
    """

    name: str
    verdict: str
    change: Array
    sigma: Array
    p_value: float
    at_file: int | None

    def length(self, k: int, at: slice) -> tuple[float, float]:
        """Return the length of a part of file k's change and its standard uncertainty."""
        v, s = self.change[k, at], self.sigma[k, at]
        size = float(np.linalg.norm(v))
        return size, float(np.sqrt((v**2) @ (s**2)) / size) if size > 0 else float(np.sqrt((s**2).mean()))


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """All cameras over all files, in order of time where every file states one, else as given."""

    entries: tuple[Entry, ...]
    cameras: tuple[CameraHistory, ...]
    is_by_time: bool
    findings: tuple[str, ...]

    def parent(self, k: int) -> str:
        """Return the name of the file that file k is a repair of, its hash where that file is not among these."""
        sha = str(self.entries[k].rig.provenance.get("parent_sha256") or "")
        return next((e.name for e in self.entries if e.sha256 and e.sha256 == sha), sha[:12])

    def as_json(self) -> dict[str, Any]:
        """Return the document that ``calib history --json`` prints; numbers that do not exist are None."""
        files = [
            {"file": e.name, "time": e.time or None, "sha256": e.sha256 or None, "parent": self.parent(k) or None}
            for k, e in enumerate(self.entries)
        ]
        cameras = []
        for c in self.cameras:
            rows = [{"file": e.name, **self.numbers(c, k)} for k, e in enumerate(self.entries)]
            at = None if c.at_file is None else self.entries[c.at_file].name
            cameras.append(
                {"name": c.name, "verdict": c.verdict, "p_value": _or_none(c.p_value), "jump_at": at, "changes": rows}
            )
        return {"files": files, "cameras": cameras, "findings": list(self.findings)}

    def numbers(self, camera: CameraHistory, k: int) -> dict[str, float | None]:
        """Return a camera's figures in file k against the first."""
        turn, shift = camera.length(k, slice(0, 3)), camera.length(k, slice(3, 6))
        figures = {
            "rotation_deg": np.degrees(turn[0]), "sigma_rotation_deg": np.degrees(turn[1]),
            "translation_mm": shift[0], "sigma_translation_mm": shift[1],
            "focal_change": camera.change[k, 6], "sigma_focal_change": camera.sigma[k, 6],
        }  # fmt: skip
        return {key: _or_none(float(v)) for key, v in figures.items()}

    def __str__(self) -> str:
        lines = ["file" + " " * (max(len(e.name) for e in self.entries) - 2) + "time                       parent"]
        width = max(len(e.name) for e in self.entries)
        for k, e in enumerate(self.entries):
            lines.append(f"{e.name:<{width}}  {e.time or '-':<25}  {self.parent(k) or '-'}".rstrip())
        names = max(6, *(len(c.name) for c in self.cameras))
        lines += [
            "",
            f"{'camera':<{names}}  verdict  {'file':<{width}}  turn °     ± °  shift mm    ± mm  focal %     ± %",
        ]
        last = len(self.entries) - 1
        for c in sorted(self.cameras, key=lambda c: (c.verdict in {"steady", "unknown"}, c.p_value, c.name)):
            shown = range(1, last + 1) if c.verdict in {"jump", "drift", "changed"} else [last]
            for k in shown:
                name, verdict = (c.name, c.verdict) if k == shown[0] else ("", "")
                n = self.numbers(c, k)
                cells = (
                    _cell(n["rotation_deg"], 6, 3), _cell(n["sigma_rotation_deg"], 6, 3),
                    _cell(n["translation_mm"], 8, 2), _cell(n["sigma_translation_mm"], 6, 2),
                    _cell(n["focal_change"], 7, 3, 100.0, "+"), _cell(n["sigma_focal_change"], 6, 3, 100.0),
                )  # fmt: skip
                mark = "  <- jump" if c.at_file == k else ""
                lines.append(
                    f"{name:<{names}}  {verdict:<7}  {self.entries[k].name:<{width}}  {'  '.join(cells)}{mark}"
                )
        return "\n".join([*lines, *self.findings, LEGEND])


LEGEND = (
    "Changes are against the first file, once every rig is moved on to it by the cameras that agree; ± is one standard"
    " uncertainty. A rig that moved or turned as one looks the same."
)


@one_blas_thread
def compare_entries(entries: Sequence[Entry]) -> History:
    """Return the history of one rig's files.

    Raises InputError where there are fewer than two, or a file has fewer than two cameras in common with the first.
    """
    if len(entries) < 2:
        raise InputError("history", expected="two rig files or more", found=str(len(entries)))
    moments = [e.moment for e in entries]
    is_by_time = all(m is not None for m in moments)
    if is_by_time:
        entries = [
            e for _, _, e in sorted((m or 0.0, k, e) for k, (m, e) in enumerate(zip(moments, entries, strict=True)))
        ]
    first = entries[0].rig
    every = list(dict.fromkeys(name for e in entries for name in e.rig.names))
    n_files = len(entries)
    change = np.full((n_files, len(every), N_SHOWN), np.nan)
    own = np.full((n_files, len(every), N_SHOWN, N_SHOWN), np.nan)
    findings = [] if is_by_time else ["Some files state no time: they are taken in the order given."]
    for k, e in enumerate(entries):
        common = tuple(n for n in first.names if n in e.rig.names)
        if len(common) < 2:
            raise InputError(
                e.name, expected=f"two cameras or more of {', '.join(first.names)}",
                found=", ".join(e.rig.names), remedy="Give the files of one rig.",
            )  # fmt: skip
        inside = _agreeing(first, e.rig, common)
        if k and 2 * inside.sum() <= len(common):
            findings.append(
                f"{e.name}: no more than half of the cameras agree with {entries[0].name}; treat it with care."
            )
        at = [every.index(n) for n in common]
        change[k, at], own[k, at] = _changes(first, e.rig, common, inside)
    others = sorted(set(every) - set(first.names))
    if others:
        findings.append(f"Not in {entries[0].name}, so without a history: {', '.join(others)}.")
    times = np.array([m or 0.0 for m in moments]) if is_by_time else np.arange(n_files, dtype=float)
    times = np.sort(times)
    if times[-1] == times[0]:
        times = np.arange(n_files, dtype=float)
    level = ALPHA / len(every)
    cameras = tuple(_told(name, change[:, c], own[:, c], times, level, len(every)) for c, name in enumerate(every))
    return History(tuple(entries), cameras, is_by_time, tuple(findings))


def _rows(rig: Rig, names: tuple[str, ...]) -> Array:
    """Return the covariance (9 C, 9 C) of turns, positions, focal length and centre."""
    labels = [f"{n}/{p}" for n in names for p in (*POSE, *RING)]
    C = np.zeros((len(labels),) * 2)
    stored = {} if rig.covariance is None else {label: i for i, label in enumerate(rig.covariance.labels)}
    here = np.array([i for i, label in enumerate(labels) if label in stored], dtype=np.intp)
    if len(here) and rig.covariance is not None:
        there = np.array([stored[labels[i]] for i in here], dtype=np.intp)
        C[np.ix_(here, here)] = rig.covariance.matrix[np.ix_(there, there)]
    for i, label in enumerate(labels):
        name, _, p = label.rpartition("/")
        if label not in stored and p in HELD_SIGMA:  # measured lenses, stated without uncertainty
            camera = rig.camera(name)
            C[i, i] = (HELD_SIGMA[p] * (camera.lens.fx if p == "focal" else camera.width)) ** 2
    return C


def _parameters(rig: Rig, names: tuple[str, ...]) -> tuple[Array, Array, Array]:
    cameras = [rig.camera(n) for n in names]
    R = np.stack([c.cam_from_world.R for c in cameras])
    return R, np.stack([c.position_mm for c in cameras]), np.stack([c.lens.vector[[0, 2, 3]] for c in cameras])


def _difference(first: Rig, later: Rig, names: tuple[str, ...], weight: Array | None) -> tuple[Array, Array, Array]:
    """Return changes (C, 9) once the later rig is moved on to the first, the motions G (9 C, 6) and that turn R."""
    R0, p0, lens0 = _parameters(first, names)
    R1, p1, lens1 = _parameters(later, names)
    R, t = rig_from_other(R0, p0, R1, p1, weight)
    d = np.hstack([vector_from_rotation(R1 @ R.T @ np.swapaxes(R0, 1, 2)), p1 @ R.T + t - p0, lens1 - lens0])
    G = np.zeros((len(names), N_CHANGE, 6))
    G[:, :3, :3], G[:, 3:6, :3], G[:, 3:6, 3:] = -R0, -cross_matrix(p0), np.eye(3)
    return d, G.reshape(-1, 6), R


def _agreeing(first: Rig, later: Rig, names: tuple[str, ...]) -> Array:
    """Return 1 for each camera (C,) that stands in both files as the others do, 0 for the rest."""
    every, weight = np.arange(len(names)), None
    C0, C1 = _rows(first, names), _rows(later, names)
    for _ in range(2):
        d, G, R = _difference(first, later, names, weight)
        C = C0 + _turned(C1, R)
        diagonal = np.diag(C)
        s = np.sqrt(np.where(diagonal > 0, diagonal, 1e-12))
        B = np.linalg.qr(G / s[:, None], mode="complete")[0][:, 6:]
        inner = B.T @ (C / s[:, None] / s) @ B
        W = (B @ np.linalg.pinv(inner, rcond=1e-12, hermitian=True) @ B.T) / s[:, None] / s
        found = Comparison(names, W, W @ d.ravel(), (R, np.zeros(3)))
        weight = find_agreement(found, every, ALPHA).is_agreeing.astype(float)
    assert weight is not None
    return weight


def _turned(C: Array, R: Array) -> Array:
    """Return a covariance (9 C, 9 C) with its positions turned into a world turned by R."""
    T = np.eye(len(C))
    for k in range(3, len(C), N_CHANGE):
        T[k : k + 3, k : k + 3] = R
    return np.asarray(T @ C @ T.T)


def _changes(first: Rig, later: Rig, names: tuple[str, ...], inside: Array) -> tuple[Array, Array]:
    """Return changes (C, 7) and the later file's own covariances (C, 7, 7), the agreeing cameras held as a whole."""
    d, G, R = _difference(first, later, names, inside)
    _, position, lens = _parameters(first, names)
    away = float(np.median(np.linalg.norm(position - position.mean(axis=0), axis=1)))
    metric = np.tile([max(away, 1.0) ** 2] * 3 + [1.0] * 3 + [0.0] * 3, len(names)) * np.repeat(inside, N_CHANGE)
    E = metric[:, None] * G
    P = np.eye(len(G)) - G @ np.linalg.solve(E.T @ G, E.T)
    C = P @ _turned(_rows(later, names), R) @ P.T
    keep = np.arange(N_SHOWN)
    own = np.stack([C[np.ix_(keep + c * N_CHANGE, keep + c * N_CHANGE)] for c in range(len(names))])
    d = (P @ d.ravel()).reshape(len(names), N_CHANGE)[:, :N_SHOWN]
    scale = np.ones((len(names), N_SHOWN))
    scale[:, 6] = 1.0 / lens[:, 0]
    return d * scale, own * scale[:, :, None] * scale[:, None, :]


def _told(name: str, change: Array, own: Array, times: Array, level: float, n_cameras: int) -> CameraHistory:
    """Return one camera's history with its verdict, from changes (K, 7) and each file's own covariance (K, 7, 7)."""
    known = np.flatnonzero(np.isfinite(change).all(axis=1) & np.isfinite(own).all(axis=(1, 2)))
    sigma = np.full_like(change, np.nan)
    if len(known) and known[0] == 0:
        both = own[known] + own[0]
        both[0] = own[0]
        sigma[known] = np.sqrt(np.maximum(np.einsum("kii->ki", both), 0.0))
    if len(known) < 2 or known[0] != 0:
        return CameraHistory(name, "unknown", change, sigma, float("nan"), None)
    y = change[known]
    root = [_whitener(C) for C in own[known]]
    constant = np.ones((len(known), 1))
    nothing = _misfit(y, root, constant)
    p = float(min(1.0, n_cameras * special.chdtrc(N_SHOWN * (len(known) - 1), nothing)))
    jumps = {int(k): _misfit(y, root, np.column_stack([constant, known >= k])) for k in known[1:]}
    at = min(jumps, key=lambda k: jumps[k])
    drift = _misfit(y, root, np.column_stack([constant, times[known]]))
    # A jump could lie between any two files: each of them is a chance to find one.
    best = min(drift, jumps[at])
    is_seen = min(
        special.chdtrc(N_SHOWN, nothing - best) * len(known), special.chdtrc(N_SHOWN * (len(known) - 1), nothing)
    )
    if is_seen >= level:
        return CameraHistory(name, "steady", change, sigma, p, None)
    p = float(min(p, 1.0, n_cameras * is_seen))
    if len(known) < MIN_FOR_DRIFT:
        return CameraHistory(name, "changed", change, sigma, p, None)
    fits = special.chdtrc(N_SHOWN * (len(known) - 2), best) > level if len(known) > 2 else True
    if not fits:
        return CameraHistory(name, "changed", change, sigma, p, None)
    if jumps[at] <= drift:
        return CameraHistory(name, "jump", change, sigma, p, at)
    return CameraHistory(name, "drift", change, sigma, p, None)


def _whitener(C: Array) -> Array:
    """Return the matrix that makes errors of covariance C (7, 7) independent and of unit size."""
    s = np.sqrt(np.where(np.diag(C) > 0, np.diag(C), 1e-12))
    values, vectors = np.linalg.eigh(C / s[:, None] / s)
    return np.asarray((vectors / np.sqrt(np.maximum(values, 1e-9))).T / s)


def _misfit(y: Array, root: list[Array], design: Array) -> float:
    """Return the least sum of squares of y (K, 7) over what ``design`` (K, m) explains, each column by its own."""
    A = np.concatenate([np.kron(row, r) for row, r in zip(design / np.abs(design).max(axis=0), root, strict=True)])
    b = np.concatenate([r @ v for r, v in zip(root, y, strict=True)])
    left = b - A @ np.linalg.lstsq(A, b, rcond=None)[0]
    return float(left @ left)


def _cell(value: float | None, width: int, digits: int, factor: float = 1.0, sign: str = "") -> str:
    return f"{'-':>{width}}" if value is None else f"{factor * value:{sign}{width}.{digits}f}"


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
