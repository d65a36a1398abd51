"""A recheck as people read it, and as JSON."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from calib.check.recheck.inputs import MIN_POINTS
from calib.check.recheck.outcome import CameraChange, Recheck
from calib.check.verdicts import Change, Majority, Standing
from calib.core.camera import coverage
from calib.core.geometry import Array
from calib.core.names import all_of, listed, renaming
from calib.report.changes.cameras import cameras_table, worst_first
from calib.report.changes.remedies import again, repair
from calib.report.changes.whole import drift, majority, rigid_move, touch_asked
from calib.report.rigs.causes import advice
from calib.report.rigs.serials import in_words as serial_in_words
from calib.report.rigs.whole import sentences
from calib.report.tables import Blocks, Said, strong
from calib.report.words import by_fault, document, ended, filled, picked, sentence

PHRASES = {
    Standing.MOVED: "moved",
    Standing.MOVING: "moved during the capture",
    Standing.EXCHANGED: "shows another camera's points",
    Standing.LENS: "has another lens setting",
    Standing.TIMING: "is out of time",
    Standing.NOISY: "is noisier",
    Standing.UNDECIDED: "is undecided",
    Standing.UNSEEN: "cannot be judged",
}
_HIDDEN = "a move of "  # so much px would not show
TOLD = 3  # cameras of which that is told one by one
SLIGHTLY = "changed, too little to matter"
SEVERAL = {"has": "have", "is": "are", "shows": "show"}
FEWER = (
    "The rig was solved with simpler lenses than lenses are, so small moves may not show: solve "
    "its capture anew."
)
EXACT = (
    "The rig file states no uncertainty, so its poses are taken as exact and more cameras may be "
    "named than moved: recheck against a rig file that calib solve wrote."
)
SILENT = (
    "The rig was solved with measured lenses, and its file does not say what their errors did to "
    "its poses: small moves may be these errors. Solve its capture anew, and recheck against that."
)
AS_ONE = "A move of the whole rig as one does not show: check the origin against the floor."
APART = "shares too few points with the largest group of cameras: wave where both see the wand"
NO_SIZE = (
    "No wand was seen, so the rig's size is taken as stored: a rig that grew or shrank as a whole "
    "does not show."
)
APART_ANY = (
    "shares too few markers with the largest group of cameras: let markers move where both see them"
)
# Of a sensor's width: centres move by some hundredths as a ring is turned (from memory).
OTHER_IMAGE = 0.05
LEGEND = (
    "Rotation and shift are the camera's own since the rig was solved, ± one standard uncertainty; "
    "image and room: how far its picture moved, RMS over the sensor, in px and at "
    "the middle of what it sees in mm."
)


def as_blocks(
    found: Recheck, files: str = "RIG TRACKS", explain: bool = False, then: str | None = None
) -> Blocks:
    """Return the verdict, what to do, the table, and what concerns the rig.

    ``files`` are the rig and tracks that a command to repair names; ``then`` is the command that
    comes next in its place, or none, where it was repaired.
    """
    out: Blocks = [strong(verdict(found))]
    out += map(strong, sentences(found.of_wave))
    named = dict(zip(("RIG", "TRACKS"), shlex.split(files), strict=True))
    out += [
        strong(filled(sentence(text), named)) for text in (drift(found), majority(found)) if text
    ]
    few = [c for c in found.cameras if c.verdict == Standing.UNSEEN and _is_few(c)]
    few = few if len(few) > 1 else []
    # What is too little to matter, as of cameras that warmed up, asks for nothing to be done.
    slight = [c for c in found.cameras if c.is_slight and not (c.is_late or c.serial)]
    slight = slight if len(slight) > 1 else []
    apart = [*few, *slight, *(together := hidden(found))]
    for c in worst_first(found):
        if c not in apart and (text := note(found, c)) and text != majority(found):
            out.append(Said(filled(ended(text), named), f"{c.name}: ", is_strong=c.needs_a_hand))
    if few:
        text = f"{listed([c.name for c in few])}: {_too_few(few, found.is_any)}"
        out.append(strong(ended(text)))
    asked = filled(touch_asked(found), named)
    out += [strong(text) for text in (of_hidden(found, together), asked) if text]
    remedy = repair(found, files) if then is None else f"Next: {then}" if then else ""
    more = again(found, files) if then is None else ""
    out += [Said(text, is_whole=True) for text in (remedy, more) if text]
    out += ["", cameras_table(found), ""]
    return [*out, *map(ended, [*_besides(found), *([LEGEND] if explain else [])])]


def as_json(found: Recheck) -> dict[str, Any]:
    """Return the document that ``calib recheck --json`` prints."""
    return document(
        {
            "cameras": [_camera_as_json(found, c) for c in found.cameras],
            **picked(found, "moved", "agreeing", "groups", "islands", "has_majority", "is_any"),
            "scale": asdict(found.scale),
            "drift": drift(found),
            "findings": findings(found),
        }
    )


def _camera_as_json(found: Recheck, c: CameraChange) -> dict[str, Any]:
    return {
        **picked(c, "name", "verdict", "rotation_deg", "translation_mm", "sigma_rotation_deg"),
        **picked(c, "sigma_translation_mm", "shift_px", "shift_mm", "p_value", "focal_change"),
        "sigma_focal_change": c.sigma_focal_change,
        "pose_lens_correlation": c.correlation,
        "offset_frames": c.offset_frames,
        "sigma_offset_frames": c.sigma_frames,
        **picked(c, "sigma_px", "noise_ratio", "matters", "is_separable"),
        "kind": c.kind or "",
        "turn_camera_deg": c.turn_camera_deg,
        "translation_camera_mm": c.shift_camera_mm,
        "faults_when_solved": c.faults,
        "with": c.borne,
        "since_frame": c.since_frame,
        "serial": None if c.serial is None else asdict(c.serial),
        "note": note(found, c),
    }


def findings(found: Recheck) -> list[str]:
    """Return what concerns the rig as a whole."""
    of_whole = filter(None, [drift(found), majority(found), touch_asked(found)])
    return [*sentences(found.of_wave), *of_whole, *_besides(found)]


def _besides(found: Recheck) -> list[str]:
    at_fault = {c.name: c.faults for c in found.cameras if not c.was_elsewhere}
    of_note = {c.name for c in found.cameras if c.matters}
    said = [rigid_move(m) for m in found.rigid_moves if of_note & set(m.names)]
    said += [f"At fault when the rig was solved: {text}" for text in by_fault(at_fault)]
    said += [f"The rig was in doubt when it was solved: {d}" for d in found.doubts]
    said += [EXACT if found.is_exact else "", SILENT if found.is_silent else ""]
    said += [FEWER if found.lacks_terms else "", AS_ONE]
    if found.islands:
        groups = "; ".join(map(listed, found.islands))
        said += [
            f"{len(found.islands)} groups of cameras share too few markers with one another, each "
            f"was judged by itself ({groups}): a move of one as a whole does not show"
        ]
    said += [NO_SIZE] if found.is_any else []
    return [text for text in said if text]


def note(found: Recheck, c: CameraChange) -> str:
    """Return what there is to say of a camera beside its figures, empty where that is nothing."""
    late = _late(found, c) if c.is_late else ""
    return "; ".join(filter(None, [_why(found, c), late, _serial(c)]))


def hidden(found: Recheck) -> list[CameraChange]:
    """Return the cameras whose moves would not show, beyond a few that are told one by one."""
    bare = [c for c in worst_first(found) if not c.is_late and c.serial is None]
    every = [c for c in bare if note(found, c).startswith(_HIDDEN)]
    return every[TOLD:] if len(every) > TOLD + 1 else []


def of_hidden(found: Recheck, together: Sequence[CameraChange]) -> str:
    """Return what is said of them together, empty of none."""
    if not together:
        return ""
    least = [3 * c.sigma_shift_px for c in together]
    longer = "take a longer capture, with markers" if found.is_any else "wave longer, and"
    px = f"moves of {min(least):.1f} to {max(least):.1f} px would not show either"
    return f"{listed([c.name for c in together])}: {px}: {longer} all over their images."


def _serial(c: CameraChange) -> str:
    if c.serial is None:
        return ""
    return serial_in_words(
        c.serial,
        is_exchanged=c.verdict == Standing.EXCHANGED,
        is_as_before=c.verdict == Standing.UNMOVED,
    )


def verdict(found: Recheck) -> str:
    """Return who stands as before, and who does not."""
    told = []
    if known := [c.name for c in found.cameras if c.was_elsewhere]:
        were = "was" if len(known) == 1 else "were"
        told = [f"{listed(known)} {were} at fault when the rig was solved"]
    names: dict[str, list[str]] = {phrase: [] for phrase in (*PHRASES.values(), SLIGHTLY)}
    for c in found.cameras:
        if c.verdict in PHRASES and not c.was_elsewhere:
            names[SLIGHTLY if c.is_slight else PHRASES[c.verdict]].append(c.name)
    for phrase, of in names.items():
        first, _, rest = phrase.partition(" ")
        verb = SEVERAL.get(first, first) if len(of) > 1 else first
        told += [f"{listed(of)} {verb} {rest}".rstrip()] if of else []
    n = len(found.cameras)
    n_as_before = n - len(known) - sum(map(len, names.values()))
    verb = "stands" if n_as_before == 1 else "stand"
    who = f"{n_as_before} of {n} cameras" if told else all_of(n, "camera")
    stand = f"{who} {verb} as before"
    whole = "the rig as a whole changed" if found.drift else ""
    text = "; ".join(filter(None, [whole, stand if n_as_before else "", *told]))
    return sentence(text) if whole or n_as_before else ended(text)


SURE = 3.0  # standard uncertainties


def movement(c: CameraChange) -> str:
    """Return what happened to a camera that moved, in its own directions."""
    turn = _parts(
        c.turn_camera_deg,
        ".2f",
        "°",
        (
            ("tilted up", "tilted down"),
            ("turned right", "turned left"),
            ("rolled clockwise", "rolled counter-clockwise"),
        ),
        "{way} by {size}",
    )
    shift = _parts(
        c.shift_camera_mm,
        ".1f",
        " mm",
        (("to its right", "to its left"), ("down", "up"), ("forward", "back")),
        "{size} {way}",
    )
    # What is not there for sure is not told, unless nothing else is.
    is_turned = c.rotation_deg > SURE * c.sigma_rotation_deg
    is_shifted = c.translation_mm > SURE * c.sigma_translation_mm
    if c.kind == Change.TURN or (is_turned and not is_shifted):
        shift = []
    elif is_shifted and not is_turned:
        turn = []
    what = "it was knocked" if c.matters else "it moved by too little to matter"
    px = f"{c.shift_px:.1f}" if c.matters else f"{c.shift_px:.2f}"
    way = ", ".join([*turn, *shift]) or "too little to say which way"
    return f"{what}: {way}; points move {px} px"


def _parts(
    values: Array, form: str, unit: str, ways: Sequence[tuple[str, str]], text: str
) -> list[str]:
    """Return the main components of a vector in words, largest first; small ones are left out."""
    total = float(np.linalg.norm(values))
    order = [int(k) for k in np.argsort(-np.abs(values)) if abs(values[k]) > 0.3 * total > 0]
    return [
        text.format(way=ways[k][int(values[k] < 0)], size=f"{abs(values[k]):{form}}{unit}")
        for k in order
        if float(f"{abs(values[k]):{form}}") > 0
    ]


def _ring(found: Recheck, c: CameraChange) -> list[str]:
    """Return the cameras that stand under each other's names, from ``c`` on."""
    borne = {other.name: other.borne for other in found.cameras if other.borne}
    ring = [c.name]
    while (name := borne.get(ring[-1], c.name)) not in ring:
        ring.append(name)
    return ring


