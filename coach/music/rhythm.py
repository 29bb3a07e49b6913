"""Meter, counted beats and tempo as exact fractions, and the exact time of every beat.

Conventions: positions inside a bar are in the bar's own *counted beats*, from 0 (what players call beat 1).
Positions inside a passage are in the drill's *tempo beats*: the note value that its tempo numbers count.
A note value keeps its length when the meter changes, as notation has it where no other mark stands.
Seconds are exact `Fraction`s wherever the tempo is constant; a gradual tempo change, linear in bpm over
beats, has the closed form t = (b / (r1 - r0)) ln(1 + (r1 - r0) x / (b r0)) x 60 / bpm, with tempo ratios r0 to
r1 over b beats (integral of 60 / tempo over beats), evaluated once from the segment's start.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cached_property

from coach.ground.frozen import frozen

MIN_BPM = 20
MAX_BPM = 300
LOWER_NUMBERS = (1, 2, 4, 8, 16, 32)
"""What the lower number of a meter may be."""


@frozen
class Meter:
    """A time signature and how it is counted.

    `numerator`/`denominator` are as written. `beat_whole` is the counted beat as a part of a whole note
    (1/4 in 4/4, 3/8 in 6/8 counted in two). `groups` are the accent groups in counted beats, summing to
    the bar: (4,) in 4/4, (2, 2, 3) in 7/8 counted in eighths. With `large` the groups are large beats: positions
    are counted in the lower number all the same, but the click and the count-in fall on the groups.
    """

    numerator: int
    denominator: int
    beat_whole: Fraction
    groups: tuple[int, ...]
    large: bool = False

    def __post_init__(self) -> None:
        if self.beat_whole * sum(self.groups) != _bar_whole(self.numerator, self.denominator):
            raise ValueError(f"meter {self}: the counted beats don't fill the bar")

    @classmethod
    def of(cls, numerator: int, denominator: int, count: int | None = None) -> Meter:
        """The meter counted in its lower number, or in `count` beats a bar: equal (6/8 in 2) or large (7/8 in 3)."""
        whole = _bar_whole(numerator, denominator)
        if count is None:
            return cls(numerator, denominator, whole / numerator, (numerator,))
        if count < 1 or count > numerator:
            raise ValueError(
                f"{numerator}/{denominator} can't be counted in {count}: 1 to {numerator} beats a bar"
            )
        if numerator % count:
            return cls.in_large(numerator, denominator, _large_beats(numerator, denominator, count))
        return cls(numerator, denominator, whole / count, (count,))

    @classmethod
    def in_large(cls, numerator: int, denominator: int, groups: Sequence[int]) -> Meter:
        """The meter in large beats of so many of its lower number each (7/8 in 3 as 3+2+2)."""
        return replace(cls.grouped(numerator, denominator, groups), large=True)

    @classmethod
    def grouped(cls, numerator: int, denominator: int, groups: Sequence[int]) -> Meter:
        """The meter counted in its lower number with accents at the start of each group (7/8 in 2+2+3)."""
        whole = _bar_whole(numerator, denominator)
        if sum(groups) != numerator or min(groups) < 1:
            shown = "+".join(str(group) for group in groups)
            raise ValueError(f"{numerator}/{denominator}: {shown} adds up to {sum(groups)}, not {numerator}")
        return cls(numerator, denominator, whole / numerator, tuple(groups))

    @property
    def beats(self) -> int:
        """Counted beats in a full bar."""
        return sum(self.groups)

    @property
    def starts(self) -> tuple[int, ...]:
        """Counted beats, from 0, that start a group; the first is the bar's first beat."""
        return tuple(itertools.accumulate(self.groups[:-1], initial=0))

    @property
    def accents(self) -> tuple[int, ...]:
        """Counted beats, from 0, that are louder in the click: where groups start, of large beats the first."""
        return (0,) if self.large else self.starts

    @property
    def clicked(self) -> dict[int, int]:
        """Counted beats, from 0, that are clicked and counted in, each with how many counted beats it lasts."""
        if self.large:
            return dict(zip(self.starts, self.groups, strict=True))
        return dict.fromkeys(range(self.beats), 1)

    @property
    def counting(self) -> str:
        """In how many beats it is counted where that is not its lower number: `2`, or `3 as 2+3+2`; else empty."""
        if not self.large:
            return "" if self.beats == self.numerator else str(self.beats)
        count = len(self.groups)
        usual = self.numerator % count and self.groups == _large_beats(
            self.numerator, self.denominator, count
        )
        return str(count) if usual else f"{count} as {self._grouping}"

    @property
    def _grouping(self) -> str:
        return "+".join(str(group) for group in self.groups)

    def __str__(self) -> str:
        count = self.counting or (self._grouping if len(self.groups) > 1 else "")
        return f"{self.numerator}/{self.denominator}{f' in {count}' if count else ''}"


