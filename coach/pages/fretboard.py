"""The fretboard as a drawing on a page: the painter of `coach.strings.fretboard` for SVG.

Conventions: units are 720 to the drawing's width; y downwards. A mark with a sign is a ring around it in the ink of its
kind, one without is a dot.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise

from coach.ground.frozen import frozen
from coach.pages import svg
from coach.strings.fretboard import LABEL_ROWS, Board, Mark, spread

WIDTH = 720.0
_RIGHT, _TOP = 8.0, 22.0
_LETTER = 6.5
"""About how wide a digit is at the size of the labels."""
_SIZE = 10.5
_ROW = 13.0
_FINE = 12.0
"""About how far apart the fine ticks of a ruler stand."""

Place = Callable[[float], float]
"""Where a place in mm lies in the drawing."""


@frozen
class Frame:
    """Where a drawing's strings begin and end, how far apart they lie, rows for labels, and whether it has a ruler."""

    left: float = 44.0
    width: float = WIDTH
    gap: float = 30.0
    rows: int = LABEL_ROWS
    ruler: bool = False

    @property
    def stop(self) -> float:
        return self.width - _RIGHT

    def middle(self, row: int) -> float:
        """The height of a string."""
        return _TOP + self.gap * (row + 0.5)


def fretboard_svg(
    board: Board, marks: Sequence[Mark], label: str, inks: Mapping[str, str] | None = None
) -> str:
    """The board as a drawing as wide as its page; see `fretboard_parts`."""
    parts, height = fretboard_parts(board, marks, inks)
    return svg.drawing(WIDTH, height, label, parts, fluid=True)


def fretboard_parts(
    board: Board, marks: Sequence[Mark], inks: Mapping[str, str] | None = None, frame: Frame = Frame()
) -> tuple[list[str], float]:
    """The board with its marks, fret numbers above and the marks' labels below, and how high that is.

    Where frets fan, the numbers above are the first string's, and those of the last stand below it. `inks` are colours
    by kind of mark; a ruler in mm stands under all that.
    """

    def x(mm: float) -> float:
        return frame.left + board.across(mm) * (frame.stop - frame.left)

    drawn = board.drawn(marks)
    bottom = _TOP + frame.gap * len(board.strings)
    parts = [*_grid(board, x, frame), *_marks(drawn, x, frame, inks or {})]
    if board.instrument.fans:
        parts += _numbers(board, x, board.strings[-1], bottom + 11)
        bottom += _ROW
    places = {mark.label: x(mark.mm) for mark, _ in drawn if mark.mm is not None}
    labels, rows = _texts({at: label for label, at in places.items()}, bottom + 11, frame.rows)
    below = bottom + 4 + rows * _ROW
    parts += labels
    if frame.ruler:
        parts += _ruler(board, x, frame, below + 6)
        below += 26
    return parts, below + 4


def _numbers(board: Board, x: Place, string: int, y: float) -> list[str]:
    wires = board.frets_of(string).items()
    return _texts({x(mm): str(fret) for fret, mm in wires if fret}, y, 1)[0]


def _grid(board: Board, x: Place, frame: Frame) -> Iterator[str]:
    yield from _numbers(board, x, board.strings[0], _TOP - 8)
    # Fanned wires go from string to string; others go straight from one edge of the neck to the other.
    strings = board.strings if board.instrument.fans else ()
    stops = [_TOP + 4, *map(frame.middle, range(len(strings))), _TOP + frame.gap * len(board.strings) - 4]
    wires = [board.frets_of(string) for string in (board.strings[0], *strings, board.strings[-1])]
    for (start, above), (stop, below) in pairwise(zip(stops, wires, strict=True)):
        for fret in sorted(above.keys() & below.keys()):
            yield svg.line(x(above[fret]), start, x(below[fret]), stop, "wire" if fret else "nut")
    for row, name in enumerate(board.names):
        y = frame.middle(row)
        yield svg.line(frame.left, y, frame.stop, y, "string", 0.8 + 0.4 * row)
        yield svg.text(frame.left - 9, y + 4, name, 12, "end")


def _marks(
    drawn: Sequence[tuple[Mark, int]], x: Place, frame: Frame, inks: Mapping[str, str]
) -> Iterator[str]:
    for mark, row in drawn:
        if mark.mm is None:
            continue
        at, y, ink = x(mark.mm), frame.middle(row), inks.get(mark.kind, "")
        if mark.sign:
            ring = svg.circle(at, y, 9, "node", ink=ink)
            yield svg.group([ring, svg.text(at, y + 4.5, mark.sign, 13, "middle", "sign", ink)], mark.hint)
        else:
            yield svg.circle(at, y, 5, "dot", mark.hint)


def _texts(texts: Mapping[float, str], y: float, rows: int) -> tuple[list[str], int]:
    """Texts centred on their places, on the first row with room; how many rows that took."""
    extents = [(at - len(text) * _LETTER / 2, at + len(text) * _LETTER / 2) for at, text in texts.items()]
    chosen = spread(extents, rows, _LETTER / 2)
    parts = [
        svg.text(at, y + row * _ROW, text, _SIZE, "middle")
        for (at, text), row in zip(texts.items(), chosen, strict=True)
        if row is not None
    ]
    return parts, max((row + 1 for row in chosen if row is not None), default=0)


def _ruler(board: Board, x: Place, frame: Frame, y: float) -> Iterator[str]:
    yield svg.line(frame.left, y, frame.stop, y, width=0.8)
    for mm in svg.ticks(board.low_mm, board.high_mm, round((frame.stop - frame.left) / _FINE)):
        yield svg.line(x(mm), y, x(mm), y + 3, width=0.6)
    for mm in svg.ticks(board.low_mm, board.high_mm, 8):
        yield svg.line(x(mm), y, x(mm), y + 6, width=0.8)
        yield svg.text(x(mm), y + 16, f"{mm:g}", _SIZE, "middle")
