"""Frequency and stiffness of a plucked string, against Fletcher's formula and a reference estimate of scipy's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import find_peaks

from coach.listen.open_string import measured_string, measured_strings, plucks_in
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
    assert plucks_in(take, rate_hz, 4) == pytest.approx([1.0, 4.0, 7.0, 10.0], abs=0.03)
    heard = measured_strings(take, rate_hz, [hz for hz, _ in strings])
    assert [string.f0_hz for string in heard] == pytest.approx([hz for hz, _ in strings], rel=3e-4)
    assert [string.stiffness_b for string in heard] == pytest.approx([b for _, b in strings], rel=0.1)


def test_noise_another_string_and_a_short_take_hold_no_such_string():
    noise = np.random.default_rng(4).standard_normal(2 * RATE_HZ)
    assert measured_string(noise, RATE_HZ, 55.0) is None
    assert measured_string(pluck(82.4, 1e-4), RATE_HZ, 55.0) is None
    assert measured_string(pluck(55.0, 1e-4, 0.3), RATE_HZ, 55.0) is None
    with pytest.raises(ValueError, match="1 pluck heard, but there are 2 strings"):
        measured_strings(np.concatenate([np.zeros(9999), pluck(55.0, 1e-4)]), RATE_HZ, [55.0, 73.4])
