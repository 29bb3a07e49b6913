"""A stretch of sound at a low rate: what every measurement here looks at.

Most partials that matter lie below 3 kHz, so that sound is taken down to 8 kHz or more by a whole factor; times stay
exact. For what lies above, as most partials of a guitar's high nodes do, it is taken down to twice that.
The filter is a Kaiser-windowed sinc (Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 7, from memory), down
by 60 dB at half the low rate.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Samples, Values

LOW_RATE_HZ = 8000
"""Sound is taken down to this rate, or up to twice as much where its own rate asks for that."""
TOP_HZ = 3400.0
"""Up to here the filter leaves everything as it is; at twice the rate up to twice this."""
SPLIT_HZ = 3000.0
"""Partials above this are measured at twice the low rate."""
_HALF_TAPS = 10
"""Half the filter's length in samples of the low rate."""
_KAISER_BETA = 6.0


@frozen
class Frame:
    """Samples at a low rate; the first lies at `start_s` of the take."""

    samples: Values
    rate_hz: float
    start_s: float

    @property
    def times_s(self) -> Values:
        """When each sample lies, in seconds of the take."""
        return self.start_s + np.arange(len(self.samples)) / self.rate_hz

    def between(self, start_s: float, stop_s: float) -> Frame:
        """The part from `start_s` to `stop_s`, as far as there is any."""
        first = max(round((start_s - self.start_s) * self.rate_hz), 0)
        last = max(round((stop_s - self.start_s) * self.rate_hz), first)
        return Frame(self.samples[first:last], self.rate_hz, self.start_s + first / self.rate_hz)


@frozen
class Stretch:
    """The same stretch at the low rate and at twice that."""

    low: Frame
    high: Frame

    def between(self, start_s: float, stop_s: float) -> Stretch:
        """The part from `start_s` to `stop_s`, as far as there is any."""
        return Stretch(self.low.between(start_s, stop_s), self.high.between(start_s, stop_s))

    def by_band(self, hz: Values) -> tuple[tuple[Frame, Values], ...]:
        """Frequencies, the lowest first, each with the frame that it is measured in."""
        split = int(np.searchsorted(hz, SPLIT_HZ))
        return ((self.low, hz[:split]), (self.high, hz[split:]))


def frame_of(
    samples: Samples, rate_hz: int, start_s: float, stop_s: float, low_rate_hz: int = LOW_RATE_HZ
) -> Frame:
    """The stretch of one channel from `start_s` to `stop_s`; what lies outside the take is silence."""
    factor = max(rate_hz // low_rate_hz, 1)
    taps = _taps(factor)
    half = len(taps) // 2
    first, count = round(start_s * rate_hz), max(round((stop_s - start_s) * rate_hz / factor), 0)
    low = _padded(samples, first - half, (count - 1) * factor + len(taps) if count else 0)
    windows = np.lib.stride_tricks.sliding_window_view(low, len(taps))[::factor] if count else low[:0, None]
    return Frame(windows @ taps[: windows.shape[1]], rate_hz / factor, first / rate_hz)


def _padded(samples: Samples, first: int, count: int) -> Values:
    """`count` samples from index `first`, zeros where there are none."""
    out = np.zeros(count)
    start, stop = max(first, 0), min(first + count, len(samples))
    if start < stop:
        out[start - first : stop - first] = samples[start:stop]
    return out


@lru_cache(maxsize=16)
def _taps(factor: int) -> Values:
    """The low-pass filter before taking every `factor`th sample; its middle tap is at no delay."""
    if factor == 1:
        return np.ones(1)
    half = _HALF_TAPS * factor
    n = np.arange(-half, half + 1)
    taps = np.sinc(n * 0.9 / factor) * np.kaiser(2 * half + 1, _KAISER_BETA)
    taps /= taps.sum()
    taps.setflags(write=False)
    return taps
