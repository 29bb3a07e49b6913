"""In which order bars are played: repeat signs and endings written out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import dropwhile, takewhile
from operator import not_

from coach.score.limits import MAX_BARS
from coach.score.score import Score


@dataclass
class Turn:
    """What the barlines of one bar say."""

    forward: bool = False
    backward: int = 0
    """How often the section is played in all; 0 for no repeat sign."""
    ending_starts: frozenset[int] = frozenset()
    """The times for which an ending begins here is played."""
    ending_stops: bool = False


def played_order(turns: Sequence[Turn], score: Score) -> list[int]:
    """Bar indices as played. What has no end (a repeat into itself) is cut at the limit, with a remark."""
    order: list[int] = []
    endings = _endings(turns)
    start, time, index = 0, 1, 0
    while index < len(turns):
        turn = turns[index]
        if turn.forward and index != start:
            start, time = index, 1
        ending = endings[index]
        if ending and time not in ending:
            index += 1
            # A section whose later ending is passed over too is over.
            continue
        order.append(index)
        if len(order) >= MAX_BARS:
            score.remark("", f"repeats are cut after {MAX_BARS} bars")
            return order
        if turn.backward:
            times = turn.backward
            if ending:
                # Those that come after a bar without one are another section's.
                own = takewhile(bool, dropwhile(not_, endings[start:]))
                times = max(times, *map(max, own))
            if time < times:
                index, time = start, time + 1
                continue
            start, time = index + 1, 1
        elif turn.ending_stops and ending:
            start, time = index + 1, 1
        index += 1
    return order


def _endings(turns: Sequence[Turn]) -> list[frozenset[int]]:
    """For each bar the times for which its ending is played; empty outside endings.

    One whose end the file does not say goes to the repeat sign that sends back from it, or to the next section.
    """
    endings: list[frozenset[int]] = []
    current: frozenset[int] = frozenset()
    for turn in turns:
        if turn.ending_starts or turn.forward:
            current = turn.ending_starts
        endings.append(current)
        if turn.ending_stops or turn.backward:
            current = frozenset()
    return endings
