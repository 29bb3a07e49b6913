"""What a MIDI file says beside its keys: the sustain pedal, and bends that tell one node from another."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import mido
import pytest

from coach.music.drill import Drill
from coach.music.excerpt import passage_of, whole_piece
from coach.score.arrange import arranged
from coach.score.foreign import read_score
from coach.score.load import load_drill
from coach.score.midi_out import midi_bytes
from coach.score.score import Score
from coach.score.strands import Choices

DRILLS = sorted((Path(__file__).parent.parent / "drills").glob("*.yaml"))
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


def test_the_pedal_holds_what_was_let_go_until_it_comes_up(tmp_path: Path) -> None:
    score = played(
        tmp_path,
        (0, pedal(127)), (0, on(28)), (120, off(28)), (480, on(40)), (600, off(40)), (1920, pedal(0)),
        (1920, on(31)), (2040, off(31)),
    )  # fmt: skip
    assert lengths(score) == [(28, 4.0), (40, 3.0), (31, 0.25)]
    assert "2 notes sound on with the sustain pedal" in score.remarks


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
    assert any("bent notes are taken as the semitone" in remark for remark in score.remarks)


def rung(drill: Drill) -> set[tuple[Fraction, int, int]]:
    """Onset, string and partial of every harmonic of partial 5 or 7, as the piece is played."""
    passage = passage_of(drill, whole_piece(drill))
    return {
        (event.onset, one.note.string, one.note.node.partial)
        for event in passage.events
        for one in event.notes
        if one.note.node and one.note.node.partial in (5, 7)
    }


NATURAL = [path for path in DRILLS if not re.search(r"\d<", path.read_text())]


@pytest.mark.parametrize("path", NATURAL, ids=[path.stem for path in NATURAL])
def test_partials_five_and_seven_come_back_from_our_own_export(path: Path, tmp_path: Path) -> None:
    drill = load_drill(path)
    file = tmp_path / "a.mid"
    file.write_bytes(midi_bytes(drill, drill.goal_bpm))
    back, _ = arranged(read_score(file), Choices(instrument=drill.instrument), "a.mid")
    assert rung(back) == rung(drill)
