"""The hand-over record: everything is in it, what was not done says so, and no name is taken for
markup; read by a Markdown parser and an HTML parser that are not ours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from markdown_it import MarkdownIt

import calib
from calib import files
from calib.core.geometry import Pose
from calib.core.rig import Doubt, Rig
from calib.core.tracks import CameraTracks, Tracks
from calib.prove.align import Alignment
from calib.report.papers.document import Document, as_html, as_markdown
from calib.report.papers.record import SIGNERS, Read, hand_over
from calib.report.words import CAUTION
from tests.program import Call

Refused = Callable[..., str]
HOSTILE = "<script>alert('1')</script> | *b* _i_ `c` [l](x) &amp; \\ # ~~s~~"
VOID = {"meta"}  # of the tags used, the one without an end (HTML Living Standard, 13.1.2)


def of(rig: Rig, **more: object) -> Document:
    return hand_over(Read("rig.h5", "ab" * 32, rig), **more)  # type: ignore[arg-type]


class Page(HTMLParser):
    """The page's tags, all closed in order, and the text of its cells."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.cells: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        if tag in {"td", "th"}:
            self.cells.append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data
        if self.open and self.open[-1] in {"td", "th"}:
            self.cells[-1] += data


def markdown_cells(text: str) -> list[str]:
    """The text of all table cells and headings, without a token of HTML among them."""
    tokens = MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text)
    assert not [t for t in tokens if t.type.startswith("html")]
    out = []
    for token in tokens:
        kinds = {c.type for c in token.children or ()}
        assert kinds <= {"text", "text_special", "softbreak"}, kinds
        if token.type == "inline":
            out.append("".join(c.content for c in token.children or ()))
    return out


def test_every_part_is_there_for_a_rig_with_everything(rig: Rig) -> None:
    rig = replace(rig, wand=rig.wand_used)  # the fixture's certificate is there
    text = as_markdown(of(rig))
    for name in rig.names:
        assert text.count(name) >= 3  # cameras, poses, lenses
    cells = markdown_cells(text)
    assert {"Cautions", "Cameras", "Poses", "Lenses", "Wand", "Repairs", "Files"} <= set(cells)
    assert rig.captured_at == "2031-05-06T07:08:09+00:00"
    assert CAUTION in cells and "2031-05-06 07:08 UTC" in cells
    assert any("460.02 mm ± 0.01 mm" in c for c in cells)
    for name, reason in rig.left_out.items():
        assert f"left out: {name}" in cells and reason in cells
    assert {" ".join(finding.split()) for finding in rig.findings} <= set(cells)
    assert "ab" * 32 in text and str(rig.parent_sha256) in text
    for who in SIGNERS:
        (line,) = [c for c in cells if c.startswith(f"{who}: ")]
        assert "Date: ____" in line and "Signature: ____" in line
    assert "Not done" not in cells


def test_figures_are_those_of_the_rig(rig: Rig) -> None:
    cells = markdown_cells(as_markdown(of(rig)))
    for camera in rig.cameras:
        for value in camera.position_mm:
            assert f"{value:z.2f}" in cells
        # A camera looks along its z axis: from its position to a point one metre before it.
        ahead = camera.cam_from_world.inverse().apply(np.array([0.0, 0.0, 1000.0]))
        for value in (ahead - camera.position_mm) / 1000.0:
            assert f"{value:z.5f}" in cells
        assert f"{camera.lens.fx:.2f}" in cells
        if camera.stats is not None and camera.stats.points:
            assert f"{camera.stats.rms_px:.3f}" in cells


def test_what_was_not_done_says_not_done(rig: Rig) -> None:
    bare = Rig(rig.cameras, rig.wand, rig.wand)
    text = as_markdown(of(bare))
    html = of(bare).as_html()
    assert "Not done: alignment and verification." in text
    # An output that is the input would be refused.
    assert "Not done. To do it: calib align rig.h5 FLOOR -o NEW_RIG</p>" in html
    assert "To do it: calib verify rig.h5 BAR --bar BAR.toml -o NEW_RIG</p>" in html
    assert "calib recheck rig.h5 TRACKS says which" in html
    certificate = [line for line in text.splitlines() if line.startswith("| certificate")]
    assert len(certificate) == 1 and "not done" in certificate[0]
    half = replace(bare, alignment={"by": "three markers"})
    assert "Not done: verification." in as_markdown(of(half))
    assert "three markers" in as_markdown(of(half))


def test_doubts_come_first_and_with_what_to_do(rig: Rig) -> None:
    figures = {"marker": "q", "offset_mm": 0.4}
    known = Doubt("wand not as its file", (), figures, 0.4)
    cells = markdown_cells(as_markdown(of(replace(rig, doubts=(known, Doubt("of a later day"))))))
    at = cells.index("Summary")
    assert cells[at + 1].startswith("The rig as a whole is in doubt: wand not as its file and of")
    assert any("marker q lies 0.40 mm" in c and "Measure the wand again" in c for c in cells)
    assert any(c.startswith("of a later day") for c in cells)


