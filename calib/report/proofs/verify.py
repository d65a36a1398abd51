"""The outcome of a length test as people read it, and as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.core.names import command, counted, listed
from calib.prove.decide import COVERAGE, Decision
from calib.prove.ends import EndPoses
from calib.prove.lengths import known_lengths
from calib.prove.verify import PERCENTILES, Spread, Verification
from calib.prove.volume import THIRDS
from calib.report.tables import Blocks, Column, Table, following, strong
from calib.report.words import document, plain, sentence

MODELLED = (
    "Modelled on VDI/VDE 2634 Part 1 (length error: measured less calibrated), decided as in JCGM "
    "106 with a guard band of U = 2u; no conformance with either is claimed.",
    "Mean and scatter (standard deviation) are of the errors with their signs; 95 %: what 19 of 20 "
    "stay within, either way; max: the largest. Directions and places are the axes and thirds of "
    "the volume.",
)
LIKELY = 4.0  # standard deviations: of some hundred lengths one lies as far off by chance
MOST_LENGTHS = 12  # rows of a table that a person reads
ENDS = "Relative pose of the ends: modelled on ASTM E3064-16, withdrawn in January 2025."


def as_blocks(
    found: Verification,
    explain: bool = False,
    files: tuple[str, str, str] = ("RIG", "TRACKS", "BAR.toml"),
    then: str = "",
    table: str = "",
) -> Blocks:
    """Return the verdict, what to do, the figures by length, direction and place, and what the bar
    did not see; ``files`` are those that commands name, ``then`` is the next command where it did,
    and ``table`` says where all lengths stand, or what writes them.
    """
    out: Blocks = [strong(_verdict(found))]
    out += _what_to_do(found, files, table)
    is_settled = not (found.doubts or found.is_of_scale) and found.odd_ones is None
    if then and found.decision in {None, Decision.PASS} and is_settled:
        out.append(following(then))
    out += ["", _table(found), ""]
    n = len(found.by_length)
    some = f"Of {n} lengths those {MOST_LENGTHS} with the largest errors are shown; --json has all"
    for text in (
        some if n > MOST_LENGTHS else "",
        _scale(found),
        _ends(found.ends),
        _missed(found),
        *found.notes,
    ):
        out += [sentence(text)] if text else []
    if explain:
        for text in (*MODELLED, *([ENDS] if found.ends is not None else [])):
            out.append(text)
    return out


def as_json(found: Verification) -> dict[str, Any]:
    """Return the outcome as ``calib verify --json`` prints it; a rig file keeps the same."""
    lengths = found.lengths
    groups = {"length": found.by_length, "direction": found.by_direction, "place": found.by_place}
    limit, ends, odd = found.limit, found.ends, found.odd_ones
    return document(
        {
            "decision": None if found.decision is None else str(found.decision),
            "limit": None if limit is None else asdict(limit),
            "room_mm": None if found.room_mm is None else float(found.room_mm.min()),
            "mode": "at rest" if found.at_rest else "in motion",
            "bar": {"name": found.bar.name, "sigma_mm": float(found.bar_u_mm.max())},
            **_figures(found.overall),
            "mean_sigma_mm": found.mean_sigma_mm,
            "scale_error": found.scale,
            "scale_error_sigma": found.scale_sigma,
            "by": {key: [_figures(g) for g in of] for key, of in groups.items()},
            "lines": found.n_lines,
            "volume_mm": {"low": found.box.low_mm, "high": found.box.high_mm},
            "missed": found.missed,
            "ends": None
            if ends is None
            else {
                "near": ends.near,
                "far": ends.far,
                "position_mm": _of(ends.position_mm),
                "rotation_deg": _of(ends.rotation_deg),
            },
            "stand_out": [] if odd is None else np.unique(lengths.frame[odd]).tolist(),
            "doubts": found.doubts,
            "notes": found.notes,
            "foreign": lengths.n_foreign,
        }
    )


def every_length(found: Verification) -> list[dict[str, Any]]:
    """Return every length error with its place and direction, a table a row."""
    lengths = found.lengths
    room = np.full(len(lengths.error_mm), np.nan) if found.room_mm is None else found.room_mm
    names = found.bar.markers
    known = [f"{names[c.i]} to {names[c.j]}" for c in known_lengths(found.bar)]
    return [
        plain(
            {
                "frame": int(lengths.frame[k]),
                "length": known[lengths.which[k]],
                "known_mm": lengths.known_mm[k],
                "error_mm": lengths.error_mm[k],
                "noise_mm": lengths.noise_mm[k],
                "room_mm": room[k],
                "middle_mm": lengths.middle_mm[k],
                "along": lengths.along[k],
            }
        )
        for k in range(len(lengths.error_mm))
    ]


def as_csv(found: Verification) -> str:
    """Return a line for every length error."""
    lines = ["frame,length,known_mm,error_mm,noise_mm,room_mm,x_mm,y_mm,z_mm,dx,dy,dz\n"]
    for row in every_length(found):
        room = "" if row["room_mm"] is None else f"{row['room_mm']:.5f}"
        numbers = [row[k] for k in ("known_mm", "error_mm", "noise_mm")]
        ends = [f"{v:.4f}" for v in (*row["middle_mm"], *row["along"])]
        cells = [str(row["frame"]), row["length"], *(f"{v:.5f}" for v in numbers), room, *ends]
        lines.append(",".join(cells) + "\n")
    return "".join(lines)


def _figures(group: Spread) -> dict[str, Any]:
    table = asdict(group)
    table["percentiles_mm"] = dict(
        zip((f"{p:g}" for p in PERCENTILES), group.percentiles_mm, strict=True)
    )
    return table


def _of(values: Any) -> dict[str, Any]:
    return {
        "n": len(values),
        "rms": float(np.sqrt(np.mean(values**2))),
        "max": float(values.max()),
        "percentiles": {f"{p:g}": float(np.percentile(values, p)) for p in PERCENTILES},
    }


def _verdict(found: Verification) -> str:
    o = found.overall
    figures = (
        f"{counted(o.n, 'length')}, errors {o.mean_mm:+z.3f} mm on average, {o.max_mm:.3f} mm at "
        "most"
    )
    if found.limit is None:
        return f"No limit given. {figures}."
    words = {
        Decision.PASS: "Pass: every length error keeps the limit, its uncertainty counted",
        Decision.FAIL: "Fail: the limit is exceeded",
        Decision.UNDECIDED: "Undecided, which is no pass",
    }
    return f"{words[Decision(found.decision or '')]} ({found.limit}). {figures}."


def _what_to_do(found: Verification, files: tuple[str, str, str], table: str) -> list[str]:
    rig, tracks, bar = files
    out = [f"No independent proof: {text}." for text in found.doubts]
    if found.is_of_scale:
        out.append(
            f"All lengths come out {_way(found)} alike, by {abs(found.scale):.2%}: that is no "
            "camera's doing. See that it was this bar that was carried; measure it, and the wand "
            f"that the rig was solved with, and compare their files: {command('describe', bar)}"
        )
    elif found.odd_ones is not None:
        out.append(_of_the_odd(found, found.odd_ones, table))
    elif found.decision is Decision.FAIL:
        out.append(_of_the_worst(found, files))
    elif found.decision is Decision.UNDECIDED and found.room_mm is not None:
        least = float(found.room_mm.min())
        u = float(COVERAGE * found.bar_u_mm.max())
        if least < 0:
            out.append(
                f"The largest error is {-least:.3f} mm too near the limit, as the bar itself is "
                f"known to ± {u:.3f} mm (k = 2). Set the bar down and hold it still in each place, "
                f"{command('verify', rig, tracks, '--bar', bar, '--at-rest')}, or use a bar that "
                "is known better."
            )
    return out


def _of_the_worst(found: Verification, files: tuple[str, str, str]) -> str:
    """Return where the error lies that exceeds the limit by most, and what to do about it."""
    assert found.room_mm is not None
    k = int(np.argmin(found.room_mm))
    error, noise = found.lengths.error_mm[k], found.lengths.noise_mm[k]
    assert found.limit is not None
    allowed = float(found.limit.at(found.lengths.known_mm[k]))
    near = _near(found, k, " for its length", f" where {allowed:.3f} mm are allowed")
    rig = files[0]
    if abs(error) < LIKELY * noise:
        return (
            f"{near}, where a length cannot be measured better than to ± {noise:.3f} mm: few "
            "cameras see it there, or at flat angles. What would help: "
            f"{command('precision', rig)}"
        )
    return (
        f"{near}. See with a new wave which cameras moved, "
        f"{command('recheck', rig, 'WAVE')}, or solve that wave anew: "
        "calib solve WAVE --wand WAND -o NEW_RIG"
    )


def _of_the_odd(found: Verification, odd: NDArray[np.intp], table: str) -> str:
    """Return which lengths stand out from the rest, and where to look."""
    error, noise = np.abs(found.lengths.error_mm), found.lengths.noise_mm
    k = int(odd[np.argmax(error[odd])])
    sure = f", where a length is sure to ± {noise[k]:.3f} mm"
    verb = "stands" if len(odd) == 1 else "stand"
    frames = [str(f) for f in np.unique(found.lengths.frame[odd])]
    kept = "" if found.limit is None else " and keep the limit"
    return (
        f"{_near(found, k)}{sure if noise[k] > LIKELY * np.median(noise) else ''}. "
        f"{counted(len(odd), 'length')} of {len(error)} {verb} out from the rest, which stay "
        f"within {np.delete(error, odd).max():.3f} mm{kept}: likely a marker half hidden, a stray "
        "point or a name mixed up, not the rig. "
        f"Look at frame{'s' if len(frames) > 1 else ''} {listed(frames)} and test anew. {table}"
    ).rstrip()


def _near(found: Verification, k: int, of: str = "", against: str = "") -> str:
    """Return a length error and where it lies."""
    x, y, z = found.lengths.middle_mm[k]
    error = f"{found.lengths.error_mm[k]:+z.3f} mm{against}"
    return f"The worst{of}, {error}, lies near ({x:.0f}, {y:.0f}, {z:.0f})"


def _table(found: Verification) -> Table:
    worst = sorted(found.by_length, key=lambda g: -g.max_mm)[:MOST_LENGTHS]
    by_length = [g for g in found.by_length if g in worst]
    groups = [found.overall, *by_length, *found.by_direction, *found.by_place]
    columns = [
        Column("lengths", [g.name for g in groups], is_left=True),
        Column("n", [g.n for g in groups]),
        Column("mean|mm", [g.mean_mm for g in groups], "+.3f"),
        Column("scatter|mm", [g.sd_mm for g in groups], ".3f", rank=1),
        Column("RMS|mm", [g.rms_mm for g in groups], ".3f", rank=3),
        *(
            Column(f"{p:g} %|mm", [g.percentiles_mm[k] for g in groups], ".3f", rank=2 * (p != 95))
            for k, p in enumerate(PERCENTILES)
        ),
        Column("max|mm", [g.max_mm for g in groups], ".3f"),
    ]
    return Table(columns)


def _scale(found: Verification) -> str:
    U = COVERAGE * found.scale_sigma
    chance = "" if abs(found.scale) > U else ", no more than chance"
    return f"Lengths come out {_way(found)} by {abs(found.scale):.4%} (± {U:.4%}, k = 2){chance}"


def _way(found: Verification) -> str:
    return "long" if found.scale > 0 else "short"


def _ends(ends: EndPoses | None) -> str:
    if ends is None:
        return ""
    p, r = _of(ends.position_mm), _of(ends.rotation_deg)
    return (
        f"Relative pose of the ends ({counted(p['n'], 'frame')}): RMS {p['rms']:.3f} mm and "
        f"{r['rms']:.3f}°, 95 % within {p['percentiles']['95']:.3f} mm and "
        f"{r['percentiles']['95']:.3f}°, at most {p['max']:.3f} mm and {r['max']:.3f}°"
    )


def _missed(found: Verification) -> str:
    n = len(THIRDS) ** 3
    if not found.missed:
        return f"The bar visited all {n} cells of the volume"
    return (
        f"Not visited by the bar, so not proved ({len(found.missed)} of {n} cells): "
        f"{listed([f'({m})' for m in found.missed], 6)}"
    )
