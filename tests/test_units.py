"""Notes and intervals, checked against music21 over the whole MIDI range."""

from __future__ import annotations

import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.strings.units import (
    cents_between,
    hz_from_midi,
    midi_from_hz,
    midi_from_note,
    nearest_note,
    note_name,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from music21.pitch import Pitch


@pytest.mark.parametrize("midi", range(128))
def test_every_midi_note_has_the_name_and_frequency_that_music21_gives(midi: int) -> None:
    name = note_name(midi)
    letters = name.rstrip("-0123456789")
    pitch = Pitch(name=letters, octave=int(name[len(letters) :]))
    assert pitch.midi == midi
    assert hz_from_midi(midi) == pytest.approx(pitch.frequency, rel=1e-12)
    assert midi_from_note(name) == midi


@pytest.mark.parametrize(
    ("text", "midi"),
    [
        ("F#4", 66),
        ("Gb4", 66),
        ("g♭4", 66),
        ("F♯4", 66),
        ("e1", 28),
        ("B#3", 60),
        ("Cb4", 59),
        ("C-1", 0),
        ("G9", 127),
    ],
)
def test_sharps_flats_and_small_letters_are_read(text: str, midi: int) -> None:
    assert midi_from_note(text) == midi


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("F", r"'F' is not a note; .* as in F#4 or Bb1 \(which octave\? F2, say\)"),
        ("H2", r"did you mean B2\?"),
        ("F4#", r"did you mean F#4\?"),
        ("fis4", r"did you mean F#4\?"),
        ("G#9", r"'G#9' is outside C-1 to G9"),
        ("Cb-1", r"outside C-1 to G9"),
        ("", r"'' is not a note"),
        ("<7>", r"'<7>' is not a note"),
        ("nan", r"'nan' is not a note"),
        ("C99999999999999999999", r"outside C-1 to G9"),
    ],
)
def test_what_is_no_note_is_explained(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        midi_from_note(text)


@settings(max_examples=60)
@given(st.floats(0.0, 127.0), st.floats(380.0, 480.0))
def test_midi_to_hz_and_back_is_the_same_number(midi: float, a4_hz: float) -> None:
    assert midi_from_hz(hz_from_midi(midi, a4_hz), a4_hz) == pytest.approx(midi, abs=1e-9)


@settings(max_examples=60)
@given(st.floats(20.0, 8000.0))
def test_nearest_note_and_its_offset_give_the_frequency_back(hz: float) -> None:
    midi, offset_cents = nearest_note(hz)
    assert -50.0 <= offset_cents <= 50.0
    assert hz_from_midi(midi + offset_cents / 100.0) == pytest.approx(hz, rel=1e-12)


@settings(max_examples=60)
@given(st.floats(20.0, 8000.0), st.floats(-2400.0, 2400.0))
def test_cents_add_up(hz: float, cents: float) -> None:
    assert cents_between(hz * 2.0 ** (cents / 1200.0), hz) == pytest.approx(cents, abs=1e-7)
