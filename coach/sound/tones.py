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
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from coach.ground.frozen import frozen
from coach.sound.levels import fade_edges
from coach.strings.node import Node
from coach.strings.plucked import PluckedString, decay_per_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from coach.music.drill import Note
    from coach.music.excerpt import Passage, PlacedEvent
    from coach.sound.player import Pcm
    from coach.sound.timeline import RepTimeline
    from coach.strings.instrument import Instrument

TONE_RMS = 0.07
"""Level of one tone at its start, before decay: harmonics and bass notes alike."""
FULL_TONES = 3
"""Where more tones sound at once anywhere in a rep, all of it is turned down to the level of so many."""
RELEASE_S = 0.04
"""A tone is damped within this time after its duration."""

ATTACK_S = 0.002
_MOST_PARTIALS = 40
_HIGHEST_HZ = 9000.0
_BLOCK = 256
_MARGIN = 0.001
"""Of a search in floats, in seconds or beats."""
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

    @classmethod
    def of(
        cls,
        instrument: Instrument,
        string: int,
        onset_s: Fraction | float,
        duration_s: float,
        node: Node | None = None,
        fret: int | None = None,
    ) -> Tone:
        """A note on one of an instrument's strings."""
        open_hz, stiffness_b = instrument.open_hz(string), instrument.stiffness(string)
        return cls(onset_s, duration_s, open_hz, node, fret, stiffness_b)


@frozen
class Partial:
    """One sinusoid of a tone."""

    hz: float
    strength: float
    """Amplitude at the start, the strongest partial of the tone being anything up to 1."""
    decay_per_s: float


def partials_of(tone: Tone) -> tuple[Partial, ...]:
    """What sounds: the node's partials or all of them, as far as they can be heard, lowest first."""
    step = tone.node.partial if tone.node else 1
    string = PluckedString(tone.hz_open, 1.0, tone.stiffness_b).stopped(tone.fret or 0)
    pluck, pickup = speaking_place(string.pluck, step), speaking_place(string.pickup, step)
    partials = []
    for count in range(1, _MOST_PARTIALS + 1):
        m = step * count
        hz = string.hz(m)
        if count > 1 and hz > _HIGHEST_HZ:
            break
        strength = abs(math.sin(math.pi * m * pluck) * math.sin(math.pi * m * pickup)) / m
        partials.append(Partial(hz, strength, decay_per_s(hz)))
    return tuple(partials)


def speaking_place(share: float, partial: int) -> float:
    """A plucking or listening point, moved to where `partial` is strongest if it would hardly speak there."""
    speaks = share <= 0.5 and abs(math.sin(math.pi * partial * share)) >= _LEAST_WEIGHT
    return share if speaks else 0.5 / partial


def render_tone(tone: Tone, rate: int, first: int = 0, stop: int | None = None) -> Pcm:
    """The samples from `first` to `stop` of one tone, which starts and ends at zero; all of them by default."""
    length = tone_samples(tone, rate)
    stop = length if stop is None else min(stop, length)
    strength, speed = _voice(tone.hz_open, tone.node, tone.fret, tone.stiffness_b, rate)
    if not len(strength):
        return np.zeros(stop - first, dtype=np.float32)
    rms = math.sqrt(float(np.sum(strength**2)) / 2.0)
    wave = damped_sines(strength * (TONE_RMS / max(rms, 1e-12)), speed, stop, first)
    fade_edges(wave, rate, ATTACK_S, min(RELEASE_S, length / rate / 2), first, length)
    return wave


def tone_samples(tone: Tone, rate: int) -> int:
    """How long a tone is heard: its duration and its release."""
    return max(round((tone.duration_s + RELEASE_S) * rate), 1)


