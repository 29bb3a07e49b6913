"""The click in the microphone: what it sounds like in the count-in, and taking it out.

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

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

LEAD_S = 0.004
CLICK_S = 0.12


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


def _shifted(shape: Samples, samples_later: float) -> Samples:
    """The shape moved by a fraction of a sample, by the phases of its spectrum."""
    count = 2 * len(shape)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(count) * samples_later)
    return np.asarray(np.fft.irfft(np.fft.rfft(shape, count) * turn, count)[: len(shape)])
