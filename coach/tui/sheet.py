"""The sheet for marking: every event with its number, its key and its notes, large enough to choose from two metres.

Conventions: events stand in the order of their labels, row by row, like words on a page. The key that marks an event
stands first, as bright as in the key line; where it is not the number itself, the number follows. What failed has the
sign of its result between number and notes, and its ink; where one note of several failed, that note stands alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from coach.folder.actions import LABEL_KEYS
from coach.ground.frozen import frozen
from coach.music.excerpt import Passage, PlacedEvent
from coach.rating.fault import Fault
from coach.rating.table import RESULTS, Result
from coach.session.events import Suggest
from coach.strings.instrument import Instrument
from coach.tui.bigview import unlike, written
from coach.tui.canvas import Canvas, Role, fitted, text_width
from coach.tui.glyphs import big_width, has_glyph, rows_high

MOST = 2
"""The largest size of the sheet: more would spread few events too far apart to be seen at once."""
CURSOR_COLUMNS = 2
GUESS = "?"
"""The sign of what is suggested and not marked, and of a mark whose event is a guess."""
NUMBER_KEYS = LABEL_KEYS[:9]
"""Keys that are the numbers of their events."""


@frozen
class Sheet:
    """How the events of a passage are laid out; columns are those of one event."""

    size: int
    words: bool
    """Whether a line of small words, bar and count, stands above each row of events; else they stand beside each."""
    columns: int
    across: int
    lines: int
    label_columns: int
    """Of the key and a gap."""
    sign_columns: int
    note_columns: int
    """Of the widest notes."""
    pages: tuple[tuple[int, ...], ...]
    """The labels on each page."""

    @property
    def line_rows(self) -> int:
        return rows_high(self.size) + self.words

    def page_of(self, label: int) -> int:
        """The page that an event stands on."""
        return next(page for page, labels in enumerate(self.pages) if label in labels)


@frozen
class EventLook:
    """What stands on an event: its mark, or what was heard of it, and how that looks."""

    fault: Fault | None = None
    sign: str = ""
    """Where it is not the mark's own."""
    words: str = ""
    role: Role = "dim"


@frozen
class SheetLook:
    """What changes while the sheet stands."""

    page: int = 0
    marks: tuple[Fault, ...] = ()
    cursor: int = 0
    """Label under the cursor; 0 for none."""
    heard: tuple[Suggest, ...] = ()
    guesses: frozenset[int] = frozenset()
    """Labels of marks that may be about another event."""

    def event(self, label: int) -> EventLook:
        """How an event looks."""
        fault = next((mark for mark in self.marks if mark.label == label), None)
        if fault:
            guess = GUESS if label in self.guesses else ""
            return EventLook(fault, guess, fault.result.word + guess, fault.result.ink)
        one = next((one for one in self.heard if one.label == label), None)
        if one is None or one.mark is None:
            return EventLook(words=one.heard if one else "")
        return EventLook(None, GUESS, one.heard + GUESS, "next")


def sheet_of(passage: Passage, instrument: Instrument, width: int, height: int, least: int) -> Sheet:
    """The largest sheet, not below size `least`, on which all events have room; where none has, pages of the least.

    Nodes have their brackets and events their bar and count at every size.
    """
    chips = unlike(passage.events)
    sizes = [(size, True) for size in range(max(MOST, least), least - 1, -1)]
    sheets = [_sheet(passage, instrument, chips, width, height, *look) for look in (*sizes, (least, False))]
    return next((sheet for sheet in sheets if len(sheet.pages) == 1), sheets[-2])