def _why(found: Recheck, c: CameraChange) -> str:
    if c.misread:
        return c.misread
    if c.cause is not None:
        return advice(c.cause)
    if c.was_elsewhere and found.has_majority:
        return (
            f"its solve found it at fault ({listed(c.faults)}), so the file's place for it was "
            "never sure: that it stands elsewhere is no news of a knock"
        )
    if c.verdict in {Standing.MOVED, Standing.LENS}:
        return majority(found) if found.majority == Majority.ONE_OF_TWO else _change(found, c)
    if c.verdict == Standing.EXCHANGED:
        return (
            f"the points under its name are those of {c.borne}: put cables or names right, or "
            f"{renaming(_ring(found, c))}"
        )
    if c.verdict == Standing.MOVING:
        return (
            f"from frame {c.since_frame} on it stands elsewhere than before, its points lie "
            f"{c.step_px:.1f} px off: tighten its mount and record again, or take the frames after "
            f"it alone: calib select TRACKS --frames {c.since_frame}- -o AFTER"
        )
    if c.verdict == Standing.NOISY:
        return (
            f"its points scatter {c.noise_ratio:.1f} times as much as its solve and the other "
            "cameras let expect: check focus, lens and light"
        )
    if c.verdict == Standing.UNDECIDED and found.majority == Majority.NONE:
        return ""  # what is said of the rig is the reason
    if c.verdict == Standing.UNDECIDED and c.may_have_moved:
        return (
            f"it may have moved by {c.shift_px:.1f} px, but hidden markers, warm air or a mount "
            "that trembles look like that for a while: "
            + ("take another capture" if found.is_any else "wave again")
        )
    if c.verdict == Standing.UNDECIDED:
        least_px, width = 3 * c.sigma_shift_px, found.tracks.camera(c.name).width
        size = f"{_HIDDEN}{least_px:.1f} px would not" if least_px < width else "no move would"
        return f"{size} show: {_longer(found, c)}"
    if c.verdict == Standing.UNSEEN and np.isnan(c.shift_px):
        return f"cannot be judged: {_unseen(c, found.is_any)}"
    return ""


