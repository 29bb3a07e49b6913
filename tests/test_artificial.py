"""Artificial harmonics: where they are touched, what they sound, how they are written, who can play them."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from coach.music.drill import Drill
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.music.playability import check_playability
from coach.score.arrange import arranged
from coach.score.foreign import read_score
from coach.score.load import load_drill, read_drill
from coach.score.musicxml_out import musicxml_text
from coach.score.strands import Choices
from coach.score.tab import text_tab
from coach.score.write import write_drill
from coach.sound.models import phrase_pcm
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_written, touch_label
from coach.words.names import place_name

DRILLS = Path(__file__).parents[1] / "drills"
BASS = Instrument.of(["G2", "D2", "A1", "E1"], 864)
HEAD = """drill: 1
title: Stopped and Touched
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 40, goal: 60}
phrases:
  - name: both
    bars:
      - notes: """


def read(events: str) -> tuple[Drill | None, list[str]]:
    drill, problems = read_drill(HEAD + events + "\n", "test.yaml")
    return drill, [problem.message for problem in problems]


def drill_of(events: str) -> Drill:
    drill, problems = read(events)
    assert drill is not None, problems
    return drill


# Touching so many frets above the stop sounds so many semitones above it: the octave; an octave and a fifth; two
# octaves (the "touch-four" harmonic of string players); two octaves and a third; two octaves and a
# fifth.
# Common practice, no source; it follows from the harmonic series, partials 2, 3, 4, 5 and 6.
@pytest.mark.parametrize(("above", "semitones"), [(12, 12), (7, 19), (5, 24), (4, 28), ("3.2", 31)])
@pytest.mark.parametrize("stop", [1, 5, 12])
def test_a_touch_above_the_stop_sounds_as_string_players_know(
    above: str | int, semitones: int, stop: int
) -> None:
    (node,) = nodes_written(f"{stop + float(above):g}", stop)
    cents = 1200 * np.log2(BASS.sounding_hz(2, node, stop) / BASS.open_hz(2))
    assert cents == pytest.approx(100 * (stop + semitones), abs=14)


@pytest.mark.parametrize("stop", [0, 1, 5, 9])
def test_the_octave_of_a_stopped_note_is_touched_at_the_wire_twelve_frets_on(stop: int) -> None:
    # The luthiers' rule: wire n lies at L (1 - 2^(-n/12)); half of what sounds beyond wire s ends at wire s + 12.
    assert BASS.position_mm(1, Node(1, 2), stop) == pytest.approx(864 * (1 - 2 ** (-(stop + 12) / 12)))
    assert touch_label(Node(1, 2), stop) == str(stop + 12)


def test_a_stopped_string_is_stiffer() -> None:
    # B goes as 1 / length^2 (Fletcher 1964): stopped at the octave four times as much.
    stiff = Instrument.of(["E1"], 864, stiffness_b=3e-4)
    beside = stiff.sounding_hz(0, Node(1, 2), 12) / (4 * stiff.open_hz(0))
    assert beside == pytest.approx((1 + 4 * 3e-4 * 2**2) ** 0.5)


def test_the_node_of_a_stopped_string_has_an_identity_and_a_name_of_its_own() -> None:
    assert BASS.node_key(2, Node(1, 2), 5) == "A1@5|1/2"
    assert place_name("A1@5|1/2>D2|1/6") == "5<17> on A1 to 3.2 on D2"


EVENTS = "1 A:5<17>=D3(1 touch), 2 G:12<15.9>=B5(14), 3 G:5<1/3>(touch i), 4 D:7<10.2>?"


def test_the_file_keeps_every_mark() -> None:
    drill = drill_of(EVENTS)
    again, problems = read_drill(write_drill(drill), "again.yaml")
    assert problems == []
    assert again is not None
    assert again.phrases == drill.phrases
    shown = [note.position_text for event in drill.phrases[0].bars[0].events for note in event.notes]
    assert shown == ["5<17>", "12<15.9>", "5<1/3>", "7<10.2>"]


@pytest.mark.parametrize(
    ("events", "message"),
    [
        ("1 A:0<12>", "a string stopped at 0 is open, so its harmonics are natural"),
        ("1 A:5<3>", "fret 3 is not past the stop at 5"),
        ("1 A:5<6>", "A:5<6> is not a node up to partial 9; nearest: 7 (partial 9), 7.3 (partial 8)"),
        (
            "1 A:5<8>",
            "A:5<8> may be 8.2 (partial 6, A4) or 7.7 (partial 7, C5); write the decimal or state the pitch",
        ),
        ("1 A:5<17>=E3", "A:5<17> sounds D3 (partial 2), not E3"),
        (
            "1 A:<7>(12)",
            "fingers 1 and 2 for one place; two fingers need a stop and a touch, as in A:5<10>(14)",
        ),
    ],
)
def test_slips_are_told(events: str, message: str) -> None:
    assert read(events) == (None, [message])


@pytest.mark.parametrize(
    ("events", "wanted"),
    [
        # 864 mm: 12 frets past wire 5 are 324 mm, past wire 12 the touch at 15.9 is 86 mm.
        ("1 A:5<17>", "A:5<17> is touched 324 mm past its stop; a hand is assumed to reach 130 mm"),
        ("1 A:5<17>(touch)", ""),
        ("1 G:12<15.9>(14)", ""),
        ("1 G:12<15.9>(41)", "finger 4 at G:12<15.9> would be behind finger 1 at the touch of G:12<15.9>"),
        ("1 A:5<17>(touch)+E:0", "the plucking hand touches A:5<17> and can't play E:0 at the same time"),
        (
            "1 G:5<17>(1 touch)+D:9(1)",
            "the plucking hand touches G:5<17> and can't play D:9 at the same time",
        ),
    ],
)
def test_two_hands_stop_touch_and_pluck(events: str, wanted: str) -> None:
    found = [finding.message for finding in check_playability(drill_of(events))]
    assert any(message.startswith(wanted) for message in found) if wanted else found == []


def test_the_stop_is_held_while_the_harmonic_sounds() -> None:
    drill = drill_of("1 A:5<17>(1 touch), 3 D:9(1)")
    assert check_playability(drill) == []
    held = drill_of("1 A:5<17>(1 touch) for 4, 3 D:9(1)")
    assert check_playability(held)[0].message.startswith("finger 1 is needed at A:5<17> and at D:9 at once")


def test_the_model_sounds_the_partials_of_the_shortened_string_alone() -> None:
    # D3 is 146.83 Hz (A4 = 440 Hz, equal temperament, ISO 16); the stopped D2 under it must be silent.
    rate = 16000
    drill = drill_of("1 A:5<17>(touch) for 4")
    pcm = phrase_pcm(drill, drill.phrases[0], rate)[: 4 * rate]
    power = np.abs(np.fft.rfft(pcm * np.hanning(len(pcm)))) ** 2
    hz = np.fft.rfftfreq(len(pcm), 1 / rate)

    def near(wanted: float) -> float:
        return float(power[np.abs(hz - wanted) < 2].max())

    assert abs(hz[power.argmax()] / 146.83 - round(hz[power.argmax()] / 146.83)) < 0.01
    assert near(146.83) > 1000 * max(near(73.416), near(3 * 73.416), near(110.0 / 2))


def test_musicxml_says_artificial_sounding_pitch_stop_and_touch() -> None:
    # MusicXML 4.0, <harmonic>: natural or artificial, then what the pitch is; <fret> is the stop.
    # The clef bears the octave, so that <pitch> is what sounds.
    root = ET.fromstring(musicxml_text(drill_of("1 A:5<17>(touch), 3 D:<7>"), 60))
    (note, *_others) = (note for note in root.iter("note") if note.find(".//artificial") is not None)
    assert [kind.tag for kind in note.findall(".//harmonic/*")] == ["artificial", "sounding-pitch"]
    assert (note.findtext("pitch/step"), note.findtext("pitch/octave")) == ("D", "3")
    assert [note.findtext(f".//{name}") for name in ("string", "fret", "other-technical")] == [
        "3",
        "5",
        "5<17>",
    ]


def test_musicxml_brings_stop_and_touch_back(tmp_path: Path) -> None:
    drill = drill_of(EVENTS)
    path = tmp_path / "one.musicxml"
    path.write_text(musicxml_text(drill, 60), encoding="utf-8")
    back, _ = arranged(read_score(path), Choices(), str(path))
    places = [
        [
            (note.string, note.fret, note.node)
            for event in one.phrases[0].bars[0].events
            for note in event.notes
        ]
        for one in (drill, back)
    ]
    assert places[0] == places[1]


def test_tab_explains_its_sign_where_it_stands() -> None:
    sentence = "5<17> artificial harmonic, stopped at 5, touched at 17"
    assert sentence in " ".join(text_tab(drill_of("1 A:5<17>(touch)")).split())
    assert sentence not in text_tab(drill_of("1 A:<7>"))


def test_a_session_places_it_by_stop_and_node() -> None:
    passage = passage_of(drill_of("1 A:5<17>(touch), 3 A:<12>"), whole_piece(drill_of("1 A:5")))
    assert [event.place for event in passage.events] == ["A1@5|1/2", "A1|1/2"]


def test_beside_an_artificial_harmonic_the_search_still_places_the_others(tmp_path: Path) -> None:
    """Cut in two, the drill has an artificial harmonic tied over a phrase's edge, whose rest is a plain harmonic."""
    file = tmp_path / "lantern.musicxml"
    file.write_text(musicxml_text(load_drill(DRILLS / "lantern-on-the-weir.yaml"), 60))
    _, text = arranged(read_score(file), Choices(split="harmonics", every=2), "x")
    assert "harmonics: 1 E:<8.8> for 1, 2 D:7<19>(3)" in text
    assert "no free string" not in text