def hostile(rig: Rig) -> Rig:
    first, *rest = rig.cameras
    return Rig(
        (replace(first, name=HOSTILE), *rest),
        replace(rig.wand, name=HOSTILE),
        rig.wand,
        provenance={"tracks": {"file": HOSTILE, "sha256": "x"}},
        findings=(HOSTILE,),
        left_out={f"{HOSTILE} 2": HOSTILE},
        alignment={HOSTILE: HOSTILE},
    )


def test_no_name_is_taken_for_markup_in_html(rig: Rig) -> None:
    page = Page(as_html(of(hostile(rig))))
    assert "script" not in page.tags and "a" not in page.tags and "img" not in page.tags
    assert HOSTILE in page.cells
    plain = Page(as_html(of(rig)))
    assert set(page.tags) == set(plain.tags)


def test_no_name_is_taken_for_markup_in_markdown(rig: Rig) -> None:
    cells = markdown_cells(as_markdown(of(hostile(rig))))
    assert HOSTILE in cells
    assert f"left out: {HOSTILE} 2" in cells


def test_a_name_with_a_line_break_stays_in_its_cell(rig: Rig) -> None:
    broken = replace(rig, left_out={"cam9": "a\n\n# b\x00"})
    cells = markdown_cells(as_markdown(of(broken)))
    assert any("a  # b" in cell for cell in cells) and "b" not in cells


def test_html_loads_nothing_from_elsewhere(rig: Rig) -> None:
    text = as_html(of(rig))
    assert not any(word in text for word in ("http:", "https:", "src=", "url(", "<link", "@import"))
    page = Page(text)
    assert page.tags[:4] == ["html", "head", "meta", "title"]
    assert all(who in page.cells for who in SIGNERS)


def seen(rig: Rig) -> Tracks:
    none = np.empty(0, np.int64)
    return Tracks(
        tuple(
            CameraTracks(
                n, 2000, 1200, none, np.empty((0, 2)), none.astype(np.int16), serial=f"S{k}"
            )
            for k, n in enumerate(rig.names[1:])
        ),
        25.0,
    )


def test_serials_come_from_the_tracks_and_other_tracks_are_told(rig: Rig) -> None:
    cells = markdown_cells(as_markdown(of(rig, tracks=Read("t.h5", "cd" * 32, seen(rig)))))
    assert {f"S{k}" for k in range(len(rig.names) - 1)} <= set(cells)
    warning = "are not those that the rig was solved from"
    assert any(warning in c for c in cells)
    own = replace(rig, provenance={"tracks": {"file": "t.h5", "sha256": "cd" * 32}})
    same = markdown_cells(as_markdown(of(own, tracks=Read("t.h5", "cd" * 32, seen(rig)))))
    assert not any(warning in c for c in same)


def test_repairs_are_followed_from_file_to_file(rig: Rig) -> None:
    def repaired(parent: str | None, who: str) -> Rig:
        made = {"repaired": {who: ["pose"]}, "time": f"2031-01-0{len(who)}"}
        return replace(rig, parent_sha256=parent, provenance=made)

    first = Read("a.h5", "aa", replace(rig, parent_sha256=None))
    second = Read("b.h5", "bb", repaired("aa", "z"))
    third = repaired("bb", "a b")
    document = hand_over(Read("c.h5", "cc", third), earlier=[first, second])
    (repairs,) = [s for s in document.sections if s.title == "Repairs"]
    rows = list(zip(*(c.values for c in repairs.columns), strict=True))
    assert rows == [
        ("2031-01-03", "c.h5", "a b pose", "b.h5"),
        ("2031-01-01", "b.h5", "z pose", "a.h5"),
    ]
    # Without the files between, the hash of the parent is all there is; a ring is no way out.
    (alone,) = [s for s in of(third).sections if s.title == "Repairs"]
    assert [c.values for c in alone.columns][-1] == ["bb"]
    ring = hand_over(
        Read("c.h5", "cc", third),
        earlier=[Read("b.h5", "bb", repaired("cc", "z")), Read("c.h5", "cc", third)],
    )
    assert next(s for s in ring.sections if s.title == "Repairs").columns


