"""Where the clicks of one repetition fall: count-in, beats, subdivisions, in exact seconds.

Second 0 is the passage's first beat; the count-in lies before it. Times are exact fractions from the tempo map,
each computed from the start and none by adding periods.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from functools import cache, cached_property, lru_cache
from itertools import accumulate, count, takewhile
from typing import Any, Literal, TypeVar, overload

from coach.ground.frozen import frozen
from coach.music.drill import ClickPattern
from coach.music.excerpt import Kind, Passage, PassageBar
from coach.music.rhythm import Meter

ClickKind = Literal["count-in", "accent", "beat", "subdivision"]
T = TypeVar("T")
Other = TypeVar("Other")


@frozen
class BeatAt:
    """One counted beat of a repetition, or one large beat, clicked or not: what the beat view shows."""

    seconds: Fraction
    number: int
    """As players count it, from 1 in its bar."""
    beats: int
    """Counted beats in its bar."""
    accent: bool
    bar: int
    """Index of the bar in the passage; -1 in the count-in."""


@frozen
class ClickAt:
    """One click."""

    seconds: Fraction
    kind: ClickKind
    accent: bool = False


class ByBar(Sequence[T]):
    """What falls in a repetition in order of time, each worked out when it is asked for.

    A long passage has thousands of clicks, and a repetition starts with the first. Bar -1 is the count-in. `places_in`
    says what falls in a bar and costs little: how many tempo beats after the bar's start, and what it is; of the
    count-in, after the passage's start. `made` gets that with its exact time and its bar.
    """

    def __init__(
        self,
        passage: Passage,
        tempo_bpm: int,
        places_in: Callable[[int], Sequence[tuple[Fraction, Any]]],
        made: Callable[[Fraction, Any, int], T],
    ) -> None:
        self._passage, self._tempo_bpm = passage, tempo_bpm
        self._places, self._made = places_in, made
        self._known: dict[int, T] = {}

    def each(self, change: Callable[[T], Other]) -> ByBar[Other]:
        """The same with `change` done to each, as it is asked for."""
        return ByBar(
            self._passage,
            self._tempo_bpm,
            self._places,
            lambda at_s, what, bar: change(self._made(at_s, what, bar)),
        )

    def _moment(self, bar: int, place: tuple[Fraction, Any]) -> T:
        into, what = place
        onset = into if bar < 0 else self._passage.bars[bar].start + into
        return self._made(self._passage.tempo.seconds_at(onset, self._tempo_bpm), what, bar)

    def __iter__(self) -> Iterator[T]:
        for bar in range(-1, len(self._passage.bars)):
            for place in self._places(bar):
                yield self._moment(bar, place)

    def __len__(self) -> int:
        return self._ends[-1]

    @cached_property
    def _ends(self) -> list[int]:
        return list(accumulate(len(self._places(bar)) for bar in range(-1, len(self._passage.bars))))

    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[T, ...]: ...
    def __getitem__(self, index: int | slice) -> T | tuple[T, ...]:
        at = range(len(self))[index]
        if isinstance(at, range):
            return tuple(self[each] for each in at)
        if at not in self._known:
            part = bisect_right(self._ends, at)
            place = self._places(part - 1)[at - (self._ends[part - 1] if part else 0)]
            self._known[at] = self._moment(part - 1, place)
        return self._known[at]


def count_in_beats(passage: Passage, bars: int) -> range:
    """The counted beats before the passage, numbered from 0 at its first bar line and negative before that.

    A passage that starts inside a bar is led in from that bar's first beat: a phrase with a pick-up as a bandleader
    counts, at least three beats, so that 6/8 in two has a bar before them ("one, two, one, two"); a part of a phrase,
    which is played many times, two.
    """
    first = passage.bars[0]
    lead = math.ceil(first.first_beat)
    led = sum(beat < lead for beat in first.meter.clicked)
    least = 2 if passage.excerpt.kind in (Kind.NODE, Kind.MOVE) else 3
    full = bars if lead == 0 else max(bars - 1, 0 if led >= least else 1)
    return range(-full * first.meter.beats, lead)


def count_in_length(passage: Passage, bars: int) -> Fraction:
    """How long they last, in tempo beats; the passage may start inside a beat."""
    first = passage.bars[0]
    return (first.first_beat - count_in_beats(passage, bars).start) * first.beat_length


def count_in_s(passage: Passage, tempo_bpm: int, bars: int) -> Fraction:
    """The same in seconds."""
    return -passage.tempo.seconds_at(-count_in_length(passage, bars), tempo_bpm)


def beats_of(passage: Passage, tempo_bpm: int, count_in_bars: int) -> ByBar[BeatAt]:
    """Every counted beat from the count-in's first to the passage's last, in order."""
    count_in, beats_in = _count_in(passage, count_in_bars), _by_shape(passage, _beats_in)

    def beat(at_s: Fraction, counted: tuple[int, int, bool], bar: int) -> BeatAt:
        return BeatAt(at_s, *counted, bar)

    return ByBar(passage, tempo_bpm, lambda bar: count_in if bar < 0 else beats_in(bar), beat)


_Counted = tuple[Fraction, tuple[int, int, bool]]
"""Tempo beats after the bar's start; as which beat it is counted, of how many, and whether it has the accent."""


