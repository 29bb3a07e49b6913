"""Clicks and tones of one rep as PCM, made ahead of playing: pure, no device, no clock.

Conventions: PCM is mono float32 in [-1, 1]; sample 0 is the rep's start. No sample ever exceeds `CEILING`
(half of full scale, -6 dBFS): signals up to `KNEE` pass untouched, above it a smooth curve bends them
below the ceiling. Each click begins at zero on its own sample and ends at zero, so that no edge is heard.
The click's sounds are sums of damped sine waves, as a struck bar or block gives; their figures are our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from coach.core.problem import CoachError, Problem
from coach.core.rhythm import sample_at
from coach.sound.timeline import Kind, Strike

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Pcm = NDArray[np.float32]

RATE = 48_000
"""Samples per second wherever nothing else is asked for."""
CEILING = 0.5
"""No sample is beyond this share of full scale."""
KNEE = 0.35
DEFAULT_VOLUME_DB = -12.0
"""A beat's peak against the ceiling: soft, since a click is heard for hours."""

_FADE_IN_S = 0.0005
_CLICK_S = 0.06

_Mode = tuple[float, float, float]
"""Frequency in Hz, share of the amplitude, time in seconds in which it falls to 1/e."""

_MODES: dict[str, tuple[_Mode, ...]] = {
    "wood": ((1050.0, 0.7, 0.010), (2680.0, 0.3, 0.004)),
    "tick": ((2400.0, 0.6, 0.004), (4100.0, 0.4, 0.002)),
    "tone": ((880.0, 1.0, 0.018),),
    "block": ((620.0, 0.8, 0.012), (1710.0, 0.2, 0.005)),
}
CLICK_SOUNDS: tuple[str, ...] = tuple(_MODES)
"""Names of the sounds that the click can have."""

_VOICING: dict[Kind, tuple[float, float]] = {
    "accent": (1.5, 4.0),
    "beat": (1.0, 0.0),
    "subdivision": (0.8, -7.0),
}
"""Kind to (pitch against the beat's, level in dB against the beat's)."""


def amplitude(level_db: float) -> float:
    """The factor of a level in decibels: 10^(dB/20)."""
    return float(10.0 ** (level_db / 20.0))


@lru_cache(maxsize=64)
def click_shape(sound: str, kind: Kind, rate: int) -> Pcm:
    """One click, peak 1.0 for a beat, from its first sample; read-only. Raises CoachError on a bad name."""
    if sound not in _MODES:
        allowed = ", ".join(CLICK_SOUNDS)
        raise CoachError(Problem(f"{sound!r} is no click sound; allowed: {allowed}", field="click sound"))
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


def fade_edges(wave: NDArray[Any], rate: int, in_s: float, out_s: float) -> None:
    """Fade the first `in_s` and the last `out_s` seconds of `wave` in place, by half a raised cosine."""
    for seconds, ends in ((in_s, slice(None)), (out_s, slice(None, None, -1))):
        count = min(round(seconds * rate), len(wave))
        if count:
            wave[ends][:count] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / count)


def limit(pcm: Pcm, ceiling: float = CEILING, knee: float = KNEE) -> Pcm:
    """`pcm` with no sample beyond `ceiling`, changed in place: untouched up to `knee`, bent smoothly above.

    Above the knee: knee + (ceiling - knee) tanh((|x| - knee) / (ceiling - knee)); a sample that is not a
    number becomes silence.
    """
    size = np.abs(pcm)
    loud = ~(size <= knee)
    if loud.any():
        room = ceiling - knee
        bent = knee + room * np.tanh((size[loud] - knee) / room)
        pcm[loud] = np.nan_to_num(np.copysign(bent, pcm[loud]))
        np.clip(pcm, -ceiling, ceiling, out=pcm)
    return pcm


def render_clicks(
    strikes: Sequence[Strike],
    rate: int,
    length_samples: int,
    sound: str = "wood",
    volume_db: float = DEFAULT_VOLUME_DB,
) -> Pcm:
    """The click alone, mono, `length_samples` long, limited; a click over the end is cut off.

    `volume_db` is a beat's peak against `CEILING`; each strike's own `gain_db` is added to it.
    """
    return limit(_add_clicks(np.zeros(length_samples, dtype=np.float32), strikes, rate, sound, volume_db))


def _add_clicks(pcm: Pcm, strikes: Sequence[Strike], rate: int, sound: str, volume_db: float) -> Pcm:
    for strike in strikes:
        start = sample_at(Fraction(strike.at_s), rate)
        if not 0 <= start < len(pcm):
            continue
        shape = click_shape(sound, strike.kind, rate)[: len(pcm) - start]
        pcm[start : start + len(shape)] += shape * np.float32(CEILING * amplitude(volume_db + strike.gain_db))
    return pcm