def _longer(found: Recheck, c: CameraChange) -> str:
    if not found.is_any:
        return "wave longer, and all over its image"
    own = found.tracks.camera(c.name)
    share = 100 * coverage(own.xy_px, own.width, own.height)
    return (
        f"{own.n_points} points of markers on {share:.0f} % of its image are too few or too much "
        "in one corner; take a longer capture, with markers all over its image"
    )


def _unseen(c: CameraChange, is_any: bool) -> str:
    if c.n_shared is None:
        return "no tracks in this capture"
    if c.n_shared >= MIN_POINTS:
        return APART_ANY if is_any else APART
    return _too_few([c], is_any)


def _is_few(c: CameraChange) -> bool:
    """Return whether a camera that is not judged shows too little, and nothing else is to say."""
    is_few = c.n_shared is not None and c.n_shared < MIN_POINTS
    return is_few and not (c.is_late or c.misread or c.serial)


def _too_few(cameras: Sequence[CameraChange], is_any: bool) -> str:
    most = max(c.n_shared or 0 for c in cameras)
    of = (f"{most or 'none'} of its", "it", "it points")
    if len(cameras) > 1:
        of = (f"{f'at most {most}' if most else 'none'} of their", "them", "they point")
    show = "let markers move" if is_any else "wave"
    return (
        f"{of[0]} points are seen by other cameras as well, {MIN_POINTS} are needed: {show} in "
        f"front of {of[1]}" + (f", or look whether {of[2]} elsewhere" if is_any else "")
    )


