"""Tuning by harmonics: pairs, beats and drift, against the beat formula and luthiers' knowledge."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.sound.models import pair_pcm, reference_pcm
from coach.strings.instrument import Instrument
from coach.strings.ready_made import ready_made
from coach.strings.tuning import (
    adjacent_pairs,
    beatless_drift,
    from_reference,
    moved_beats_hz,
    pair_between,
    stiffness_range,
    stiffness_ranges,
    trend,
)
from coach.strings.units import cents_between

BASS = ready_made("bass")
VIOLIN = ready_made("violin")


def test_fourths_are_compared_by_partial_4_of_the_lower_and_3_of_the_higher_string() -> None:
    # Common practice, no source: the harmonic at 5 with the one at 7 of the next higher string.
    pairs = adjacent_pairs(BASS)
    assert [(pair.low_string, pair.high_string) for pair in pairs] == [(3, 2), (2, 1), (1, 0)]
    assert {(pair.low_node.label, pair.high_node.label) for pair in pairs if pair.high_node} == {("5", "7")}


def test_fifths_are_compared_by_partial_3_of_the_lower_and_2_of_the_higher_string() -> None:
    assert {(pair.low_partial, pair.high_partial) for pair in adjacent_pairs(VIOLIN)} == {(3, 2)}


def test_equal_tempered_fourths_of_a_bass_beat_at_known_rates() -> None:
    # Written-out beat formula |4 f_low - 3 f_high| on 41.2034, 55, 73.4162, 97.9989 Hz.
    low, high = [41.20344, 55.0, 73.41619], [55.0, 73.41619, 97.99886]
    formula = [abs(4 * a - 3 * b) for a, b in zip(low, high, strict=True)]
    beats = [pair.beats_hz[0] for pair in adjacent_pairs(BASS)]
    assert beats == pytest.approx([0.1862, 0.2486, 0.3318], abs=5e-5)
    assert beats == pytest.approx(formula, abs=1e-4)


def test_each_beatless_fourth_is_two_cents_narrower_than_the_tempered_one() -> None:
    # A pure fourth is 4/3: 498.045 cents, 1.955 less than the equal-tempered one.
    offsets = [drift.offset_cents[0] for drift in beatless_drift(BASS)]
    assert offsets == pytest.approx([0.0, -1.955, -3.910, -5.865], abs=5e-4)


def test_a_beatless_guitar_is_flat_by_the_major_third_too() -> None:
    # Four pure fourths and a pure third 5/4 against equal temperament: 4 x 1.955 + 13.686 cents.
    drifts = beatless_drift(ready_made("guitar"))
    assert drifts[-1].offset_cents[0] == pytest.approx(-(4 * 1.955 + 13.686), abs=2e-3)


def test_drift_runs_both_ways_from_a_middle_reference() -> None:
    offsets = {drift.string: drift.offset_cents[0] for drift in beatless_drift(BASS, reference=2)}
    assert offsets == pytest.approx({3: 1.955, 2: 0.0, 1: -1.955, 0: -3.910}, abs=5e-4)


def test_notes_stopped_to_the_reference_agree_in_equal_temperament() -> None:
    for reference in range(4):
        for way in from_reference(BASS, reference):
            stopped_hz = BASS.fretted_hz(way.string, way.fret) * way.own_partial
            assert stopped_hz == pytest.approx(BASS.open_hz(reference) * way.reference_partial)
            assert way.hz == pytest.approx(stopped_hz)
            assert way.offset_cents == (0.0, 0.0)


def test_stiffness_turns_beats_into_a_range_around_its_own_value() -> None:
    low, high = stiffness_range(2e-4)
    wide = pair_between(BASS, 3, 2, [(low, high)] * 4)
    assert wide is not None
    for b_low in np.linspace(low, high, 5):
        for b_high in np.linspace(low, high, 5):
            lower_hz = 4 * 41.203445 * math.sqrt(1 + 16 * b_low)
            higher_hz = 3 * 55.0 * math.sqrt(1 + 9 * b_high)
            assert wide.beats_hz[0] - 1e-4 <= abs(lower_hz - higher_hz) <= wide.beats_hz[1] + 1e-4
            offset = cents_between(lower_hz, higher_hz)
            assert wide.offset_cents[0] - 1e-3 <= offset <= wide.offset_cents[1] + 1e-3


def test_drift_with_stiffness_contains_every_string_by_string_choice() -> None:
    span = (1e-4, 4e-4)
    low, high = beatless_drift(BASS, ranges=[span] * 4)[-1].hz
    choices_hz = []
    for choice in np.ndindex(2, 2, 2, 2):
        b = [span[end] for end in choice]
        hz = 41.203445
        for lower, higher in ((0, 1), (1, 2), (2, 3)):
            hz *= 4 * math.sqrt(1 + 16 * b[lower]) / (3 * math.sqrt(1 + 9 * b[higher]))
        choices_hz.append(hz)
    assert (min(choices_hz), max(choices_hz)) == pytest.approx((low, high), abs=1e-5)


def test_each_string_has_its_own_stiffness() -> None:
    plain, stiff = (0.0, 0.0), (2e-4, 2e-4)
    pairs = adjacent_pairs(BASS, [plain, plain, plain, stiff])
    ideal = adjacent_pairs(BASS)
    assert [pair == other for pair, other in zip(pairs, ideal, strict=True)] == [False, True, True]
    # 4 f0 sqrt(1 + 16 B) of the low string alone: Fletcher, JASA 36 (1964) 203.
    assert pairs[0].offset_cents[0] == pytest.approx(
        ideal[0].offset_cents[0] + 600 * math.log2(1 + 16 * 2e-4)
    )


def test_the_errors_of_fourths_add_up_those_of_open_d_cancel_and_those_from_the_middle_tie() -> None:
    # A pure fourth is 1.955 cents narrow, a pure fifth as much wide (4/3, 3/2): E A D G adds three; D A D G of
    # open D has a fifth and two fourths, so that D is right again; from A, a fourth down and a fifth up tie.
    def of(notes: list[str], reference: int) -> tuple[set[int], bool, bool]:
        instrument = Instrument.of(notes, 864.0)
        drift = trend(beatless_drift(instrument, reference), reference)
        return set(drift.furthest), drift.adds_up, drift.cancels

    assert of(["G2", "D2", "A1", "E1"], 3) == ({0}, True, False)
    assert of(["G2", "D2", "A1", "D1"], 3) == ({0, 2}, False, True)
    assert of(["D2", "A1", "E1"], 1) == ({0, 2}, False, False)
    assert of(["E2", "E1"], 1) == (set(), False, False)


def test_no_string_is_surely_the_furthest_off_where_b_is_known_to_a_factor_of_two() -> None:
    # Within B / 2 to 2 B either of two strings can be the worse one: their ranges of cents overlap.
    stiff = Instrument.of(["G2", "D2", "A1", "E1"], 864.0, stiffness_b=[1e-4, 1e-4, 2e-4, 3e-4])
    drifts = beatless_drift(stiff, 3, stiffness_ranges(stiff))
    assert not trend(drifts, 3).sure
    assert trend(beatless_drift(stiff, 3), 3).sure


@settings(max_examples=60)
@given(st.floats(-50.0, 50.0))
def test_detuning_by_cents_changes_beats_as_the_formula_says(cents: float) -> None:
    pair = adjacent_pairs(BASS)[0]
    formula = abs(4 * BASS.open_hz(3) - 3 * BASS.open_hz(2) * 2.0 ** (cents / 1200.0))
    assert moved_beats_hz(BASS, pair, cents) == pytest.approx(formula, abs=1e-9)


def test_strings_a_semitone_apart_have_no_pair() -> None:
    instrument = Instrument.of(["C3", "B2"], 864.0)
    assert pair_between(instrument, 1, 0) is None
    assert [drift.string for drift in beatless_drift(instrument)] == [1]


def test_unison_strings_are_compared_by_the_octave() -> None:
    pair = pair_between(Instrument.of(["G2", "G2"], 864.0), 1, 0)
    assert pair is not None
    assert pair.beats_hz == (0.0, 0.0)


def test_the_sounding_pair_beats_at_its_rate() -> None:
    rate, cents = 8000, 12.0
    pair = adjacent_pairs(BASS)[0]
    pcm = pair_pcm(BASS, pair, cents, 6.0, 1, rate)[:]
    # The envelope around the pair's common pitch, its decay taken out, repeats with the beat.
    time_s = np.arange(len(pcm)) / rate
    mixed = pcm * np.exp(-2j * np.pi * pair.low_hz * time_s)
    block = rate // 20
    envelope = np.abs(mixed[: len(mixed) // block * block].reshape(-1, block).mean(axis=1))[:100]
    spectrum = np.abs(np.fft.rfft((envelope / envelope.max()) * np.hanning(len(envelope)), 4096))
    rates = np.fft.rfftfreq(4096, 1 / 20)
    beat_hz = rates[rates > 0.7][np.argmax(spectrum[rates > 0.7])]
    assert beat_hz == pytest.approx(moved_beats_hz(BASS, pair, cents), abs=0.12)


def test_the_reference_tone_sounds_the_open_strings_pitch() -> None:
    rate = 8000
    pcm = reference_pcm(BASS, 2, 2.0, 1, rate)[:]
    size = 2**17
    spectrum = np.abs(np.fft.rfft(pcm * np.hanning(len(pcm)), size))
    hz = np.fft.rfftfreq(size, 1 / rate)
    near = (hz > 50) & (hz < 60)
    assert hz[near][np.argmax(spectrum[near])] == pytest.approx(55.0, abs=0.1)
