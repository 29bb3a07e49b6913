"""The printed page: drill to MEI to engraved lines to sheet, and the command that writes it.

Outside: the library `verovio` reads our MEI and plays it as a Standard MIDI File, which `mido` reads; ISO 216 and
ANSI/ASME Y14.1 for paper; equal temperament for the place of a fret. `tests/real/test_paper_real.py` measures the PDF.
"""

from __future__ import annotations

import base64
import io
import re
import sys
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from html import escape
from pathlib import Path
from xml.etree import ElementTree as ET

import mido
import pytest
import verovio
from hypothesis import given, settings

from coach.cli import main
from coach.music.drill import AskedPart, Assignment, Drill, drill_part
from coach.paper.engrave import SIZES, engraved_lines
from coach.paper.mei import mei_score
from coach.paper.pdf import fitted_page
from coach.paper.sheet import WIDTH_MM, legend, neck_drawing, place_text, sheet_of
from coach.score.load import load_drill
from coach.score.music import sounding_midi
from coach.score.played import order_text, stretches
from tests.drillfile_drafts import DRILLS, EACH, as_read, drafts, drill_from

SVG = "{http://www.w3.org/2000/svg}"


def named(name: str) -> Drill:
    return load_drill(DRILLS[0].parent / f"{name}.yaml")


def events_of(drill: Drill) -> Counter[tuple[Fraction, int]]:
    """Onset in quarters and sounding pitch of every note, in the order that repeat signs can play."""
    notes: Counter[tuple[Fraction, int]] = Counter()
    start = Fraction(0)
    signed = drill.order if stretches(drill) and drill.order else [phrase.id for phrase in drill.phrases]
    for bar in (bar for phrase in signed for bar in drill.phrase(phrase).bars):
        quarter = bar.meter.beat_whole * 4
        for event in bar.events:
            onset = start + (event.beat - bar.first_beat) * quarter
            notes.update((onset, sounding_midi(drill.instrument, note)) for note in event.notes)
        start += bar.length * quarter
    return notes


def wanted_places(drill: Drill) -> Counter[str]:
    """Every place of the tab, as often as it is struck."""
    bars = (bar for phrase in drill.phrases for bar in phrase.bars)
    return Counter(place_text(note) for bar in bars for event in bar.events for note in event.notes)


def played_of(drill: Drill) -> Counter[tuple[Fraction, int]]:
    """The same, as verovio plays the staves of our MEI, without the tab staff."""
    toolkit = verovio.toolkit()
    assert toolkit.loadData(mei_score(drill).text())
    file = mido.MidiFile(file=io.BytesIO(base64.b64decode(toolkit.renderToMIDI())))
    notes: Counter[tuple[Fraction, int]] = Counter()
    for track in file.tracks[1:-1]:
        ticks = 0
        for message in track:
            ticks += message.time
            if message.type == "note_on" and message.velocity:
                onset = Fraction(ticks, file.ticks_per_beat).limit_denominator(48)
                notes[onset, message.note] += 1
    return notes


@EACH
def test_an_engraver_plays_the_drills_own_notes_from_its_mei(path: Path) -> None:
    drill = load_drill(path)
    assert played_of(drill) == events_of(drill)


DOUBLE_SHARP = (
    "drill: 1\ntitle: Fx\nkey: G# minor\ninstrument: bass\nmeter: 4/4\ntempo: {start: 50, goal: 70}\n"
    "phrases: [{bars: [{bass: '1 E:3=F##1, 2 E:3=F##1, 3 E:4'}]}]\n"
)


def test_an_engraver_finds_no_word_in_our_mei_that_it_does_not_know(
    capfd: pytest.CaptureFixture[str],
) -> None:
    # What verovio's reader of MEI 5 does not know it writes to standard error.
    verovio.enableLog(verovio.LOG_WARNING)
    for drill in (*map(load_drill, DRILLS), drill_from(DOUBLE_SHARP)):
        assert verovio.toolkit().loadData(mei_score(drill).text())
    assert capfd.readouterr().err == ""
    verovio.toolkit().loadData(mei_score(drill).text().replace('pname="f"', 'pname="h"'))
    assert "Unsupported data.PITCHNAME 'h'" in capfd.readouterr().err
    verovio.enableLog(verovio.LOG_OFF)
    assert played_of(drill) == events_of(drill)


