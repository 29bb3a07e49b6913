"""Clicks and tones of one rep as PCM, made ahead of playing: pure, no device, no clock.

Conventions: PCM is mono float32 in [-1, 1]; sample 0 is the rep's start. No sample ever exceeds
`coach.sound.levels.CEILING`. Each click begins at zero on its own sample and ends at zero, so that no edge is
heard. The click's sounds are sums of damped sine waves, as a struck bar or block gives; their figures are our
own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.problem import CoachError, Problem
from coach.music.rhythm import sample_at
from coach.sound.levels import CEILING, RATE, amplitude, fade_edges, limit
from coach.sound.timeline import Kind, Strike
from coach.sound.tones import Tone, render_model

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Pcm = NDArray[np.float32]

DEFAULT_VOLUME_DB = -12.0
"""A beat's peak against the ceiling: soft, since a click is heard for hours."""

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
    """One click, peak 1.0 for a beat, from its first sample; read-only. Raises CoachError on a bad name."""
    if sound not in _MODES:
        allowed = ", ".join(_MODES)
        raise CoachError(Problem(f"{sound!r} is not a click sound; allowed: {allowed}", field="click sound"))
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
    pcm = np.zeros(length_samples, dtype=np.float32)
    for stretch in _add_clicks(pcm, strikes, rate, sound, volume_db):
        limit(pcm[stretch])
    return pcm


def _add_clicks(
    pcm: Pcm, strikes: Sequence[Strike], rate: int, sound: str, volume_db: float
) -> Iterator[slice]:
    """Add the clicks; where they sound, as stretches that don't meet: all the rest is as it was."""
    struck = []
    for strike in strikes:
        start = sample_at(Fraction(strike.at_s), rate)
        if not 0 <= start < len(pcm):
            continue
        shape = click_shape(sound, strike.kind, rate)[: len(pcm) - start]
        pcm[start : start + len(shape)] += shape * np.float32(CEILING * amplitude(volume_db + strike.gain_db))
        struck.append((start, start + len(shape)))
    return _joined(sorted(struck))


def _joined(stretches: Sequence[tuple[int, int]]) -> Iterator[slice]:
    """Stretches in order of their starts; those that overlap as one."""
    first = last = 0
    for start, stop in stretches:
        if start > last:
            yield slice(first, last)
            first = start
        last = max(last, stop)
    yield slice(first, last)


def render_rep(
    strikes: Sequence[Strike] = (),
    tones: Sequence[Tone] = (),
    rate: int = RATE,
    *,
    length_s: Fraction | float | None = None,
    tail_s: float = 0.5,
    sound: str = "wood",
    volume_db: float = DEFAULT_VOLUME_DB,
    model_db: float = 0.0,
) -> Pcm:
    """One rep, click and model mixed and limited.

    It lasts `length_s`, or, where that is None, until `tail_s` after the last strike and the last tone.
    """
    if length_s is None:
        ends = [float(strike.at_s) for strike in strikes]
        ends += [float(tone.onset_s) + tone.duration_s for tone in tones]
        length_s = max(ends, default=0.0) + tail_s
    length_samples = sample_at(Fraction(length_s), rate)
    pcm = np.zeros(length_samples, dtype=np.float32)
    if tones:
        model = render_model(tones, rate)
        if len(model) > length_samples:
            model = model[:length_samples]
            fade_edges(model, rate, 0.0, _CUT_FADE_S)
        pcm[: len(model)] = model * np.float32(min(amplitude(model_db), 1.0))
    stretches = _add_clicks(pcm, strikes, rate, sound, volume_db)
    # Hours of silence between clicks are not even looked at.
    for stretch in [slice(None)] if tones else stretches:
        limit(pcm[stretch])
    return pcm
