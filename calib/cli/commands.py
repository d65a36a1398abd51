"""The commands: under which heading each stands, the function that it runs, what it is for."""

from __future__ import annotations

from calib.cli.captures import capture, edit, identify, images
from calib.cli.handover import describe, export, record, report
from calib.cli.help import Groups
from calib.cli.rigs import align, plan, prove, recheck, rig
from calib.cli.waves import simulate, watch

GROUPS: Groups = {
    "Before the wave": {
        "simulate": (simulate.simulate, "draw a rig, waves and images to try everything on"),
        "plan": (plan.plan, "where cameras go before they are mounted"),
        "focus": (images.focus, "are a camera's spots fit to measure, and what to turn"),
    },
    "While it goes on": {
        "watch": (watch.watch, "what is missing, where to walk next, when it is enough")
    },
    "What the cameras saw": {
        "import": (capture.import_table, "points from a CSV file"),
        "centroids": (images.centroids, "points from images or videos"),
        "identify": (identify.identify, "which point is which marker of the wand"),
        "select": (edit.select, "some cameras or frames alone; swapped cables put right"),
        "join": (edit.join, "several waves of one rig as one capture"),
        "inspect": (capture.inspect, "is this capture good enough to solve"),
    },
    "The rig": {
        "solve": (rig.solve, "the main job: every camera's pose and lens"),
        "residuals": (rig.residuals, "the table of a rig again, or of another capture"),
        "align": (align.align, "origin and axes, by the floor or an earlier rig"),
    },
    "Has anything moved": {
        "recheck": (recheck.recheck, "a short new wave: which cameras moved; --repair them"),
        "history": (recheck.history, "file by file: which cameras drift, which jumped"),
    },
    "How good it is": {
        "verify": (prove.verify, "lengths of a certified bar: pass or not"),
        "precision": (prove.precision, "how well a marker is placed, and what would help"),
    },
    "Handing on": {
        "reconstruct": (prove.reconstruct, "every named point in space"),
        "export": (export.export, "the rig in an open format"),
        "report": (report.report, "one page to look at: the rig in 3D, every camera's residuals"),
        "record": (record.record, "the hand-over page, to print and sign"),
        "describe": (describe.describe, "what a file holds"),
        "formats": (describe.formats, "every file format, with an example"),
    },
}
