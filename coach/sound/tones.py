"""The model: plucked-string tones computed from the string's physics, pure numpy.

Conventions: mono float32 PCM, sample 0 is second 0 of the rep; frequencies in Hz; plucking point and pickup
as shares of the open string's length, from the bridge.

Physics. A stiff string's partial m sounds m f0 sqrt(1 + B m^2) (Fletcher, JASA 36 (1964) 203). A touch at
node k/n leaves only the partials n, 2n, 3n ... A pluck at p gives partial m the strength |sin(pi m p)| / m, a
pickup at q hears it as |sin(pi m q)| (see `coach.strings.plucked`). Stopping a string at a fret shortens it: f0
grows by r = 2^(fret / 12), p and q by r too, B by r^2 (B goes with 1 / length^2, Fletcher 1964). Each partial
decays as exp(-(b1 + b3 f^2) t), the usual two-term loss of a string; the two constants are our own, set so
that a low string rings for some seconds and its high partials for a fraction of one.

Speed. sin and exp of every sample would be slow: with t = (a K + b) / rate, a partial is the product of a
column over a and a row over b, so that all partials of a tone are one product of two small matrices.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from coach.ground.frozen import frozen
from coach.music.rhythm import sample_at
from coach.sound.levels import amplitude, fade_edges
from coach.strings.instrument import Node
from coach.strings.plucked import PICKUP_SHARE, PLUCK_SHARE, decay_per_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from coach.music.excerpt import Passage
    from coach.sound.timeline import RepTimeline
    from coach.strings.instrument import Instrument

    Pcm = NDArray[np.float32]

TONE_RMS = 0.07
"""Level of one tone at its start, before decay: harmonics and bass notes alike."""
MODEL_PEAK = 0.3
"""Where many tones add up to more, the whole model is turned down to this peak, undistorted."""
RELEASE_S = 0.04
"""A tone is damped within this time after its duration."""

ATTACK_S = 0.002
_MOST_PARTIALS = 40
_HIGHEST_HZ = 9000.0
_BLOCK = 256
_LEAST_WEIGHT = 0.15
"""Weight below which a player would move the plucking hand."""


@frozen
class Tone:
    """One note of the model: a stopped or open string (`fret`), a harmonic (`node`), or both."""

    onset_s: Fraction | float
    duration_s: float
    hz_open: float
    """Frequency of the ideal open string."""
    node: Node | None = None
    fret: int | None = None
    stiffness_b: float = 0.0
    gain_db: float = 0.0
    layer: str = ""

    def __post_init__(self) -> None:
        if self.node is None and self.fret is None:
            raise ValueError("a tone is a harmonic (node), a fretted or open string (fret), or both")


@frozen
class Partial:
    """One sinusoid of a tone."""

    hz: float
    strength: float
    """Amplitude at the start, the strongest partial of the tone being anything up to 1."""
    decay_per_s: float


def partials_of(tone: Tone) -> tuple[Partial, ...]:
    """What sounds: the node's partials or all of them, as far as they can be heard, lowest first."""
    ratio = 2.0 ** ((tone.fret or 0) / 12.0)
    step = tone.node.partial if tone.node else 1
    open_hz = tone.hz_open * ratio
    stiffness_b = tone.stiffness_b * ratio**2
    pluck, pickup = speaking_place(PLUCK_SHARE * ratio, step), speaking_place(PICKUP_SHARE * ratio, step)
    partials = []
    for count in range(1, _MOST_PARTIALS + 1):
        m = step * count
        hz = m * open_hz * math.sqrt(1.0 + stiffness_b * m * m)
        if count > 1 and hz > _HIGHEST_HZ:
            break
        strength = abs(math.sin(math.pi * m * pluck) * math.sin(math.pi * m * pickup)) / m
        partials.append(Partial(hz, strength, decay_per_s(hz)))
    return tuple(partials)


