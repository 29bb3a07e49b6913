"""Frequency and stiffness of a plucked string, against Fletcher's formula and a reference estimate of scipy's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import find_peaks

from coach.ground.problem import CoachError
from coach.listen.open_string import measured_string, plucks_in
from coach.listen.sound_file import Sound
from coach.listen.takes import strings_of
from coach.strings.instrument import Instrument
from coach.strings.units import cents_between, stiffening

RATE_HZ = 48000


def pluck(f0_hz, stiffness_b, seconds=3.0, noise=1e-4, rate_hz=RATE_HZ, seed=1):
    """A stiff string's partials after a pluck at a fifth of it: Fletcher, JASA 36 (1964) 203."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    m = np.arange(1, 25)
    hz = m * f0_hz * np.sqrt(1.0 + stiffness_b * m * m)
    size = np.sin(np.pi * m / 5.3) / m
    tones = size * np.sin(2 * np.pi * t[:, None] * hz + rng.uniform(0, 6.28, len(m)))
    return 0.1 * (tones * np.exp(-t[:, None] * (0.5 + m / 10))).sum(axis=1) + noise * rng.standard_normal(
        len(t)
    )


@pytest.mark.parametrize(
    ("f0_hz", "b"), [(30.87, 5e-4), (41.2, 3e-4), (98.0, 2.5e-5), (329.6, 1e-5), (196.0, 0)]
)
@pytest.mark.parametrize("cents", [-70.0, 1.3])
def test_partials_of_a_stiff_string_are_found_within_half_a_cent(f0_hz, b, cents):
    true_hz = f0_hz * 2 ** (cents / 1200)
    heard = measured_string(pluck(true_hz, b), RATE_HZ, f0_hz)
    for m in (1, 2, 5):
        assert (
            abs(
                cents_between(
                    m * heard.f0_hz * stiffening(m, heard.stiffness_b), m * true_hz * math.sqrt(1 + b * m * m)
                )
            )
            < 0.5
        )


def test_the_first_partial_agrees_with_the_highest_peak_that_scipy_finds():
    samples = pluck(55.0, 1.5e-4)
    size = 1 << 21
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size))[: size // 100]
    peaks, _ = find_peaks(spectrum, height=spectrum.max() / 2)
    near = min(peaks * RATE_HZ / size, key=lambda hz: abs(hz - 55.0))
    heard = measured_string(samples, RATE_HZ, 55.0)
    assert abs(cents_between(heard.f0_hz * stiffening(1, heard.stiffness_b), near)) < 1.0


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_a_take_of_all_strings_is_split_where_they_were_plucked(rate_hz):
    strings = [(41.2, 3e-4), (55.0, 1.5e-4), (73.4, 6e-5), (98.0, 3e-5)]
    parts = [np.zeros(rate_hz)] + [pluck(f0_hz, b, 3.0, rate_hz=rate_hz, seed=2) for f0_hz, b in strings]
    take = np.concatenate(parts) + 1e-4 * np.random.default_rng(3).standard_normal(13 * rate_hz)
    plucks = plucks_in(take, rate_hz, [hz for hz, _ in strings]).each
    assert [pluck.at_s for pluck in plucks] == pytest.approx([1.0, 4.0, 7.0, 10.0], abs=0.03)
    heard = [pluck.string for pluck in plucks]
    assert [string.f0_hz for string in heard] == pytest.approx([hz for hz, _ in strings], rel=3e-4)
    assert [string.stiffness_b for string in heard] == pytest.approx([b for _, b in strings], rel=0.1)


def test_noise_another_string_and_a_short_take_hold_no_such_string():
    noise = np.random.default_rng(4).standard_normal(2 * RATE_HZ)
    assert measured_string(noise, RATE_HZ, 55.0) is None
    assert measured_string(pluck(82.4, 1e-4), RATE_HZ, 55.0) is None
    assert measured_string(pluck(55.0, 1e-4, 0.3), RATE_HZ, 55.0) is None


BASS = Instrument.of(["G2", "D2", "A1", "E1"], 864)
OPEN_HZ = {41.3: 4e-4, 54.9: 3e-4, 73.5: 2e-4, 98.0: 2e-5}
"""The open strings of a bass, each a little out of tune, with Fletcher's B."""


def mellow(f0_hz, stiffness_b, partials=24):
    """A pluck with a soft thumb: it swells for 60 ms, and its partials fall by 12 dB an octave."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    m = np.arange(1, partials)
    tones = np.sin(2 * np.pi * t[:, None] * m * f0_hz * np.sqrt(1.0 + stiffness_b * m * m)) / m**2
    fading = (tones * np.exp(-t[:, None] * (0.5 + m / 10))).sum(axis=1)
    return fading * np.clip(t / 0.06, 0.0, 1.0) * np.clip((2.0 - t) / 0.1, 0.0, 1.0)


def mellow_take(hz, noise_db=-20.0):
    """These notes one after the other in white noise, `noise_db` below their mean power."""
    music = np.concatenate([np.zeros(RATE_HZ // 2), *(mellow(one, OPEN_HZ.get(one, 1e-4)) for one in hz)])
    noise = np.random.default_rng(7).standard_normal(len(music))
    return Sound(music + noise * np.sqrt(np.mean(music**2)) * 10 ** (noise_db / 20), RATE_HZ, 0.0)


def test_mellow_strings_are_heard_in_noise_20_db_below_them():
    heard = strings_of(BASS, mellow_take(OPEN_HZ), "open.wav")
    for string, (hz, b) in zip((3, 2, 1, 0), OPEN_HZ.items(), strict=True):
        first_hz = heard[string].f0_hz * stiffening(1, heard[string].stiffness_b)
        assert abs(cents_between(first_hz, hz * math.sqrt(1 + b))) < 1.0


@pytest.mark.parametrize(
    ("hz", "says"),
    [
        ([54.9, 73.5, 98.0], "no pluck is the open E string, near 41.2 Hz before 0.5 s"),
        ([41.3, 73.5, 98.0], "no pluck is the open A string, near 55.0 Hz after 0.5 s and before 2.5 s"),
        ([41.3, 54.9, 73.5], "no pluck is the open G string, near 98.0 Hz after 4.5 s"),
        ([98.0, 73.5, 54.9, 41.3], "no pluck is the open"),
        ([41.3, 54.9, 73.5, 98.0, 41.3], "at 8.5 s something else begins"),
        ([77.8, 87.3, 103.8, 116.5, 77.8, 87.3, 103.8], ""),
        ([], "no pluck is the open"),
    ],
    ids=["no E", "no A", "no G", "backwards", "E again", "music", "noise"],
)
def test_what_is_not_one_pluck_of_each_string_is_refused_with_the_string_and_the_place(hz, says):
    noise = np.random.default_rng(8).standard_normal(9 * RATE_HZ)
    take = mellow_take(hz) if hz else Sound(noise, RATE_HZ, 0.0)
    with pytest.raises(CoachError, match="pluck each open string once, the lowest first") as refused:
        strings_of(BASS, take, "open.wav")
    assert says in str(refused.value)
