"""Exports say what the drill says: checked against the MusicXML schema, music21, mido and pretty_midi."""

from __future__ import annotations

import io
import math
import re
import warnings
import xml.etree.ElementTree as ET
from collections import defaultdict
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path

import mido
import pytest
import verovio
from hypothesis import given, settings

from coach.music.clicktrack import clicks_of
from coach.music.drill import Drill
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.paper.lane import plain_sheet
from coach.paper.page import html_page
from coach.score.load import load_drill, read_drill
from coach.score.midi_out import HARMONICS_PROGRAM, TICKS_PER_QUARTER, midi_bytes
from coach.score.music import sounding_note
from coach.score.musicxml_out import musicxml_text
from coach.score.staves import staves_of
from coach.score.tab import text_tab
from coach.strings.units import midi_from_hz
from tests.corpus import exact
from tests.drillfile_drafts import DRILLS, EACH, as_read, drafts, drill_from


def sounding_notes(drill: Drill) -> list[tuple[Fraction, Fraction, int]]:
    """(onset, hold, MIDI number) of every note of the phrases in the file's order, in quarters."""
    sounding = []
    start = Fraction(0)
    for phrase in drill.phrases:
        for bar in phrase.bars:
            for event in bar.events:
                onset = start + (event.beat - bar.first_beat) * bar.meter.beat_whole * 4
                for note in event.notes:
                    stopped_midi = drill.instrument.strings[note.string].midi + (note.fret or 0)
                    midi = sounding_note(stopped_midi, note.node) if note.node else stopped_midi
                    sounding.append((onset, event.hold * bar.meter.beat_whole * 4, midi))
            start += bar.length * bar.meter.beat_whole * 4
    return sorted(sounding)


@pytest.fixture(scope="module")
def musicxml_schema():  # type: ignore[no-untyped-def]
    """The MusicXML 4.0 XSD by W3C, as the package `musicxml` carries it."""
    musicxml = pytest.importorskip("musicxml", reason="needs the package musicxml: pip install musicxml")
    xmlschema = pytest.importorskip("xmlschema", reason="needs the package xmlschema: pip install xmlschema")
    folder = Path(musicxml.__file__).parent / "generate_classes"
    with warnings.catch_warnings():
        # xlink.xsd isn't there, and nothing is fetched: the exports have no links.
        warnings.simplefilter("ignore")
        return xmlschema.XMLSchema(
            str(folder / "musicxml_4_0.xsd"),
            locations={"http://www.w3.org/XML/1998/namespace": str(folder / "xml.xsd")},
            allow="local",
        )


@EACH
def test_musicxml_is_valid(path: Path, musicxml_schema) -> None:  # type: ignore[no-untyped-def]
    root = ET.fromstring(musicxml_text(load_drill(path), 60))
    assert [str(error) for error in musicxml_schema.iter_errors(root)] == []


@settings(max_examples=6, deadline=None)
@given(drafts())
def test_musicxml_of_any_drill_is_valid_and_fills_its_bars(musicxml_schema, draft: Drill) -> None:  # type: ignore[no-untyped-def]
    drill = as_read(draft)
    root = ET.fromstring(musicxml_text(drill, 60))
    assert [str(error) for error in musicxml_schema.iter_errors(root)] == []
    divisions = int(root.findtext(".//divisions") or 0)
    lengths = [bar.length * bar.meter.beat_whole * 4 for phrase in drill.phrases for bar in phrase.bars]
    measures = root.findall("part/measure")
    assert len(measures) == len(lengths)
    for measure, length in zip(measures, lengths, strict=True):
        voices: dict[str, Fraction] = defaultdict(Fraction)
        for note in measure.findall("note"):
            if note.find("chord") is None:
                voices[note.findtext("voice") or ""] += Fraction(
                    int(note.findtext("duration") or 0), divisions
                )
        assert set(voices.values()) == {length}


