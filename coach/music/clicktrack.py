"""Where the clicks of one repetition fall: count-in, beats, subdivisions, in exact seconds.

Second 0 is the passage's first beat; the count-in lies before it. Times are exact fractions from the tempo map,
each computed from the start and none by adding periods.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from coach.music.drill import ClickPattern
from coach.music.excerpt import Passage, PassageBar

ClickKind = Literal["count-in", "accent", "beat", "subdivision"]


@dataclass(frozen=True, slots=True)
class BeatAt:
    """One counted beat of a repetition, clicked or not: what the beat view shows."""

    seconds: Fraction
    number: int
    """As players count it, from 1 in its bar."""
    bar: int
    """Index of the bar in the passage; -1 in the count-in."""
    beats: int
    """Counted beats in its bar."""
    accent: bool


@dataclass(frozen=True, slots=True)
class ClickAt:
    """One click."""

    seconds: Fraction
    kind: ClickKind
    accent: bool = False


def count_in_beats(passage: Passage, bars: int) -> range:
    """The counted beats before the passage, numbered from 0 at its first bar line and negative before that.

    A passage that starts inside a bar is led in from that bar's first beat; at least two beats are counted.
    """
    first = passage.bars[0]
    lead = math.ceil(first.first_beat)
    full = bars if lead == 0 else max(bars - 1, 0 if lead >= 2 else 1)
    return range(-full * first.meter.beats, lead)


def beats_of(passage: Passage, tempo_bpm: int, count_in_bars: int) -> tuple[BeatAt, ...]:
    """Every counted beat from the count-in's first to the passage's last, in order."""
    first = passage.bars[0]
    beats = []
    for beat in count_in_beats(passage, count_in_bars):
        counted = beat % first.meter.beats
        onset = (beat - first.first_beat) * first.beat_length
        seconds = passage.tempo.seconds_at(onset, tempo_bpm)
        beats.append(BeatAt(seconds, counted + 1, -1, first.meter.beats, counted in first.meter.accents))
    for index, bar in enumerate(passage.bars):
        for counted, onset in _counted(bar):
            seconds = passage.tempo.seconds_at(onset, tempo_bpm)
            accent = counted in bar.meter.accents
            beats.append(BeatAt(seconds, counted + 1, index, bar.meter.beats, accent))
    return tuple(beats)


def clicks_of(
    passage: Passage, tempo_bpm: int, count_in_bars: int, pattern: ClickPattern
) -> tuple[ClickAt, ...]:
    """Every click of a repetition, in order of time. The count-in clicks on every beat whatever the pattern."""
    clicks = [
        ClickAt(beat.seconds, "count-in", beat.accent)
        for beat in beats_of(passage, tempo_bpm, count_in_bars)
        if beat.bar < 0
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
    for counted, onset in _counted(bar):
        accented = pattern.accent and counted in bar.meter.accents
        if pattern.placing == "offbeat":
            late = onset + bar.beat_length / 2
            if late < end:
                yield late, "beat"
            continue
        if pattern.placing == "bar":
            if counted == 0:
                yield onset, "accent" if accented else "beat"
            continue
        yield onset, "accent" if accented else "beat"
        for part in range(1, pattern.subdivision):
            between = onset + bar.beat_length * part / pattern.subdivision
            if between < end:
                yield between, "subdivision"
