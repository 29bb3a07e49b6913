"""The benchmark's bound of a beat, against the textbook's bound of one frequency."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.bounds import allowed, bounds

RATE, LENGTH_S, NOISE_PER_HZ = 16_000, 3.0, 1e-9


def take(low_hz: float, high_hz: float, decay: float) -> tuple[dict, np.ndarray]:
    """Two bowed strings with one partial each, far enough apart not to matter to each other."""
    times = np.arange(round(RATE * LENGTH_S)) / RATE
    rows = [
        {"string": name, "partial": number, "hz": hz, "amplitude": 0.1, "decay_per_s": decay}
        for name, number, hz in (("A1", 4, low_hz), ("D2", 3, high_hz))
    ]
    sound = sum(0.1 * np.exp(-decay * times) * np.cos(2 * np.pi * row["hz"] * times) for row in rows)
    ends = {
        end: {"string": row["string"], "partial": row["partial"], "hz": row["hz"]}
        for end, row in zip(("lower", "higher"), rows, strict=True)
    }
    truth = {"kind": "bowed", "noise_per_hz": NOISE_PER_HZ, "partials": rows, **ends}
    return truth, np.asarray(sound)


@pytest.mark.parametrize("decay", [0.0, 20.0])
def test_two_tones_far_apart_have_the_bound_of_two_single_tones(decay):
    """var(w) is 12 N0 / (A^2 T^3) of a steady tone, 8 d^3 N0 / A^2 of one that fades out: from var(w) = N0 / (A^2 V).

    V is the integral of (t - mean)^2 e^(-2 d t), T^3 / 12 and 1 / (8 d^3). Rife and Boorstyn, IEEE Trans. Inf. Theory
    20 (1974) 591, and Yao and Pandit, IEEE Trans. Signal Process. 43 (1995) 878; both from memory.
    """
    truth, sound = take(220.0, 320.0, decay)
    moment = LENGTH_S**3 / 12.0 if not decay else 1.0 / (8.0 * decay**3)
    one_hz = math.sqrt(NOISE_PER_HZ / (0.1**2 * moment)) / (2.0 * math.pi)
    # Nothing beside the meeting partials is there, so all partials say as much; B is nearly of no effect.
    found = bounds(truth, sound, RATE)
    assert found.pair_hz == pytest.approx(math.sqrt(2.0) * one_hz, rel=0.03)
    assert found.joint_hz == found.pair_hz


def test_what_a_bound_allows_is_the_normal_distribution():
    """68.27 % lie within one standard deviation, 95.45 % within two (any table)."""
    assert allowed(0.05, 0.05) == pytest.approx(0.6827, abs=1e-4)
    assert allowed(0.025, 0.05) == pytest.approx(0.9545, abs=1e-4)
    assert allowed(math.inf, 0.05) == 0.0
