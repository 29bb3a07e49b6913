"""Note values, beams, staves and octave lines as players read them."""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings

from coach.music.drill import Drill
from coach.music.rhythm import Meter
from coach.score.load import load_drill, read_drill
from coach.score.notated import Symbol, notation_of
from coach.score.note_values import VALUE_NAMES, NoteValue, beam_edges, pieces
from coach.score.staves import BASS, BASS_8, TREBLE, TREBLE_8, octave_lines, place, staves_of
from coach.score.write import write_drill
from tests.drillfile_drafts import DRILLS, drafts, drill_from

SHORT = {"whole": "1", "half": "2", "quarter": "4", "eighth": "8", "16th": "16", "32nd": "32"}


def drill_of(bar: str, instrument: str = "bass", key: str = "C major") -> Drill:
    """A drill of one bar."""
    head = f"drill: 1\ntitle: Short\nmeter: 4/4\nkey: {key}\ntempo: {{start: 60, goal: 60}}\n"
    return drill_from(f"{head}instrument: {instrument}\nphrases:\n  - bars:\n      - {bar}\n")


def shown(value: NoteValue) -> str:
    text = SHORT[VALUE_NAMES[value.base]] + "." * value.dots
    return text if value.actual == 1 else f"{text}/{value.actual}:{value.normal}"


# Gould, Behind Bars (2011), on where a note is tied so that beats stay in sight (from memory). Points in counted beats.
@pytest.mark.parametrize(
    ("meter", "points", "wanted"),
    [
        (Meter.of(4, 4), "0 4", "1"),
        (Meter.of(4, 4), "0 3 4", "2. 4"),
        (Meter.of(4, 4), "0 1 3 4", "4 2 4"),
        (Meter.of(4, 4), "0 1/2 3/2 2 4", "8 4 8 2"),
        (Meter.of(4, 4), "0 3/2 4", "4. 8~2"),
        (Meter.of(4, 4), "0 5/2 3 4", "2~8 8 4"),
        (Meter.of(4, 4), "0 1/3 2/3 1 4", "8/3:2 8/3:2 8/3:2 2."),
        (Meter.of(4, 4), "0 1/3 1 4", "8/3:2 4/3:2 2."),
        (Meter.of(4, 4), "0 1/3 4", "8/3:2 4/3:2~2."),
        (Meter.of(4, 4), "0 2/3 4/3 2 4", "4/3:2 4/3:2 4/3:2 2"),
        (Meter.of(4, 4), "0 4/3 8/3 4", "2/3:2 2/3:2 2/3:2"),
        (Meter.of(4, 4), "0 1/2 2/3 5/6 1 4", "8 16/3:2 16/3:2 16/3:2 2."),
        (Meter.of(4, 4), "0 1/5 1 4", "16/5:4 4/5:4 2."),
        (Meter.of(3, 4), "0 3/2 3", "4. 4."),
        (Meter.of(3, 4), "0 1/2 3", "8 8~2"),
        (Meter.of(6, 8, 2), "0 2", "2."),
        (Meter.of(6, 8, 2), "0 4/3 2", "4.~8 4"),
        (Meter.of(6, 8), "0 4 6", "4.~8 4"),
        (Meter.of(6, 8, 2), "0 1/2 1 2", "8. 8. 4."),
        (Meter.grouped(7, 8, (2, 2, 3)), "0 7", "2~4."),
        (Meter.grouped(7, 8, (2, 2, 3)), "0 3 7", "4~8 8~4."),
        (Meter.grouped(5, 4, (3, 2)), "0 5", "2.~2"),
        (Meter.of(2, 2), "0 1/2 3/2 2", "4 2 4"),
        (Meter.of(10, 8, 2), "0 1/5 3/5 1 2", "8 4 4 2~8"),
        (Meter.grouped(7, 8, (2, 2, 3)), "0 11/3 14/3 7", "4~4/3:2~16/3:2 16/3:2~8/3:2 4./3:2~16/3:2"),
    ],
)  # fmt: skip
def test_note_values_keep_the_beats_in_sight(meter: Meter, points: str, wanted: str) -> None:
    edges = [Fraction(point) * meter.beat_whole for point in points.split()]
    cut = pieces(list(itertools.pairwise(edges)), meter)
    assert " ".join("~".join(shown(piece.value) for piece in parts) for parts in cut) == wanted


@pytest.mark.parametrize(
    ("meter", "eighths"),
    [
        (Meter.of(4, 4), "0 2 4 6 8"),
        (Meter.of(2, 2), "0 2 4 6 8"),
        (Meter.of(6, 8), "0 3 6"),
        (Meter.of(6, 8, 2), "0 3 6"),
        (Meter.of(5, 8), "0 2 5"),
        (Meter.grouped(7, 8, (3, 2, 2)), "0 3 5 7"),
        (Meter.in_large(7, 8, (2, 2, 3)), "0 2 4 7"),
    ],
)
def test_beams_show_the_beats(meter: Meter, eighths: str) -> None:
    # Common practice, no source: a beam never crosses a beat, in eighths a group of them.
    assert [edge * 8 for edge in beam_edges(meter)] == [Fraction(edge) for edge in eighths.split()]


