"""Where the clicks of one repetition fall: count-in, beats, subdivisions, in exact seconds.

Second 0 is the passage's first beat; the count-in lies before it. Times are exact fractions from the tempo map,
each computed from the start and none by adding periods.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from typing import Literal

from coach.ground.frozen import frozen
from coach.music.drill import ClickPattern
from coach.music.excerpt import Kind, Passage, PassageBar
from coach.music.rhythm import Meter

ClickKind = Literal["count-in", "accent", "beat", "subdivision"]


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


def beats_of(passage: Passage, tempo_bpm: int, count_in_bars: int) -> tuple[BeatAt, ...]:
    """Every counted beat from the count-in's first to the passage's last, in order."""
    beats = _count_in(passage, tempo_bpm, count_in_bars)
    for index, bar in enumerate(passage.bars):
        numbers = _numbers(bar.meter)
        for counted, onset in _counted(bar):
            if counted in numbers:
                seconds = passage.tempo.seconds_at(onset, tempo_bpm)
                beats.append(BeatAt(seconds, *numbers[counted], index))
    return tuple(beats)


def _count_in(passage: Passage, tempo_bpm: int, bars: int) -> list[BeatAt]:
    first = passage.bars[0]
    numbers = _numbers(first.meter)
    beats = []
    for beat in count_in_beats(passage, bars):
        if beat % first.meter.beats in numbers:
            onset = (beat - first.first_beat) * first.beat_length
            seconds = passage.tempo.seconds_at(onset, tempo_bpm)
            beats.append(BeatAt(seconds, *numbers[beat % first.meter.beats], -1))
    return beats


@lru_cache(maxsize=64)
def _numbers(meter: Meter) -> dict[int, tuple[int, int, bool]]:
    """Of each beat that can click: as which it is counted, of how many, and whether it has the accent."""
    clicked = list(meter.clicked)
    return {beat: (at, len(clicked), beat in meter.accents) for at, beat in enumerate(clicked, 1)}


def clicks_of(
    passage: Passage, tempo_bpm: int, count_in_bars: int, pattern: ClickPattern
) -> tuple[ClickAt, ...]:
    """Every click of a repetition, in order of time. The count-in clicks on every beat whatever the pattern."""
    clicks = [
        ClickAt(beat.seconds, "count-in", beat.accent)
        for beat in _count_in(passage, tempo_bpm, count_in_bars)
    ]
    for index, bar in enumerate(passage.bars):
        if (
            pattern.silent_every
            and index % pattern.silent_every >= pattern.silent_every - pattern.silent_bars
        ):
            continue
        for onset, kind in _pattern_clicks(bar, pattern):
            seconds = passage.tempo.seconds_at(onset, tempo_bpm)
            clicks.append(ClickAt(seconds, kind, kind == "accent"))
    return tuple(clicks)


def rep_seconds(passage: Passage, tempo_bpm: int, count_in_bars: int = 1) -> float:
    """How long a repetition takes with its count-in, in seconds."""
    clicks = clicks_of(passage, tempo_bpm, count_in_bars, ClickPattern())
    lead_s = -float(clicks[0].seconds) if clicks else 0.0
    return max(lead_s, 0.0) + float(passage.seconds(tempo_bpm))


def _counted(bar: PassageBar) -> Iterator[tuple[int, Fraction]]:
    """Counted beats that start inside the bar's part, from 0 at the bar line, with their tempo beats."""
    beat = math.ceil(bar.first_beat)
    while True:
        onset = bar.start + (beat - bar.first_beat) * bar.beat_length
        if onset >= bar.start + bar.length:
            return
        yield beat, onset
        beat += 1


def _pattern_clicks(bar: PassageBar, pattern: ClickPattern) -> Iterator[tuple[Fraction, ClickKind]]:
    end = bar.start + bar.length
    for counted, lasts in bar.meter.clicked.items():
        onset = bar.start + (counted - bar.first_beat) * bar.beat_length
        length = lasts * bar.beat_length
        accented = pattern.accent and counted in bar.meter.accents
        clicks: list[tuple[Fraction, ClickKind]]
        if pattern.placing == "offbeat":
            clicks = [(onset + length / 2, "beat")]
        elif pattern.placing == "bar":
            clicks = [] if counted else [(onset, "accent" if accented else "beat")]
        else:
            parts = pattern.parts(bar.meter, lasts)
            clicks = [(onset + length * part / parts, "subdivision") for part in range(1, parts)]
            clicks.insert(0, (onset, "accent" if accented else "beat"))
        # A bar may be cut anywhere, inside a beat too.
        yield from (click for click in clicks if bar.start <= click[0] < end)
