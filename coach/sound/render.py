"""Clicks and tones of one rep as PCM, laid out where they are asked for: pure, no device, no clock.

Conventions: PCM is mono float32 in [-1, 1]; sample 0 is the rep's start. No sample ever exceeds
`coach.sound.levels.CEILING`. Each click begins at zero on its own sample and ends at zero, so that no edge is
heard. The click's sounds are sums of damped sine waves, as a struck bar or block gives; their figures are our
own.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from coach.music.rhythm import sample_at
from coach.sound.levels import CEILING, amplitude, fade_edges, limit
from coach.sound.player import RATE
from coach.sound.settings import DEFAULT_VOLUME_DB
from coach.sound.timeline import Kind, Strike
from coach.sound.tones import Tone, Tones, render_tone, tone_samples

if TYPE_CHECKING:
    from coach.sound.player import Pcm

_FADE_IN_S = 0.0005
_CLICK_S = 0.06
_CUT_FADE_S = 0.01

_Mode = tuple[float, float, float]
"""Frequency in Hz, share of the amplitude, time in seconds in which it falls to 1/e."""

_MODES: dict[str, tuple[_Mode, ...]] = {
    "wood": ((1050.0, 0.7, 0.010), (2680.0, 0.3, 0.004)),
    "tick": ((2400.0, 0.6, 0.004), (4100.0, 0.4, 0.002)),
    "tone": ((880.0, 1.0, 0.018),),
    "block": ((620.0, 0.8, 0.012), (1710.0, 0.2, 0.005)),
}
_VOICING: dict[Kind, tuple[float, float]] = {
    "accent": (1.5, 4.0),
    "beat": (1.0, 0.0),
    "subdivision": (0.8, -7.0),
}
"""Kind to (pitch against the beat's, level in dB against the beat's)."""


@lru_cache(maxsize=64)
def click_shape(sound: str, kind: Kind, rate: int) -> Pcm:
    """One click, peak 1.0 for a beat, from its first sample; read-only. `sound` is one of `CLICK_SOUNDS`."""
    pitch, level_db = _VOICING[kind]
    time_s = np.arange(round(_CLICK_S * rate)) / rate
    wave = np.zeros_like(time_s)
    for hz, share, decay_s in _MODES[sound]:
        wave += share * np.sin(2 * np.pi * hz * pitch * time_s) * np.exp(-time_s / decay_s)
    fade_edges(wave, rate, _FADE_IN_S, 0.01)
    wave *= amplitude(level_db) / np.abs(wave).max()
    shape = wave.astype(np.float32)
    shape.setflags(write=False)
    return shape


class RepSound:
    """The samples of one rep, click and model mixed and limited; a slice of it lays out only its own samples.

    So a rep of hours starts as soon as one of seconds, and takes no more room. It lasts `length_s`, or, where that is
    None, until `tail_s` after the last strike and the last tone; a click over the end is cut off, a tone fades.
    `strikes` are in order of time. `volume_db` is a beat's peak against `CEILING`.
    """

    def __init__(
        self,
        strikes: Sequence[Strike] = (),
        tones: Tones | Iterable[Tone] = (),
        rate: int = RATE,
        *,
        length_s: Fraction | float | None = None,
        tail_s: float = 0.5,
        sound: str = "wood",
        volume_db: float = DEFAULT_VOLUME_DB,
    ) -> None:
        self._strikes = strikes
        self._tones = tones if isinstance(tones, Tones) else Tones.of(tones)
        self._rate = rate
        self._sound = sound
        self._volume_db = volume_db
        self._click_samples = len(click_shape(sound, "beat", rate))
        if length_s is None:
            ends = [float(strike.at_s) for strike in strikes]
            ends += [float(tone.onset_s) + tone.duration_s for tone in self._tones]
            length_s = max(ends, default=0.0) + tail_s
        self._length = sample_at(Fraction(length_s), rate)

    def __len__(self) -> int:
        return self._length

    def __getitem__(self, samples: slice) -> Pcm:
        first, stop, _ = samples.indices(self._length)
        pcm = np.zeros(max(stop - first, 0), dtype=np.float32)
        if self._tones:
            self._add_tones(pcm, first)
        self._add_clicks(pcm, first)
        return limit(pcm)

    def _add_tones(self, pcm: Pcm, first: int) -> None:
        rate, stop = self._rate, first + len(pcm)
        for tone in self._tones.between(first / rate, stop / rate):
            start = sample_at(Fraction(tone.onset_s), rate)
            begin, end = max(start, first), min(start + tone_samples(tone, rate), stop)
            if begin < end and start >= 0:
                pcm[begin - first : end - first] += render_tone(tone, rate, begin - start, end - start)
        pcm *= np.float32(self._tones.gain)
        fade_edges(pcm, rate, 0.0, _CUT_FADE_S, first, self._length)

    def _add_clicks(self, pcm: Pcm, first: int) -> None:
        stop = first + len(pcm)
        level = np.float32(CEILING * amplitude(self._volume_db))
        # A long rep has thousands: only those that sound here are put on their samples.
        sounding = bisect_right(self._strikes, first - self._click_samples, key=self._start)
        for number in range(sounding, len(self._strikes)):
            strike = self._strikes[number]
            start = self._start(strike)
            if start >= stop:
                break
            shape = click_shape(self._sound, strike.kind, self._rate)[max(first - start, 0) : stop - start]
            if start >= 0:
                pcm[max(start - first, 0) :][: len(shape)] += shape * level

    def _start(self, strike: Strike) -> int:
        return sample_at(Fraction(strike.at_s), self._rate)


def render_clicks(
    strikes: Sequence[Strike],
    rate: int,
    length_samples: int,
    sound: str = "wood",
    volume_db: float = DEFAULT_VOLUME_DB,
) -> Pcm:
    """The click alone, mono, `length_samples` long."""
    length_s = Fraction(length_samples, rate)
    return RepSound(strikes, (), rate, length_s=length_s, sound=sound, volume_db=volume_db)[:]
