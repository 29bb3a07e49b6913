"""Where everything in one rep falls: exact beats to exact seconds to exact samples.

Conventions: a rep starts with its count-in; seconds count from the count-in's first click as exact
fractions, and a click at `t` seconds lies at sample `round(t x rate)`. Rounded periods are never added up,
so that an hour's last beat is as exact as its first. The screen, the click, the model and MIDI are all
made from the same `RepTimeline`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from coach.core.drill import ClickPattern
from coach.core.excerpt import Passage, PassageBar
from coach.core.rhythm import sample_at

Kind = Literal["accent", "beat", "subdivision"]

KINDS: tuple[Kind, ...] = ("accent", "beat", "subdivision")
GROUP_ACCENT_DB = -3.0
"""An accent group inside the bar (the second 2 of 2+2+3) against the bar's first beat."""
CLOCKS_PER_QUARTER = 24
"""MIDI 1.0, timing clock."""


@dataclass(frozen=True, slots=True)
class Strike:
    """One stroke of the click at an exact time from the rep's start."""

    at_s: Fraction | float
    kind: Kind = "beat"
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Click:
    """A strike put on its sample, counted from the rep's first sample."""

    position_samples: int
    kind: Kind


@dataclass(frozen=True, slots=True)
class RepTimeline:
    """One rep's times in seconds from its count-in's first click."""

    strikes: tuple[Strike, ...]
    count_in_s: Fraction
    """How long the count-in lasts: when the music starts."""
    end_s: Fraction
    """When the last bar ends."""
    onsets_s: Mapping[int, Fraction]
    """Label of each event to when it is due, in order."""
    ends_s: Mapping[int, Fraction]
    """Label of each event to when its hold ends."""
    clocks_s: tuple[Fraction, ...]
    """Ticks of the MIDI clock, count-in included, 24 to the quarter."""

    def position_of(self, label: int, rate: int) -> int:
        """The sample on which an event is due; KeyError where there is none."""
        return sample_at(self.onsets_s[label], rate)


def place(strikes: Iterable[Strike], rate: int, start_samples: int = 0) -> tuple[Click, ...]:
    """Every strike on its sample, in the order given."""
    return tuple(Click(start_samples + sample_at(Fraction(s.at_s), rate), s.kind) for s in strikes)


def rep_timeline(
    passage: Passage,
    tempo_bpm: int,
    click: ClickPattern,
    count_in_bars: int,
    beat_whole: Fraction = Fraction(1, 4),
) -> RepTimeline:
    """The times of one rep of `passage` at a rung.

    The count-in is `count_in_bars` whole bars of the first bar's meter, clicked on every beat whatever
    `click` says, and goes on over the beats that a pick-up bar lacks. `beat_whole` is the note value that
    the tempo counts (`drill.tempo.beat_whole`); only the MIDI clock needs it.
    """
    first = passage.bars[0]
    lead_beats = (count_in_bars * first.meter.beats + first.first_beat) * first.beat_length
    if count_in_bars == 0:
        lead_beats = Fraction(0)
    lead_s = -passage.tempo.seconds_at(-lead_beats, tempo_bpm)

    def at(beat: Fraction) -> Fraction:
        return lead_s + passage.tempo.seconds_at(beat, tempo_bpm)

    beats = [*_count_in(first, lead_beats, click.accent)]
    for index, bar in enumerate(passage.bars):
        if not _left_out(index, click):
            beats += _bar(bar, click)
    strikes = tuple(Strike(at(beat), kind, gain_db) for beat, kind, gain_db in beats)
    ticks = Fraction(1, 4) / beat_whole / CLOCKS_PER_QUARTER
    before = math.ceil(lead_beats / ticks)
    after = math.ceil(passage.length / ticks)
    return RepTimeline(
        strikes=strikes,
        count_in_s=lead_s,
        end_s=at(passage.length),
        onsets_s={event.label: at(event.onset) for event in passage.events},
        ends_s={event.label: at(event.onset + event.hold) for event in passage.events},
        clocks_s=tuple(at(tick * ticks) for tick in range(-before, after) if tick * ticks >= -lead_beats),
    )


def _left_out(index: int, click: ClickPattern) -> bool:
    every = click.silent_every
    return every > 0 and index % every >= every - click.silent_bars


def _count_in(
    first: PassageBar, lead_beats: Fraction, accent: bool
) -> Iterator[tuple[Fraction, Kind, float]]:
    for count in range(math.ceil(lead_beats / first.beat_length)):
        kind, gain_db = _stress(first, count % first.meter.beats, accent)
        yield count * first.beat_length - lead_beats, kind, gain_db


def _bar(bar: PassageBar, click: ClickPattern) -> Iterator[tuple[Fraction, Kind, float]]:
    """Strikes of one bar as (tempo beat, kind, gain in dB), in order."""
    stop = bar.first_beat + bar.length / bar.beat_length
    for count in range(math.floor(bar.first_beat), math.ceil(stop)):
        kind, gain_db = _stress(bar, count, click.accent)
        if click.placing == "bar":
            struck = [(Fraction(0), kind, gain_db)] if count == 0 else []
        elif click.placing == "off":
            struck = [(Fraction(1, 2), "beat", 0.0)]
        else:
            struck = [(Fraction(0), kind, gain_db)]
            struck += [
                (Fraction(part, click.subdivision), "subdivision", 0.0)
                for part in range(1, click.subdivision)
            ]
        for part, what, level_db in struck:
            if bar.first_beat <= count + part < stop:
                yield bar.start + (count + part - bar.first_beat) * bar.beat_length, what, level_db


def _stress(bar: PassageBar, count: int, accent: bool) -> tuple[Kind, float]:
    if not accent or count not in bar.meter.accents:
        return "beat", 0.0
    return "accent", 0.0 if count == 0 else GROUP_ACCENT_DB