def read_by_music21(drill: Drill):  # type: ignore[no-untyped-def]
    """The export as music21 reads it, as it sounds; its notes are the drill's, on the staves and on the tab."""
    music21 = pytest.importorskip("music21", reason="needs the package music21: pip install music21")
    wanted = sorted(sounding_notes(drill), key=lambda note: (note[0], note[2], note[1]))
    onsets = {onset for onset, _, _ in wanted}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = music21.converter.parseData(musicxml_text(drill, 60), format="musicxml").toSoundingPitch()
    *staves, tab = score.parts
    assert len(staves) == len(staves_of(drill).clefs)
    for parts in (staves, [tab]):
        got: list[list[Fraction | int]] = []
        for voice in (voice for part in parts for voice in part.voicesToParts().parts):
            for note in voice.flatten().notes:
                onset, length = exact(note.offset), exact(note.duration.quarterLength)
                for member in note.notes if note.isChord else (note,):
                    if member.tie is not None and member.tie.type in ("stop", "continue"):
                        before = next(
                            old for old in got if old[0] + old[1] == onset and old[2] == member.pitch.midi
                        )
                        before[1] += length
                    else:
                        got.append([onset, length, member.pitch.midi])
        got.sort(key=lambda note: (note[0], note[2], note[1]))
        assert [(onset, midi) for onset, _, midi in got] == [(onset, midi) for onset, _, midi in wanted]
        for (onset, length, _), (_, hold, _) in zip(got, wanted, strict=True):
            # A note is written as long as it is held, but at most to its layer's next event.
            assert length == hold or (length < hold and onset + length in onsets)
    return score


@EACH
def test_music21_reads_the_same_pitches_onsets_and_durations(path: Path) -> None:
    read_by_music21(load_drill(path))


@settings(max_examples=6, deadline=None)
@given(drafts())
def test_music21_reads_onsets_and_pitches_of_any_drill(draft: Drill) -> None:
    music21 = pytest.importorskip("music21", reason="needs the package music21: pip install music21")
    drill = as_read(draft)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = music21.converter.parseData(musicxml_text(drill, 60), format="musicxml").toSoundingPitch()
    *staves, tab = score.parts
    wanted = sorted((onset, midi) for onset, _, midi in sounding_notes(drill))
    for parts in (staves, [tab]):
        voices = (voice for part in parts for voice in part.voicesToParts().parts)
        struck = (
            (exact(note.offset), member.pitch.midi)
            for voice in voices
            for note in voice.flatten().notes
            for member in (note.notes if note.isChord else (note,))
            if member.tie is None or member.tie.type not in ("stop", "continue")
        )
        assert sorted(struck) == wanted


def test_music21_reads_clefs_key_spelling_and_octave_lines_of_a_guitar() -> None:
    # A guitar sounds an octave below its treble clef (common practice); E flat major has three flats.
    drill, problems = read_drill(
        "drill: 1\ntitle: High\ninstrument: guitar\nmeter: 3/4\nkey: Eb major\ntempo: {start: 60, goal: 60}\n"
        "phrases: [{bars: [{low: '1 5:1 for 3', high: '1 1:<4>=G#6, 2 1:<4>, 3 2:<7> for 1'}]}]\n",
        "high.yaml",
    )
    assert drill is not None, problems
    score = read_by_music21(drill)
    first = [part.flatten() for part in score.parts]
    assert [type(part.getElementsByClass("Clef")[0]).__name__ for part in first] == [
        "TrebleClef", "Treble8vbClef", "TabClef",
    ]  # fmt: skip
    assert [part.getElementsByClass("KeySignature")[0].sharps for part in first] == [-3, -3, -3]
    high = first[0].notes
    assert [note.pitch.nameWithOctave for note in high] == ["G#6", "A-6", "G-5"]
    (line,) = score.parts[0].recurse().getElementsByClass("Ottava")
    assert [note.pitch.nameWithOctave for note in line.getSpannedElements()] == ["G#6", "A-6"]