def _count_in(passage: Passage, bars: int) -> list[_Counted]:
    first = passage.bars[0]
    numbers = _numbers(first.meter)
    return [
        ((beat - first.first_beat) * first.beat_length, numbers[beat % first.meter.beats])
        for beat in count_in_beats(passage, bars)
        if beat % first.meter.beats in numbers
    ]


def _by_shape(passage: Passage, places: Callable[[PassageBar], T]) -> Callable[[int], T]:
    """What falls in a bar by its index, worked out once for all of one shape."""
    at_shape = cache(lambda first: places(passage.bars[first]))
    return lambda index: at_shape(passage.bar_shapes[index])


def _beats_in(bar: PassageBar) -> tuple[_Counted, ...]:
    """The counted beats that start inside a bar's part."""
    counted = ((beat, (beat - bar.first_beat) * bar.beat_length) for beat in count(math.ceil(bar.first_beat)))
    numbers = _numbers(bar.meter)
    inside = takewhile(lambda place: place[1] < bar.length, counted)
    return tuple((into, numbers[beat]) for beat, into in inside if beat in numbers)


@lru_cache(maxsize=64)
def _numbers(meter: Meter) -> dict[int, tuple[int, int, bool]]:
    """Of each beat that can click: as which it is counted, of how many, and whether it has the accent."""
    clicked = list(meter.clicked)
    return {beat: (at, len(clicked), beat in meter.accents) for at, beat in enumerate(clicked, 1)}


def clicks_of(passage: Passage, tempo_bpm: int, count_in_bars: int, pattern: ClickPattern) -> ByBar[ClickAt]:
    """Every click of a repetition, in order of time. The count-in clicks on every beat whatever the pattern."""
    count_in: list[_Placed] = [
        (into, ("count-in", accent)) for into, (_, _, accent) in _count_in(passage, count_in_bars)
    ]
    clicks_in = _by_shape(passage, lambda bar: _clicks_in(bar, pattern))

    def places(bar: int) -> Sequence[_Placed]:
        if bar < 0:
            return count_in
        every = pattern.silent_every
        return () if every and bar % every >= every - pattern.silent_bars else clicks_in(bar)

    return ByBar(passage, tempo_bpm, places, lambda at_s, click, _: ClickAt(at_s, *click))


_Placed = tuple[Fraction, tuple[ClickKind, bool]]
"""Tempo beats after the bar's start; the click's kind, and whether it has the accent."""


def rep_seconds(passage: Passage, tempo_bpm: int) -> float:
    """How long a repetition takes with a count-in of one bar, in seconds."""
    return float(count_in_s(passage, tempo_bpm, 1) + passage.seconds(tempo_bpm))


def _clicks_in(bar: PassageBar, pattern: ClickPattern) -> tuple[_Placed, ...]:
    """The clicks of a bar's part, which may be cut anywhere, inside a beat too."""
    meter = bar.meter
    placed: list[tuple[Fraction, ClickKind]] = []
    for counted, lasts in meter.clicked.items():
        into, beat = (counted - bar.first_beat) * bar.beat_length, lasts * bar.beat_length
        kind: ClickKind = "accent" if pattern.accent and counted in meter.accents else "beat"
        if pattern.placing == "offbeat":
            placed.append((into + beat / 2, "beat"))
        elif pattern.placing == "beat" or not counted:
            parts = pattern.parts(meter, lasts) if pattern.placing == "beat" else 1
            placed.append((into, kind))
            placed += [(into + beat * part / parts, "subdivision") for part in range(1, parts)]
    return tuple((into, (kind, kind == "accent")) for into, kind in placed if 0 <= into < bar.length)
