"""The part of the fretboard in use, with the hand now and next on it.

Conventions: those of `coach.strings.fretboard`. The hand now is a filled mark, the hand next an open one, other places
of the passage small dots, a held note a square.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from coach.music.excerpt import Passage, PlacedEvent, PlacedNote
from coach.strings.fretboard import Board, Cell, Mark, fretboard_cells
from coach.strings.instrument import Instrument
from coach.tui.canvas import Canvas, Role, Rows
from coach.tui.focus import Focus, strings_shown

MARGIN_MM = 25.0
NARROWEST_MM = 120.0

ROLES: dict[str, Role] = {
    "name": "dim",
    "number": "dim",
    "label": "dim",
    "line": "rule",
    "used": "dim",
    "held": "bass",
    "next": "next",
    "now": "now",
    "node": "text",
}
"""The role of each kind of cell."""
_SIGNS = {"now": "●", "next": "○", "held": "■", "used": "∙"}


def board_for(
    passage: Passage, instrument: Instrument, most_strings: int, left_handed: bool = False
) -> Board:
    """The part of the fretboard that a passage uses, with a margin; all strings where they have room."""
    strings = strings_shown(passage, instrument, most_strings)
    places = [
        at
        for event in passage.events
        for placed in event.notes
        if (at := _mm(placed, instrument)) is not None
    ]
    low, high = min(places, default=0.0) - MARGIN_MM, max(places, default=300.0) + MARGIN_MM
    short = NARROWEST_MM - (high - low)
    if short > 0:
        low, high = low - short / 2, high + short / 2
    low = max(low, 0.0)
    high = min(max(high, low + NARROWEST_MM), instrument.longest_mm)
    return Board(instrument, low, high, strings, left_handed)


def draw_neck(canvas: Canvas, passage: Passage, board: Board, focus: Focus) -> None:
    """The board: a row with fret numbers, then one for each string."""
    instrument = board.instrument
    marks = [
        *_marks(passage.events, "used", instrument),
        *_marks(focus.held, "held", instrument),
        *_marks([focus.next] if focus.next else [], "next", instrument),
        *_marks([focus.now] if focus.now else [], "now", instrument),
    ]
    canvas.paste(0, 0, cell_rows(fretboard_cells(board, marks, canvas.width, beside=True)))


def cell_rows(cells: Sequence[Sequence[Cell]]) -> Rows:
    """Cells of a fretboard as a picture, each kind in its role."""
    return tuple(
        tuple(
            ("".join(letter for letter, _ in run), ROLES[kind])
            for kind, run in groupby(row, key=lambda cell: cell[1])
        )
        for row in cells
    )


def _marks(events: Iterable[PlacedEvent], kind: str, instrument: Instrument) -> Iterator[Mark]:
    """A mark a note; where the passage plays at other moments has no label, and its open strings no mark."""
    for event in events:
        for placed in event.notes:
            mm = _mm(placed, instrument)
            if placed.note.is_artificial:
                stop_mm = instrument.fret_mm(placed.note.string, placed.note.stop)
                yield Mark(placed.note.string, stop_mm, _SIGNS["held" if kind == "now" else kind], kind)
            if kind != "used":
                yield Mark(placed.note.string, mm, _SIGNS[kind], kind, placed.note.position_text)
            elif mm is not None:
                yield Mark(placed.note.string, mm, _SIGNS[kind], kind)


def _mm(placed: PlacedNote, instrument: Instrument) -> float | None:
    note = placed.note
    if note.node is not None:
        return instrument.position_mm(note.string, note.node, note.stop)
    return instrument.fret_mm(note.string, note.fret) if note.fret else None
