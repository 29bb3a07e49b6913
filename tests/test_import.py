"""Imports find the notes that music21 finds, keep what exports wrote, and refuse what is broken or hostile."""

from __future__ import annotations

import io
import math
import warnings
import zipfile
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from hypothesis import assume, given, settings

from coach.cli import main
from coach.ground.problem import CoachError
from coach.music.drill import Bar, Drill, Event
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.score.arrange import arranged
from coach.score.checked import checked
from coach.score.foreign import read_score
from coach.score.load import load_drill, read_drill
from coach.score.midi_out import midi_bytes
from coach.score.musicxml_in import part_names, read_musicxml
from coach.score.musicxml_out import musicxml_text
from coach.score.score import Score
from coach.score.strands import Choices
from coach.score.unpack import parse_xml, unpacked
from coach.score.write import write_drill
from coach.strings.node import Node
from coach.strings.units import midi_from_hz
from tests.corpus import struck_by_music21, suite
from tests.drillfile_drafts import DRILLS, EACH, drafts

HEAD = (
    '<?xml version="1.0"?><score-partwise version="4.0"><part-list><score-part id="P1"><part-name>One</part-name>\
</score-part></part-list><part id="P1">'
)
TAIL = "</part></score-partwise>"
ATTRIBUTES = (
    "<attributes><divisions>2</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
)


def measure(*items: str, number: int = 1, attributes: str | None = None) -> str:
    if attributes is None:
        attributes = ATTRIBUTES if number == 1 else ""
    return f'<measure number="{number}">{attributes}{"".join(items)}</measure>'


def note(pitch: str, duration: int = 2, inside: str = "", voice: int = 1, notations: str = "") -> str:
    step, octave = pitch[0], pitch[-1]
    alter = "<alter>1</alter>" if "#" in pitch else ""
    place = f"<notations>{notations}</notations>" if notations else ""
    chord = inside if "<chord/>" in inside else ""
    return (
        f"<note>{chord}<pitch><step>{step}</step>{alter}<octave>{octave}</octave></pitch>"
        f"<duration>{duration}</duration>{'' if chord else inside}<voice>{voice}</voice>{place}</note>"
    )


def technical(string: int, fret: int, more: str = "") -> str:
    return f"<technical><string>{string}</string><fret>{fret}</fret>{more}</technical>"


def read(tmp_path: Path, *measures: str, choices: Choices | None = None) -> tuple[Drill, Score]:
    path = tmp_path / "piece.musicxml"
    path.write_text(HEAD + "".join(measures) + TAIL)
    score = read_score(path)
    drill, _ = arranged(score, choices or Choices(), str(path))
    return drill, score


def notes_of(drill: Drill) -> list[tuple[Fraction, Fraction, str]]:
    """(onset in tempo beats, hold, place) of every note of the piece."""
    passage = passage_of(drill, whole_piece(drill))
    return [
        (event.onset, event.hold, f"{placed.note.string + 1}:{placed.note.position_text}")
        for event in passage.events
        for placed in event.notes
    ]


def installed_music21():  # type: ignore[no-untyped-def]
    return pytest.importorskip("music21", reason="needs the package music21: pip install music21")


def suite_file(name: str) -> Path:
    return next(path for path in suite(installed_music21()) if path.name == name)


# Where music21 10.5 and the importer differ: every (bar, onset in quarters, MIDI number) as read from the file by eye,
# and as music21 has it.
Struck = tuple[int, int, int]
NOT_ALIKE: dict[str, tuple[list[Struck], list[Struck]]] = {
    # The E3 of bar 1 has no <staff>, and music21 puts it into both staves: the file has it once.
    "02e-Rests-NoType.xml": (
        [(0, 0, 72), (1, 0, 52), (1, 0, 69)],
        [(0, 0, 72), (1, 0, 52), (1, 0, 52), (1, 0, 69)],
    ),
    # A direction stands between notes with <chord/>, which belong to the note before; music21 makes three notes of it.
    "21f-Chord-ElementInBetween.xml": (
        [(0, 0, 62), (0, 0, 66), (0, 0, 69)],
        [(0, 0, 69), (0, 1, 66), (0, 2, 62)],
    ),
    # Three A4 whose <accidental> shows a sharp that <pitch> lacks: <alter> alone sounds (MusicXML 4.0, accidental).
    "32c-MultipleNotationChildren.xml": (
        [(0, 0, 69), (0, 1, 69), (0, 2, 69)],
        [(0, 0, 70), (0, 1, 70), (0, 2, 70)],
    ),
}


