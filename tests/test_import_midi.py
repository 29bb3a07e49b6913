"""What a MIDI file says beside its keys: the sustain pedal, and bends that tell one node from another."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.music.drill import Drill
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.score.arrange import arranged
from coach.score.foreign import read_score
from coach.score.load import load_drill, read_drill
from coach.score.midi_out import midi_bytes
from coach.score.score import Score
from coach.score.strands import Choices
from tests.drillfile_drafts import DRILLS

TICKS = 480


def played(tmp_path: Path, *messages: tuple[int, mido.Message]) -> Score:
    """The score of a file with these messages at their ticks."""
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    track, now = mido.MidiTrack(), 0
    for tick, message in messages:
        track.append(message.copy(time=tick - now))
        now = tick
    file.tracks.append(track)
    path = tmp_path / "played.mid"
    file.save(path)
    return read_score(path)


def on(key: int) -> mido.Message:
    return mido.Message("note_on", note=key, velocity=80)


def off(key: int) -> mido.Message:
    return mido.Message("note_off", note=key)


def pedal(value: int) -> mido.Message:
    return mido.Message("control_change", control=64, value=value)


def lengths(score: Score) -> list[tuple[int, float]]:
    """(MIDI number, quarters) of each note."""
    return [(note.midi, float(note.length * 4)) for bar in score.bars for note in bar.notes]


@pytest.mark.parametrize(
    ("name", "title"),
    [("bwv269", "Bwv 269"), ("my_first-tune", "My first tune"), ("op 9 no2", "Op 9 no 2"), ("E1", "E1")],
)
def test_a_score_without_a_title_is_called_by_the_words_of_its_files_name(
    tmp_path: Path, name: str, title: str
) -> None:
    played(tmp_path, (0, on(40)), (480, off(40)))
    path = (tmp_path / "played.mid").rename(tmp_path / f"{name}.mid")
    assert read_score(path).title == title


def test_the_pedal_holds_what_was_let_go_until_it_comes_up(tmp_path: Path) -> None:
    score = played(
        tmp_path,
        (0, pedal(127)), (0, on(28)), (120, off(28)), (480, on(40)), (600, off(40)), (1920, pedal(0)),
        (1920, on(31)), (2040, off(31)),
    )  # fmt: skip
    assert lengths(score) == [(28, 4.0), (40, 3.0), (31, 0.25)]
    assert "2 notes lengthened by the sustain pedal" in score.joined_remarks()


def test_a_key_struck_again_ends_what_the_pedal_holds_of_it(tmp_path: Path) -> None:
    score = played(
        tmp_path, (0, pedal(64)), (0, on(28)), (120, off(28)), (480, on(28)), (600, off(28)), (960, pedal(63))
    )  # fmt: skip
    assert lengths(score) == [(28, 1.0), (28, 1.0)]


def test_a_note_that_is_never_let_go_sounds_to_the_end_of_its_track(tmp_path: Path) -> None:
    score = played(tmp_path, (0, on(28)), (0, on(40)), (1920, off(40)))
    assert sorted(lengths(score)) == [(28, 4.0), (40, 4.0)]


def test_a_bent_stopped_note_is_told(tmp_path: Path) -> None:
    score = played(tmp_path, (0, mido.Message("pitchwheel", pitch=2000)), (0, on(28)), (480, off(28)))
    assert "1 bent note written as the semitone nearest to the beginning" in score.joined_remarks()


Rung = tuple[Fraction, int, int]


def rung(drill: Drill) -> set[Rung]:
    """Onset, string and partial of every natural harmonic, as the piece is played."""
    passage = passage_of(drill, whole_piece(drill))
    return {
        (event.onset, one.note.string, one.note.node.partial)
        for event in passage.events
        for one in event.notes
        if one.note.node and one.note.is_natural
    }


def told_by_bend(drill: Drill) -> set[Rung]:
    """Those that no other string sounds within a cent; partial n lies 12 log2 n semitones above its string."""

    def pitch(string: int, partial: int) -> float:
        return drill.instrument.strings[string].midi + 12 * math.log2(partial)

    others = [
        (string, partial) for string in range(len(drill.instrument.strings)) for partial in range(2, 10)
    ]
    return {
        (onset, *place)
        for onset, *place in rung(drill)
        if sum(abs(pitch(*other) - pitch(*place)) < 0.01 for other in others) == 1
    }


def back_from_midi(drill: Drill, folder: Path) -> Drill:
    file = folder / "a.mid"
    file.write_bytes(midi_bytes(drill, drill.goal_bpm))
    return arranged(read_score(file), Choices(instrument=drill.instrument), "a.mid")[0]


@pytest.mark.parametrize("path", DRILLS, ids=[path.stem for path in DRILLS])
def test_harmonics_come_back_on_their_strings_where_the_bend_says_which(path: Path, tmp_path: Path) -> None:
    drill = load_drill(path)
    assert told_by_bend(drill)
    assert told_by_bend(drill) <= rung(back_from_midi(drill, tmp_path))


TOUCHES = ("12", "7", "5", "4", "3.2", "2.7")


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["bass", "bass-5"]),
    st.lists(st.tuples(st.sampled_from("GDA"), st.sampled_from(TOUCHES)), min_size=4, max_size=12),
)
def test_any_line_of_harmonics_comes_back_from_midi(
    tmp_path_factory: pytest.TempPathFactory, instrument: str, touches: list[tuple[str, str]]
) -> None:
    bars = [touches[at : at + 4] for at in range(0, len(touches), 4)]
    events = [[f"{beat} {string}:<{touch}>" for beat, (string, touch) in enumerate(bar, 1)] for bar in bars]
    lines = "".join(f"      - {{bass: '1 E:0', harmonics: '{', '.join(bar)}'}}\n" for bar in events)
    head = "drill: 1\ntitle: Line\nmeter: 4/4\ntempo: {start: 60, goal: 60}\n"
    drill, problems = read_drill(f"{head}instrument: {instrument}\nphrases:\n  - bars:\n{lines}", "line.yaml")
    assert drill is not None, problems
    back = back_from_midi(drill, tmp_path_factory.mktemp("midi"))
    assert {onset for onset, *_ in rung(back)} == {onset for onset, *_ in rung(drill)}
    assert told_by_bend(drill) <= rung(back)


def test_a_key_signature_goes_out_and_comes_back_as_mido_reads_it(tmp_path: Path) -> None:
    """Standard MIDI Files 1.0, meta event 59: sharps or flats, and 1 for minor."""
    drill, _ = read_drill(
        "drill: 1\ntitle: K\ninstrument: bass\nmeter: 4/4\nkey: Eb major\ntempo: {start: 60, goal: 60}\nphrases:\n"
        "  - {name: a, bars: [{b: 1 E:4}, {key: F# minor, b: 1 E:4}]}\n",
        "k.yaml",
    )
    assert drill is not None
    data = midi_bytes(drill, 60)
    assert b"\xff\x59\x02\xfd\x00" in data, "three flats, major"
    assert b"\xff\x59\x02\x03\x01" in data, "three sharps, minor"
    path = tmp_path / "k.mid"
    path.write_bytes(data)
    score = read_score(path)
    assert [str(bar.key) for bar in score.bars] == ["Eb major", "F# minor"]


def test_the_pedal_takes_a_note_of_no_length_and_holds_for_its_channel_in_every_track(tmp_path: Path) -> None:
    """MIDI 1.0: a controller holds for its channel, whichever track it stands in, from its place in the file on."""
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    for messages in (
        [on(28).copy(time=0), off(28).copy(time=0), mido.MetaMessage("end_of_track", time=1920)],
        [pedal(127).copy(time=0), pedal(0).copy(time=960), pedal(127).copy(time=0), pedal(0).copy(time=0)],
        [on(40).copy(time=480), off(40).copy(time=480)],
    ):
        file.tracks.append(mido.MidiTrack(messages))
    path = tmp_path / "pedal.mid"
    file.save(path)
    score = read_score(path)
    lengths = {note.midi: note.length * 4 for note in score.notes}
    assert lengths == {28: 2, 40: 1}
    assert "1 note lengthened by the sustain pedal" in score.joined_remarks()
