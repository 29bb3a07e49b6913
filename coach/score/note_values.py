"""Lengths as note values: heads, dots, ties, tuplets and beams, so that a reader sees the beats.

Conventions: whole notes as exact fractions, from the bar line; in a pick-up from where the full bar would begin.
A bar is a tree: bar, halves or accent groups, beats, and each of these again in halves, or in thirds where the beat is
dotted. A note is one head where it fills whole parts of a span, where it begins or ends with a span whose parts are
equal and plain, or where it is as long as a part and lies half of one late (the syncopation); else it is tied.
Common practice, as in Gould, Behind Bars (2011), on ties, beams and tuplets (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache

from coach.ground.frozen import frozen
from coach.music.rhythm import Meter

VALUE_NAMES = {
    Fraction(4): "long", Fraction(2): "breve", Fraction(1): "whole", Fraction(1, 2): "half", Fraction(1, 4): "quarter",
    Fraction(1, 8): "eighth", Fraction(1, 16): "16th", Fraction(1, 32): "32nd", Fraction(1, 64): "64th",
    Fraction(1, 128): "128th", Fraction(1, 256): "256th", Fraction(1, 512): "512th", Fraction(1, 1024): "1024th",
}  # fmt: skip
"""Note values by their names in MusicXML 4.0 (`note-type-value`)."""
_QUARTER, _EIGHTH, _FINEST = Fraction(1, 4), Fraction(1, 8), Fraction(1, 1024)

_MOST_PARTS = 64
"""Parts of a tuplet up to which its heads show them."""

Stretch = tuple[Fraction, Fraction]
"""From where to where in a bar, in whole notes."""


@frozen
class NoteValue:
    """One head with its dots, `actual` of them in the time of `normal`; `base` is 0 below the finest value."""

    length: Fraction
    base: Fraction
    dots: int = 0
    actual: int = 1
    normal: int = 1

    @property
    def flags(self) -> int:
        """How many flags or beams it has."""
        return max(0, (_EIGHTH / self.base).numerator.bit_length()) if 0 < self.base <= _EIGHTH else 0


@frozen
class Piece:
    """A part of a stretch, and whether the tuplet that it stands in begins or ends with it."""

    start: Fraction
    value: NoteValue
    tuplet_starts: bool = False
    tuplet_stops: bool = False


@frozen
class _Span:
    """A stretch of a bar; `parts` as the meter has them, empty below the beat, where it falls into halves."""

    start: Fraction
    stop: Fraction
    parts: tuple[_Span, ...] = ()
    above_beat: bool = False

    @property
    def inner(self) -> tuple[_Span, ...]:
        """Its parts, below the beat as well."""
        if self.parts or self.stop - self.start <= _FINEST:
            return self.parts
        middle = (self.start + self.stop) / 2
        return _Span(self.start, middle), _Span(middle, self.stop)

    @property
    def plain(self) -> bool:
        """Whether its parts are equal and not dotted, so that a note may hide an edge between them."""
        lengths = {part.stop - part.start for part in self.inner}
        return len(lengths) == 1 and len(self.inner) < 5 and lengths.pop().numerator == 1


@lru_cache(256)
def _tree(meter: Meter) -> _Span:
    beat = meter.beat_whole
    beats = [_even(number * beat, (number + 1) * beat) for number in range(meter.beats)]
    if len(meter.groups) > 1:
        ends = [*meter.starts[1:], meter.beats]
        return _over([_over(beats[a:b]) for a, b in zip(meter.starts, ends, strict=True)])
    return _over(_by_half(beats, beat <= _EIGHTH))


def _even(start: Fraction, stop: Fraction) -> _Span:
    """A span in equal parts that are each one note value: a dotted quarter in three eighths."""
    count = (stop - start).numerator
    step = (stop - start) / count
    parts = (_Span(start + n * step, start + (n + 1) * step) for n in range(count if count > 1 else 0))
    return _Span(start, stop, tuple(parts))


def _over(spans: Sequence[_Span]) -> _Span:
    """A span of others; a single one stands for itself."""
    first = spans[0]
    if len(spans) == 1:
        return first
    return _Span(first.start, spans[-1].stop, tuple(spans), first.stop - first.start > _EIGHTH)


def _by_half(beats: list[_Span], fine: bool) -> list[_Span]:
    """Beats in threes where they are fine or six, in halves where they are four or eight."""
    count = len(beats)
    step = (
        3 if (fine and count > 3 and count % 3 == 0) or count == 6 else count // 2 if count in (4, 8) else 1
    )
    return [_over(_by_half(beats[at : at + step], fine) if step == 4 else beats[at : at + step])
            for at in range(0, count, step)]  # fmt: skip


@lru_cache(256)
def beam_edges(meter: Meter) -> tuple[Fraction, ...]:
    """Where stretches that are beamed together begin, and the bar's end: beats, or groups of beats below a quarter."""
    if meter.beat_whole <= _EIGHTH:
        groups = meter.groups if len(meter.groups) > 1 else _fine_groups(meter.beats)
        steps = [group * meter.beat_whole for group in groups]
    else:
        step = meter.beat_whole if meter.beat_whole in (_QUARTER, 3 * _EIGHTH) else _QUARTER
        steps = [step] * math.ceil(meter.beats * meter.beat_whole / step)
    edges = [Fraction(0)]
    for step in steps:
        edges.append(edges[-1] + step)
    return tuple(edges)


