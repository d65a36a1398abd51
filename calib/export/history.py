"""A rig's history as a table (CSV)."""

from __future__ import annotations

import csv
import io

import numpy as np

from calib.check.history.records import History


def history_as_csv(history: History) -> str:
    """Return every camera's figures in every file, a line each."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    figures = list(history.cameras[0].numbers(0))
    vector = [f"turn_{a}_deg" for a in "xyz"] + [f"shift_{a}_mm" for a in "xyz"]
    writer.writerow(["file", "time", "parent", "camera", "verdict", "p_value", *figures, *vector])
    for k, e in enumerate(history.entries):
        for c in history.cameras:
            parts = [*c.numbers(k).values(), *np.degrees(c.change[k, :3]), *c.change[k, 3:6]]
            cells = ["" if not np.isfinite(v) else f"{v:.9g}" for v in parts]
            p = f"{c.p_value:.3g}" if np.isfinite(c.p_value) else ""
            writer.writerow([e.name, e.time, history.parent(k), c.name, c.verdict, p, *cells])
    return out.getvalue()
