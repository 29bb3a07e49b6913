"""The click in the microphone: where the count-in lies in a take, what the click sounds like there, and taking it out.

The count-in holds no music, so that its clicks show the whole path from the program's click through speaker, room and
microphone. That sound is subtracted wherever a click falls; a part of its slope is fitted too, which makes up for a
shift of a fraction of a sample (a Taylor series to first order).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.frame import Frame, frame_of
from coach.listen.transients import Rises, rises

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

LEAD_S = 0.004
CLICK_S = 0.12
LEAST_RISE_DB = 6.0
LIKE_S = 0.03
ALIKE = 0.85
"""Length of the mean of shapes of length 1: 1 where all are the same, 0.71 where two have nothing in common."""
OFF_GRID_S = 0.006
"""Clicks lie this near to their grid, or they are none."""


@frozen
class Strike:
    """When a click falls, in seconds of the take, and whether it is accented."""

    at_s: float
    accent: bool = False


@frozen
class ClickSound:
    """The click's sound at the low rate from 4 ms before it on, accented and not."""

    rate_hz: float
    accent: Samples
    plain: Samples

    def taken_out(self, frame: Frame, strikes: Sequence[Strike]) -> Frame:
        """The frame without the clicks that fall into it."""
        samples = frame.samples.copy()
        for strike in strikes:
            shape = self.accent if strike.accent else self.plain
            place = (strike.at_s - LEAD_S - frame.start_s) * frame.rate_hz
            first = round(place)
            start, stop = max(first, 0), min(first + len(shape), len(samples))
            if start >= stop or abs(self.rate_hz - frame.rate_hz) > 1e-6:
                continue
            part = _shifted(shape, place - first)[start - first : stop - first]
            samples[start:stop] -= part
        return Frame(samples, frame.rate_hz, frame.start_s)

    def gain_in(self, frame: Frame, strike: Strike) -> float:
        """How much of the click is in a frame from 4 ms before the strike on: 1 as in the count-in, 0 none."""
        shape = self.accent if strike.accent else self.plain
        count = min(len(shape), len(frame.samples))
        power = float(shape[:count] @ shape[:count])
        return float(shape[:count] @ frame.samples[:count]) / power if power else 0.0


def click_sound(samples: NDArray[np.floating], rate_hz: int, count_in: Sequence[Strike]) -> ClickSound | None:
    """The click's sound from a count-in; None where there are too few clicks in it."""
    shapes: dict[bool, list[Samples]] = {True: [], False: []}
    low_hz = 0.0
    for strike in count_in:
        frame = frame_of(samples, rate_hz, strike.at_s - LEAD_S, strike.at_s - LEAD_S + CLICK_S)
        low_hz = frame.rate_hz
        late = (strike.at_s - LEAD_S - frame.start_s) * frame.rate_hz
        shapes[strike.accent].append(_shifted(frame.samples, -late) - float(np.mean(frame.samples)))
    if not shapes[False]:
        return None
    plain = np.mean(shapes[False], axis=0)
    accent = np.mean(shapes[True], axis=0) if shapes[True] else plain
    fade = np.minimum(1.0, np.arange(len(plain))[::-1] / (0.2 * len(plain)))
    return ClickSound(low_hz, accent * fade, plain * fade)


def goes_on(
    click: ClickSound, samples: NDArray[np.floating], rate_hz: int, strikes: Sequence[Strike]
) -> bool:
    """Whether the click sounds on at these strikes, in the music."""
    gains = [
        click.gain_in(frame_of(samples, rate_hz, s.at_s - LEAD_S, s.at_s - LEAD_S + CLICK_S), s)
        for s in strikes
    ]
    return bool(gains) and float(np.median(gains)) > 0.5


def count_in_start_s(samples: NDArray[np.floating], rate_hz: int, offsets_s: Sequence[float]) -> float | None:
    """When the count-in begins, from its clicks: `offsets_s` after it each has one; None where it is not heard.

    The first sound of a take is taken for the first click; the others have to follow on their grid and be alike.
    """
    if len(offsets_s) < 2:
        return None
    length_s = min(len(samples) / rate_hz, 30.0)
    risen = rises(frame_of(samples, rate_hz, 0.0, length_s))
    for at in np.flatnonzero(risen.db >= LEAST_RISE_DB)[:400]:
        begin = risen.start_s + float(at) * risen.hop_s
        found = [_peak_near(risen, begin + offset) for offset in offsets_s]
        if all(peak is not None for peak in found):
            shifts = [float(peak or 0.0) - offset for peak, offset in zip(found, offsets_s, strict=True)]
            start = float(np.median(shifts))
            later = [start + offset for offset in offsets_s[1:]]
            if np.ptp(shifts) <= 2.0 * OFF_GRID_S and _alike(samples, rate_hz, later):
                return start
    return None


def _alike(samples: NDArray[np.floating], rate_hz: int, moments_s: Sequence[float]) -> bool:
    """Whether what sounds at these moments is the same each time, as clicks are and notes are not.

    The first of a bar may be accented, and is not asked about.
    """
    # Differences take out hum and weigh what a click is made of.
    parts = [np.diff(frame_of(samples, rate_hz, at - LEAD_S, at + LIKE_S).samples) for at in moments_s]
    count = min(len(part) for part in parts)
    shapes = np.array([part[:count] / (np.linalg.norm(part[:count]) + 1e-30) for part in parts])
    mean = shapes.mean(axis=0)
    return float(np.linalg.norm(mean)) > ALIKE


def _peak_near(risen: Rises, at_s: float) -> float | None:
    reach = round(OFF_GRID_S / risen.hop_s)
    middle = round((at_s - risen.start_s) / risen.hop_s)
    low, high = max(middle - reach, 0), middle + reach + 1
    part = risen.db[low:high]
    if not len(part) or part.max() < LEAST_RISE_DB:
        return None
    return risen.start_s + (low + int(np.argmax(part))) * risen.hop_s


def _shifted(shape: Samples, samples_later: float) -> Samples:
    """The shape moved by a fraction of a sample, by the phases of its spectrum."""
    count = 2 * len(shape)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(count) * samples_later)
    return np.asarray(np.fft.irfft(np.fft.rfft(shape, count) * turn, count)[: len(shape)])
