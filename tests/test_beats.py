"""Beats from sound: two damped partials whose frequencies are known, against the formula and the Cramer-Rao bound."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coach.listen.band import Meeting
from coach.listen.beats import beats_in, pencil
from coach.listen.frame import frame_of
from coach.listen.lone_partials import expected_partials

RATE = 48_000
LOW, HIGH = 55.0, 73.4162
"""A1 and D2, equal-tempered (ISO 16): partial 4 at 220.00 Hz meets partial 3 at 220.25 Hz."""
FOURTH = Meeting(LOW, HIGH, 4, 3)
SECONDS = np.arange(3 * RATE) / RATE


def ringing(hz: float, level: float, decay: float = 0.8) -> np.ndarray:
    return level * np.exp(-decay * SECONDS) * np.cos(2 * np.pi * hz * SECONDS + hz)


def pair(beat_hz: float, noise: float = 1e-4, traces: float = 0.01, seed: int = 1) -> np.ndarray:
    """Both strings ideal, the higher one sharp by `beat_hz` where they meet; traces of their own partials."""
    sound = np.random.default_rng(seed).normal(0, noise, len(SECONDS))
    for open_hz, partial in ((LOW, 4), ((4 * LOW + beat_hz) / 3, 3)):
        for number in range(1, 12):
            sound += ringing(number * open_hz, 0.2 / number if number % partial == 0 else traces / number)
    return sound


@pytest.mark.parametrize("beat_hz", [-3.0, -0.5, -0.25, 0.2, 0.33, 1.0, 5.0])
def test_beats_are_the_difference_of_the_frequencies(beat_hz):
    """Helmholtz, On the Sensations of Tone, part II."""
    beats = beats_in(pair(beat_hz), RATE, FOURTH)
    assert beats is not None
    assert beats.sure
    assert beats.beats_hz == pytest.approx(abs(beat_hz), abs=0.02)
    assert beats.sure_of_way
    assert (beats.high_hz > beats.low_hz) is (beat_hz > 0)
    assert beats.cents == pytest.approx(1200 * math.log2(1 + beat_hz / 220), abs=0.15)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("beat_hz", [0.2, -0.5, 2.0])
def test_plucked_pairs_in_noise_of_30_db_are_told_within_a_twentieth_of_a_beat(beat_hz, seed):
    clean = pair(beat_hz, noise=0.0)
    noise = math.sqrt(float(np.mean(clean**2)) / 1000.0)
    beats = beats_in(pair(beat_hz, noise, seed=seed), RATE, FOURTH)
    assert beats is not None
    assert beats.beats_hz == pytest.approx(abs(beat_hz), abs=0.05)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_the_rate_of_the_input_does_not_matter(rate):
    sound = np.interp(np.arange(3 * rate) / rate, SECONDS, pair(0.7))
    beats = beats_in(sound, rate, FOURTH)
    assert beats is not None
    assert beats.beats_hz == pytest.approx(0.7, abs=0.02)


def test_bowed_strings_are_told_apart_by_all_their_partials():
    """A bowed string's partials are exact multiples (Cremer, The Physics of the Violin, from memory)."""
    sound = np.random.default_rng(2).normal(0, 1e-3, len(SECONDS))
    for open_hz in (196.0, 293.5):
        for number in range(1, 20):
            sound += ringing(number * open_hz, 0.1 / number, 0.0)
    beats = beats_in(sound, RATE, Meeting(196.0, 293.66, 3, 2))
    assert beats is not None
    assert beats.beats_hz == pytest.approx(1.0, abs=0.02)
    assert beats.sure_of_way
    assert beats.high_hz < beats.low_hz


def test_without_a_trace_of_other_partials_the_beat_is_told_and_its_way_is_not():
    beats = beats_in(pair(0.5, traces=0.0), RATE, FOURTH)
    assert beats is not None
    assert beats.beats_hz == pytest.approx(0.5, abs=0.02)
    assert not beats.sure_of_way


def test_silence_noise_and_too_short_a_sound_tell_nothing():
    assert beats_in(np.zeros(3 * RATE), RATE, FOURTH) is None
    assert beats_in(np.random.default_rng(4).normal(0, 0.1, 3 * RATE), RATE, FOURTH) is None
    assert beats_in(pair(0.5)[:RATE], RATE, FOURTH) is None


def test_one_string_alone_gives_no_sure_beat():
    alone = np.random.default_rng(4).normal(0, 1e-4, len(SECONDS)) + ringing(220.0, 0.1)
    beats = beats_in(alone, RATE, FOURTH)
    assert beats is not None
    assert beats.one_tone
    assert not beats.sure


def test_strings_that_agree_are_told_so_by_their_other_partials():
    beats = beats_in(pair(0.0), RATE, FOURTH)
    assert beats is not None
    assert beats.sure
    assert beats.beats_hz < 0.05


def test_in_louder_noise_it_says_that_it_is_less_sure():
    errors = []
    for noise in (1e-4, 1e-3, 1e-2):
        beats = beats_in(pair(0.3, noise), RATE, FOURTH)
        assert beats is not None
        errors.append(beats.error_hz)
    assert errors == sorted(errors)


