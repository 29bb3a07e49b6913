"""The fretboard to scale, zoomed on the part in use, with the hand now and next.

Conventions: one row a string, highest on top; columns are equal lengths of string; the nut is on the left, for
left-handed players on the right. The hand now is a filled mark, the hand next an open one, other places of the
passage small dots, a held note a square.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coach.music.excerpt import Passage, PlacedEvent, PlacedNote
from coach.strings.instrument import Instrument
from coach.strings.touch import LAST_FRET
from coach.tui.canvas import Canvas, Role, Rows
from coach.tui.focus import Focus

MARGIN_MM = 25.0
NARROWEST_MM = 120.0

_SIGNS = {"now": "●", "next": "○", "held": "■", "used": "∙", "open": "◦"}
_PLAIN_SIGNS = {"now": "@", "next": "o", "held": "#", "used": "+", "open": "+"}


@dataclass(frozen=True, slots=True)
class Window:
    """The part of the string that is drawn, in mm from the nut, and the strings."""

    low_mm: float
    high_mm: float
    strings: tuple[int, ...]


def window_for(passage: Passage, instrument: Instrument, most_strings: int) -> Window:
    """The part of the fretboard that a passage uses, with a margin; all strings where they have room."""
    used = {placed.note.string for event in passage.events for placed in event.notes}
    strings = tuple(range(len(instrument.strings)))
    if len(strings) > most_strings:
        strings = tuple(string for string in strings if string in used)[:most_strings]
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
    return Window(low, min(max(high, low + NARROWEST_MM), instrument.scale_mm), strings)


def draw_neck(
    passage: Passage,
    instrument: Instrument,
    window: Window,
    focus: Focus,
    width: int,
    height: int,
    plain: bool = False,
    left_handed: bool = False,
) -> Rows:
    """The window in `width` columns: a row with fret numbers, then one for each string."""
    canvas = Canvas(width, height)
    gutter = max(len(instrument.string_label(string)) for string in window.strings) + 1
    columns = width - gutter
    span = window.high_mm - window.low_mm

    def column(mm: float) -> int:
        at = round((mm - window.low_mm) / span * (columns - 1))
        return gutter + (columns - 1 - at if left_handed else at)

    string_line, wire, nut = ("-", "|", "H") if plain else ("─", "┼", "╫")
    for row, string in enumerate(window.strings, 1):
        canvas.put(row, 0, instrument.string_label(string), "dim")
        canvas.put(row, gutter, string_line * columns, "rule")
    taken = -3
    frets = range(LAST_FRET + 1)
    for fret in reversed(frets) if left_handed else frets:
        at_mm = instrument.fret_mm(fret)
        if not window.low_mm <= at_mm <= window.high_mm:
            continue
        at = column(at_mm)
        for row in range(1, len(window.strings) + 1):
            canvas.put(row, at, nut if fret == 0 else wire, "rule")
        text = str(fret)
        start = min(at, width - len(text))
        if start > taken:
            canvas.put(0, start, text, "dim")
            taken = start + len(text)
    signs = _PLAIN_SIGNS if plain else _SIGNS

    def mark(events: Iterable[PlacedEvent], kind: str, role: Role, label: bool = False) -> None:
        for event in events:
            for placed in event.notes:
                if placed.note.string not in window.strings:
                    continue
                mm = _mm(placed, instrument)
                row = window.strings.index(placed.note.string) + 1
                if mm is None:
                    if label:
                        canvas.paint(row, 0, gutter - 1, role)
                    continue
                at = column(mm)
                canvas.put(row, at, signs[kind], role)
                if label:
                    _name(canvas, row, at, placed.note.position_text, role, gutter, left_handed)

    mark(passage.events, "used", "dim")
    mark(focus.held, "held", "bass", label=True)
    if focus.next:
        mark([focus.next], "next", "next", label=True)
    if focus.now:
        mark([focus.now], "now", "now", label=True)
    return canvas.rows()


def _name(canvas: Canvas, row: int, at: int, text: str, role: Role, gutter: int, left_handed: bool) -> None:
    """The position's number beside its mark: towards the bridge, else on the other side."""
    after = at + 1 if not left_handed else at - len(text)
    before = at - len(text) if not left_handed else at + 1
    for start in (after, before):
        if start >= gutter and start + len(text) <= canvas.width:
            canvas.put(row, start, text, role)
            return


def _mm(placed: PlacedNote, instrument: Instrument) -> float | None:
    note = placed.note
    if note.node is not None:
        return instrument.position_mm(note.node)
    return instrument.fret_mm(note.fret) if note.fret else None
