"""The narrow band in which two strings' partials nearly meet, brought down to 0 Hz.

Phasors are complex samples at a low rate: a partial `d` Hz above the middle turns `d` times a second.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.frame import Frame

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]
    Phasors = NDArray[np.complex128]

ONSET_SHARE = 0.02
"""What has less power in the band than so much of the loudest is before the strings ring."""
_HALF_BAND_HZ = 20.0
_HALF_BAND = 0.03
_KAISER_BETA = 5.0
_MAINS_HZ = (50.0, 60.0)
_MAINS_APART_HZ = 2.0
_RISE_S = 0.1


@frozen
class Meeting:
    """Which partials of which two open strings are to meet."""

    low_open_hz: float
    high_open_hz: float
    low_partial: int
    high_partial: int

    @property
    def hz(self) -> float:
        """About where they meet."""
        return self.low_partial * self.low_open_hz


@frozen
class Band:
    """What is around the meeting partials, brought down to 0 Hz."""

    phasors: Phasors
    times_s: Values
    middle_hz: float
    mains: Phasors
    """Lines of the mains in the band, a column each."""

    @property
    def step_s(self) -> float:
        return float(self.times_s[1] - self.times_s[0])

    @property
    def length_s(self) -> float:
        return len(self.times_s) * self.step_s

    def from_onset(self) -> Band:
        """Without what came before the strings rang: what begins in the middle is no fading tone."""
        power = np.abs(self.phasors) ** 2
        loud = np.flatnonzero(power > ONSET_SHARE * power.max(initial=0.0))
        first = int(loud[0]) if len(loud) else 0
        if first < 2:
            return self
        # Behind the filter's own rise.
        first = min(first + round(_RISE_S / self.step_s), len(power) - 2)
        later_s = self.times_s[first:] - self.times_s[first]
        return Band(self.phasors[first:], later_s, self.middle_hz, self.mains[first:])

    @classmethod
    def of(cls, frame: Frame, meeting: Meeting) -> Band:
        """The band may not reach the next partial of the lower string, and holds 50 cents to either side."""
        half_hz = min(0.45 * meeting.low_open_hz, max(_HALF_BAND_HZ, _HALF_BAND * meeting.hz))
        times_s = np.arange(len(frame.samples)) / frame.rate_hz
        turned = frame.samples * np.exp(-2j * math.pi * meeting.hz * times_s)
        reach = int(1.6 * frame.rate_hz / half_hz)
        taps = np.sinc(np.arange(-reach, reach + 1) * 2.0 * half_hz / frame.rate_hz)
        taps *= np.kaiser(2 * reach + 1, _KAISER_BETA)
        step = max(int(frame.rate_hz / (2.6 * half_hz)), 1)
        windows = np.lib.stride_tricks.sliding_window_view(turned, len(taps))[::step]
        phasors = windows @ (taps / taps.sum())
        kept_s = times_s[reach::step][: len(phasors)] - times_s[reach]
        lines_hz = [
            line_hz - meeting.hz
            for mains_hz in _MAINS_HZ
            for line_hz in mains_hz * np.arange(1, 40)
            if _MAINS_APART_HZ < abs(line_hz - meeting.hz) < half_hz
        ]
        mains = np.exp(2j * math.pi * kept_s[:, None] * np.array(lines_hz)[None, :])
        return cls(phasors, kept_s, meeting.hz, mains)