@pytest.mark.parametrize(
    ("low", "names"),
    [
        ("1 6:<12>, 3 2:<2.7> for 1, 4 3:<12> for 1", "a"),
        ("1 6:<12>, 3 2:<2.7> for 1, 4 2:<1/8> for 1", "ab"),
    ],
)
def test_an_octave_line_of_the_lower_voice_begins_and_ends_where_its_own_notes_do(
    low: str, names: str
) -> None:
    """The library `verovio` reads which notes it spans: B5 of the upper voice, a whole note, is not among them."""
    drill = drill_from(
        "drill: 1\ntitle: High\ninstrument: guitar\nmeter: 4/4\ntempo: {start: 60, goal: 60}\n"
        f"phrases: [{{bars: [{{high: '1 1:<7> for 4', low: '{low}'}}]}}]\n"
    )
    toolkit = verovio.toolkit()
    assert toolkit.loadData(musicxml_text(drill, 60))
    mei, name = "{http://www.music-encoding.org/ns/mei}", "{http://www.w3.org/XML/1998/namespace}id"
    root = ET.fromstring(toolkit.getMEI())
    pitches = {f"#{note.get(name)}": note.get("pname") for note in root.iter(f"{mei}note")}
    (line,) = root.iter(f"{mei}octave")
    assert pitches[line.get("startid", "")] == names[0]
    assert pitches[line.get("endid", "")] == names[-1]


def test_musicxml_tells_strings_nodes_and_tunings() -> None:
    root = ET.fromstring(musicxml_text(load_drill(DRILLS[0].parent / "small-bells.yaml"), 60))
    tunings = {
        tuning.get("line"): f"{tuning.findtext('tuning-step')}{tuning.findtext('tuning-octave')}"
        for tuning in root.iter("staff-tuning")
    }
    assert tunings == {"1": "E1", "2": "A1", "3": "D2", "4": "G2"}, "line 1 is the bottom line (MusicXML 4.0)"
    harmonics = [note for note in root.iter("note") if note.find(".//harmonic") is not None]
    assert all(note.find(".//harmonic/sounding-pitch") is not None for note in harmonics)
    hard = {
        (note.findtext(".//string"), note.findtext(".//fret"), note.findtext(".//other-technical"))
        for note in harmonics
    }
    assert ("2", "3", "2.7") in hard
    assert ("2", "3", "3.2") in hard, "both are fret 3 to MusicXML, whose fret is a whole number"
    sound = root.find(".//sound")
    assert sound is not None
    assert sound.get("tempo") == "60"


def test_musicxml_tempo_is_in_quarters() -> None:
    root = ET.fromstring(musicxml_text(load_drill(DRILLS[0].parent / "sacks-down-the-chute.yaml"), 60))
    assert next(sound.get("tempo") for sound in root.iter("sound")) == "90", "60 dotted quarters"
    assert root.findtext(".//metronome/beat-unit") == "quarter"
    assert root.find(".//metronome/beat-unit-dot") is not None


def notes_of(data: bytes) -> list[tuple[int, int, int, int, float, str]]:
    """(start tick, end tick, channel, program, pitch with its bend, track) of every note, read with mido."""
    file = mido.MidiFile(file=io.BytesIO(data))
    events = []
    for index, track in enumerate(file.tracks):
        tick = 0
        for order, message in enumerate(track):
            tick += message.time
            events.append((tick, index, order, message, track.name))
    programs: dict[int, int] = {}
    bends: dict[int, int] = defaultdict(int)
    on: dict[tuple[int, int], list[tuple[int, float, int]]] = defaultdict(list)
    played = []
    rank = {"note_off": 0, "control_change": 1, "program_change": 1, "pitchwheel": 1, "note_on": 2}
    for tick, _, _, message, name in sorted(events, key=lambda e: (e[0], rank.get(e[3].type, 0), e[1], e[2])):
        if message.type == "program_change":
            programs[message.channel] = message.program
        elif message.type == "pitchwheel":
            assert not any(key[0] == message.channel and notes for key, notes in on.items()), (
                "a bend under a note"
            )
            bends[message.channel] = message.pitch
        elif message.type == "note_on":
            assert not on[message.channel, message.note], "a key struck twice"
            pitch = message.note + bends[message.channel] / 8192 * 2
            on[message.channel, message.note].append((tick, pitch, programs.get(message.channel, -1)))
        elif message.type == "note_off":
            start, pitch, program = on[message.channel, message.note].pop()
            played.append((start, tick, message.channel, program, pitch, name))
    assert not any(on.values()), "a note without an end"
    return played


