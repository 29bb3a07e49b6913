"""The Cramer-Rao bound of a beat: no unbiased estimator that knows no more does better.

Each partial is a e^(-d t) cos(w t + phase), on the strings of a plucked pair with a weaker second polarisation beside
it; amplitudes, phases and decays are unknown, and w = 2 pi m f0 sqrt(1 + B m^2) with f0 and B of its string unknown
(Fletcher, JASA 36 (1964) 203). The information of such waves in white noise is a sum of integrals of t^k e^(s t), in
closed form (damped exponentials: Yao and Pandit, IEEE Trans. Signal Process. 43 (1995) 878; with prior knowledge added
to it: Van Trees, Detection, Estimation, and Modulation Theory I, 1968, ch. 2; both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from coach.listen.beats import FASTER_SPREAD, SHARE, SPLIT_SPREAD, SPLITS_ALIKE
from coach.listen.frame import TOP_HZ, frame_of
from coach.listen.grid import STIFFEST_B

Truth = dict[str, Any]
_SPLIT = 1e-4
"""Unit of the splits' spreads in `coach.listen.beats`."""
_GLOBALS = 6
"""Before all partials' own unknowns: the logarithm of f0, B, and the split, of either string."""


@dataclass(frozen=True, slots=True)
class _Wave:
    """One partial of one polarisation, as it is."""

    string: int
    number: int
    size: complex
    turn: complex
    """-d + i w."""
    first: _Wave | None = None
    """Of a second polarisation: the stronger one."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """Standard errors in Hz of the best estimate of a take's beat."""

    pair_hz: float
    """From the two partials that meet."""
    joint_hz: float
    """From all partials of both strings below 3.4 kHz."""


def bounds(truth: Truth, samples: np.ndarray, rate_hz: int) -> Bounds:
    """What the partials that meet, and what all partials allow to say of a pair's beat."""
    waves = _waves(truth, samples, rate_hz)
    meeting = (truth["lower"]["partial"], truth["higher"]["partial"])
    pair = [wave for wave in waves if wave.number == meeting[wave.string]]
    length_s = len(samples) / rate_hz
    return Bounds(*(_bound_hz(truth, part, meeting, length_s) for part in (pair, waves)))


def allowed(error_hz: float, within_hz: float) -> float:
    """How likely an estimate of that standard error is to be within so many Hz."""
    return 2.0 * NormalDist().cdf(within_hz / error_hz) - 1.0 if 0.0 < error_hz < math.inf else 0.0


def _waves(truth: Truth, samples: np.ndarray, rate_hz: int) -> list[_Wave]:
    """All partials with their true size; the phase is the take's, read with all else known."""
    names = [truth["lower"]["string"], truth["higher"]["string"]]
    rows = [row for row in truth["partials"] if row["hz"] < TOP_HZ]
    turns = np.array([-row["decay_per_s"] + 2j * math.pi * row["hz"] for row in rows])
    sizes = np.array([row["amplitude"] for row in rows])
    frame = frame_of(samples, rate_hz, 0.0, len(samples) / rate_hz)
    noise = truth["noise_per_hz"] * frame.rate_hz
    sums = np.exp(frame.times_s[:, None] * turns).conj().T @ frame.samples * 2.0
    gram = _integral(turns.conj()[:, None] + turns[None, :], 0, len(samples) / rate_hz) * frame.rate_hz
    phases = np.angle(np.linalg.solve(gram + np.diag(2.0 * noise / sizes**2), sums))
    waves: dict[tuple[str, int], _Wave] = {}
    both = []
    for row, size, turn in zip(rows, sizes * np.exp(1j * phases), turns, strict=True):
        key = row["string"], row["partial"]
        wave = _Wave(names.index(key[0]), key[1], complex(size), complex(turn), waves.get(key))
        waves.setdefault(key, wave)
        both.append(wave)
    if truth["kind"] == "pair":
        seconds = {id(wave.first) for wave in both}
        # A string that was pulled along one plane lacks the second; who listens does not know that.
        both += [
            _Wave(wave.string, wave.number, 0j, complex(1.35 * wave.turn.real, wave.turn.imag), wave)
            for wave in both
            if wave.first is None and id(wave) not in seconds
        ]
    return both


