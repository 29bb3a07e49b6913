"""How loud each partial of a note is in a short window, though other strings ring beside it.

Partial m of a string that is stopped at fret s sounds m f0 2^(s/12) sqrt(1 + B 2^(s/6) m^2): Fletcher, JASA 36 (1964)
203, with B growing as 1 / length^2. A partial's cosine and sine are fitted together with those of all that rings near
it, by least squares under a Hann window. Each interferer has a prior power (a ridge), so that one which is expected to
be weak takes little from the target: with wide priors this is the matched subspace detector (Scharf and Friedlander,
IEEE Trans. Signal Process. 42 (1994) 2146), with narrow ones the linear estimate of least mean square error (Kay,
Estimation Theory, ch. 12, from memory). What is left uncertain is the estimate's error, large where an interferer can't
be told from the target in so short a window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Phasors, Values
from coach.listen.frame import SPLIT_HZ, Frame, Stretch
from coach.listen.open_string import MeasuredString
from coach.music.drill import Note
from coach.strings.units import stiffening

TOP_PARTIAL_HZ = 6000.0
MOST_PARTIALS = 8
HIGHEST_NUMBER = 24
NEAR_HZ = 45.0
"""Interferers further from a partial than this don't matter under a Hann window of 60 ms or more."""
MISMATCH = 0.02
"""Share of what is in a partial's band that the model does not explain: partials fall, glide and beat. Our own."""
MOST_SHARE = 3.0
"""A partial is not louder than so many times what is in its band: others would have to cancel it."""
ASIDE = 0.025
"""So far from where theory puts it a partial is looked for."""
PEAK = 4.0
"""So many times louder than before, and than what lies between partials, a partial must have become."""
APART_HZ = 12.0
LEAST_MOVED_HZ = 200.0
"""Of lower ones so small a part is less than what can be measured, or matters."""
_FLOOR_PERCENT = 25.0
_FLOOR_SHARE = 0.29
"""The weakest quarter of the bins of white noise's periodogram lies below so much of its mean: -ln 0.75."""


@frozen
class Partials:
    """What a window says of some partials, an entry a partial."""

    amplitude: Phasors
    """Amplitude and phase at the window's middle; full scale is 1."""
    error: Values
    """Standard error of the amplitude."""

    def lowest(self, count: int) -> Partials:
        """The lowest so many of them."""
        return Partials(self.amplitude[:count], self.error[:count])


@frozen
class Rings:
    """What may ring beside the target: partials in Hz, and how loud each is expected at most."""

    hz: Values
    expected: Values

    @classmethod
    def of(cls, parts: Sequence[Rings]) -> Rings:
        """All of them together."""
        none = np.zeros(0)
        return cls(
            np.concatenate([none, *(p.hz for p in parts)]),
            np.concatenate([none, *(p.expected for p in parts)]),
        )


def note_hz(string: MeasuredString, note: Note) -> Values:
    """The partials that a note leaves ringing, the lowest first, up to 6 kHz: of a node its own and their multiples."""
    step = note.node.partial if note.node else 1
    return stopped_hz(string, note.stop, range(step, HIGHEST_NUMBER + 1, step))


def stopped_hz(string: MeasuredString, fret: int, numbers: Sequence[int]) -> Values:
    """These partials of a string stopped at a fret, as far as they matter: at most eight, up to 6 kHz."""
    m = np.array(numbers, dtype=float)
    hz = m * string.f0_hz * 2.0 ** (fret / 12.0) * stiffening(m, string.stiffness_b * 2.0 ** (fret / 6.0))
    return np.asarray(hz[hz < TOP_PARTIAL_HZ][:MOST_PARTIALS])


def measured(stretch: Stretch, target_hz: Values, beside: Rings) -> Partials:
    """Each target partial's amplitude in the stretch, and how sure it is; the lowest first."""
    low, high = (_measured(frame, hz, beside) for frame, hz in stretch.by_band(target_hz))
    return Partials(np.concatenate([low.amplitude, high.amplitude]), np.concatenate([low.error, high.error]))