@EACH
def test_midi_notes_sound_the_physical_pitches(path: Path) -> None:
    drill = load_drill(path)
    passage = passage_of(drill, whole_piece(drill))
    played = [note for note in notes_of(midi_bytes(drill, 60)) if note[5] != "click"]
    lead = min(start for start, *_ in played)
    wanted = sorted(
        (
            event.onset * drill.tempo.beat_whole * 4,
            midi_from_hz(placed.sounding_hz, drill.instrument.a4_hz) - (24 if placed.note.is_harmonic else 0),
        )
        for event in passage.events
        for placed in event.notes
    )
    got = sorted((Fraction(start - lead, TICKS_PER_QUARTER), pitch) for start, _, _, _, pitch, _ in played)
    assert len(got) == len(wanted)
    first = wanted[0][0]
    for (onset, pitch), (due, midi) in zip(got, wanted, strict=True):
        assert onset == due - first
        assert pitch == pytest.approx(midi, abs=0.01), "within a cent"
    harmonic = {note[3] == HARMONICS_PROGRAM for note in played if note[5] != "bass"}
    assert harmonic == {True}


@settings(max_examples=8, deadline=None)
@given(drafts())
def test_midi_of_any_drill_is_whole(draft: Drill) -> None:
    drill = as_read(draft)
    passage = passage_of(drill, whole_piece(drill))
    played = [note for note in notes_of(midi_bytes(drill, drill.tempo.start_bpm)) if note[5] != "click"]
    assert len(played) == sum(len(event.notes) for event in passage.events)
    assert all(start < end for start, end, *_ in played)


@EACH
@pytest.mark.parametrize("tempo_bpm", [40, 97])
def test_midi_clicks_fall_where_the_click_track_says(path: Path, tempo_bpm: int) -> None:
    drill = load_drill(path)
    file = mido.MidiFile(file=io.BytesIO(midi_bytes(drill, tempo_bpm, click_only=True)))
    assert [track.name for track in file.tracks] == [drill.title, "click"]
    seconds = 0.0
    got = []
    for message in file:
        seconds += message.time
        if message.type == "note_on":
            got.append((seconds, message.note))
    clicks = clicks_of(passage_of(drill, whole_piece(drill)), tempo_bpm, drill.count_in_bars, drill.click)
    assert len(got) == len(clicks)
    for (second, key), click in zip(got, clicks, strict=True):
        # A gradual change goes in steps of a quarter beat; within it a click may lie a few ms beside the curve.
        assert second - got[0][0] == pytest.approx(float(click.seconds - clicks[0].seconds), abs=0.004)
        # General MIDI: 76 and 77 are the wood blocks, 37 the side stick.
        assert key == (76 if click.accent else 37 if click.kind == "subdivision" else 77)


def test_a_sign_of_loudness_holds_until_the_next_as_music21_plays_it() -> None:
    """music21 takes a note's loudness from the last sign before it in the MusicXML (`Volume.getRealized`)."""
    music21 = pytest.importorskip("music21", reason="needs the package music21: pip install music21")
    signs = ("mf", "pp", "", "ffff", "mf", "f", "", "mp")
    bars = "".join(f"      - {{harmonics: '1 G:<12>', dynamics: '{sign}'}}\n" for sign in signs)
    head = "drill: 1\ntitle: t\nmeter: 4/4\ntempo: {start: 60, goal: 60}\n"
    text = f"{head}instrument: {{strings: [G2, D2]}}\nphrases:\n  - name: a\n    bars:\n{bars}"
    drill, problems = read_drill(text.replace(", dynamics: ''", ""), "signs.yaml")
    assert drill is not None, problems
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        staff = music21.converter.parseData(musicxml_text(drill, 60), format="musicxml").parts[0]
    theirs = [note.volume.getRealized() for note in staff.flatten().notes]
    on = [each for each in mido.MidiFile(file=io.BytesIO(midi_bytes(drill, 60))) if each.type == "note_on"]
    ours = [each.velocity for each in on if each.channel != 9 and each.velocity]
    assert len(theirs) == len(ours) == len(signs)
    ranks = [sorted(set(loudness)) for loudness in (theirs, ours)]
    assert [ranks[0].index(one) for one in theirs] == [ranks[1].index(one) for one in ours]


