"""A string's frequency and stiffness from one pluck of it open.

Partial m of a stiff string sounds m f0 sqrt(1 + B m^2) (Fletcher, JASA 36 (1964) 203). A grid over f0 and B finds where
most partials stand in the spectrum; then each partial's peak is measured, and (f_m / m)^2 = f0^2 + f0^2 B m^2 is a
straight line in m^2, fitted by weighted least squares with outliers left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Samples, Values
from coach.listen.frame import TOP_HZ, frame_of
from coach.listen.grid import best_on_grid
from coach.listen.spectrum import LEAST_HEIGHT, Spectrum
from coach.strings.instrument import STIFFNESS_RANGE
from coach.strings.units import cents_between, stiffening

SEARCH_CENTS = 120.0
"""How far a string may be out of tune and still be found."""
MOST_PARTIALS = 20
LEAST_PARTIALS = 3
LEAST_S = 0.5
"""A pluck shorter than this says too little."""
MOST_S = 2.5
AFTER_ATTACK_S = 0.15
"""The attack is left out: there the pitch still glides."""
OUTLIER_CENTS = 4.0
APART_S = 0.6
"""Plucks of an open-strings take lie at least this far apart."""
HOP_S = 0.02
_WINDOW_S = 0.128
_BESIDE_HOPS = 18
"""So far around it a pluck's own rise is seen."""
_MEAN_HOPS = 6
"""The power of so many spectra after a moment is compared with that of as many before it: it evens out noise."""
_RISE_PARTIALS = 8
MOST_DB = 30.0
_FLOOR_TIMES = 3.0
"""A rise counts from so many times the noise on, else noise itself rises by many dB."""
_RISE_B = 1e-4
_BEFORE_NEXT_S = 0.05


@frozen
class MeasuredString:
    """What one pluck of an open string tells."""

    f0_hz: float
    """Frequency of the ideal string: partial m sounds m f0 sqrt(1 + B m^2)."""
    stiffness_b: float
    """Fletcher's B, without unit."""
    error_cents: float
    """Standard error of the first partial."""
    partials: int
    """How many partials were measured."""


def measured_string(samples: Samples, rate_hz: int, expected_hz: float) -> MeasuredString | None:
    """Frequency and stiffness of the open string that these samples hold from its pluck on; None where none is heard.

    `samples` is one channel, in any scale; the string is looked for within 120 cents of `expected_hz`.
    """
    spectrum = _spectrum(samples, rate_hz)
    return None if spectrum is None else _measured(spectrum, expected_hz)


def _spectrum(samples: Samples, rate_hz: int) -> Spectrum | None:
    length_s = min(len(samples) / rate_hz, AFTER_ATTACK_S + MOST_S)
    if length_s < AFTER_ATTACK_S + LEAST_S:
        return None
    return Spectrum.of(frame_of(samples, rate_hz, AFTER_ATTACK_S, length_s))


def _measured(spectrum: Spectrum, expected_hz: float) -> MeasuredString | None:
    f0_hz, stiffness_b = best_on_grid(spectrum, expected_hz, SEARCH_CENTS)
    peaks: list[tuple[int, float, float]] = []
    for partials in (6, 12, MOST_PARTIALS):
        peaks = _peaks(spectrum, f0_hz, stiffness_b, partials)
        # A tone of which these are every second partial, or every third, is another one.
        if len(peaks) < LEAST_PARTIALS or math.gcd(*(peak[0] for peak in peaks)) > 1:
            return None
        f0_hz, stiffness_b, error_cents, kept = _fitted(peaks)
    if kept < LEAST_PARTIALS or abs(cents_between(f0_hz, expected_hz)) > SEARCH_CENTS:
        return None
    return MeasuredString(f0_hz, stiffness_b, error_cents, kept)


@frozen
class Pluck:
    """Where in a take one open string was plucked."""

    at_s: float
    rise_db: float
    """By how much its partials rise there, in the mean."""
    string: MeasuredString | None
    """What it tells of the string; None where it fades too soon, or is another."""


@frozen
class Plucks:
    """One pluck of each open string of a take, and what else begins in it."""

    each: tuple[Pluck, ...]
    other_s: float
    """When partials of a string rise the most, away from all of these plucks."""
    other_db: float


def ringing_string(samples: Samples, rate_hz: int, expected_hz: float) -> MeasuredString | None:
    """An open string that rings in these samples, or is plucked in them: the surer one; None for none."""
    (rise_db,) = _rises_db(samples, rate_hz, [expected_hz])
    starts = (0.0, float(np.argmax(rise_db)) * HOP_S)
    heard = [measured_string(samples[round(start * rate_hz) :], rate_hz, expected_hz) for start in starts]
    return min((each for each in heard if each), key=lambda each: each.error_cents, default=None)


def plucks_in(samples: Samples, rate_hz: int, expected_hz: Sequence[float]) -> Plucks:
    """One pluck of each open string, in the order of `expected_hz`, of a take that holds these one after the other.

    They lie where the strings' partials rise the most in all: of a take that holds something else, they rise little.
    """
    rise_db = _rises_db(samples, rate_hz, expected_hz)
    # Strings that were not plucked need room before the first that was.
    apart = round(APART_S / HOP_S)
    room = apart * len(expected_hz)
    at = [max(hop - room, 0) for hop in _in_order(np.pad(rise_db, ((0, 0), (room, 0))), apart)]
    ends_s = [hop * HOP_S - _BEFORE_NEXT_S for hop in at[1:]] + [len(samples) / rate_hz]
    plucks = []
    for string, (hop, end_s) in enumerate(zip(at, ends_s, strict=True)):
        part = samples[round(hop * HOP_S * rate_hz) : round(end_s * rate_hz)]
        measured = measured_string(part, rate_hz, expected_hz[string])
        plucks.append(Pluck(hop * HOP_S, float(rise_db[string, hop]), measured))
    other_db = rise_db.max(axis=0)
    for hop in at:
        other_db[max(hop - _BESIDE_HOPS, 0) : hop + _BESIDE_HOPS] = 0.0
    other = int(np.argmax(other_db))
    return Plucks(tuple(plucks), other * HOP_S, float(other_db[other]))