def test_notes_far_above_the_staff_stand_under_an_octave_line_and_sound_as_they_did() -> None:
    drill = drill_from(
        "drill: 1\ntitle: High\ninstrument: guitar\nmeter: 4/4\ntempo: {start: 50, goal: 70}\n"
        "phrases:\n  - bars:\n      - {bass: '1 A:0 for 4', harmonics: '1 1:<3.2>, 2 1:<2.7>, 3 2:<3.2> for 2'}\n"
    )
    text = mei_score(drill).text()
    assert re.search(r'<octave dis="(8|15)" dis.place="above"', text) or 'dis="8"' in text
    assert played_of(drill) == events_of(drill)


def test_below_the_tab_stands_how_players_count() -> None:
    """`1 e & a` is common practice, no source; time stamps are MEI's `@tstamp` (guidelines 5)."""
    text = """
drill: 1
title: Count
instrument: bass
meter: 4/4
tempo: {start: 50, goal: 60}
phrases:
- name: P
  bars:
  - {bass: "1 E:0", harmonics: "1 G:<12>, 2& D:<7>, 4e G:<5>"}
  - {meter: 6/8 in 2, harmonics: "1 G:<12>, 2+1/3 G:<7>"}
"""
    drill = drill_from(text)
    shown = [
        [(sign.get("tstamp"), "".join(sign.itertext())) for sign in measure[-1].iter("harm")]
        for measure in mei_score(drill).measures
    ]
    first = [("1", "1"), ("2", "2"), ("2.5", "&"), ("3", "3"), ("4", "4"), ("4.25", "e")]
    assert shown == [first, [("1", "1"), ("4", "2")]]


def test_a_layer_that_a_phrase_has_not_rests_there() -> None:
    part = drill_part(named("the-mill-at-turning-tide"), "answer")
    assert part.phrases[-1].layers == ()
    last = mei_score(part).measures[-1][-1]
    assert last.find("staff[@n='1']/layer/mRest") is not None
    assert played_of(part) == events_of(part)


def test_accidentals_stand_where_the_key_and_the_bar_do_not_say_them_already() -> None:
    drill = drill_from(
        "drill: 1\ntitle: Signs\nkey: D major\ninstrument: bass\nmeter: 4/4\ntempo: {start: 50, goal: 70}\n"
        "phrases:\n  - bars:\n      - bass: 1 E:2, 2 E:1, 3 E:1, 4 E:2\n      - bass: 1 E:1 for 4\n"
    )
    notes = [
        note.attrib
        for note in ET.fromstring(mei_score(drill).text()).iter("{http://www.music-encoding.org/ns/mei}note")
        if "pname" in note.attrib
    ]
    # F# is in the signature; F natural needs its sign once a bar, and F# after it its own again (common practice).
    assert [note.get("accid", "") for note in notes] == ["", "n", "", "s", "n"]
    assert notes[0]["accid.ges"] == "s"


@pytest.mark.parametrize(
    ("order", "signs", "words"),
    [
        ("", [(0, 0, 1), (1, 1, 1), (2, 2, 1)], ""),
        ("a x2, b, c", [(0, 0, 2), (1, 1, 1), (2, 2, 1)], "a x2, b, c"),
        ("(a, b) x3, c", [(0, 1, 3), (2, 2, 1)], "(a, b) x3, c"),
        ("a, b, a, c", [], "a, b, a, c"),
        ("a x2, b, c, a", [], "a x2, b, c, a"),
    ],
)
def test_repeat_signs_say_an_order_where_they_can(
    order: str, signs: list[tuple[int, int, int]], words: str
) -> None:
    phrases = "".join(f"  - {{name: {name}, bars: [{{bass: '1 E:0'}}]}}\n" for name in "abc")
    head = f"drill: 1\ntitle: T\ninstrument: bass\nmeter: 4/4\ntempo: {{start: 50, goal: 70}}\nphrases:\n{phrases}"
    drill = drill_from(head + (f"order: {order}\n" if order else ""))
    assert [(one.first, one.last, one.times) for one in stretches(drill)] == signs
    assert order_text(drill) == words
    measures = [element[-1] for element in mei_score(drill).measures]
    repeated = [sign for sign in signs if sign[2] > 1]
    assert [at for at, one in enumerate(measures) if one.get("left") == "rptstart"] == [
        one[0] for one in repeated
    ]
    assert [at for at, one in enumerate(measures) if one.get("right") == "rptend"] == [
        one[1] for one in repeated
    ]


