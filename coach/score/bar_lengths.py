"""How long the bars of a part really are: bars that a repeat or a fermata parts in two, pick-ups, bars left unfilled.

Conventions: lengths in whole notes. A bar shorter than its meter keeps its length, as the file has it: padding it
would move all that follows. Where another part fills the same bar, this part only leaves its rests out.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import reduce

from coach.ground.plain import counted
from coach.score.score import Score, ScoreBar


def settle_lengths(
    score: Score,
    filled: Sequence[Fraction],
    implicit: Sequence[bool],
    in_other_parts: Callable[[Collection[int]], Mapping[int, Fraction]],
) -> None:
    """Give every bar its length, and mark pick-ups and later pieces of a parted bar; tell what is filled or odd.

    `filled`: how far the part's own notes and rests reach. `implicit`: whether the file counts the bar as none of its
    own. `in_other_parts` gives how far the longest of all parts reaches in these bars.
    """
    bars = score.bars
    for index, (bar, own) in enumerate(zip(bars, filled, strict=True)):
        bar.length = own or bar.full
        begins = bar.starts_section or (index > 0 and bars[index - 1].ends_section)
        bar.pickup = bar.length < bar.full and (index == 0 or (implicit[index] and begins))
    open_bars = _open(bars, implicit)
    if open_bars:
        others = in_other_parts(open_bars)
        for index in open_bars:
            _fill(score, bars[index], others[index])
        _mark_pieces(bars)
    for index, bar in enumerate(bars):
        longer = bar.length > bar.full
        inside = index in open_bars and 0 < index < len(bars) - 1 and not bar.continues
        if longer or (inside and bar.length < bar.full):
            than = f"{'longer' if longer else 'shorter'} than {bar.upper}/{bar.lower}"
            whole = bar.length.denominator == 1
            kept = counted(int(bar.length), "whole note") if whole else f"{bar.length} of a whole note"
            score.remark(bar.number, f"{than}; kept as {kept}")


def _open(bars: Sequence[ScoreBar], implicit: Sequence[bool]) -> list[int]:
    """The bars of which this part alone can't tell whether they are short or left unfilled."""
    pieces = _mark_pieces(bars)
    return [
        index
        for index, bar in enumerate(bars)
        if bar.length < bar.full and index not in pieces and not implicit[index]
    ]


def _fill(score: Score, bar: ScoreBar, longest: Fraction) -> None:
    """Fill a bar with rests as far as other parts go; the drill would be out of step with them."""
    longest = min(longest, bar.full)
    if longest > bar.length:
        score.remark(bar.number, "filled with rests to its length in the other parts")
        bar.length = longest
        bar.pickup = bar.pickup and longest < bar.full


def _mark_pieces(bars: Sequence[ScoreBar]) -> set[int]:
    """Mark the later pieces of bars that are parted; the indices of all pieces."""
    pieces: set[int] = set()
    index = 1
    while index < len(bars):
        run = _run(bars, index)
        bars[index].continues = False
        for place in run:
            bars[place].continues = place != index
        pieces.update(run)
        index += len(run) or 1
    return pieces


def _run(bars: Sequence[ScoreBar], start: int) -> range:
    """The bars from `start` on that together fill its meter, where later ones may have a new one; else none."""
    total = Fraction(0)
    for index in range(start, len(bars)):
        bar = bars[index]
        if bar.length >= bar.full or bar.pickup:
            break
        total += bar.length
        if total == bars[start].full:
            return range(start, index + 1)
        if total > bars[start].full:
            break
    return range(0)


def whole_bars(bars: Sequence[tuple[int, ScoreBar]]) -> Iterator[tuple[list[int], ScoreBar]]:
    """The bars of a phrase with parted ones put together again, each with the indices that it is made of.

    A later piece of a bar that begins the phrase stays a pick-up: it has no piece before it here.
    """
    pieces: list[list[tuple[int, ScoreBar]]] = []
    for index, bar in bars:
        if pieces and bar.continues and index == pieces[-1][-1][0] + 1:
            pieces[-1].append((index, bar))
        else:
            pieces.append([(index, bar)])
    for together in pieces:
        yield [index for index, _ in together], reduce(ScoreBar.with_rest, (bar for _, bar in together))