def test_what_was_proved_is_told_with_units_and_no_key_of_a_file(rig: Rig) -> None:
    how = Alignment(
        "right angle",
        "below point 3",
        "z",
        12.0,
        Pose(np.eye(3), np.zeros(3)),
        1.0,
        np.diag([1e-6, 1e-6, 2e-6, 0.04, 0.04, 0.01]),
        numbers={"long_mm": 599.969},
        notes=("the floor is near",),
    )
    found = {
        "tool": "calib",
        "time": "2031-01-02T03:04:05+00:00",
        "decision": "pass",
        "name": "all",
        "limit": {"a_mm": 0.2, "k": 5000.0, "b_mm": None},
        "n": 105,
        "max_mm": 0.3,
        "scale_error": 1e-4,
        "scale_error_sigma": 2e-5,
        "missed": ["low x, low y, low z"],
        "percentiles_mm": {"50": 0.1},
        "volume_mm": {"low": [0, 0, 0], "high": [1, 2, 3]},
        "bar": {"name": "b", "sigma_mm": 0.01},
        "doubts": [],
        "ends": None,
        "read": {"bar": {"file": "bar.toml", "sha256": "ef" * 32}},
    }
    told = replace(rig, alignment=how.as_dict(), verification=found)
    facts = {k: dict(s.facts) for s in of(told).sections for k in [s.title.split(":")[0]]}
    aligned, tested = facts["Alignment"], facts["Verification"]
    assert not any("_" in label for label in (*aligned, *tested))
    assert aligned["marker centres above the floor"] == "12 mm"
    assert aligned["checked"] == "long leg 599.97 mm" and aligned["to note"] == "the floor is near"
    # 1σ of the three turns together is 2 mrad, of the origin 0.3 mm.
    assert aligned["sure to"].startswith(
        f"axes to {np.degrees(2e-3):.4f}°, origin to 0.30 mm (standard"
    )
    assert tested["outcome"] == "pass" and tested["largest error"] == "0.300 mm"
    assert tested["limit of an error at a length L"] == "0.2 mm + L/5000"
    assert tested["scale error"] == "+0.0100%" and tested["scale error, U (k = 2)"] == "0.0040%"
    assert tested["not visited, so not proved"] == "1 of 27 parts: (low x, low y, low z)"
    assert tested["when"] == "2031-01-02 03:04 UTC" and "no independent proof" not in tested
    cells = Page(as_html(of(told))).cells
    assert cells[cells.index("verification: bar") + 1 :][:2] == ["bar.toml", "ef" * 32]


def test_a_key_of_another_version_is_shown_as_it_stands(rig: Rig) -> None:
    odd = {"limit": "strict", "decision": "pass", "by_moon": [1, 2], "max_mm": "much"}
    text = as_markdown(of(replace(rig, verification=odd, alignment={"numbers": {"x": 1.0}})))
    rows = {
        tuple(part.strip() for part in r.split("|")[1:3]) for r in text.splitlines() if "|" in r
    }
    assert {("by_moon", "1 and 2"), ("largest error", "much"), ("checked", "x 1")} <= rows
    assert ("limit of an error at a length L", "strict") in rows


def test_a_page_is_a4_and_long_tables_repeat_their_headings(rig: Rig) -> None:
    """CSS Paged Media Level 3: size, margin boxes; a title ends no string of the style sheet."""
    many = tuple(replace(rig.cameras[0], name=f"c{k}") for k in range(60))
    text = as_html(of(replace(rig, cameras=many, covariance=None)))
    assert "size: A4" in text and "counter(pages)" in text
    tables = [t.split("</table>")[0] for t in text.split("<table class=")[1:]]
    long = [t for t in tables if t.count("<tr>") > 60]
    assert len(long) == 3 and all("<thead>" in t and "whole" not in t[:20] for t in long)
    hostile = Document('a" } * { display: none', ())
    assert 'a" }' not in as_html(hostile).split("</style>")[0].split("<style>")[1]


# ---- the command


@pytest.fixture
def file(rig: Rig, tmp_path: Path) -> Path:
    calib.save_rig(rig, tmp_path / "rig.h5")
    return tmp_path / "rig.h5"


def test_it_is_printed_as_markdown_or_written_by_the_names_end(
    call: Call, file: Path, rig: Rig
) -> None:
    code, printed, said = call("record", file)
    assert (code, said) == (0, "")
    assert files.sha256(file) in printed and printed.startswith("# Camera rig rig.h5\n")
    for end in ("md", "html"):
        out = file.parent / f"out.{end}"
        code, nothing, said = call("record", file, "-o", out)
        assert (code, nothing, said.strip()) == (0, "", f"wrote {out}")
        text = out.read_text(encoding="utf-8")
        assert text.startswith("# " if end == "md" else "<!DOCTYPE html>")
        assert files.sha256(file) in text


def test_what_cannot_be_written_is_one_line(refused: Refused, file: Path) -> None:
    assert ".md or .html" in refused("record", file, "-o", file.parent / "out.pdf")
    assert "no file there yet" in refused_existing(refused, file)
    assert "apart from the inputs" in refused(
        "record", file, "--earlier", file.parent / "r.md", "-o", file.parent / "r.md", "--force"
    )


def refused_existing(refused: Refused, file: Path) -> str:
    (file.parent / "r.md").write_text("mine")
    return refused("record", file, "-o", file.parent / "r.md")