@pytest.mark.parametrize("name", NOT_ALIKE)
def test_where_music21_reads_otherwise_the_file_itself_decides(name: str) -> None:
    music21 = installed_music21()
    path = suite_file(name)
    ours, theirs = NOT_ALIKE[name]
    score = read_score(path)
    assert sorted(
        (index, struck.onset * 4, struck.midi)
        for index, bar in enumerate(score.bars)
        for struck in bar.notes
    ) == ours  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parsed = music21.converter.parse(str(path), format="musicxml", forceSource=True).toSoundingPitch()
    if music21.__version__.startswith("10.5"):
        assert sorted(struck[:3] for struck in struck_by_music21(music21, parsed.parts).elements()) == theirs


def test_every_real_part_becomes_a_drill_that_the_checker_passes() -> None:
    drills = 0
    for path in suite(installed_music21()):
        root = parse_xml(unpacked(path.read_bytes(), path.name), path.name)
        for part in part_names(root):
            score = read_musicxml(root, part, path.name)
            if not any(bar.notes for bar in score.bars):
                continue
            score.title = path.stem
            if any(bar.refusal for bar in score.bars):
                with pytest.raises(CoachError, match="quarter tones"):
                    arranged(score, Choices(), path.name)
                continue
            drill, text = arranged(score, Choices(), path.name)
            reading = checked(text, path.name)
            assert reading.drill == drill
            assert [str(problem) for problem in reading.problems if problem.severity == "error"] == []
            drills += 1
    assert drills > 70


TWO_PARTS = (
    "<score-partwise><part-list><score-part id='P1'><part-name>Ä</part-name></score-part>"
    "<score-part id='P2'><part-name>Two</part-name></score-part></part-list>"
    f"<part id='P1'>{measure(note('E1', 8))}</part>\n<part  id = 'P2' >{measure(note('G1', 8))}</part >"
    "</score-partwise>"
)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("", ""),
        ("<measure", "<!-- </part> <part id='P1'> --><measure"),
        ("<part-name>Two", "<part-name><![CDATA[<part id='P1'></part>]]>Two"),
        ("<note>", "<note xmlns:x='urn:x' x:color='red'>"),
        ("<score-partwise>", "<!DOCTYPE score-partwise PUBLIC 'a' 'b.dtd'><score-partwise>"),
        ("<score-partwise>", '<?xml version="1.0" encoding="ISO-8859-1"?><score-partwise>'),
        ("<score-partwise>", '<?xml version="1.0" encoding="UTF-16"?><score-partwise>'),
        ("</score-partwise>", f"<part id='P1'>{measure(note('A1', 8), number=2)}</part></score-partwise>"),
    ],
    ids=range(8),
)
@pytest.mark.parametrize("number", [1, 2])
def test_any_way_to_write_the_same_xml_reads_the_same(
    old: str, new: str, number: int, tmp_path: Path
) -> None:
    text = TWO_PARTS.replace(old, new) if old else TWO_PARTS
    encoding = next((name for name in ("ISO-8859-1", "UTF-16") if name in text), "UTF-8")
    path = tmp_path / "piece.musicxml"
    path.write_bytes(text.encode(encoding))
    score = read_score(path, str(number))
    assert [one.midi for one in score.bars[0].notes] == [(28, 31)[number - 1]]
    assert score.parts == ["Ä", "<part id='P1'></part>Two" if "CDATA" in new else "Two"]


def test_a_part_that_is_not_read_is_proved_well_formed_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "piece.musicxml"
    path.write_text(TWO_PARTS.replace("<step>G</step>", "<step>G<step>"), encoding="utf-8")
    with pytest.raises(CoachError, match=r":2:\d+: this is not XML: mismatched tag"):
        read_score(path, "1")


def test_a_real_bass_tab_keeps_its_strings_and_frets() -> None:
    path = suite_file("71e-TabStaves.xml")
    score = read_score(path, "Bass Guitar")
    drill, _ = arranged(score, Choices(), str(path))
    assert [string.name for string in drill.instrument.strings] == ["G2", "D2", "A1", "E1"]
    # String and fret as they stand in the file, by its <technical> elements.
    root = parse_xml(path.read_bytes(), path.name)
    part = next(item for item in root.iter("part") if item.get("id") == "P5")
    written = [(t.findtext("string"), t.findtext("fret")) for t in part.iter("technical")]
    assert [(place[0], place[2:]) for _, _, place in notes_of(drill)] == written