@lru_cache(maxsize=64)
def _voice(
    hz_open: float, node: Node | None, fret: int | None, stiffness_b: float, rate: int
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Strength of each partial that `rate` can carry, and its turn and decay in a sample, as `damped_sines` has it."""
    partials = partials_of(Tone(0, 0.0, hz_open, node, fret, stiffness_b))
    partials = tuple(partial for partial in partials if partial.hz < 0.45 * rate)
    speed = np.array([complex(-p.decay_per_s, 2.0 * math.pi * p.hz) for p in partials]) / rate
    return np.array([partial.strength for partial in partials]), speed


def damped_sines(start: NDArray[Any], speed: NDArray[Any], stop: int, first: int = 0) -> Pcm:
    """The sum of Im(start exp(speed k)) over all partials, for k from `first` to `stop`; `start` may be complex."""
    row = first // _BLOCK
    # Never one row alone: that is another product to BLAS, which rounds otherwise.
    rows = np.arange(row, max(math.ceil(stop / _BLOCK), row + 2))
    column = np.exp(np.outer(rows * _BLOCK, speed)) * start
    # Im(u v) = Re u Im v + Im u Re v, all partials summed by one matrix product.
    left = np.concatenate((column.real, column.imag), axis=1).astype(np.float32)
    wave: Pcm = (left @ _one_block(speed.tobytes())).reshape(-1)[first - row * _BLOCK : stop - row * _BLOCK]
    return wave


@lru_cache(maxsize=32)
def _one_block(speed: bytes) -> Pcm:
    """The rows over b of all partials: most of the work, and the same wherever a tone is entered."""
    row = np.exp(np.outer(np.frombuffer(speed, dtype=complex), np.arange(_BLOCK)))
    return np.concatenate((row.imag, row.real)).astype(np.float32)


class Tones:
    """The tones of a rep in order of their onsets, each worked out when something near it is to be heard.

    A long rep has thousands, and starts with the first. `spans` says when each begins and ends without its release,
    in seconds or in what `place` makes of seconds; `tone` gives the one with a number.
    """

    def __init__(
        self,
        spans: Sequence[tuple[float, float]],
        tone: Callable[[int], Tone],
        place: Callable[[float], float] = float,
    ) -> None:
        self._begins, self._ends = np.array(spans, dtype=float).reshape(-1, 2).T
        self._tone = tone
        self._place = place

    @classmethod
    def of(cls, tones: Iterable[Tone]) -> Tones:
        """Tones that are known already."""
        known = tuple(tones)
        begins = [float(tone.onset_s) for tone in known]
        spans = [(begin, begin + tone.duration_s) for begin, tone in zip(begins, known, strict=True)]
        return cls(spans, known.__getitem__)

    def __len__(self) -> int:
        return len(self._begins)

    def __iter__(self) -> Iterator[Tone]:
        return map(self._tone, range(len(self)))

    def between(self, from_s: float, until_s: float) -> Iterator[Tone]:
        """Every tone that sounds in this time, and perhaps one that only just does not."""
        first, last = self._place(from_s - RELEASE_S - _MARGIN), self._place(until_s + _MARGIN)
        for number in np.flatnonzero((self._begins < last) & (self._ends > first)):
            yield self._tone(int(number))

    @cached_property
    def gain(self) -> float:
        """By how much all are turned down, see `FULL_TONES`."""
        begun = np.searchsorted(np.sort(self._begins), self._begins, "right")
        ended = np.searchsorted(np.sort(self._ends) - _MARGIN, self._begins, "right")
        return min(1.0, FULL_TONES / int((begun - ended).max(initial=1)))


def tones_of(passage: Passage, instrument: Instrument, timeline: RepTimeline) -> Tones:
    """The model of a passage: every event, each note held as the drill says.

    A note marked to ring goes on until its string is struck again or the passage ends.
    """
    # To be searched, beats are floats: exact ones compare slowly, and two of a drill differ by far more than rounding.
    beats = [float(event.onset) for event in passage.events]
    struck: dict[int, list[int]] = {}
    for at, event in enumerate(passage.events):
        for placed in event.notes:
            struck.setdefault(placed.note.string, []).append(at)
    notes: list[tuple[PlacedEvent, Note, PlacedEvent | None]] = []
    spans = []
    for at, event in enumerate(passage.events):
        for placed in event.notes:
            again, end = None, beats[at] + float(event.hold)
            if placed.note.ending == "ring":
                later = struck[placed.note.string]
                after = bisect_right(later, beats[at], key=beats.__getitem__)
                again = passage.events[later[after]] if after < len(later) else None
                end = float(again.onset if again else passage.length)
            notes.append((event, placed.note, again))
            spans.append((beats[at], end))

    def tone(number: int) -> Tone:
        event, note, again = notes[number]
        onset, end = timeline.onsets_s[event.label], timeline.ends_s[event.label]
        if note.ending == "ring":
            end = timeline.onsets_s[again.label] if again else timeline.end_s
        lasts_s = max(float(end - onset), 0.0)
        return Tone.of(instrument, note.string, onset, lasts_s, note.node, note.fret)

    return Tones(spans, tone, timeline.beat_at)