@pytest.mark.parametrize("name", ["lantern-on-the-weir", "sacks-down-the-chute"])
def test_lines_hold_every_bar_once_and_every_place_as_players_write_it(name: str) -> None:
    drill = named(name)
    lines = engraved_lines(drill, SIZES[0])
    bars = [bar for phrase in drill.phrases for bar in phrase.bars]
    assert sum(len(line.bars) for line in lines) == len(bars)
    texts: Counter[str] = Counter()
    for line in lines:
        assert sum(above.width_mm for above in line.bars) == pytest.approx(WIDTH_MM)
        assert sum(above.width_mm for above in line.names) == pytest.approx(WIDTH_MM)
        drawing = ET.fromstring(line.drawing.svg)
        texts.update("".join(text.itertext()).strip() for text in drawing.iter(f"{SVG}text"))
    assert wanted_places(drill) <= texts
    assert not [text for text in texts if "88" in text]
    assert [above.italic for line in lines for above in line.bars] == [bar.cue for bar in bars]
    assert [above.bold for line in lines for above in line.names if above.bold] == [
        phrase.name for phrase in drill.phrases
    ]


@EACH
def test_the_ruler_under_the_neck_is_true_on_paper(path: Path) -> None:
    drill = load_drill(path)
    neck = neck_drawing(drill)
    drawing = ET.fromstring(neck.svg)
    assert drawing.get("width") == f"{neck.width_mm:.3f}mm"
    assert neck.width_mm <= WIDTH_MM + 0.001
    unit_mm = neck.width_mm / float(drawing.get("viewBox", "").split()[2])
    scale = float(neck.label.rsplit(" ", 1)[1])
    texts = [
        (text.text or "", float(text.get("x", 0)), float(text.get("y", 0))) for text in drawing.iter("text")
    ]
    ruler_y = max(y for _, _, y in texts)
    marks = {float(text): x for text, x, y in texts if y == ruler_y}
    assert len(marks) > 3
    zero = marks[0.0]
    for mm, x in marks.items():
        assert (x - zero) * unit_mm * scale == pytest.approx(mm, abs=0.05)
    # The wire of fret 5 lies at 1 - 2^(-5/12) of the scale (equal temperament).
    wires = {float(line.get("x1", 0)) for line in drawing.iter("line") if line.get("class") == "wire"}
    fifth_mm = drill.instrument.scale_mm * (1 - 2 ** (-5 / 12))
    if fifth_mm < max(marks):
        assert min(abs((x - zero) * unit_mm * scale - fifth_mm) for x in wires) < 0.1


def test_the_neck_and_the_table_call_a_node_as_the_tab_does() -> None:
    # `<4>` is 3.9 to a tenth of a fret; a student looks for what stands in the tab.
    drill = named("lantern-on-the-weir")
    sheet = sheet_of(drill, ())
    tab = {place_text(note).strip("()") for note in drill.notes if note.is_harmonic}
    assert "‹4›" in tab
    assert {row[0].split(" ")[0] for row in sheet.node_rows} == tab
    assert sheet.neck is not None
    assert all(escape(name) in sheet.neck.svg for name in tab)


def test_a_sheet_says_who_and_until_when_on_every_page_and_explains_only_its_own_signs() -> None:
    drill = named("lantern-on-the-weir")
    sheet = sheet_of(drill, ())
    assert sheet.running == ("Lantern on the Weir",)
    assert "t the plucking hand touches the node" in legend(drill)
    assert "t the plucking hand touches the node" not in legend(named("first-pour"))
    # No line of the legend ends inside one of its entries.
    assert not any(" " in words for words in sheet.legend)