def _bar_whole(numerator: int, denominator: int) -> Fraction:
    """A bar's length in whole notes; ValueError where there is no such time signature."""
    if not 1 <= numerator <= 64:
        raise ValueError(f"meter {numerator}/{denominator}: the upper number is 1 to 64")
    if denominator not in LOWER_NUMBERS:
        raise ValueError(f"meter {numerator}/{denominator}: the lower number is 1, 2, 4, 8, 16 or 32")
    return Fraction(numerator, denominator)


def _large_beats(numerator: int, denominator: int, count: int) -> tuple[int, ...]:
    """The usual large beats where they can't be equal: 2+3, 2+2+3, 3+3+2, the odd one last (common practice)."""
    short, longer = divmod(numerator, count)
    if short < 2:
        raise ValueError(
            f"{numerator}/{denominator} can't be counted in {count}: a large beat has two or more of the lower number "
            f"(did you mean {2 * numerator}/{2 * denominator} in {count}?)"
        )
    if longer == 1:
        return (*(short,) * (count - 1), short + 1)
    return (*(short + 1,) * longer, *(short,) * (count - longer))


@frozen
class TempoSpan:
    """A stretch of a passage with one tempo, or with a tempo that changes evenly over its beats.

    `start_beat` to `stop_beat` in tempo beats; ratios are to the rung's tempo (1 = the rung itself).
    """

    start_beat: Fraction
    stop_beat: Fraction
    start_ratio: Fraction = Fraction(1)
    stop_ratio: Fraction = Fraction(1)

    def seconds(self, beats: Fraction, tempo_bpm: Fraction) -> Fraction:
        """Time from the span's start to `beats` beats later, in seconds."""
        if self.start_ratio == self.stop_ratio:
            return beats * 60 / (tempo_bpm * self.start_ratio)
        share = float(beats / (self.stop_beat - self.start_beat))
        return Fraction(self.changing_s(share)) * 60 / tempo_bpm

    def changing_s(self, share: float) -> float:
        """The time for a share of its beats at 60 bpm where its tempo changes: a logarithm, and so never exact."""
        start, length = float(self.start_ratio), float(self.stop_beat) - float(self.start_beat)
        change = float(self.stop_ratio) - start
        return math.log1p(change / start * share) * length / change

    def beats(self, seconds: float, tempo_bpm: float) -> float:
        """The inverse of `seconds`: beats from the span's start after so many seconds."""
        start, stop = float(self.start_ratio), float(self.stop_ratio)
        if start == stop:
            return seconds * tempo_bpm * start / 60
        length = float(self.stop_beat - self.start_beat)
        change = stop - start
        return math.expm1(seconds * tempo_bpm / 60 * change / length) * length * start / change


