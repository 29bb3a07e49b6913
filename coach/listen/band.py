"""The narrow band in which two strings' partials nearly meet, brought down to 0 Hz.

Phasors are complex samples at a low rate: a partial `d` Hz above the middle turns `d` times a second.
"""

from __future__ import annotations

import math

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Phasors, Values
from coach.listen.frame import Frame

ONSET_SHARE = 0.02
"""What has less power in the band than so much of the loudest is before the strings ring."""
STOPPED = 100.0
"""By so much in power a hand's stop takes off within a tenth of a second: the fastest strings need twice as long."""
_BEFORE_STOP_S, _STOPS_WITHIN_S = 0.15, 0.1
_STEADY = 20.0
"""The loudest of some hundred points of noise has less than so many times its median's power."""
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

    @property
    def onset_s(self) -> float:
        """Behind when the strings began to ring, or the filter's own rise after it; 0 where they do from the start."""
        power = np.abs(self.phasors) ** 2
        loud = np.flatnonzero(power > ONSET_SHARE * power.max(initial=0.0))
        first = int(loud[0]) if len(loud) else 0
        return 0.0 if first < 2 else min(float(self.times_s[first]) + _RISE_S, float(self.times_s[-2]))

    @property
    def stop_s(self) -> float:
        """When a hand stopped the strings: from then on there is noise alone, 20 dB down. Infinite where none did."""
        power = np.abs(self.phasors) ** 2
        before, gap = round(_BEFORE_STOP_S / self.step_s), round(_STOPS_WITHIN_S / self.step_s)
        for at in range(before, len(power) - 3 * gap):
            rest = power[at + gap :]
            steady = rest.max() <= _STEADY * np.median(rest) + 1e-30
            if steady and power[at - before : at].mean() > STOPPED * rest.max():
                return float(self.times_s[at])
        return math.inf

    def between(self, start_s: float, stop_s: float) -> Band:
        """That part only: what begins or ends in the middle is no fading tone."""
        first, last = np.searchsorted(self.times_s, (start_s, stop_s))
        later_s = self.times_s[first:last] - self.times_s[first]
        return Band(self.phasors[first:last], later_s, self.middle_hz, self.mains[first:last])

    @classmethod
    def of(cls, frame: Frame, meeting: Meeting) -> Band:
        """The band may not reach the next partial of the lower string, and holds 50 cents to either side."""
        half_hz = min(0.45 * meeting.low_open_hz, max(_HALF_BAND_HZ, _HALF_BAND * meeting.hz))
        return cls.around(frame, meeting.hz, half_hz)

    @classmethod
    def around(cls, frame: Frame, middle_hz: float, half_hz: float) -> Band:
        """What lies within `half_hz` of a frequency."""
        reach = int(1.6 * frame.rate_hz / half_hz)
        away_s = np.arange(-reach, reach + 1) / frame.rate_hz
        taps = np.sinc(away_s * 2.0 * half_hz) * np.kaiser(2 * reach + 1, _KAISER_BETA)
        taps /= taps.sum()
        # The filter is turned instead of the sound, and what is kept of it afterwards: so it takes real products only.
        turned = 2.0 * math.pi * middle_hz * away_s
        both = np.stack([taps * np.cos(turned), -taps * np.sin(turned)], axis=1)
        step = max(int(frame.rate_hz / (2.6 * half_hz)), 1)
        windows = np.lib.stride_tricks.sliding_window_view(frame.samples, len(taps))[::step]
        kept_s = np.arange(len(windows)) * step / frame.rate_hz
        phasors = (windows @ both) @ np.array([1.0, 1j]) * np.exp(-2j * math.pi * middle_hz * kept_s)
        lines_hz = [
            line_hz - middle_hz
            for mains_hz in _MAINS_HZ
            for line_hz in mains_hz * np.arange(1, 40)
            if _MAINS_APART_HZ < abs(line_hz - middle_hz) < half_hz
        ]
        mains = np.exp(2j * math.pi * kept_s[:, None] * np.array(lines_hz)[None, :])
        return cls(phasors, kept_s, middle_hz, mains)
