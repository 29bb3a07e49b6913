"""The fretboard as a drawing on a page: the painter of `coach.strings.fretboard` for SVG.

Conventions: units are 720 to the drawing's width; y downwards. A mark with a sign is a ring around it in the ink of its
kind, one without is a dot.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from coach.pages import svg
from coach.strings.fretboard import LABEL_ROWS, Board, Mark, spread

WIDTH = 720.0
_RIGHT, _TOP, _GAP = 8.0, 22.0, 30.0
_LETTER = 6.5
"""About how wide a digit is at the size of the labels."""
_SIZE = 10.5
_ROW = 13.0

Place = Callable[[float], float]
"""Where a place in mm lies in the drawing."""


def fretboard_svg(
    board: Board,
    marks: Sequence[Mark],
    label: str,
    inks: Mapping[str, str] | None = None,
    left: float = 44.0,
    ruler: bool = False,
) -> str:
    """The board with its marks, fret numbers above and the marks' labels below; with a ruler in mm under all that.

    `inks` are colours by kind of mark, `left` is where the strings begin.
    """

    def x(mm: float) -> float:
        return left + board.across(mm) * (WIDTH - left - _RIGHT)

    drawn = board.drawn(marks)
    bottom = _TOP + _GAP * len(board.strings)
    parts = [*_grid(board, x, left, bottom), *_marks(drawn, x, inks or {})]
    labels, rows = _texts(
        {x(mark.mm): mark.label for mark, _ in drawn if mark.mm is not None}, bottom + 11, LABEL_ROWS
    )
    below = bottom + 4 + rows * _ROW
    parts += labels
    if ruler:
        parts += _ruler(board, x, left, below + 6)
        below += 30
    return svg.drawing(WIDTH, below + 4, label, parts, fluid=True)


def _grid(board: Board, x: Place, left: float, bottom: float) -> Iterator[str]:
    numbers, _ = _texts({x(mm): str(fret) for fret, mm in board.frets.items() if fret}, _TOP - 8, 1)
    yield from numbers
    for fret, mm in board.frets.items():
        yield svg.line(x(mm), _TOP + 4, x(mm), bottom - 4, "wire" if fret else "nut")
    for row, name in enumerate(board.names):
        yield svg.line(left, _middle(row), WIDTH - _RIGHT, _middle(row), "string", 0.8 + 0.4 * row)
        yield svg.text(left - 9, _middle(row) + 4, name, 12, "end")


def _middle(row: int) -> float:
    return _TOP + _GAP * (row + 0.5)


def _marks(drawn: Sequence[tuple[Mark, int]], x: Place, inks: Mapping[str, str]) -> Iterator[str]:
    for mark, row in drawn:
        if mark.mm is None:
            continue
        at, y, ink = x(mark.mm), _middle(row), inks.get(mark.kind, "")
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


def _ruler(board: Board, x: Place, left: float, y: float) -> Iterator[str]:
    yield svg.line(left, y, WIDTH - _RIGHT, y, width=0.8)
    for mm in svg.ticks(board.low_mm, board.high_mm, 8):
        yield svg.line(x(mm), y, x(mm), y + 6, width=0.8)
        yield svg.text(x(mm), y + 18, f"{mm:g}", _SIZE, "middle")
    yield svg.text(0, y + 3, "mm from nut", _SIZE)