def _fine_groups(beats: int) -> tuple[int, ...]:
    """Threes where they fill the bar, else twos with a last three where one is over."""
    if beats % 3 == 0 or beats < 4:
        return (min(3, beats),) * max(1, beats // 3)
    return (2,) * (beats // 2 - beats % 2) + (3,) * (beats % 2)


def pieces(stretches: Sequence[Stretch], meter: Meter) -> list[list[Piece]]:
    """For each of the stretches that fill a bar one after another (notes and rests) the heads that show it."""
    tree = _tree(meter)
    tuplets = list(_tuplets(tree, stretches))
    return [list(_cut(stretch, tree, tuplets)) for stretch in stretches]


def _tuplets(span: _Span, stretches: Sequence[Stretch]) -> Iterator[tuple[_Span, int]]:
    """The spans in which something falls on odd parts, each with how many parts it then has."""
    odd = 1
    crossed = False
    for start, stop in stretches:
        inside = [_odd(edge - span.start) for edge in (start, stop) if span.start < edge < span.stop]
        odd = math.lcm(odd, *inside)
        crosses = any(start < part.start < stop for part in span.inner[1:])
        off = [part for part in inside if part > 1]
        crossed = crossed or (crosses and len(off) > (1 if span.above_beat else 0))
    if odd == 1:
        return
    if not span.inner or (crossed and (span.stop - span.start).numerator in (1, 3)):
        yield span, odd
        return
    for part in span.inner:
        yield from _tuplets(part, stretches)


def _odd(length: Fraction) -> int:
    """The odd part of a length's denominator."""
    denominator = length.denominator
    return denominator // (denominator & -denominator)


def _cut(stretch: Stretch, tree: _Span, tuplets: list[tuple[_Span, int]]) -> Iterator[Piece]:
    """The heads of one stretch: outside tuplets by the bar's tree, inside each by its own even parts."""
    at, stop = stretch
    for span, odd in tuplets:
        if span.stop <= at or span.start >= stop:
            continue
        yield from _heads(at, min(span.start, stop), tree)
        begin, end = max(at, span.start), min(stop, span.stop)
        normal = 1 << (odd.bit_length() - 1)
        share = Fraction(odd, normal)
        length = (span.stop - span.start) * share
        cut = _largest_heads if length.numerator > _MOST_PARTS else _heads
        for piece in cut(
            (begin - span.start) * share, (end - span.start) * share, _even(Fraction(0), length)
        ):
            start = span.start + piece.start / share
            value = replace(piece.value, length=piece.value.length / share, actual=odd, normal=normal)
            yield Piece(start, value, start == span.start, start + value.length == span.stop)
        at = max(at, end)
    yield from _heads(at, stop, tree)


def _heads(start: Fraction, stop: Fraction, span: _Span) -> Iterator[Piece]:
    """A stretch inside a span as heads to be tied."""
    while start < stop:
        end = _first_end(start, stop, span)
        single = one_head(end - start)
        base, dots = single or (Fraction(0), 0)
        yield Piece(start, NoteValue(end - start, base, dots))
        start = end


def _largest_heads(start: Fraction, stop: Fraction, span: _Span) -> Iterator[Piece]:
    """A stretch of a tuplet with very many parts, in which no reader counts: the largest heads first."""
    while start < stop:
        base = next((value for value in VALUE_NAMES if value <= stop - start), None)
        end = stop if base is None else start + base
        yield Piece(start, NoteValue(end - start, base or Fraction(0)))
        start = end


def _first_end(start: Fraction, stop: Fraction, span: _Span) -> Fraction:
    """Where the first head of a stretch ends."""
    if _is_one_head(start, stop, span):
        return stop
    for part in span.inner:
        if part.start <= start < part.stop:
            if stop <= part.stop:
                return _first_end(start, stop, part)
            edges = [other.start for other in span.inner if start < other.start < stop]
            whole = (edge for edge in reversed(edges) if _is_one_head(start, edge, span))
            return next(whole, None) or _first_end(start, edges[0], part)
    return stop


def _is_one_head(start: Fraction, stop: Fraction, span: _Span) -> bool:
    if one_head(stop - start) is None:
        return False
    edges = {span.start, *(part.stop for part in span.inner)}
    if start in edges and stop in edges:
        return True
    if not span.plain or not any(start < part.start < stop for part in span.inner[1:]):
        return False
    if span.start == start or span.stop == stop:
        return True
    part = span.inner[0].stop - span.start
    return stop - start == part and (start - span.start) % part == part / 2


def one_head(length: Fraction) -> tuple[Fraction, int] | None:
    """Base and dots of a length that one head shows with at most one dot; None where none does."""
    for dots, share in ((0, Fraction(1)), (1, Fraction(3, 2))):
        if length / share in VALUE_NAMES:
            return length / share, dots
    return None
