"""Sharp beginnings in a stretch of sound: a pluck or a click is a burst of high partials that was not there before."""

from __future__ import annotations

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Values
from coach.listen.frame import Frame

HIGH_HZ = 900.0
HOP_S = 0.001
_AFTER, _BEFORE, _GAP = 5, 8, 1
"""Hops that are compared: 5 ms after a moment with 8 ms before it."""
_FLOOR_PERCENT = 10.0


@frozen
class Rises:
    """By how much the power above 900 Hz rises at each moment."""

    db: Values
    hop_s: float
    """From one moment to the next."""
    start_s: float
    """The first moment, in seconds of the take."""

    @property
    def moments_s(self) -> Values:
        return np.asarray(self.start_s + np.arange(len(self.db)) * self.hop_s, dtype=float)


def rises(frame: Frame) -> Rises:
    """How sharply sound begins at each moment of a frame."""
    high = _high_passed(frame) if len(frame.samples) else frame.samples
    hop = max(int(HOP_S * frame.rate_hz), 1)
    power = np.add.reduceat(high**2, np.arange(0, len(high), hop)) if len(high) else np.zeros(0)
    rise_db = np.full(len(power), -20.0)
    if len(power) > _AFTER + _BEFORE + _GAP:
        floor = float(np.percentile(power, _FLOOR_PERCENT)) + 1e-12
        total = np.concatenate([[0.0], np.cumsum(power)])
        at = np.arange(_BEFORE + _GAP, len(power) - _AFTER)
        after = (total[at + _AFTER] - total[at]) / _AFTER
        before = (total[at - _GAP] - total[at - _GAP - _BEFORE]) / _BEFORE
        rise_db[at] = 10.0 * np.log10((after + floor) / (before + floor))
    return Rises(rise_db, hop / frame.rate_hz, frame.start_s)


def _high_passed(frame: Frame) -> Values:
    """What lies above 900 Hz: the samples without their low-passed selves."""
    width = int(0.004 * frame.rate_hz) | 1
    n = np.arange(-width, width + 1)
    low = np.sinc(2.0 * HIGH_HZ / frame.rate_hz * n) * np.hanning(2 * width + 3)[1:-1]
    low /= low.sum()
    return np.asarray(frame.samples - np.convolve(frame.samples, low)[width : width + len(frame.samples)])