def comparable(drill: Drill) -> list[object]:
    """The bars of each phrase in whole notes: how a meter is counted, MusicXML says of the tempo's beat alone."""
    return [
        [
            (
                bar.meter.numerator,
                bar.meter.denominator,
                bar.length * bar.meter.beat_whole,
                sorted((written(event, bar) for event in bar.events), key=str),
            )
            for bar in phrase.bars
        ]
        for phrase in drill.phrases
    ]


def written(event: Event, bar: Bar) -> tuple[object, ...]:
    places = [(one.string, one.fret, one.node, one.droppable) for one in event.notes]
    # From the bar's start: of a short bar that begins the piece the file can't say which end it lacks.
    return event.layer, (event.beat - bar.first_beat) * bar.meter.beat_whole, places


def played(drill: Drill) -> Drill:
    """Equal phrases of one name are one phrase after an import, so that their order counts."""
    order = drill.order or tuple(phrase.id for phrase in drill.phrases)
    return replace(drill, phrases=tuple(drill.phrase(phrase) for phrase in order))


@EACH
def test_an_export_that_another_program_saved_keeps_what_the_notes_say(path: Path, tmp_path: Path) -> None:
    drill = load_drill(path)
    file = tmp_path / "piece.musicxml"
    text = musicxml_text(drill, drill.goal_bpm).replace("<software>Wellrung", "<software>Another")
    file.write_text(text, encoding="utf-8")
    score = read_score(file)
    back, _ = arranged(score, Choices(), str(file))
    assert comparable(back) == comparable(drill)
    assert [bar.meter for p in back.phrases for bar in p.bars] == [
        bar.meter for p in drill.phrases for bar in p.bars
    ]
    assert (back.title, back.composer, back.instrument.strings, back.tempo.goal_bpm) == (
        drill.title, drill.composer, drill.instrument.strings, drill.goal_bpm
    )  # fmt: skip
    assert [phrase.name for phrase in back.phrases] == [phrase.name for phrase in drill.phrases]
    assert [(b.start_ratio, b.stop_ratio) for p in back.phrases for b in p.bars] == [
        (b.start_ratio, b.stop_ratio) for p in drill.phrases for b in p.bars
    ]
    assert score.joined_remarks() == []


def meters_of(drill: Drill) -> set[tuple[int, int, Fraction]]:
    meters = (bar.meter for phrase in drill.phrases for bar in phrase.bars)
    return {(meter.numerator, meter.denominator, meter.beat_whole) for meter in meters}


@EACH
def test_drill_to_midi_and_back_keeps_pitches_onsets_layers_and_phrases(path: Path, tmp_path: Path) -> None:
    drill = load_drill(path)
    file = tmp_path / "piece.mid"
    file.write_bytes(midi_bytes(drill, drill.goal_bpm))
    back, _ = arranged(read_score(file), Choices(instrument=drill.instrument), str(file))

    def sounding(one: Drill) -> list[tuple[str, Fraction, int]]:
        passage = passage_of(one, whole_piece(one))
        return sorted(
            (event.layer, event.onset, round(midi_from_hz(placed.sounding_hz)))
            for event in passage.events
            for placed in event.notes
        )

    assert sounding(back) == sounding(drill)
    assert back.title == drill.title
    assert back.key == drill.key
    assert back.tempo.goal_bpm == drill.goal_bpm
    names, names_back = ({phrase.id: phrase.name for phrase in one.phrases} for one in (drill, back))
    assert [names_back[phrase] for phrase in back.order] == [names[phrase] for phrase in drill.order]
    assert [phrase.name for phrase in back.phrases] == [phrase.name for phrase in drill.phrases]
    # MIDI's time signature has no groups of beats.
    assert meters_of(back) == meters_of(drill)


@settings(max_examples=8, deadline=None)
@given(drafts())
def test_any_drill_survives_both_round_trips(tmp_path_factory: pytest.TempPathFactory, draft: Drill) -> None:
    # Which of two short bars is the pick-up, a foreign score can't always say.
    assume(not any(bar.ends_early for phrase in draft.phrases for bar in phrase.bars))
    named = [replace(phrase, name=f"part {number}") for number, phrase in enumerate(draft.phrases)]
    drill, _ = read_drill(write_drill(replace(draft, phrases=tuple(named))), "made.yaml")
    assert drill is not None
    folder = tmp_path_factory.mktemp("trip")
    (folder / "a.musicxml").write_text(musicxml_text(drill, drill.goal_bpm), encoding="utf-8")
    (folder / "a.mid").write_bytes(midi_bytes(drill, drill.goal_bpm))
    back, _ = arranged(read_score(folder / "a.musicxml"), Choices(every=64), "a.musicxml")
    assert comparable(back) == comparable(drill)
    if not all(note.is_artificial for note in drill.notes):
        arranged(read_score(folder / "a.mid"), Choices(instrument=drill.instrument), "a.mid")