def test_a_dotted_figure_has_a_hook() -> None:
    drill = drill_of("harmonics: 1 G:<7>, 1a D:<7>, 2 G:<5>, 2e D:<5>, 2& G:<7>, 3 D:<7> for 2")
    (voice,) = notation_of(drill).phrases[0][0].voices
    assert [symbol.beams for symbol in voice.symbols] == [
        ("begin",), ("end", "backward hook"), ("begin", "begin"), ("continue", "end"), ("end",), (),
    ]  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(drafts())
def test_voices_of_any_drill_fill_their_bars_and_keep_every_note(draft: Drill) -> None:
    drill, _ = read_drill(write_drill(draft), "made.yaml")
    assert drill is not None
    for phrase, bars in zip(drill.phrases, notation_of(drill).phrases, strict=True):
        struck: list[Symbol] = []
        for notated in bars:
            for voice in notated.voices:
                at = Fraction(0)
                for symbol in voice.symbols:
                    assert symbol.onset == at
                    value = symbol.value
                    if value.base:
                        dotted = value.base * (2 - Fraction(1, 2**value.dots))
                        assert value.length == dotted * value.normal / value.actual
                    at += value.length
                    struck += [symbol] if symbol.heads and not symbol.tied_from else []
                assert at == notated.length
        notes = sum(len(event.notes) for bar in phrase.bars for event in bar.events)
        assert sum(len(symbol.heads) for symbol in struck) == notes


@pytest.mark.parametrize("path", DRILLS, ids=[path.stem for path in DRILLS])
def test_no_built_in_drill_needs_many_ledger_lines(path: Path) -> None:
    notation = notation_of(load_drill(path))
    for bars in notation.phrases:
        for notated in bars:
            for voice in notated.voices:
                clef = notation.staves.clefs[voice.staff]
                for symbol in voice.symbols:
                    for head in symbol.heads:
                        assert abs(clef.ledgers(place(head.spelling) - 7 * symbol.octaves_up)) <= 4


def test_staves_fit_the_instrument() -> None:
    # Common practice: a bass sounds an octave below its bass clef, a guitar an octave below its treble clef.
    assert staves_of(drill_of("bass: 1 E:0")).clefs == (BASS_8,)
    assert staves_of(drill_of("{bass: '1 E:0', harmonics: '1 D:<12>'}")).clefs == (BASS_8,)
    assert staves_of(drill_of("{bass: '1 E:0', harmonics: '1 G:<12>'}")).clefs == (BASS, BASS_8)
    assert staves_of(drill_of("{bass: '1 E:0', harmonics: '1 G:<4>'}")).clefs == (TREBLE, BASS_8)
    assert staves_of(drill_of("{low: '1 6:0', high: '2 1:3'}", instrument="guitar")).clefs == (TREBLE_8,)
    assert staves_of(drill_of("{low: '1 6:0', high: '2 1:<4>'}", instrument="guitar")).clefs == (
        TREBLE,
        TREBLE_8,
    )


def test_a_stopped_note_among_harmonics_stays_on_their_staff() -> None:
    drill = drill_of("{bass: '1 E:0', harmonics: '1 G:<4>, 2 G:14, 3 E:1'}")
    voices = notation_of(drill).phrases[0][0].voices
    names = {
        (voice.layer, voice.staff): [str(h.spelling) for s in voice.symbols for h in s.heads]
        for voice in voices
    }
    assert names == {("harmonics", 0): ["B4", "A3"], ("harmonics", 1): ["F1"], ("bass", 1): ["E1"]}


def test_no_staff_is_empty_where_all_stopped_notes_stand_among_the_harmonics() -> None:
    notation = notation_of(drill_of("harmonics: 1 G:<4>, 2 G:14, 3 G:<5>"))
    assert notation.staves.clefs == (TREBLE,)
    assert {voice.staff for voice in notation.phrases[0][0].voices} == {0}


def test_octave_lines_begin_and_end_where_they_help() -> None:
    # C4 is 28; F6 has the third ledger line below it, G6 needs four; C5 under an 8va is C4, one ledger line below.
    f6, g6, c5, g7, g4 = 45, 46, 35, 53, 32
    assert octave_lines(TREBLE, [[f6], [g6], [c5], [g6], [c5]]) == [0, 1, 1, 1, 0]
    assert octave_lines(TREBLE, [[g6], [g4], [g6]]) == [1, 0, 1]
    assert octave_lines(TREBLE, [[g7], [g6]]) == [2, 1]
    assert octave_lines(BASS, [[28]]) == [0]


def test_spelling_follows_the_key_and_the_author() -> None:
    drill = drill_of("harmonics: 1 D:<4>, 2 D:<4>=F#4", key="Db major")
    symbols = notation_of(drill).phrases[0][0].voices[0].symbols
    assert [str(head.spelling) for symbol in symbols for head in symbol.heads] == ["Gb4", "F#4"]


def test_signs_stand_where_the_key_and_the_bar_do_not_say_them() -> None:
    # Common practice, no source: a sign holds to the bar line for its line, and a tie carries it over.
    for bar, key, wanted in (
        ("harmonics: 1 D:<4>, 2 D:<4>, 3 D:<4>=Gb4, 4 G:22 for 1", "A minor", [True, False, True, True]),
        ("harmonics: 1 D:<4>, 2 G:<5>, 3 G:17 for 1", "D major", [False, False, True]),
    ):
        (voice,) = (
            voice for voice in notation_of(drill_of(bar, key=key)).phrases[0][0].voices if voice.staff == 0
        )
        assert [head.shows_sign for symbol in voice.symbols for head in symbol.heads] == wanted