def _integral(rate: np.ndarray, power: int, length_s: float) -> np.ndarray:
    """The integral of t^power e^(rate t) over the take; by its series where the rate is small."""
    x = np.asarray(rate * length_s, dtype=complex)
    small = np.abs(x) < 0.5
    safe = np.where(small, 1.0, x)
    closed = np.expm1(safe) / safe
    for k in range(1, power + 1):
        closed = (np.exp(safe) - k * closed) / safe
    series = sum(np.where(small, x, 0.0) ** n / (math.factorial(n) * (n + power + 1)) for n in range(14))
    return np.asarray(np.where(small, series, closed) * length_s ** (power + 1))


def _bound_hz(truth: Truth, waves: list[_Wave], meeting: tuple[int, int], length_s: float) -> float:
    """From these partials; infinite where they can't tell."""
    slopes, priors = _slopes(waves)
    information = np.diag(np.square(priors))
    turns = np.array([wave.turn for wave in waves])
    rates = turns[:, None] + turns.conj()[None, :]
    for left in (0, 1):
        for right in (0, 1):
            held = _integral(rates, left + right, length_s)
            information += (slopes[left].T @ held @ slopes[right].conj()).real / truth["noise_per_hz"]
    alike = np.zeros(len(priors))
    alike[4:6] = 1.0 / SPLITS_ALIKE, -1.0 / SPLITS_ALIKE
    information += np.outer(alike, alike)
    scale = np.sqrt(np.diag(information)) + 1e-30
    asked = np.zeros(len(priors))
    for string, sign in ((0, -1.0), (1, 1.0)):
        hz = truth[("lower", "higher")[string]]["hz"]
        asked[string], asked[2 + string] = sign * hz, sign * hz * meeting[string] ** 2 / 2.0 * STIFFEST_B
    information = information / np.outer(scale, scale) + 1e-13 * np.eye(len(scale))
    variance = float((asked / scale) @ np.linalg.solve(information, asked / scale))
    return math.sqrt(variance) if variance > 0.0 else math.inf


def _slopes(waves: list[_Wave]) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """By each unknown, what each wave gets of e^(s t) and of t e^(s t); and one over each unknown's prior spread."""
    leads = [at for at, wave in enumerate(waves) if wave.first is None]
    own = {id(waves[at]): _GLOBALS + 3 * place for place, at in enumerate(leads)}
    count = _GLOBALS + 3 * len(waves)
    plain, timed = np.zeros((2, len(waves), count), dtype=complex)
    priors = np.zeros(count)
    priors[2:6] = 1.0, 1.0, 1.0 / SPLIT_SPREAD, 1.0 / SPLIT_SPREAD
    fresh = _GLOBALS + 3 * len(leads)
    for at, wave in enumerate(waves):
        turned = 1j * wave.turn.imag * wave.size
        timed[at, wave.string] = turned
        timed[at, 2 + wave.string] = turned * wave.number**2 / 2.0 * STIFFEST_B
        if wave.first is None:
            place = own[id(wave)]
            timed[at, place + 2] = -wave.size
        else:
            place, fresh = fresh, fresh + 3
            timed[at, 4 + wave.string] = turned * _SPLIT
            much = wave.turn.real / wave.first.turn.real
            timed[at, own[id(wave.first)] + 2] = -wave.size * much
            timed[at, place + 2] = wave.size * wave.turn.real
            share = SHARE * abs(wave.first.size)
            priors[place : place + 3] = 1.0 / share, 1.0 / share, 1.0 / FASTER_SPREAD
        plain[at, place], plain[at, place + 1] = 1.0, 1j
    return (plain, timed), priors
