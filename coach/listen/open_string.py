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
from coach.listen.arrays import Samples
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
ONSET_DB = 9.0
"""A pluck is louder than what rang before it by so much."""
CANDIDATES = 3
"""So many sharp beginnings for each string are tried as its pluck: a finger that stops a string has one too."""
_BEFORE_NEXT_S = 0.05
_HOP_S = 0.01


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


def plucks_in(samples: Samples, rate_hz: int, most: int) -> tuple[float, ...]:
    """When strings were plucked, in seconds of a take of single plucks with pauses: the `most` clearest, in order."""
    frame = frame_of(samples, rate_hz, 0.0, len(samples) / rate_hz)
    hop = round(_HOP_S * frame.rate_hz)
    # Differences weigh the attack's high partials more than the low ones that ring on, and take out hum and rumble.
    sharp = np.diff(frame.samples, prepend=0.0)
    energy = np.add.reduceat(sharp**2, np.arange(0, len(sharp), hop)) if len(sharp) else np.zeros(0)
    level_db = 10.0 * np.log10(energy + 1e-12 * (energy.max(initial=0.0) + 1e-30))
    back = 6
    before = np.concatenate([np.full(back, level_db.min(initial=0.0)), level_db])[: len(level_db)]
    rise_db = level_db - np.minimum.reduce([before, level_db])
    found: list[float] = []
    for at in np.argsort(-rise_db, kind="stable"):
        if rise_db[at] < ONSET_DB or len(found) == most:
            break
        first = max(int(at) - back, 0)
        first += int(np.argmax(rise_db[first : int(at) + 1] >= ONSET_DB))
        moment = first * hop / frame.rate_hz
        if all(abs(moment - other) >= APART_S for other in found):
            found.append(moment)
    return tuple(sorted(found))


def ringing_string(samples: Samples, rate_hz: int, expected_hz: float) -> MeasuredString | None:
    """An open string that rings in these samples, or is plucked in them: the surer one; None for none."""
    starts = (0.0, *plucks_in(samples, rate_hz, 1))
    heard = [measured_string(samples[round(start * rate_hz) :], rate_hz, expected_hz) for start in starts]
    return min((each for each in heard if each), key=lambda each: each.error_cents, default=None)


def measured_strings(
    samples: Samples, rate_hz: int, expected_hz: Sequence[float]
) -> tuple[MeasuredString | None, ...]:
    """Every open string of a take that holds one pluck of each, in the order of `expected_hz`.

    A string is None where it is not found. ValueError where the take holds fewer plucks than there are strings.
    """
    moments = plucks_in(samples, rate_hz, CANDIDATES * len(expected_hz))
    if len(moments) < len(expected_hz):
        raise ValueError(
            f"{len(moments)} pluck{'' if len(moments) == 1 else 's'} heard, but there are {len(expected_hz)} strings"
        )
    spectra = [_spectrum(samples[round(moment * rate_hz) :], rate_hz) for moment in moments]
    heard = [[_measured(spectrum, hz) if spectrum else None for hz in expected_hz] for spectrum in spectra]
    plucked = _in_order([[each.partials if each else 0 for each in row] for row in heard])
    measured: list[MeasuredString | None] = [None] * len(expected_hz)
    ends = [moments[at] for _, at in plucked[1:]] + [len(samples) / rate_hz]
    for (string, at), end in zip(plucked, ends, strict=True):
        part = samples[round(moments[at] * rate_hz) : round((end - _BEFORE_NEXT_S) * rate_hz)]
        whole = end - _BEFORE_NEXT_S - moments[at] >= AFTER_ATTACK_S + MOST_S
        measured[string] = heard[at][string] if whole else measured_string(part, rate_hz, expected_hz[string])
    return tuple(measured)


def _in_order(worth: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    """Which string was plucked at which moment, both rising, so that the most partials are heard.

    `worth` has a row a moment and an entry a string.
    """
    best: list[list[tuple[int, list[tuple[int, int]]]]] = [[(0, [])] * (len(worth[0]) + 1)]
    for at, row in enumerate(worth):
        fresh = best[-1][:1]
        for string, count in enumerate(row):
            total, pairs = best[-1][string]
            taken = (total + count, [*pairs, (string, at)] if count else pairs)
            fresh.append(max(best[-1][string + 1], fresh[-1], taken, key=lambda one: one[0]))
        best.append(fresh)
    return best[-1][-1][1]


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