def speaking_place(share: float, partial: int) -> float:
    """A plucking or listening point, moved to where `partial` is strongest if it would hardly speak there."""
    speaks = share <= 0.5 and abs(math.sin(math.pi * partial * share)) >= _LEAST_WEIGHT
    return share if speaks else 0.5 / partial


def render_tone(tone: Tone, rate: int) -> Pcm:
    """One tone from its onset on, `duration_s` and its release long, starting and ending at zero."""
    length = max(round((tone.duration_s + RELEASE_S) * rate), 1)
    partials = [partial for partial in partials_of(tone) if partial.hz < 0.45 * rate]
    if not partials:
        return np.zeros(length, dtype=np.float32)
    strength = np.array([partial.strength for partial in partials])
    rms = math.sqrt(float(np.sum(strength**2)) / 2.0)
    strength *= TONE_RMS * amplitude(tone.gain_db) / max(rms, 1e-12)
    speed = np.array([complex(-p.decay_per_s, 2.0 * math.pi * p.hz) for p in partials]) / rate
    wave = damped_sines(strength, speed, length)
    fade_edges(wave, rate, ATTACK_S, min(RELEASE_S, length / rate / 2))
    return wave


def damped_sines(start: NDArray[Any], speed: NDArray[Any], length: int) -> Pcm:
    """The sum of Im(start exp(speed k)) over all partials, for the samples k from 0; `start` may be complex."""
    rows = math.ceil(length / _BLOCK)
    column = np.exp(np.outer(np.arange(rows) * _BLOCK, speed)) * start
    row = np.exp(np.outer(speed, np.arange(_BLOCK)))
    # Im(u v) = Re u Im v + Im u Re v, all partials summed by one matrix product.
    left = np.concatenate((column.real, column.imag), axis=1).astype(np.float32)
    right = np.concatenate((row.imag, row.real)).astype(np.float32)
    wave: Pcm = (left @ right).reshape(-1)[:length]
    return wave


def render_model(tones: Sequence[Tone], rate: int) -> Pcm:
    """All tones mixed, as long as the last one lasts; turned down as a whole where it would pass `MODEL_PEAK`."""
    starts = [sample_at(Fraction(tone.onset_s), rate) for tone in tones]
    waves = [render_tone(tone, rate) for tone in tones]
    ends = [start + len(wave) for start, wave in zip(starts, waves, strict=True)]
    mix = np.zeros(max(ends, default=0), dtype=np.float32)
    for start, wave in zip(starts, waves, strict=True):
        if start >= 0:
            mix[start : start + len(wave)] += wave
    peak = float(np.abs(mix).max(initial=0.0))
    if peak > MODEL_PEAK:
        mix *= np.float32(MODEL_PEAK / peak)
    return mix


def tones_of(
    passage: Passage, instrument: Instrument, timeline: RepTimeline, layers: Sequence[str] = ()
) -> tuple[Tone, ...]:
    """The model of a passage: every event of `layers` (empty: all), each note held as the drill says.

    A note marked to ring goes on until its string is struck again or the passage ends.
    """
    struck: dict[int, list[Fraction]] = {}
    for event in passage.events:
        for placed in event.notes:
            struck.setdefault(placed.note.string, []).append(timeline.onsets_s[event.label])
    tones = []
    for event in passage.events:
        if layers and event.layer not in layers:
            continue
        onset = timeline.onsets_s[event.label]
        for placed in event.notes:
            note = placed.note
            end = timeline.ends_s[event.label]
            if note.ending == "ring":
                later = struck[note.string]
                after = bisect_right(later, onset)
                end = later[after] if after < len(later) else timeline.end_s
            string = instrument.string_at(note.string)
            tones.append(
                Tone(
                    onset,
                    max(float(end - onset), 0.0),
                    instrument.open_hz(note.string),
                    note.node,
                    note.fret,
                    string.stiffness_b,
                    layer=event.layer,
                )
            )
    return tuple(tones)