def _measured(frame: Frame, target_hz: Values, beside: Rings) -> Partials:
    count = len(frame.samples)
    if not len(target_hz):
        return Partials(np.zeros(0, dtype=complex), np.zeros(0))
    window = np.hanning(count)
    noise = noise_power(frame, window, bool(target_hz[0] < SPLIT_HZ))
    time_s = (np.arange(count) - (count - 1) / 2.0) / frame.rate_hz
    amplitude, error = np.zeros(len(target_hz), dtype=complex), np.zeros(len(target_hz))
    for at, hz in enumerate(target_hz):
        near = np.abs(beside.hz - hz) < NEAR_HZ
        phases = 2.0 * np.pi * np.outer(time_s, np.concatenate([[hz], beside.hz[near]]))
        columns = np.concatenate([np.cos(phases), np.sin(phases)], axis=1)
        weighted = columns * window[:, None]
        sums = weighted.T @ frame.samples
        sine = 1 + int(near.sum())
        there = 2.0 * math.hypot(sums[0], sums[sine]) / float(window.sum())
        rest = noise + (MISMATCH * there) ** 2 * count / 8.0
        expected = np.concatenate([[MOST_SHARE * there], beside.expected[near]])
        ridge = rest / np.maximum(expected**2 / 2.0, 1e-14)
        inverse = np.linalg.inv(columns.T @ weighted + np.diag(np.concatenate([ridge, ridge])))
        fitted = inverse @ sums
        amplitude[at] = complex(fitted[0], -fitted[sine])
        error[at] = math.sqrt(rest * max(inverse[0, 0] + inverse[sine, sine], 0.0))
    return Partials(amplitude, error)


def loudness(stretch: Stretch, hz: Values) -> Values:
    """Amplitude of all that lies within some 20 Hz of each of these frequencies, in a stretch of 100 ms."""
    found = []
    for frame, part_hz in stretch.by_band(hz):
        window = np.hanning(len(frame.samples))
        turns = np.exp(-2j * np.pi * np.outer(part_hz, frame.times_s))
        found.append(2.0 * np.abs(turns @ (window * frame.samples)) / max(float(window.sum()), 1e-9))
    return np.concatenate(found)


def measured_ratios(before: Frame, after: Frame, hz: Values, beside: Values) -> Values:
    """By what ratio each of these partials lies off its frequency; 0 where none rises clearly near it.

    A peak counts that stands out of the sound before it, with no other string's partial, of `beside`, close by.
    """
    count = 4 * len(after.samples)
    was, now = (
        np.abs(np.fft.rfft(each.samples * np.hanning(len(each.samples)), count)) / max(len(each.samples), 1)
        for each in (before, after)
    )
    bin_hz, floor = after.rate_hz / count, float(np.median(now))
    ratios = np.zeros(len(hz))
    for at in np.flatnonzero(hz > LEAST_MOVED_HZ):
        first, last = int(hz[at] * (1.0 - ASIDE) / bin_hz), int(hz[at] * (1.0 + ASIDE) / bin_hz) + 1
        peak = first + int(np.argmax(now[first : last + 1]))
        clear = now[peak] > PEAK * max(floor, float(was[peak - 4 : peak + 5].max()))
        if clear and first < peak < last and np.all(np.abs(beside - peak * bin_hz) > APART_HZ):
            ratios[at] = peak * bin_hz / hz[at]
    return ratios


def noise_power(frame: Frame, window: Values, is_low: bool) -> float:
    """Variance of a sample of the noise, from the weak quarter of the spectrum; what rings is in few bins."""
    power = np.abs(np.fft.rfft(frame.samples * np.sqrt(window))) ** 2
    hz = np.fft.rfftfreq(len(frame.samples), 1.0 / frame.rate_hz)
    lowest_hz, highest_hz = (60.0, SPLIT_HZ) if is_low else (SPLIT_HZ, TOP_PARTIAL_HZ)
    band = power[(hz > lowest_hz) & (hz < highest_hz)]
    if not len(band):
        return 1e-13
    return float(np.percentile(band, _FLOOR_PERCENT) / window.sum() / _FLOOR_SHARE) + 1e-13
