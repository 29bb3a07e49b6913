"""Where a string's partial must lie, from those of its partials that no partial of the other string comes near.

Two strings ring whose partials p and q meet. Partials that are no multiple of p belong to the lower string alone, those
that are no multiple of q to the higher: even a clean touch leaves traces of them. Each is measured as one fading tone,
under a window that fades as it does: that is the likeliest frequency, and its error is the Cramer-Rao bound (Yao and
Pandit, IEEE Trans. Signal Process. 43 (1995) 878, from memory). (f_m / m)^2 = f0^2 + f0^2 B m^2 is a straight line in
m^2 (Fletcher, JASA 36 (1964) 203), fitted by weighted least squares with outliers left out, and read at the partial
that is asked for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Values
from coach.listen.band import Band, Meeting
from coach.listen.frame import TOP_HZ, Frame
from coach.listen.grid import STIFFEST_B, best_on_grid
from coach.listen.spectrum import Spectrum
from coach.strings.units import stiffening

if TYPE_CHECKING:
    _Line = tuple[float, float]

SEARCH_CENTS = 70.0
HIGHEST = 12
_STAGES = (3, 6, HIGHEST)
"""So many partials are looked for before those above them, which need a better B."""
LEAST_PARTIALS = 2
PEAK_ERROR = 5e-5
"""A partial's frequency may be off the line by such a share whatever the noise: polarisations, soft supports."""
LEAST_GAIN = 14.0
"""A partial's power is so many times what noise has at the same place: the best of 50 places of noise has some 4."""
BESIDE_HZ = 3.0
"""A partial with one of the other string so near is no lone one."""
_USUAL_B = 0.3
"""What B mostly is, of that spread."""
_DECAYS = np.array([0.0, 0.5, 1.0, 2.0, 3.5, 6.0, 10.0, 16.0])
_HALF_BAND_HZ, _HALF_BAND = 25.0, 0.45
"""Half of what is looked at of a lone partial: so much, or so much of the string's own frequency if that is less."""
_FLAT = 0.7
_REACH_HZ, _REACH = 0.8, 0.0015
"""A partial is looked for so far from where the line puts it, in Hz or as a share."""
_OTHERS = 40
_SIZE = 1024


@frozen
class Expected:
    """Where one partial lies, and how well that is known."""

    hz: float
    error_hz: float
    usual_level: float
    """The median of all that were looked for, in the spectrum's unit; what is not heard has none."""


@frozen
class _Tone:
    """A partial that was measured."""

    number: float
    hz: float
    error_hz: float


def expected_partials(frame: Frame, meeting: Meeting) -> tuple[Expected | None, Expected | None]:
    """Where the lower and the higher string's meeting partials lie, by those that don't meet; None where unclear."""
    spectrum = Spectrum.of(frame)
    low = best_on_grid(spectrum, meeting.low_open_hz, SEARCH_CENTS)
    high = best_on_grid(spectrum, meeting.high_open_hz, SEARCH_CENTS)
    return (
        _expected(frame, spectrum, meeting.low_partial, low, high),
        _expected(frame, spectrum, meeting.high_partial, high, low),
    )


def _stiff_hz(line: _Line, numbers: Values) -> Values:
    f0_hz, b = line
    return numbers * f0_hz * stiffening(numbers, b)


def _expected(frame: Frame, spectrum: Spectrum, partial: int, line: _Line, other: _Line) -> Expected | None:
    numbers = np.array([m for m in range(1, HIGHEST + 1) if m % partial], dtype=float)
    others_hz = _stiff_hz(other, np.arange(1.0, _OTHERS + 1.0))
    tones: dict[float, _Tone] = {}
    expected = None
    for most in _STAGES:
        for m in numbers[numbers <= most]:
            hz = float(_stiff_hz(line, m))
            if m not in tones and hz < TOP_HZ and np.abs(others_hz - hz).min() > BESIDE_HZ:
                half_hz = min(_HALF_BAND_HZ, _HALF_BAND * line[0])
                if tone := _tone(frame, m, hz, half_hz):
                    tones[m] = tone
        if len(tones) >= LEAST_PARTIALS:
            line, expected = _fitted(list(tones.values()), partial)
    if expected is None:
        return None
    heard = spectrum.level[spectrum.places(np.array([tone.hz for tone in tones.values()]))]
    level = float(np.median([*heard, *np.zeros(len(numbers) - len(heard))]))
    return Expected(*expected, level)


