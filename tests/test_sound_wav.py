"""Practice tracks: exact lengths, a click on every beat, what was rendered is what is written."""

import io
import wave
from fractions import Fraction

import numpy as np

from coach.music.drill import ClickPattern, Note
from coach.music.excerpt import Excerpt, Passage, PassageBar, PlacedEvent, PlacedNote
from coach.music.rhythm import Meter, TempoMap, TempoSpan
from coach.sound.render import render_clicks
from coach.sound.timeline import Strike, rep_timeline
from coach.sound.tones import tones_of
from coach.sound.wav import practice_track, write_wav
from coach.strings.instrument import Instrument
from coach.strings.node import Node

RATE = 48_000
BASS = Instrument.of(["G2", "D2", "A1", "E1"], 864.0)
LOW = PlacedEvent(1, "bass", Fraction(0), Fraction(4), 0, Fraction(0), (PlacedNote(Note(3, 0), "", 41.2),))
HIGH = PlacedEvent(
    2,
    "harmonics",
    Fraction(1),
    Fraction(1),
    0,
    Fraction(1),
    (PlacedNote(Note(1, node=Node(1, 5), ending="ring"), "k", 367.1),),
)
METER = Meter.of(4, 4)
BAR = PassageBar(1, "p", Fraction(0), Fraction(4), METER, Fraction(1), Fraction(0))
PASSAGE = Passage(
    Excerpt("d", ("p",)),
    "P",
    "r",
    (LOW, HIGH),
    (BAR,),
    Fraction(4),
    TempoMap((TempoSpan(Fraction(0), Fraction(4)),)),
    ("bass", "harmonics"),
)


def test_repeats_start_on_their_exact_sample():
    pieces = list(practice_track(PASSAGE, BASS, 137, ClickPattern(), model=False, repeats=50))
    starts = np.cumsum([0] + [len(piece) for piece in pieces])
    bar = Fraction(4 * 60 * RATE, 137)
    assert list(starts[1:-1]) == [round((index + 1) * bar) for index in range(1, 50)]


def test_a_click_track_is_nothing_but_its_clicks():
    (sound,) = practice_track(PASSAGE, BASS, 60, ClickPattern(), model=False)
    track = sound[:]
    strikes = [Strike(beat, "accent" if beat in (0, 4) else "beat") for beat in range(8)]
    assert np.array_equal(track, render_clicks(strikes, RATE, len(track)))


def test_the_count_in_comes_once_and_a_tail_ends_the_track():
    pieces = list(practice_track(PASSAGE, BASS, 60, ClickPattern(), repeats=2))
    assert [len(piece) / RATE for piece in pieces] == [8.0, 5.5]


def test_the_model_holds_what_is_held_and_lets_ring_what_rings():
    timeline = rep_timeline(PASSAGE, 60, ClickPattern(), 1)
    low, high = tones_of(PASSAGE, BASS, timeline)
    assert (low.onset_s, low.duration_s, low.fret) == (4, 4.0, 0)
    assert (high.onset_s, high.duration_s, high.node) == (5, 3.0, Node(1, 5))


def test_a_written_track_reads_back_as_it_was_rendered():
    file = io.BytesIO()
    pieces = list(practice_track(PASSAGE, BASS, 90, ClickPattern()))
    frames = write_wav(file, pieces)
    file.seek(0)
    with wave.open(file) as read:
        assert (read.getnchannels(), read.getsampwidth(), read.getframerate()) == (1, 2, RATE)
        assert read.getnframes() == frames == sum(map(len, pieces))
        samples = np.frombuffer(read.readframes(frames), dtype="<i2") / 32767.0
    assert np.abs(samples - np.concatenate([piece[:] for piece in pieces])).max() < 2e-5