def test_chords_voices_backup_and_ties_are_read(tmp_path: Path) -> None:
    drill, score = read(
        tmp_path,
        measure(
            note("G3", 4), note("D3", 4, "<chord/>"), note("A3", 4, "<tie type='start'/>"),
            "<backup><duration>8</duration></backup>", note("E1", 8, voice=2),
        ),
        measure(note("A3", 4, "<tie type='stop'/>"), "<forward><duration>4</duration></forward>",
                "<backup><duration>8</duration></backup>", note("A1", 8, voice=2), number=2),
    )  # fmt: skip
    assert set(drill.layers) == {"melody", "bass"}
    assert sorted((onset, hold) for onset, hold, _ in notes_of(drill)) == [
        (0, 2),
        (0, 2),
        (0, 4),
        (2, 4),
        (4, 4),
    ]
    assert score.joined_remarks() == ["the file names no strings; the instrument `bass` used",
                             "the file has no tempo; 80 quarters a minute used"]  # fmt: skip


def test_a_tab_staff_that_doubles_the_notation_adds_only_places(tmp_path: Path) -> None:
    attributes = (
        "<attributes><divisions>2</divisions><time><beats>2</beats><beat-type>4</beat-type></time><staves>2</staves>"
        '<clef number="1"><sign>F</sign></clef><clef number="2"><sign>TAB</sign></clef></attributes>'
    )
    drill, _ = read(
        tmp_path,
        measure(
            note("C2", 4, "").replace("<voice>", "<staff>1</staff><voice>"),
            "<backup><duration>4</duration></backup>",
            note("C2", 4, "", 5, technical(4, 8)).replace("<voice>", "<staff>2</staff><voice>"),
            attributes=attributes,
        ),
    )
    assert notes_of(drill) == [(0, 2, "4:8")], "fret 8 of the E string, though A:3 is the usual place"


@pytest.mark.parametrize(
    ("pitch", "fret", "more", "node", "warned"),
    [
        ("D5", 3, "<harmonic><natural/><sounding-pitch/></harmonic>", Node(1, 6), False),
        ("F5", 3, "<harmonic><natural/></harmonic>", Node(1, 7), False),
        ("G2", 3, "<harmonic><natural/><base-pitch/></harmonic>", Node(1, 6), True),
        ("C3", 5, "<harmonic><natural/><touching-pitch/></harmonic>", Node(1, 4), False),
        ("B4", 4, "<harmonic/>", Node(1, 5), False),
        ("G2", 3, "<harmonic><natural/></harmonic><other-technical>2.7</other-technical>", Node(1, 7), False),
    ],
)
def test_a_harmonic_is_read_from_string_fret_and_pitch(
    pitch: str, fret: int, more: str, node: Node, warned: bool, tmp_path: Path
) -> None:
    drill, score = read(tmp_path, measure(note(pitch, 8, notations=technical(1, fret, more))))
    (event,) = drill.phrases[0].bars[0].events
    assert [(one.string, one.node) for one in event.notes] == [(0, node)]
    assert any("may be 3.2 or 2.7" in remark for remark in score.joined_remarks()) == warned


def test_a_diamond_head_is_a_harmonic_and_the_node_search_places_it(tmp_path: Path) -> None:
    diamond = "<notehead>diamond</notehead>"
    drill, _ = read(
        tmp_path,
        measure(
            note("D4", 4).replace("</note>", f"{diamond}</note>"),
            note("F#4", 4).replace("</note>", f"{diamond}</note>"),
            "<backup><duration>8</duration></backup>",
            note("E1", 8, voice=2),
        ),
    )
    assert set(drill.layers) == {"harmonics", "bass"}
    passage = passage_of(drill, whole_piece(drill))
    sounding = [
        round(midi_from_hz(p.sounding_hz)) for e in passage.events if e.layer == "harmonics" for p in e.notes
    ]
    assert sounding == [62, 66]


def repeat(direction: str) -> str:
    place = "left" if direction == "forward" else "right"
    return f'<barline location="{place}"><repeat direction="{direction}"/></barline>'


BACK = '<repeat direction="backward"/>'
SEGNO = "<direction><direction-type><segno/></direction-type></direction>"


def ending(number: str, kind: str, inside: str = "") -> str:
    place = "left" if kind == "start" else "right"
    return f'<barline location="{place}"><ending number="{number}" type="{kind}"/>{inside}</barline>'


