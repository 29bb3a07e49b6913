"""The spectrum of a stretch in which strings ring: where a partial's peak lies, and how far it stands out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coach.ground.frozen import frozen
from coach.listen.arrays import Values
from coach.listen.frame import Frame

LEAST_HEIGHT = 6.0
"""A peak that counts is so many times as high as what is around it."""
_PADDED = 8
_AROUND = 18.0
"""A peak is compared with what lies within so many of its half widths."""
_FLOOR_SHARE = 0.4
"""The level under which so much of the surroundings lies is their floor: most of them hold noise, not partials."""


@frozen
class Spectrum:
    """Amplitudes of a Hann-windowed stretch, eight bins and more to its resolution."""

    level: Values
    bin_hz: float
    width_hz: float
    """Half the width of a peak."""

    @classmethod
    def of(cls, frame: Frame) -> Spectrum:
        count = len(frame.samples)
        size = 1 << (_PADDED * count - 1).bit_length()
        level = np.abs(np.fft.rfft(frame.samples * np.hanning(count), size))
        return cls(level, frame.rate_hz / size, 2.0 * frame.rate_hz / count)

    def places(self, hz: Values) -> NDArray[np.intp]:
        """The bins of these frequencies."""
        return np.minimum(np.round(hz / self.bin_hz), len(self.level) - 1).astype(np.intp)

    def peak(self, hz: float, reach_hz: float) -> tuple[float, float] | None:
        """Frequency, and height against what is around, of the highest peak near `hz`; None where there is none."""
        middle, reach = round(hz / self.bin_hz), round(reach_hz / self.bin_hz)
        around = round(_AROUND * self.width_hz / self.bin_hz)
        if middle - reach < 1 or middle + max(reach, around) + 1 > len(self.level):
            return None
        top = middle - reach + int(np.argmax(self.level[middle - reach : middle + reach + 1]))
        left, peak, right = np.log(self.level[top - 1 : top + 2] + 1e-30)
        bend = left - 2.0 * peak + right
        shift = 0.5 * (left - right) / bend if bend else 2.0
        floor = float(np.quantile(self.level[max(top - around, 0) : top + around], _FLOOR_SHARE))
        if abs(shift) >= 1.0 or floor <= 0.0:
            return None
        return (top + shift) * self.bin_hz, float(self.level[top]) / floor