def _sheet(
    passage: Passage,
    instrument: Instrument,
    chips: Sequence[PlacedEvent],
    width: int,
    height: int,
    size: int,
    words: bool,
) -> Sheet:
    events = passage.events
    notes = max(big_width(written(event, instrument), size) for event in chips)
    keys = LABEL_KEYS[: len(events)]
    gap = 1 if len(events) > len(NUMBER_KEYS) else 2
    label = max(big_width(key, size) for key in keys) + gap
    signs = (GUESS, *(_sign(row, plain=False) for row in RESULTS))
    sign = max(big_width(one, size) for one in signs) + gap
    places = (_where(passage, event.label, "") for event in events)
    beside = 0 if words else max(text_width(text) for place in places for text in place) + 2
    columns = CURSOR_COLUMNS + label + sign + notes + beside
    across = max(width // columns, 1)
    columns = max(width // across, columns)
    lines = max(height // (rows_high(size) + words), 1)
    labels = [event.label for event in events]
    each = min(across * lines, len(LABEL_KEYS)) if len(events) > len(LABEL_KEYS) else across * lines
    pages = tuple(tuple(labels[at : at + each]) for at in range(0, len(labels), each))
    return Sheet(size, words, columns, across, lines, label, sign, notes, pages)


def keys_on(passage: Passage, sheet: Sheet, page: int) -> dict[int, str]:
    """Label to its key: the whole passage where the keys suffice, else the events of the page that is open."""
    labels = [event.label for event in passage.events]
    shown = labels if len(labels) <= len(LABEL_KEYS) else sheet.pages[page]
    return dict(zip(shown, LABEL_KEYS, strict=False))


def page_text(sheet: Sheet, page: int) -> str:
    """Which events a page shows: `9-12`, `9`."""
    first, last = sheet.pages[page][0], sheet.pages[page][-1]
    return str(first) if first == last else f"{first}-{last}"


def draw_sheet(
    canvas: Canvas, passage: Passage, instrument: Instrument, sheet: Sheet, look: SheetLook
) -> None:
    """The open page of the sheet."""
    keys = keys_on(passage, sheet, look.page)
    for place, label in enumerate(sheet.pages[look.page]):
        line, across = divmod(place, sheet.across)
        row, left = line * sheet.line_rows, across * sheet.columns
        event = passage.event(label)
        shown = look.event(label)
        if sheet.words:
            room = sheet.columns - CURSOR_COLUMNS - 1
            words = f"{', '.join(_where(passage, label, keys[label]))}  {shown.words}".rstrip()
            # Where both have no room, what came of it is worth more than where it stands.
            words = shown.words if shown.words and text_width(words) > room else words
            canvas.put(row, left + CURSOR_COLUMNS, fitted(words, room), shown.role)
        else:
            beside = left + CURSOR_COLUMNS + sheet.label_columns + sheet.sign_columns + sheet.note_columns + 1
            where = _where(passage, label, keys[label])
            if shown.words:
                spare = len(where) < rows_high(sheet.size)
                where = (*where, shown.words) if spare else (where[0], shown.words, where[-1])
            room = sheet.columns - beside + left
            canvas.put_rows(row, beside, [fitted(line, room) for line in where], shown.role)
        if label == look.cursor:
            canvas.put_rows(row + sheet.words, left, ["█"] * rows_high(sheet.size), "now")
        _chip(canvas, row + sheet.words, left, event, keys[label], sheet, shown, instrument)


def _where(passage: Passage, label: int, key: str) -> tuple[str, ...]:
    """Where an event is: before it its number, where that is not its key."""
    event = passage.event(label)
    number = () if key == str(label) else (str(label),)
    return (*number, f"bar {passage.bars[event.bar].number}", f"beat {event.count}")


def _chip(
    canvas: Canvas,
    row: int,
    left: int,
    event: PlacedEvent,
    key: str,
    sheet: Sheet,
    shown: EventLook,
    instrument: Instrument,
) -> None:
    size = sheet.size
    column = left + CURSOR_COLUMNS
    canvas.put_tall(row, column, key, size, "now")
    column += sheet.label_columns
    fault = shown.fault
    role: Role = fault.result.ink if fault else "ring" if event.is_harmonic else "bass"
    if sign := shown.sign or (_sign(fault.result, canvas.plain) if fault else ""):
        canvas.put_tall(row, column, sign, size, shown.role)
    column += sheet.sign_columns
    if fault and fault.note:
        event = replace(event, notes=event.notes[fault.note - 1 : fault.note])
    canvas.put_tall(row, column, written(event, instrument), size, role)


def _sign(result: Result, plain: bool) -> str:
    """The result's sign; its key where the sign has no tall glyph."""
    sign = result.ascii_sign if plain else result.sign
    return sign if has_glyph(sign) else result.key


def event_at(sheet: Sheet, look: SheetLook, column: int, row: int) -> int:
    """Label of the event at a cell of the drawn sheet, 0 where there is none: for mouse and touch."""
    across, line = column // sheet.columns, row // sheet.line_rows
    labels = sheet.pages[look.page]
    place = line * sheet.across + across
    return labels[place] if across < sheet.across and place < len(labels) else 0