@EACH
def test_pretty_midi_reads_the_same_notes(path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pretty_midi = pytest.importorskip(
            "pretty_midi", reason="needs the package pretty_midi: pip install pretty_midi"
        )
    drill = load_drill(path)
    passage = passage_of(drill, whole_piece(drill))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = pretty_midi.PrettyMIDI(io.BytesIO(midi_bytes(drill, 72)))
    lead = float(-clicks_of(passage, 72, drill.count_in_bars, drill.click)[0].seconds)
    wanted = sorted(
        float(passage.tempo.seconds_at(event.onset, 72)) + lead
        for event in passage.events
        for _ in event.notes
    )
    got = sorted(note.start for part in score.instruments if not part.is_drum for note in part.notes)
    assert got == pytest.approx(wanted, abs=0.004)
    names = {
        pretty_midi.program_to_instrument_name(part.program) for part in score.instruments if not part.is_drum
    }
    assert names == {"Electric Bass (finger)", "Guitar Harmonics"}


def test_the_octave_allowance_is_an_option_and_is_told() -> None:
    drill = load_drill(DRILLS[0])
    for octaves in (0, 1, 2):
        data = midi_bytes(drill, 60, harmonics_octaves=octaves)
        texts = [
            message.text
            for message in mido.MidiFile(file=io.BytesIO(data)).tracks[0]
            if message.type == "text"
        ]
        assert any(f"harmonics are written {octaves} octaves below" in text for text in texts)
        highest = max(pitch for *_, program, pitch, _ in notes_of(data) if program == HARMONICS_PROGRAM)
        assert round(highest) == 67 - 12 * octaves, "G4, the node at 5 of the G string"


@EACH
@pytest.mark.parametrize("width", [40, 80, 132])
def test_text_tab_keeps_to_its_width_and_its_beats(path: Path, width: int) -> None:
    drill = load_drill(path)
    lines = text_tab(drill, width).split("\n")
    assert max(map(len, lines)) <= width
    label = re.compile(r"^[A-G] +\|")
    shown = " ".join(line for line in lines if label.match(line))
    for phrase in drill.phrases:
        for bar in phrase.bars:
            for event in bar.events:
                for note in event.notes:
                    assert note.position_text in shown
    strings = len(drill.instrument.strings)
    rows = [index for index, line in enumerate(lines) if label.match(line)]
    for top in rows[::strings]:
        beats = lines[top + strings]
        starts = {match.start() for match in re.finditer(r"\S+", beats)}
        for row in range(top, top + strings):
            for match in re.finditer(r"(?<![\d])\d*<[\d./]+>|(?<=[-|])\d+(?=[-?(|])", lines[row]):
                assert match.start() in starts, (lines[row], beats)


def test_a_bar_of_text_tab_is_to_scale_in_time_where_it_fits(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    bar = "{bass: 1 E:0 for 4, harmonics: '1 G:<12>, 2 D:<7>, 2& G:<5>, 4 G:<12>'}"
    path.write_text(
        "drill: 1\ntitle: T\ninstrument: bass\nmeter: 4/4\ntempo: {start: 60, goal: 60}\n"
        f"phrases:\n  - {{name: P, bars: [{bar}]}}\n"
    )
    *_, head, _g, _d, _a, _e, counts = text_tab(load_drill(path)).rstrip().split("\n")
    assert head.split() == ["1:", "4/4"], "no mixed fraction"
    first, second, half, third, fourth = (match.start() for match in re.finditer(r"\S+", counts))
    assert second - first == third - second == fourth - third == 2 * (half - second)


class _Tags(HTMLParser):
    """Counts tags and checks that they nest."""

    void = frozenset({"meta", "line", "rect", "circle", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: dict[str, int] = defaultdict(int)
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen[tag] += 1
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen[tag] += 1

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@EACH
def test_the_page_draws_every_bar_and_node_and_fetches_nothing(path: Path) -> None:
    drill = load_drill(path)
    page = html_page(plain_sheet(drill))
    tags = _Tags()
    tags.feed(page)
    assert tags.open == []
    assert not re.search(r"<script|<link|<img|url\(|src=|href=", page)
    text = " ".join(tags.words)
    nodes = {(note.string, note.node, note.stop): note for note in drill.notes if note.node}
    assert tags.seen["circle"] == len(nodes)
    for (_, node, stop), note in nodes.items():
        # Frets add up: a touch lies as far past the stop as the node of an open string past the nut.
        label = f"{float(node.label) + stop:g}" if stop else note.written
        beyond = f" beyond {stop}" if stop else ""
        assert f"{stop or ''}‹{label}› ({node.key}{beyond})" in text
    assert "Take care" in text
    assert "Notes" in text


def test_bars_without_an_engraver_have_the_numbers_of_the_piece() -> None:
    drill = load_drill(DRILLS[0].parent / "first-pour.yaml")
    page = html_page(plain_sheet(drill))
    numbers = re.findall(r'y="3.20" font-size="2.8" text-anchor="start">(\d+)', page)
    bars = sum(len(phrase.bars) for phrase in drill.phrases)
    assert numbers == [str(number) for number in range(1, bars + 1)]


def test_the_page_marks_nodes_to_scale() -> None:
    drill = load_drill(DRILLS[0].parent / "first-pour.yaml")
    page = html_page(plain_sheet(drill))
    places = sorted({float(x) for x in re.findall(r'<circle[^>]* cx="([\d.]+)"', page)})
    (nut,) = (float(x) for x in re.findall(r'<line class="nut" x1="([\d.]+)"', page))
    # Nodes at 1/4, 1/3 and 1/2 of the string (harmonic series): distances from the nut as 3 : 4 : 6.
    quarter, third, half = (x - nut for x in places)
    assert third / quarter == pytest.approx(4 / 3, abs=0.001)
    assert half / quarter == pytest.approx(2, abs=0.001)


@settings(max_examples=6, deadline=None)
@given(drafts())
def test_page_and_tab_of_any_drill_hold_together(draft: Drill) -> None:
    drill = as_read(draft)
    tags = _Tags()
    tags.feed(html_page(plain_sheet(drill)))
    assert tags.open == []
    assert text_tab(drill).count("\n[") == len(drill.phrases)


def test_text_from_a_drill_is_never_markup() -> None:
    text = DRILLS[0].read_text().replace("title: First Pour", "title: <script>alert(1)</script>")
    drill = drill_from(text)
    assert "<script>" not in html_page(plain_sheet(drill))
    assert ET.fromstring(musicxml_text(drill, 60)).findtext("work/work-title") == "<script>alert(1)</script>"


def test_pitches_are_the_harmonic_series() -> None:
    # The harmonic series: partial n lies 12 log2 n semitones above the open string.
    drill = load_drill(DRILLS[0].parent / "small-bells.yaml")
    pitches = {
        pitch for *_, program, pitch, _ in notes_of(midi_bytes(drill, 60)) if program == HARMONICS_PROGRAM
    }
    a1, d2, g2 = 33, 38, 43
    for open_midi, partial in ((a1, 5), (a1, 6), (a1, 7), (d2, 5), (d2, 7), (g2, 5)):
        exact = open_midi + 12 * math.log2(partial) - 24
        assert any(abs(pitch - exact) < 0.01 for pitch in pitches), (open_midi, partial)
