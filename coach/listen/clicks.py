"""The click in the microphone: what it sounds like in the count-in, and taking it out.

The count-in holds no music, so that its clicks show the whole path from the program's click through speaker, room and
microphone. That sound is subtracted wherever a click falls. Two devices' clocks differ by up to 100 millionths, which
after half a minute is the whole period of a click: how far the take runs ahead is fitted to all clicks together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Samples, Values
from coach.listen.frame import Frame, frame_of

LEAD_S = 0.004
CLICK_S = 0.12
LEAST_GAIN = 0.6
"""So much of the click, in the mean, is heard in the music where it sounds on; where it ends with the count-in .1."""
_MOST_GAIN = 3.0
"""Where a note is so much louder than the click, its beginning says nothing of the click."""
_MOST_OFF_S, _MOST_DRIFT = 5e-4, 1e-4
_EDGE_S = 0.001
_FINE = 16


@frozen
class Strike:
    """When a click falls, in seconds of the take, and whether it is accented."""

    at_s: float
    accent: bool = False


@frozen
class ClickSound:
    """The click's sound at the low rate from 4 ms before it on, accented and not."""

    rate_hz: float
    accent: Values
    plain: Values

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


@frozen
class Drift:
    """How much later than by the music's clock a take's sounds come, in seconds: at beat 1, and more by each second."""

    at_beat_1_s: float
    by_second: float
    beat_1_s: float

    def moved(self, strikes: Sequence[Strike]) -> tuple[Strike, ...]:
        """Clicks where they lie in the take."""
        return tuple(
            Strike(one.at_s + self.at_beat_1_s + self.by_second * (one.at_s - self.beat_1_s), one.accent)
            for one in strikes
        )


def click_sound(samples: Samples, rate_hz: int, count_in: Sequence[Strike]) -> ClickSound | None:
    """The click's sound from a count-in; None where there are too few clicks in it."""
    shapes: dict[bool, list[Values]] = {True: [], False: []}
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


def drift_of(
    click: ClickSound,
    samples: Samples,
    rate_hz: int,
    strikes: Sequence[Strike],
    beat_1_s: float,
) -> Drift | None:
    """Where the clicks in the music lie: where most of their sound is found; None where they are not heard."""
    inside = [one for one in strikes if beat_1_s <= one.at_s <= len(samples) / rate_hz - CLICK_S]
    after_s = np.array([one.at_s - beat_1_s for one in inside])
    gains = [
        _Gains.of(click, samples, rate_hz, one, _MOST_OFF_S + _MOST_DRIFT * after)
        for one, after in zip(inside, after_s, strict=True)
    ]
    most = 0.0, 0.0, 0.0
    for reach_s, reach, steps in ((_MOST_OFF_S, _MOST_DRIFT, 100), (5e-5, 2e-6, 10)):
        off_s = most[1] + np.linspace(-reach_s, reach_s, 21)
        drift = most[2] + np.linspace(-reach, reach, steps + 1)
        mean = np.zeros((len(off_s), len(drift)))
        for one, after in zip(gains, after_s, strict=True):
            gain = one.at(off_s[:, None] + drift * after)
            mean += np.where(np.abs(gain) < _MOST_GAIN, np.clip(gain, -1.0, 1.0), 0.0) / len(inside)
        best = np.unravel_index(int(np.argmax(mean)), mean.shape)
        most = float(mean[best]), float(off_s[best[0]]), float(drift[best[1]])
    return Drift(most[1], most[2], beat_1_s) if most[0] >= LEAST_GAIN else None


@frozen
class _Gains:
    """How much of the click lies around its strike, a sixteenth of a sample apart: 1 as in the count-in, 0 none."""

    gain: Values
    first_s: float
    step_s: float

    @classmethod
    def of(cls, click: ClickSound, samples: Samples, rate_hz: int, strike: Strike, reach_s: float) -> _Gains:
        shape = click.accent if strike.accent else click.plain
        begin_s = strike.at_s - LEAD_S
        frame = frame_of(samples, rate_hz, begin_s - reach_s - _EDGE_S, begin_s + CLICK_S + reach_s + _EDGE_S)
        gain = np.correlate(frame.samples, shape, "valid") / (float(shape @ shape) + 1e-18)
        fine = np.fft.irfft(np.fft.rfft(gain), len(gain) * _FINE) * _FINE
        return cls(np.asarray(fine), frame.start_s - begin_s, 1.0 / (frame.rate_hz * _FINE))

    def at(self, later_s: Values) -> Values:
        places = np.round((later_s - self.first_s) / self.step_s).astype(int)
        return np.asarray(self.gain[np.clip(places, 0, len(self.gain) - 1)])


def _shifted(shape: Values, samples_later: float) -> Values:
    """The shape moved by a fraction of a sample, by the phases of its spectrum."""
    count = 2 * len(shape)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(count) * samples_later)
    return np.asarray(np.fft.irfft(np.fft.rfft(shape, count) * turn, count)[: len(shape)])