def _rises_db(samples: Samples, rate_hz: int, expected_hz: Sequence[float]) -> Values:
    """By how much each string's partials rise in the mean: a row a string, an entry every 20 ms.

    What rises everywhere, as a knock does, is taken off.
    """
    frame = frame_of(samples, rate_hz, 0.0, len(samples) / rate_hz)
    size = round(_WINDOW_S * frame.rate_hz)
    firsts = np.round(np.arange(0.0, len(frame.samples), HOP_S * frame.rate_hz)).astype(int)
    padded = np.pad(frame.samples, (size // 2, size))
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)[firsts]
    power = np.abs(np.fft.rfft(windows * np.hanning(size))) ** 2
    floor = _FLOOR_TIMES * np.quantile(power, 0.2, axis=0) + np.median(power) + 1e-7 * power.max() + 1e-18
    # Windows that touch a moment hold sound from both sides of it.
    clear = round(_WINDOW_S / 2.0 / HOP_S)
    sums = np.cumsum(np.pad(power, ((clear + _MEAN_HOPS, clear + _MEAN_HOPS), (0, 0))), axis=0)
    means = (sums[_MEAN_HOPS:] - sums[:-_MEAN_HOPS]) / _MEAN_HOPS
    level = 10.0 * np.log10(means + floor)
    risen = level[2 * clear + _MEAN_HOPS - 1 :][: len(power)] - level[: len(power)]
    risen -= np.maximum(np.median(risen, axis=1, keepdims=True), 0.0)
    numbers = np.arange(1.0, _RISE_PARTIALS + 1.0)
    rows = []
    for hz in expected_hz:
        off = 2.0 ** (np.arange(-SEARCH_CENTS, SEARCH_CENTS + 1.0, 20.0) / 1200.0)
        places = hz * off[:, None] * numbers * stiffening(numbers, _RISE_B)
        bins = np.round(places[:, places[-1] < TOP_HZ] / (frame.rate_hz / size)).astype(int)
        rows.append(np.clip(risen[:, bins], 0.0, MOST_DB).mean(axis=2).max(axis=1))
    return np.array(rows)


def _in_order(worth: Values, apart: int) -> list[int]:
    """A place in each row, each at least `apart` behind the one before, so that the sum there is highest."""
    total, ways = worth[0], []
    for row in worth[1:]:
        best = np.maximum.accumulate(total)
        way = np.maximum.accumulate(np.where(total >= best, np.arange(len(total)), 0))
        ways.append(np.concatenate([np.zeros(apart, dtype=int), way])[: len(total)])
        total = row + np.concatenate([np.full(apart, -np.inf), best])[: len(total)]
    places = [int(np.argmax(total))]
    for way in reversed(ways):
        places.append(int(way[places[-1]]))
    return places[::-1]


def _peaks(spectrum: Spectrum, f0_hz: float, stiffness_b: float, most: int) -> list[tuple[int, float, float]]:
    """Partial, frequency and height over its surroundings of every partial that stands out."""
    peaks = []
    for m in range(1, most + 1):
        hz = m * f0_hz * stiffening(m, stiffness_b)
        if hz > TOP_HZ:
            break
        peak = spectrum.peak(hz, min(max(0.012 * hz, 2.0 * spectrum.width_hz), 0.3 * f0_hz))
        if peak and peak[1] > LEAST_HEIGHT:
            peaks.append((m, *peak))
    return peaks


def _fitted(peaks: Sequence[tuple[int, float, float]]) -> tuple[float, float, float, int]:
    """f0, B, the standard error of partial 1 in cents, and how many partials the line was drawn through."""
    m = np.array([peak[0] for peak in peaks], dtype=float)
    hz = np.array([peak[1] for peak in peaks])
    # A peak's error in Hz is much the same for all, so that in (f / m)^2 it shrinks as 1 / m.
    weight = m * np.minimum(np.array([peak[2] for peak in peaks]), 100.0)
    kept = np.ones(len(m), dtype=bool)
    for _ in range(4):
        squares, line = m * m, (hz / m) ** 2
        design = np.stack([np.ones_like(m), squares], axis=1)
        w = weight * kept
        (base, slope), *_rest = np.linalg.lstsq(design * w[:, None], line * w, rcond=None)
        if slope < 0.0:
            base, slope = float(np.average(line, weights=w**2)), 0.0
        off = 600.0 * np.log2(line / np.maximum(base + slope * squares, 1e-9))
        limit = max(OUTLIER_CENTS, 3.0 * float(np.median(np.abs(off[kept]))))
        fresh = np.abs(off) <= limit
        if fresh.sum() < LEAST_PARTIALS or bool(np.all(fresh == kept)):
            break
        kept = fresh
    b = min(max(slope / base, STIFFNESS_RANGE[0]), STIFFNESS_RANGE[1])
    spread = float(np.sqrt(np.average(off[kept] ** 2, weights=weight[kept])))
    return float(math.sqrt(base)), float(b), spread / math.sqrt(max(kept.sum() - 2, 1)), int(kept.sum())
