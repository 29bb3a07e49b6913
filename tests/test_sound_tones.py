"""The model's tones have the pitches and partials that physics gives."""

import math
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.sound.levels import limit
from coach.sound.render import RepSound
from coach.sound.tones import FULL_TONES, RELEASE_S, TONE_RMS, Tone, Tones, partials_of, render_tone
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_upto
from coach.strings.units import cents_between

RATE = 48_000
BASS = Instrument.of(["G2", "D2", "A1", "E1"], 863.6)


def spectrum(pcm: np.ndarray, start_s: float = 0.05, length_s: float = 1.5) -> np.ndarray:
    piece = pcm[round(start_s * RATE) : round((start_s + length_s) * RATE)]
    return np.abs(np.fft.rfft(piece * np.hanning(len(piece)), 1 << 18))


def level_at(bins: np.ndarray, hz: float) -> float:
    """Highest level within 1.5 Hz of a frequency."""
    middle, width = hz * (1 << 18) / RATE, 1.5 * (1 << 18) / RATE
    return float(bins[round(middle - width) : round(middle + width) + 1].max())


def measured_hz(bins: np.ndarray, near_hz: float) -> float:
    """Frequency of the spectrum's peak within a semitone of `near_hz`, by a parabola through three bins in dB."""
    scale = (1 << 18) / RATE
    low, high = round(near_hz * 2 ** (-1 / 12) * scale), round(near_hz * 2 ** (1 / 12) * scale)
    peak = low + int(np.argmax(bins[low : high + 1]))
    left, middle, right = 20 * np.log10(bins[peak - 1 : peak + 2])
    return (peak + 0.5 * (left - right) / (left - 2 * middle + right)) / scale


@pytest.mark.parametrize("string", range(4))
@pytest.mark.parametrize("node", nodes_upto(9), ids=lambda node: node.key)
def test_every_node_up_to_partial_9_sounds_n_times_the_open_string(string, node):
    """Closed form n f0, harmonic series; and nothing below it, above all not the open string."""
    bins = spectrum(render_tone(Tone(0, 2.0, BASS.open_hz(string), node), RATE))
    wanted = node.partial * BASS.open_hz(string)
    assert cents_between(measured_hz(bins, wanted), wanted) == pytest.approx(0, abs=0.5)
    for lower in range(1, node.partial):
        assert level_at(bins, lower * BASS.open_hz(string)) < 1e-3 * level_at(bins, wanted)


@pytest.mark.parametrize(
    ("note", "partial", "hz"),
    [("E1", 5, 206.017), ("A1", 7, 385.000), ("D2", 3, 220.249), ("G2", 4, 391.995), ("G2", 6, 587.993)],
)
def test_harmonics_of_a_bass_have_their_frequencies(note, partial, hz):
    """n times the equal-tempered open string, A4 = 440 Hz (ISO 16), computed by hand."""
    string = ["G2", "D2", "A1", "E1"].index(note)
    bins = spectrum(render_tone(Tone(0, 2.0, BASS.open_hz(string), Node(1, partial)), RATE))
    assert measured_hz(bins, hz) == pytest.approx(hz, abs=0.02)


@pytest.mark.parametrize(("partial", "cents"), [(5, 2.16), (7, 4.23), (9, 6.98)])
def test_stiffness_raises_partials_as_fletcher_has_it(partial, cents):
    """f_n = n f0 sqrt(1 + B n^2), B = 1e-4: Fletcher, JASA 36 (1964) 203."""
    bins = spectrum(render_tone(Tone(0, 2.0, 98.0, Node(1, partial), stiffness_b=1e-4), RATE))
    assert cents_between(measured_hz(bins, partial * 98.0), partial * 98.0) == pytest.approx(cents, abs=0.3)


@pytest.mark.parametrize("fret", [0, 1, 5, 12, 20])
def test_a_fretted_note_has_its_equal_tempered_pitch_and_all_its_partials(fret):
    bins = spectrum(render_tone(Tone(0, 2.0, 55.0, fret=fret), RATE))
    hz = 55.0 * 2 ** (fret / 12)
    assert cents_between(measured_hz(bins, hz), hz) == pytest.approx(0, abs=0.5)
    assert level_at(bins, 2 * hz) > 0.01 * level_at(bins, hz)
    assert level_at(bins, 1.5 * hz) < 1e-3 * level_at(bins, hz)


def test_high_partials_die_sooner_than_low_ones():
    partials = partials_of(Tone(0, 1.0, 41.2, fret=0))
    decays = [partial.decay_per_s for partial in partials]
    assert decays == sorted(decays)
    assert decays[-1] > 2 * decays[0]