def _change(found: Recheck, c: CameraChange) -> str:
    if c.is_upside_down:
        return (
            f"its image stands on its head, turned by {abs(c.turn_camera_deg[2]):.0f}° about its"
            " viewing direction, and it moved besides: if turning or flipping of its image was"
            " switched, set it as it was and record again; if it was hung upside down, what it saw"
            " tells its new place"
        )
    if not c.is_separable and not c.matters:
        return "it moved or its lens ring was turned, by too little to matter"
    if not c.is_separable:
        return (
            f"it moved or its lens ring was turned, this capture cannot tell (taken as: {c.kind}): "
            "wave nearer to it and farther away"
        )
    width = found.tracks.camera(c.name).width
    focal = (
        f"focal length {100 * c.focal_change:+z.2f} %, centre ({c.change[7]:+z.1f}, "
        f"{c.change[8]:+z.1f}) px"
    )
    if c.kind == Change.LENS and np.abs(c.change[7:9]).max() > OTHER_IMAGE * width:
        return (
            f"it stands where it stood, but its image is another ({focal}), by more than a ring "
            "does: set binning and the part of the sensor that it reads as they were, and record "
            "again"
        )
    if c.kind == Change.LENS:
        return f"it stands where it stood, its ring or mount gave: {focal}"
    if c.kind == Change.BOTH:
        return f"{movement(c)}; its ring or mount gave besides: {focal}"
    return movement(c)


def _late(found: Recheck, c: CameraChange) -> str:
    ms = 1000.0 * c.offset_frames / found.frame_rate_hz
    than = "the rig file says" if c.is_known_late else "its frame numbers say, by the rig's clock"
    return (
        f"exposes {abs(c.offset_frames):.3f} frames ({abs(ms):.2f} ms) "
        f"{'later' if c.offset_frames > 0 else 'earlier'} than {than} (± {c.sigma_frames:.4f} "
        "frames): check sync cable, trigger mode and dropped frames"
    )