def test_repeats_and_endings_become_an_order_of_phrases(tmp_path: Path) -> None:
    bars = [
        measure(repeat("forward"), note("E1", 4), note("E1", 4)),
        measure(ending("1", "start"), note("F1", 4), note("F1", 4), ending("1", "stop", BACK), number=2),
        measure(ending("2", "start"), note("G1", 4), note("G1", 4), ending("2", "stop"), number=3),
        measure(note("A1", 4), note("A1", 4), number=4),
    ]  # fmt: skip
    drill, _ = read(tmp_path, *bars)
    names = {phrase.id: phrase.name for phrase in drill.phrases}
    assert [names[phrase] for phrase in drill.order] == ["bar 1", "bar 2", "bar 1", "bar 3", "bar 4"]


def test_what_is_left_out_is_told_bar_by_bar(tmp_path: Path) -> None:
    grace = note("G2").replace("<pitch>", "<grace/><pitch>")
    _, score = read(
        tmp_path,
        measure(grace, note("E1", 8)),
        measure(grace, note("E1", 8), SEGNO, number=2),
        measure("<note><unpitched/><duration>8</duration></note>", number=3),
        measure(note("C8", 8), number=4),
        choices=Choices(every=4),
    )  # fmt: skip
    remarks = score.joined_remarks()
    assert "bars 1, 2: grace notes left out" in remarks
    assert "bar 2: the segno is not followed" in remarks
    assert "bar 3: notes without a pitch left out" in remarks
    assert any(remark.startswith("bar 4: the note C8 has no free string") for remark in remarks)


def test_bars_split_and_phrase_length_can_be_chosen(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path, target = tmp_path / "piece.musicxml", tmp_path / "drill.yaml"
    bars = [measure(note("E1", 4), note("G2", 4), number=n) for n in range(1, 13)]
    path.write_text(HEAD + "".join(bars) + TAIL)
    words = ["import", str(path), "--bars", "3-8", "--split", "C2", "--every", "2", "-o", str(target)]
    assert main(words) == 0
    drill = load_drill(target)
    assert [len(phrase.bars) for phrase in drill.phrases] == [2], (
        "all six bars are alike: one phrase, played thrice"
    )
    assert drill.order == ("bars-3-to-4",) * 3
    assert drill.layers == ("bass", "melody")
    assert "# the file names no strings" in target.read_text()


def test_several_parts_must_be_chosen_from(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = suite_file("bwv66.6.mxl")
    assert main(["import", str(path)]) == 1
    assert "the file has 4 parts: 1 Soprano, 2 Alto, 3 Tenor, 4 Bass" in capsys.readouterr().err
    assert main(["import", str(path), "--part", "bass", "-o", str(tmp_path / "a.yaml")]) == 0
    assert main(["import", str(path), "--part", "9"]) == 1


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--bars", "x"], "is not a range of bars"),
        (["--bars", "9-2"], "is not a range of bars"),
        (["--split", "middle"], "or write voices or harmonics"),
        (["--every", "0"], "outside 1 to 64"),
        (["--instrument", "harp"], "not a ready-made instrument"),
        (["--harmonics-octaves", "7"], "outside 0 to 3"),
    ],
)
def test_a_wrong_import_is_explained(words: list[str], message: str, capsys) -> None:  # type: ignore[no-untyped-def]
    assert main(["import", "piece.mid", *words]) == 2
    assert message in capsys.readouterr().err


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]><score-partwise>&c;</score-partwise>'
)
OUTSIDE = '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><score-partwise>&x;</score-partwise>'


def zipped(name: str, data: bytes, container: str = "") -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        if container:
            text = f'<container><rootfiles><rootfile full-path="{container}"/></rootfiles></container>'
            archive.writestr("META-INF/container.xml", text)
        archive.writestr(name, data)
    return buffer.getvalue()


def crowded(count: int, *, chord: bool = False, voices: bool = False) -> bytes:
    """A score whose one bar has so many notes: one after another, at once, or in a voice each."""
    if voices:
        notes = [
            note("E1", 8, voice=voice) + "<backup><duration>8</duration></backup>" for voice in range(count)
        ]
    else:
        notes = [note("E1", 1, "<chord/>" if chord and index else "") for index in range(count)]
    attributes = ATTRIBUTES.replace(">2<", f">{count // 4}<")
    return (HEAD + measure(*notes, attributes=attributes) + TAIL).encode()