def test_a_stopped_string_is_stiffer_by_the_square_of_its_shortening():
    """B goes with 1 / length^2 (Fletcher 1964); the octave fret halves the length."""
    open_, octave = (partials_of(Tone(0, 1.0, 50.0, fret=fret, stiffness_b=1e-4)) for fret in (0, 12))
    assert open_[9].hz == pytest.approx(10 * 50 * math.sqrt(1 + 1e-4 * 100))
    assert octave[9].hz == pytest.approx(10 * 100 * math.sqrt(1 + 4e-4 * 100))


def test_a_node_keeps_only_multiples_of_its_partial():
    """A touch at 2/4 is a touch at 1/2: partials 2, 4, 6 ... ring (Fiedler 2013)."""
    partials = partials_of(Tone(0, 1.0, 100.0, Node.of(2, 4)))
    assert [round(partial.hz) for partial in partials[:4]] == [200, 400, 600, 800]


@settings(max_examples=25, deadline=None)
@given(
    node=st.sampled_from(nodes_upto(9)),
    hz=st.floats(25, 400),
    duration_s=st.floats(0, 0.5),
    rate=st.sampled_from([22_050, 48_000]),
)
def test_a_tone_starts_and_ends_at_nothing_and_lasts_its_duration(node, hz, duration_s, rate):
    pcm = render_tone(Tone(0, duration_s, hz, node), rate)
    assert len(pcm) == max(round((duration_s + RELEASE_S) * rate), 1)
    assert abs(pcm[0]) < 1e-6
    assert abs(pcm[-1]) < 1e-3
    assert np.isfinite(pcm).all()


def test_block_product_equals_the_plain_sum_of_decaying_sines():
    tone = Tone(0, 0.3, 61.0, fret=3, stiffness_b=2e-4)
    time_s = np.arange(round(0.34 * RATE)) / RATE
    plain = sum(
        p.strength * np.exp(-p.decay_per_s * time_s) * np.sin(2 * np.pi * p.hz * time_s)
        for p in partials_of(tone)
    )
    rms = math.sqrt(sum(p.strength**2 for p in partials_of(tone)) / 2)
    middle = slice(round(0.01 * RATE), round(0.25 * RATE))
    assert render_tone(tone, RATE)[middle] == pytest.approx((plain * TONE_RMS / rms)[middle], abs=1e-5)


def test_a_crowd_of_tones_is_turned_down_as_a_whole_to_the_level_of_three():
    tone = Tone(0, 0.3, 98.0, fret=0)
    alone, three, many = (RepSound((), [tone] * count, RATE)[:] for count in (1, 3, 20))
    assert three == pytest.approx(limit(FULL_TONES * alone), abs=1e-6)
    assert many == pytest.approx(three, abs=1e-5)


def test_only_tones_that_sound_at_once_are_a_crowd():
    in_turn = [Tone(Fraction(number, 5), 0.2, 98.0, fret=number) for number in range(8)]
    assert Tones.of(in_turn).gain == 1.0
    assert Tones.of([*in_turn, *(Tone(0.5, 2.0, 55.0, fret=0) for _ in range(4))]).gain == FULL_TONES / 5


@settings(max_examples=25, deadline=None)
@given(seconds=st.floats(0, 1.5), cuts=st.lists(st.integers(0, 80_000), max_size=5))
def test_a_tone_is_the_same_wherever_it_is_entered(seconds, cuts):
    tone = Tone(0, seconds, 41.2, fret=0, stiffness_b=2e-4)
    whole = render_tone(tone, RATE)
    borders = [0, *sorted(cut for cut in cuts if cut < len(whole)), len(whole)]
    parts = [render_tone(tone, RATE, first, stop) for first, stop in pairwise(borders)]
    assert np.array_equal(np.concatenate(parts), whole)


def test_a_tone_may_be_a_harmonic_of_the_stopped_string():
    # Equal temperament: three frets are three semitones; a touch at half of what is left sounds its octave.
    lowest = min(partial.hz for partial in partials_of(Tone(0, 1.0, 98.0, Node(1, 2), 3)))
    assert lowest == pytest.approx(98.0 * 2 ** (3 / 12) * 2, rel=1e-3)


@pytest.mark.parametrize(("capo", "fret"), [(0, 0), (5, 0), (5, 3)])
def test_a_tone_under_a_capo_sounds_what_the_instrument_says_of_its_node(capo, fret):
    """B grows as 1 / length^2 above a capo as above a stop (Fletcher 1964)."""
    instrument = Instrument.of(["G2", "D2", "A1", "E1"], 863.6, stiffness_b=3e-4, capo=capo)
    lowest = partials_of(Tone.of(instrument, 3, 0, 1.0, Node(1, 5), fret))[0]
    assert lowest.hz == pytest.approx(instrument.sounding_hz(3, Node(1, 5), fret))