@frozen
class TempoMap:
    """Tempo spans that follow each other without gaps from beat 0; the last one's tempo goes on after it."""

    spans: tuple[TempoSpan, ...]

    @cached_property
    def _stop_beats(self) -> list[float]:
        # To be searched: exact fractions compare slowly, and two beats of a drill differ by far more than rounding.
        return [float(span.stop_beat) for span in self.spans]

    @cached_property
    def _starts(self) -> tuple[list[int], int]:
        """When each span starts, and when the last one stops, at 60 bpm (time goes as 1 / bpm), and the unit.

        In whole numbers of one unit, so many of which make a second: a chain of exact fractions takes ten times as
        long.
        """
        parts = []
        for span in self.spans:
            start, stop, ratio = span.start_beat, span.stop_beat, span.start_ratio
            if ratio == span.stop_ratio:
                beats = stop.numerator * start.denominator - start.numerator * stop.denominator
                parts.append(
                    (beats * ratio.denominator, start.denominator * stop.denominator * ratio.numerator)
                )
            else:
                parts.append(span.changing_s(1.0).as_integer_ratio())
        unit = math.lcm(*{bottom for _, bottom in parts})
        return list(itertools.accumulate((top * (unit // bottom) for top, bottom in parts), initial=0)), unit

    @cached_property
    def _starts_s(self) -> list[float]:
        """The same in seconds, to be searched."""
        starts, unit = self._starts
        return [start / unit for start in starts]

    def seconds_at(self, beat: Fraction, tempo_bpm: int | Fraction) -> Fraction:
        """When a beat falls, in seconds from beat 0; before beat 0 the first span's tempo reaches back."""
        if beat.numerator < 0:
            return beat * 60 / (tempo_bpm * self.spans[0].start_ratio)
        index = bisect_left(self._stop_beats, float(beat))
        starts, unit = self._starts
        if index < len(self.spans):
            span = self.spans[index]
            first, ratio = span.start_beat, span.start_ratio
            if ratio != span.stop_ratio:
                into_s = span.seconds(beat - first, Fraction(tempo_bpm))
                return Fraction(starts[index], unit) * 60 / tempo_bpm + into_s
        else:
            first, ratio = self.spans[-1].stop_beat, self.spans[-1].stop_ratio
        # One fraction is made at the end: a chain of exact operations takes five times as long.
        below = beat.denominator * first.denominator
        beats = beat.numerator * first.denominator - first.numerator * beat.denominator
        seconds = starts[index] * below * ratio.numerator + unit * beats * ratio.denominator
        return Fraction(
            60 * tempo_bpm.denominator * seconds, tempo_bpm.numerator * unit * below * ratio.numerator
        )

    def beat_at(self, seconds: float, tempo_bpm: int | Fraction) -> float:
        """Which beat is due at a time in seconds: the inverse of `seconds_at`."""
        bpm = float(tempo_bpm)
        if seconds < 0:
            return seconds * bpm * float(self.spans[0].start_ratio) / 60
        index = bisect_left(self._starts_s, seconds * bpm / 60, lo=1) - 1
        into_s = seconds - self._starts_s[index] * 60 / bpm
        if index < len(self.spans):
            span = self.spans[index]
            return float(span.start_beat) + span.beats(into_s, bpm)
        last = self.spans[-1]
        return float(last.stop_beat) + into_s * bpm * float(last.stop_ratio) / 60


def sample_at(seconds: Fraction, rate_hz: int) -> int:
    """The sample on which a moment falls: round(seconds x rate), from the exact fraction."""
    return round(seconds * rate_hz)


def count_text(beat: Fraction) -> str:
    """How players count a position in a bar (0 = beat 1): `1`, `2&`, `3e`, `3a`, else `2+1/3`."""
    whole, part = divmod(beat, 1)
    names = {Fraction(0): "", Fraction(1, 2): "&", Fraction(1, 4): "e", Fraction(3, 4): "a"}
    suffix = names.get(part)
    return f"{whole + 1}{suffix}" if suffix is not None else f"{whole + 1}+{part}"
