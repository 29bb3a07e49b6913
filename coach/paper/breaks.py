"""Where lines of music end.

Conventions: widths are in the engraver's units; bars are counted from 0 through the drill. A line has bars of one
phrase, or several whole phrases.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coach.ground.frozen import frozen


@frozen
class Bars:
    """The bars of one line, from `first` to before `stop`, how wide they want to be and have to be."""

    first: int
    stop: int
    wanted: float
    least: float


def lines_of(
    counts: Sequence[int], wanted: Sequence[float], least: Sequence[float], room: float, clef: float
) -> list[Bars]:
    """The lines of a drill whose phrases have so many bars; a line that does not begin a phrase has a clef more."""
    lines: list[Bars] = []
    first, whole = 0, False
    for count in counts:
        own = _phrase(first, first + count, wanted, least, room, clef)
        before = lines[-1] if lines else None
        joins = whole and len(own) == 1
        if before and joins and before.wanted + own[0].wanted <= room:
            lines[-1] = Bars(
                before.first, own[0].stop, before.wanted + own[0].wanted, before.least + own[0].least
            )
        else:
            lines += own
            whole = len(own) == 1
        first += count
    return lines


def _phrase(
    first: int, stop: int, wanted: Sequence[float], least: Sequence[float], room: float, clef: float
) -> list[Bars]:
    """A phrase's bars on as few lines as they want."""
    for count in range(1, stop - first):
        lines = list(_even(first, stop, wanted, least, count, clef))
        if all(line.wanted <= room for line in lines):
            return lines
    return list(_even(first, stop, wanted, least, stop - first, clef))


def _even(
    first: int, stop: int, wanted: Sequence[float], least: Sequence[float], count: int, clef: float
) -> Iterator[Bars]:
    """Bars on so many lines, each with about as many as the others."""
    for number in range(count):
        start, end = (first + (stop - first) * step // count for step in (number, number + 1))
        more = clef if number else 0.0
        yield Bars(start, end, sum(wanted[start:end]) + more, sum(least[start:end]) + more)