def _tone(frame: Frame, number: float, hz: float, half_hz: float) -> _Tone | None:
    """The likeliest fading tone near `hz`; None where noise could have as much."""
    band = Band.around(frame, hz, half_hz)
    windows = np.exp(-_DECAYS[:, None] * band.times_s)
    windows /= np.linalg.norm(windows, axis=1)[:, None]
    turns_hz = np.asarray(np.fft.fftfreq(_SIZE, band.step_s), dtype=float)
    sums = np.fft.fft(windows * band.phasors, _SIZE)
    power = np.where(np.abs(turns_hz) <= max(_REACH_HZ, _REACH * hz), np.abs(sums) ** 2, 0.0)
    fade, at = np.unravel_index(int(np.argmax(power)), power.shape)
    before, top, after = (float(np.abs(sums[fade, (at + step) % _SIZE]) ** 2) for step in (-1, 0, 1))
    bend = before - 2.0 * top + after
    gain = top / _noise(band, windows[fade], turns_hz, int(at), half_hz)
    if gain < LEAST_GAIN or bend >= 0.0 or max(before, after) > top:
        return None
    weights = windows[fade] ** 2
    spread_s = math.sqrt(float(weights @ (band.times_s - float(weights @ band.times_s)) ** 2))
    error_hz = math.hypot(1.0 / (2.0 * math.pi * spread_s * math.sqrt(2.0 * gain)), PEAK_ERROR * hz)
    shift = 0.5 * (before - after) / bend
    return _Tone(number, hz + float(turns_hz[at]) + shift / (_SIZE * band.step_s), error_hz)


def _noise(band: Band, window: Values, turns_hz: Values, at: int, half_hz: float) -> float:
    """Power of noise under a window, from what the tone leaves where the filter is flat: half lies below ln 2 of it."""
    tone = window * np.exp(2j * math.pi * turns_hz[at] * band.times_s)
    left = band.phasors - tone * (tone.conj() @ band.phasors)
    power = np.abs(np.fft.fft(window * left, _SIZE)[np.abs(turns_hz) < _FLAT * half_hz]) ** 2
    return float(np.median(power)) / math.log(2.0) + 1e-30


def _fitted(tones: list[_Tone], partial: int) -> tuple[_Line, tuple[float, float] | None]:
    """f0 and B; and the frequency of the string's partial with its error, None where they make no sense."""
    m, hz, errors_hz = np.array([(tone.number, tone.hz, tone.error_hz) for tone in tones]).T
    squares, scale = np.square(hz / m), 2.0 * hz / m**2 * errors_hz
    rows = np.stack([np.ones_like(m), m**2], axis=1) / scale[:, None]
    # A last row holds what is known of B beforehand.
    usual = np.array([0.0, float(m[0] ** 2 / (hz[0] ** 2 * STIFFEST_B))])
    kept = np.ones(len(m), dtype=bool)
    for _ in range(4):
        design = np.vstack([rows[kept], usual])
        spread = np.linalg.inv(design.T @ design)
        fit = spread @ (design.T @ np.append((squares / scale)[kept], _USUAL_B))
        off = (squares - fit[0] - fit[1] * m**2) / scale
        fresh = np.abs(off) < max(3.5, 2.0 * float(np.median(np.abs(off[kept]))))
        if fresh.sum() < LEAST_PARTIALS or bool((fresh == kept).all()):
            break
        kept = fresh
    at = np.array([1.0, float(partial) ** 2])
    squared = partial**2 * float(at @ fit)
    line = math.sqrt(max(float(fit[0]), 1.0)), max(float(fit[1] / fit[0]), 0.0)
    if squared <= 0.0 or fit[0] <= 0.0:
        return line, None
    misfit = max(1.0, float(np.sum(off[kept] ** 2)) / max(int(kept.sum()) - 1, 1))
    partial_hz = math.sqrt(squared)
    error_hz = partial**2 * math.sqrt(float(at @ spread @ at) * misfit) / (2.0 * partial_hz)
    return line, (partial_hz, error_hz)