def midi_with(kind: int, division: int) -> bytes:
    head = b"MThd" + b"".join(
        number.to_bytes(size, "big") for number, size in ((6, 4), (kind, 2), (1, 2), (division, 2))
    )
    return head + b"MTrk\0\0\0\x0c\0\x90\x28\x50\x60\x80\x28\0\0\xff\x2f\0"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (BOMB.encode(), "declares entities or attributes of its own"),
        (OUTSIDE.encode(), "declares entities or attributes of its own"),
        (zipped("a.musicxml", b"<a>" + b" " * 30_000_000), "larger than 20 MB"),
        (zipped("a.txt", b"x"), "has no MusicXML"),
        (zipped("a.xml", b"<a/>")[:-30], "archive can't be read"),
        (b"PK\x03\x04" + bytes(100), r"archive can't be read: .*\(an unfinished copy or download\?"),
        (
            b"# Mine\ndrill: 1\n",
            r"not a MusicXML or MIDI file \(it is a drill file: `coach practice` takes it",
        ),
        (b"", "not a MusicXML or MIDI file"),
        (b"\x89PNG\r\n", "not a MusicXML or MIDI file"),
        (b"<html></html>", "<html> is not a MusicXML score, which is <score-partwise> or <score-timewise>"),
        (b"<score-partwise/>", "the score has no part with music"),
        (b"<score-partwise>", "this is not XML"),
        (b"<score-partwise><part id='P1'/></score-partwise>", "has no bars"),
        ((HEAD + measure() + TAIL).encode(), "it has no notes"),
        (b"<a>" * 100_000, "this is not XML"),
        (b"MThd", "broken: it ends in the middle"),
        (b"MThd\0\0\0\x06\0\x01\0\x01\xe7\x28MTrk\0\0\0\x04\0\xff\x2f\0", "film frames"),
        (b"MThd\0\0\0\x06\0\x01\0\x01\0\x60MTrk\0\0\0\x04\0\xff\x2f\0", "no notes"),
        (b"MThd" + bytes(4_000_000), "at most 0.5 MB"),
        (
            zipped("a.musicxml", b"<a/>", "../../etc/passwd"),
            "container names '../../etc/passwd', which the archive",
        ),
        (zipped("a.musicxml", b"<a/>", "file:///etc/passwd"), "nothing outside it is read"),
        (
            crowded(10_000),
            "bar 1 has 10,000 notes in 10,000 events; a bar of a drill has at most 1,000 in 200",
        ),
        (crowded(10_000, chord=True), "bar 1 has 10,000 notes in 1 event;"),
        (crowded(10_000, voices=True), "bar 1 has 10,000 notes in 2 events;"),
        (midi_with(1, 0), "divides a beat into 0 ticks"),
        (midi_with(1, 0xE728), "counts film frames"),
        (midi_with(2, 96), "of type 2, separate patterns"),
        (midi_with(9, 96), "of type 9, which does not exist"),
    ],
    ids=range(28),
)
def test_hostile_and_broken_files_are_refused_in_one_sentence(
    data: bytes, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "piece"
    path.write_bytes(data)
    with pytest.raises(CoachError, match=message) as caught:
        arranged(read_score(path), Choices(), str(path))
    assert len(caught.value.problems) == 1


def test_onsets_too_fine_to_write_are_rounded_down_and_told(tmp_path: Path) -> None:
    attributes = ATTRIBUTES.replace(">2<", ">10080<")
    drill, score = read(tmp_path, measure(note("E1", 10081), note("G1", 30239), attributes=attributes))
    assert [(onset, hold) for onset, hold, _ in notes_of(drill)] == [(0, 1), (1, 3)]
    assert "bar 1: onsets or lengths too fine to write, rounded down" in score.joined_remarks()
    two = measure(note("E1", 1), note("A2", 40319), attributes=attributes)
    drill, _ = read(tmp_path, two)
    assert [(onset, hold) for onset, hold, _ in notes_of(drill)] == [(0, 4), (0, 4)], "joined, not refused"


def test_a_first_bar_of_a_length_too_fine_to_write_is_taken_as_a_whole_one(tmp_path: Path) -> None:
    attributes = ATTRIBUTES.replace(">2<", ">1009<")
    drill, score = read(
        tmp_path, measure(note("E1", 5), attributes=attributes), measure(note("G1", 4036), number=2)
    )
    assert [bar.length for bar in drill.phrases[0].bars] == [4, 4]
    assert "bar 1: its length 5/4036 can't be written; 4/4 used" in score.joined_remarks()


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "huge.musicxml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(
        CoachError, match=r"the file has 100\.0 MB; a MusicXML or MIDI file has at most 20 MB"
    ):
        read_score(path)
    (tmp_path / "drill.yaml").touch()
    with pytest.raises(CoachError, match=r"this is a folder, .*name a file in it: .*huge\.musicxml"):
        read_score(tmp_path)
    with pytest.raises(CoachError, match="no such file"):
        read_score(tmp_path / "none.mid")