def test_a_page_names_the_goal_of_the_whole_only_where_it_is_asked_for() -> None:
    parts = AskedPart("ladle", 60), AskedPart("12 on D2", 55)
    told = []
    for asked in ((), parts, (parts[0], AskedPart("mould"))):
        drill = replace(named("first-pour"), assignment=Assignment("Mia", goal_bpm=70, parts=asked))
        told.append(sheet_of(drill, ()).facts[-1])
    assert told == [
        "Assigned: for Mia; goal 70 bpm",
        "Assigned: for Mia; only Ladle at 60 bpm, 12 on D2 at 55 bpm",
        "Assigned: for Mia; only Ladle at 60 bpm, Mould; goal 70 bpm",
    ]


def test_a_part_of_a_drill_keeps_bars_and_says_so_in_its_title() -> None:
    drill = named("first-pour")
    bass = drill_part(drill, "bass", easier=True)
    assert bass.title == "First Pour (bass, easier)"
    assert [len(phrase.bars) for phrase in bass.phrases] == [len(phrase.bars) for phrase in drill.phrases]
    assert {event.layer for phrase in bass.phrases for bar in phrase.bars for event in bar.events} == {"bass"}
    easier = drill_part(drill, easier=True)
    assert not any(
        note.droppable
        for phrase in easier.phrases for bar in phrase.bars for event in bar.events for note in event.notes
    )  # fmt: skip
    assert drill_part(drill) is drill
    with pytest.raises(KeyError):
        drill_part(drill, "bas")


def test_a_page_is_written_as_pdf_and_a_misspelt_layer_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "page.pdf"
    base = ["export", "first-pour", "--folder", str(tmp_path), "-o", str(file), "--to"]
    assert main([*base, "pdf", "--layer", "harmonic"]) == 2
    assert "there is bass and harmonics (did you mean harmonics?)" in capsys.readouterr().err
    assert not file.exists()
    assert main([*base, "pdf", "--layer", "harmonics", "--paper", "letter", "--easier"]) == 0
    assert file.read_bytes().startswith(b"%PDF-1.")
    assert main([*base, "midi", "--paper", "letter"]) == 2


def test_a_page_of_nothing_is_refused_and_not_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drill = tmp_path / "droppable.yaml"
    text = (DRILLS[0].parent / "first-pour.yaml").read_text(encoding="utf-8")
    drill.write_text(re.sub(r":<[\d.]+>", r"\g<0>?", text), encoding="utf-8")
    file = tmp_path / "page.pdf"
    base = ["export", str(drill), "--to", "pdf", "-o", str(file), "--layer"]
    for words, message in (
        (["harmonics", "--easier"], "--easier: no note is left"),
        ([""], "--layer: there is no layer ''; there is bass and harmonics"),
    ):
        assert main([*base, *words]) == 2
        assert message in capsys.readouterr().err
        assert not file.exists()
    assert main([*base, "harmonics"]) == 0


def test_without_the_extra_the_page_is_plain_and_one_line_says_how_to_get_notes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("verovio", "typst"):
        monkeypatch.setitem(sys.modules, module, None)
    for module in ("engrave", "pdf"):
        monkeypatch.delitem(sys.modules, f"coach.paper.{module}")
    file = tmp_path / "page"
    base = ["export", "first-pour", "--folder", str(tmp_path), "-o", str(file), "--to"]
    assert main([*base, "html"]) == 0
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert "pip install '.[print]' in the clone of this project" in told[0]
    page = file.read_text(encoding="utf-8")
    assert "engraved" not in page.split("</style>")[1]
    assert "Lane and tab of Ladle" in page
    file.unlink()
    assert main([*base, "pdf"]) == 1
    assert "pip install '.[print]'" in capsys.readouterr().err
    assert not file.exists()


@settings(max_examples=2, deadline=None)
@given(drafts())
def test_any_drill_is_engraved_with_every_place_that_is_played(draft: Drill) -> None:
    drill = as_read(draft)
    texts: Counter[str] = Counter()
    for line in engraved_lines(drill, SIZES[0]):
        assert line.drawing.height_mm > 0
        texts.update(
            "".join(text.itertext()).strip() for text in ET.fromstring(line.drawing.svg).iter(f"{SVG}text")
        )
    assert wanted_places(drill) <= texts


def test_no_text_of_a_drill_is_read_as_markup() -> None:
    drill = replace(named("latch-of-the-gate"), title='#let x = 1 \\ "$*_<b>', about="// $x$ @a #panic()")
    assert fitted_page(drill, "letter").pdf().startswith(b"%PDF")
