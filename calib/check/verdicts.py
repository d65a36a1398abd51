"""What can be said of a camera, a capture and a rig, each set of names once.

They are strings, so that records and JSON hold the word itself.
"""

from __future__ import annotations

from enum import StrEnum

# With less a camera is to act on, before a solve as after it.
MIN_POINTS = 100  # a lens and a pose are 11 numbers: some ten points for each
MIN_COVERAGE = 0.15  # of the sensor: a lens is not known where no point was


class Verdict(StrEnum):
    """Of a camera's residuals, and of a finding: something has to be done, or not."""

    OK = "ok"
    NOTE = "note"
    ACT = "act"


class Fault(StrEnum):
    """What a camera's residuals follow."""

    EXCHANGED = "bears another camera's points"
    TOO_FEW = "too few points"
    ONE_SIDED = "one-sided points"
    MOVED = "stands elsewhere"
    LENS = "lens model does not fit"
    KNOCK = "knocked during the capture"
    CREEPS = "moves slowly"
    TIMING = "out of time"
    JITTER = "exposes at uneven times"
    DRIFT = "its clock drifts"
    LOST = "frames lost during the wave"
    ROWS = "rows exposed one after another"
    VIBRATION = "vibration"
    SWAYS = "sways"
    STRAY = "stray points"
    REPEATED = "sends frames twice"
    NOISE = "noise only"
    ALSO_NOISY = "also noisy"


class RigFault(StrEnum):
    """What speaks against a rig as a whole."""

    MIRRORED = "all images mirrored"
    WAND = "wand not as its file"
    BENT = "wand bends"
    OFF_LINE = "marker beside the line"
    MARKER = "marker seen off its place"
    LEANING = "markers seen off along the wand"
    LENGTHS = "wand lengths do not come out"
    GROWS = "wand grows or shrinks"
    REBUILT = "wand changed during the wave"
    CHANGED = "rig changed during the wave"
    LEFT_OUT = "much left out"
    MARKER_LOST = "one marker left out"
    PLACE_LOST = "part of an image left out"
    STATED = "stated lens does not fit"
    PAIR = "the two cameras do not fit"


class Shortcoming(StrEnum):
    """What a capture lacks."""

    UNIDENTIFIED = "unidentified"
    MARKERS = "markers"
    WAND = "wand"
    MISREAD = "misread"
    STILL = "still"
    PLANAR = "planar"
    ISLANDS = "islands"
    BLIND = "blind"
    ARTICULATION = "articulation"
    HANGING = "hanging"
    POINTS = "points"
    COVERAGE = "coverage"
    OUTSIDE = "outside"
    SILENCE = "silence"
    TIMING = "timing"


class Standing(StrEnum):
    """Of a camera in a recheck; in the order in which they are told."""

    MOVED = "moved"
    MOVING = "moving"
    EXCHANGED = "exchanged"
    LENS = "lens"
    TIMING = "timing"
    NOISY = "noisy"
    UNDECIDED = "undecided"
    UNSEEN = "unseen"
    UNMOVED = "unmoved"


NEED_A_HAND = frozenset(Standing) - {Standing.UNDECIDED, Standing.UNSEEN, Standing.UNMOVED}


class Majority(StrEnum):
    """Who stands for the rig as it was, in a recheck."""

    CLEAR = "more than half of the cameras agree"
    LARGEST = "no more than half agree, but more than any others do"
    ONE_OF_TWO = "of two cameras, one that turned in place explains all"
    NONE = "cannot be told"


class Change(StrEnum):
    """Which parts of a camera's pose and lens changed."""

    TURN = "turned in place"
    MOVE = "moved"
    LENS = "lens changed"
    BOTH = "moved and lens changed"


class Course(StrEnum):
    """Of a camera over the files of a rig."""

    STEADY = "steady"
    JUMP = "jump"
    DRIFT = "drift"
    CHANGED = "changed"
    UNKNOWN = "unknown"