def test_a_played_midi_file_is_moved_to_simple_beats(tmp_path: Path) -> None:
    file = mido.MidiFile(type=0, ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    for key, wait, length in ((40, 5, 470), (43, 8, 150), (45, 12, 155), (47, 4, 300)):
        track.append(mido.Message("note_on", note=key, velocity=80, time=wait))
        track.append(mido.Message("note_off", note=key, velocity=0, time=length))
    path = tmp_path / "played.mid"
    file.save(path)
    drill, _ = arranged(read_score(path), Choices(), str(path))
    third = Fraction(1, 3)
    assert [(onset, hold) for onset, hold, _ in notes_of(drill)] == [
        (0, 1), (1, third), (1 + third, third), (1 + 2 * third, 2 * third)
    ], "let go a little early, each lasts to the next note, the last to its beat"  # fmt: skip


def test_a_sequenced_bass_and_melody_read_as_a_teacher_would_write_them(tmp_path: Path) -> None:
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    for name, notes in (
        ("Bass", [(0, 2, 28), (2, 1, 31), (3, 1, 33)]),
        ("Melody", [(0.5, 0.5, 50), (1, 1, 52), (3, 0.25, 53)]),
    ):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        file.tracks.append(track)
        now = 0
        for onset, length, key in notes:
            start, stop = round(onset * 480), round((onset + length * 0.95) * 480)
            track.append(mido.Message("note_on", note=key, velocity=80, time=start - now))
            track.append(mido.Message("note_off", note=key, time=stop - start))
            now = stop
    path = tmp_path / "walk.mid"
    file.save(path)
    score = read_score(path)
    _, text = arranged(score, Choices(), str(path))
    assert "- Bass: 1 E:0, 3 E:3, 4 A:0\n        Melody: 1& G:7, 2 G:9 for 1, 4 G:10 for 0.25\n" in text
    assert "# 6 notes released a little early or late, made to end with the next note or beat" in text


def plain_midi(path: Path, melody: list[int], bass: list[int]) -> None:
    """Two named tracks of quarters, one melody note on each beat of a bass note's bar but the first."""
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    for name, keys, wait, length in (("Bass", bass, 0, 1920), ("Melody", melody, 480, 480)):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        file.tracks.append(track)
        for key in keys:
            track.append(
                mido.Message("note_on", note=key, velocity=80, time=wait if track[-1].is_meta else 0)
            )
            track.append(mido.Message("note_off", note=key, time=length))
    file.save(path)


# Sounding pitches of nodes on D2 (73.42 Hz) and G2 (98.00 Hz) by the harmonic series, n x f: D4 = 3 x G2, F#4 = 5 x D2,
# G4 = 4 x G2, B4 = 5 x G2, D5 = 6 x G2 (ISO 16 for A4 = 440 Hz, equal temperament).
RINGING = [62, 66, 67, 71, 74]


@pytest.mark.parametrize("which", ["D4", "Melody", "melody", "2"])
def test_notes_that_the_user_calls_harmonics_get_nodes_that_sound_them(which: str, tmp_path: Path) -> None:
    path, target = tmp_path / "plain.mid", tmp_path / "drill.yaml"
    plain_midi(path, RINGING, [28, 31])
    assert main(["import", str(path), "--harmonics", which, "-o", str(target)]) == 0
    drill = load_drill(target)
    assert drill.layers == ("Bass", "harmonics")
    events = [event for bar in drill.phrases[0].bars for event in bar.events if event.layer == "harmonics"]
    for event, midi in zip(events, RINGING, strict=True):
        (one,) = event.notes
        assert one.node is not None
        open_hz = 440 * 2 ** ((drill.instrument.strings[one.string].midi - 69) / 12)
        cents = 1200 * math.log2(open_hz * one.node.partial / (440 * 2 ** ((midi - 69) / 12)))
        assert abs(cents) < 20
    back = tmp_path / "back.musicxml"
    assert main(["export", str(target), "--to", "musicxml", "-o", str(back)]) == 0
    music21 = pytest.importorskip("music21", reason="needs the package music21: pip install music21")
    read = music21.converter.parse(str(back), format="musicxml", forceSource=True).toSoundingPitch()
    sounding = {pitch.midi for part in read.parts for one in part.recurse().notes for pitch in one.pitches}
    assert sounding == {*RINGING, 28, 31}, "music21 hears in the result what was in the file"


def test_a_plain_score_has_harmonics_by_the_users_word(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path, target = tmp_path / "piece.musicxml", tmp_path / "drill.yaml"
    bar = measure(note("F#4", 4), note("G4", 4, notations=technical(1, 5)), "<backup><duration>8</duration></backup>",
                  note("E1", 8, voice=2))  # fmt: skip
    path.write_text(HEAD + bar + TAIL)
    for which in ("D4", "voice 1", "1"):
        assert main(["import", str(path), "--harmonics", which, "-o", str(target)]) == 0
        text = target.read_text()
        assert "harmonics: 1 D:<3.9>" in text, which
        assert "3 G:<5>" in text, "the file's own string and fret are such a node"
    assert main(["import", str(path), "-o", str(target)]) == 0
    assert "no harmonics in this file; name them with --harmonics" in capsys.readouterr().err


def test_what_no_node_sounds_stays_stopped_and_is_named_with_its_bar(tmp_path: Path) -> None:
    path = tmp_path / "plain.mid"
    plain_midi(path, [62, 60, 72], [28])
    score = read_score(path)
    drill, _ = arranged(score, Choices(harmonics="C4"), str(path))
    # C4 is no multiple of E1, A1, D2 or G2; C5 is 7 x D2 but for 31 cents, the septimal seventh (7/4, 969 cents).
    remarks = score.joined_remarks()
    assert "bar 1: C4 rings at no node within 20 cents; written as a stopped note" in remarks
    assert "bar 1: C5 rings at no node within 20 cents; written as a stopped note" in remarks
    assert [one.node for bar in drill.phrases[0].bars for event in bar.events for one in event.notes].count(
        Node(1, 3)
    ) == 1
    assert drill.layers == ("Bass", "harmonics", "Melody")


def test_a_harmonic_without_a_free_string_is_stopped_and_told(tmp_path: Path) -> None:
    # E3 is 3 x A1 and 4 x E1, and no multiple of D2 or G2: three at once have two strings.
    chord = [note("E3", 8), *(note("E3", 8, "<chord/>") for _ in range(2))]
    path = tmp_path / "piece.musicxml"
    path.write_text(HEAD + measure(*chord) + TAIL)
    score = read_score(path)
    arranged(score, Choices(harmonics="E3"), str(path))
    assert any(
        "has no free string here; written as a stopped note" in remark for remark in score.joined_remarks()
    )


@pytest.mark.parametrize(
    ("which", "message"),
    [("C8", "the highest is D5"), ("Lute", "not a note, a voice or a track; there are 1 Bass, 2 Melody"),
     ("", "no note, voice or track is named")],
)  # fmt: skip
def test_harmonics_that_are_not_there_are_refused(which: str, message: str, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "plain.mid"
    plain_midi(path, RINGING, [28, 31])
    assert main(["import", str(path), "--harmonics", which]) in (1, 2)
    assert message in capsys.readouterr().err


def test_a_line_that_rose_comes_down_the_neck_again(tmp_path: Path) -> None:
    pitches = ["G3", "C4", "A3", "A2", "A#2", "A2", "C3", "G3"]
    bars = [measure(*(note(pitch, 2) for pitch in pitches[n : n + 4]), number=n // 4 + 1) for n in (0, 4)]
    drill, _ = read(tmp_path, *bars)
    frets = [int(place[2:]) for _, _, place in notes_of(drill)]
    assert frets[:2] == [12, 17], "G:12 and G:17 are the lowest frets for G3 and C4"
    assert max(frets[2:]) <= 14, "G:14 is the lowest fret for A3"


def test_the_octave_allowance_is_read_from_the_file_or_told(tmp_path: Path) -> None:
    drill = load_drill(DRILLS[0].parent / "first-pour.yaml")
    path = tmp_path / "a.mid"
    for octaves in (0, 2):
        path.write_bytes(midi_bytes(drill, 60, harmonics_octaves=octaves))
        highest = max(note.midi for bar in read_score(path).bars for note in bar.notes)
        assert highest == 67, "G4, whatever the allowance"
    bare = mido.MidiFile(file=io.BytesIO(path.read_bytes()))
    bare.tracks[0][:] = [message for message in bare.tracks[0] if message.type != "text"]
    bare.save(path)
    score = read_score(path)
    assert any("2 octaves above their keys" in remark for remark in score.joined_remarks())
    assert max(note.midi for bar in read_score(path, None, 1).bars for note in bar.notes) == 67 - 12