def test_the_mains_beside_a_pair_is_no_third_string():
    """D-G meets at 293.66 Hz, the sixth multiple of 50 Hz is 300 Hz."""
    sound = np.random.default_rng(1).normal(0, 1e-4, len(SECONDS))
    for open_hz, partial in ((73.4162, 4), (98.0, 3)):
        for number in range(1, 10):
            sound += ringing(number * open_hz, 0.2 / number if number % partial == 0 else 0.002)
    for number in range(1, 9):
        sound += 0.02 * np.cos(2 * np.pi * 50 * number * SECONDS)
    beats = beats_in(sound, RATE, Meeting(73.4162, 97.9989, 4, 3))
    assert beats is not None
    assert beats.beats_hz == pytest.approx(abs(4 * 73.4162 - 3 * 98.0), abs=0.02)


def test_the_pencil_is_exact_where_there_is_no_noise():
    """The poles of a sum of exponentials are the pencil's eigenvalues (Hua and Sarkar 1990)."""
    step_s = 0.02
    times = step_s * np.arange(140)
    phasors = np.exp((2j * np.pi * 0.3 - 0.7) * times) + 0.2 * np.exp((2j * np.pi * -0.1 - 1.1) * times)
    found_hz, decays = pencil(phasors, step_s, 2)
    order = np.argsort(found_hz)
    assert found_hz[order] == pytest.approx([-0.1, 0.3], abs=1e-6)
    assert decays[order] == pytest.approx([1.1, 0.7], abs=1e-5)


def test_a_partial_is_foretold_from_the_others_of_a_stiff_string():
    """f_m = m f0 sqrt(1 + B m^2) (Fletcher 1964); partial 4 itself is left out of the sound."""
    b = 3e-4
    sound = np.random.default_rng(6).normal(0, 1e-4, len(SECONDS))
    for number in (1, 2, 3, 5, 6, 7):
        sound += ringing(number * 55.1 * math.sqrt(1 + b * number**2), 0.01)
    expected, nothing = expected_partials(frame_of(sound, RATE, 0.0, 3.0), FOURTH)
    assert nothing is None
    assert expected is not None
    assert expected.hz == pytest.approx(4 * 55.1 * math.sqrt(1 + 16 * b), abs=0.05)
    assert expected.error_hz < 0.2


@pytest.mark.parametrize("lead_s", [0.03, 0.1, 0.3, 0.8, 1.2])
def test_silence_before_the_pluck_does_not_pull_the_beat_aside(lead_s):
    quiet = np.random.default_rng(1).normal(0, 1e-4, round(lead_s * RATE))
    beats = beats_in(np.concatenate([quiet, pair(0.8)])[: 3 * RATE], RATE, FOURTH)
    assert beats is not None
    assert abs(beats.beats_hz - 0.8) < max(0.02, 2 * beats.error_hz)


@pytest.mark.parametrize("at_s", [0.3, 1.0, 2.0, 2.7])
def test_a_pluck_in_the_middle_is_not_sure_of_what_it_spoilt(at_s):
    begun, again = round(at_s * RATE), pair(0.8)
    sound = pair(0.8, seed=2)
    sound[begun:] = 0.2 * sound[begun:] + again[: len(sound) - begun]
    beats = beats_in(sound, RATE, FOURTH)
    assert beats is None or not beats.sure or beats.beats_hz == pytest.approx(0.8, abs=0.05)


def test_a_partial_that_fades_fast_is_foretold_as_well_as_stated():
    """Errors over noises: the stated one is the Cramer-Rao bound's, so that estimates scatter by about as much."""
    off = []
    for seed in range(12):
        sound = np.random.default_rng(seed).normal(0, 2e-4, len(SECONDS))
        for number in (1, 2, 3, 5, 6, 7):
            sound += ringing(number * 55.1, 0.01, 6.0)
        expected, _nothing = expected_partials(frame_of(sound, RATE, 0.0, 3.0), FOURTH)
        assert expected is not None
        assert expected.error_hz < 0.15
        off.append((expected.hz - 4 * 55.1) / expected.error_hz)
    assert np.sqrt(np.mean(np.square(off))) < 1.5


@pytest.mark.parametrize("stop_s", [0.6, 1.2, 1.8, 2.6])
@pytest.mark.parametrize("noise", [0.0, 1e-4, 1e-3])
def test_a_hand_that_stops_the_strings_makes_no_beat(stop_s, noise):
    """A hand takes some 30 ms: what it cuts off is no fading tone, and fitted as one it beats."""
    sound = pair(0.3, noise=0.0, traces=0.003) * np.clip((stop_s - SECONDS) / 0.03, 0.0, 1.0)
    sound += np.random.default_rng(3).normal(0, noise, len(SECONDS))
    beats = beats_in(sound, RATE, FOURTH)
    assert beats is None or not beats.sure or beats.beats_hz == pytest.approx(0.3, abs=0.06)
