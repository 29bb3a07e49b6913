"""Where everything in one rep falls, count-in first: the one source of audio, MIDI and screen times.

Conventions: seconds count from the rep's own start, its first count-in click, as exact fractions (in
`coach.music.clicktrack` second 0 is the passage's first beat). What is due at `t` seconds lies on sample
`round(t x rate)`. Rounded periods are never added up, so that an hour's last beat is as exact as its first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Literal

from coach.ground.frozen import frozen
from coach.music.clicktrack import ClickAt, clicks_of, count_in_s
from coach.music.drill import ClickPattern
from coach.music.excerpt import Passage, PlacedEvent

Kind = Literal["accent", "beat", "subdivision"]

CLOCKS_PER_QUARTER = 24
"""MIDI 1.0, timing clock."""


@frozen
class Strike:
    """One stroke of the click at an exact time from the rep's start."""

    at_s: Fraction | float
    kind: Kind = "beat"


@frozen
class RepTimeline:
    """One rep's times in seconds from its count-in's first click."""

    strikes: Sequence[Strike]
    """In order of time."""
    count_in_s: Fraction
    """How long the count-in lasts: when the music starts."""
    end_s: Fraction
    """When the last bar ends."""
    onsets_s: Mapping[int, Fraction]
    """Label of each event to when it is due, in order of label."""
    ends_s: Mapping[int, Fraction]
    """Label of each event to when its hold ends."""
    beat_at: Callable[[float], float]
    """Which tempo beat of the passage is due at a time: rounded, to search with."""

    @property
    def last_onset_s(self) -> Fraction:
        """When the last event is due, found without the times of all others; 0 where there is none."""
        label = max(self.onsets_s, default=None)
        return Fraction(0) if label is None else self.onsets_s[label]


class _Due(Mapping[int, Fraction]):
    """A time for each event by its label, worked out when it is asked for."""

    def __init__(self, events: Mapping[int, PlacedEvent], due_s: Callable[[PlacedEvent], Fraction]) -> None:
        self._events = events
        self._due_s = due_s

    def __getitem__(self, label: int) -> Fraction:
        return self._due_s(self._events[label])

    def __iter__(self) -> Iterator[int]:
        return iter(self._events)

    def __len__(self) -> int:
        return len(self._events)


def rep_timeline(passage: Passage, tempo_bpm: int, click: ClickPattern, count_in_bars: int) -> RepTimeline:
    """The times of one rep of `passage` at a rung."""
    clicks = clicks_of(passage, tempo_bpm, count_in_bars, click)
    lead_s = count_in_s(passage, tempo_bpm, count_in_bars)
    events = {event.label: event for event in passage.events}

    def at(beat: Fraction) -> Fraction:
        return lead_s + passage.tempo.seconds_at(beat, tempo_bpm)

    kinds: dict[bool, Kind] = {True: "accent", False: "beat"}

    def strike(click_at: ClickAt) -> Strike:
        kind = kinds[click_at.accent] if click_at.kind == "count-in" else click_at.kind
        return Strike(lead_s + click_at.seconds, kind)

    return RepTimeline(
        strikes=clicks.each(strike),
        count_in_s=lead_s,
        end_s=at(passage.length),
        onsets_s=_Due(events, lambda event: at(event.onset)),
        ends_s=_Due(events, lambda event: at(event.onset + event.hold)),
        beat_at=lambda seconds: passage.tempo.beat_at(seconds - float(lead_s), tempo_bpm),
    )


def clock_ticks(
    passage: Passage, tempo_bpm: int, count_in_s: Fraction, beat_whole: Fraction = Fraction(1, 4)
) -> Iterator[Fraction]:
    """Ticks of the MIDI clock in seconds from the rep's start, 24 to the quarter, count-in included, in order.

    One tick falls on `count_in_s`, the music's start. `beat_whole` is the note value that the tempo counts
    (`drill.tempo.beat_whole`).
    """
    tick = Fraction(1, 4) / beat_whole / CLOCKS_PER_QUARTER
    opening_bpm = tempo_bpm * passage.tempo.spans[0].start_ratio
    before = math.floor(count_in_s * opening_bpm / 60 / tick)
    after = math.ceil(passage.length / tick)
    for count in range(-before, after):
        yield count_in_s + passage.tempo.seconds_at(count * tick, tempo_bpm)
