"""The phrase as a lane: strings as lines, time from left to right, one or two bars at a time, turned like a page.

Conventions: highest string on top, as tab is read. A natural harmonic stands as text tab writes it (`<3.2>`) and
rings on as a broken line; a stopped or open string is a number and a solid line as long as it is to be held.
A block ends what must be damped, an arrow what rings over. Above the strings stand the labels of the layers with
harmonics, below the count those of the others. Times are tempo beats of the passage.

Turning: with two bars side by side the left one is replaced by the next bar as soon as the second beat of the right
one has come, so that the bar to come is always in sight and nothing moves that is being read.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import field
from fractions import Fraction
from itertools import count
from operator import attrgetter

from coach.ground.frozen import frozen
from coach.music.drill import Note
from coach.music.excerpt import Passage, PassageBar, PlacedEvent
from coach.strings.instrument import Instrument
from coach.tui.canvas import Canvas, Role, fitted
from coach.tui.focus import strings_shown
from coach.tui.layout import FOOTER_ROWS, HEADER_ROWS

MOST_BARS = 2
_EDGE = 1
"""Columns of the bar line before each part."""


@frozen
class Part:
    """A bar, or a piece of a crowded one, from `start` for `length` tempo beats."""

    bar: int
    start: Fraction
    length: Fraction

    @property
    def stop(self) -> Fraction:
        return self.start + self.length


@frozen
class Pages:
    """How a passage is laid out: its parts in order, so many side by side, so many columns a tempo beat."""

    parts: tuple[Part, ...]
    abreast: int
    gutter: int
    part_columns: int
    beat_columns: Fraction
    strings: tuple[int, ...]
    spacing: int = 1
    """Rows from one string to the next."""

    @property
    def height(self) -> int:
        """Rows of the drawn lane."""
        return self.count_row + FOOTER_ROWS

    @property
    def count_row(self) -> int:
        """The row of the count, under the strings."""
        return HEADER_ROWS + (len(self.strings) - 1) * self.spacing + 1

    def row_of(self, string: int) -> int:
        return HEADER_ROWS + self.strings.index(string) * self.spacing

    def part_at(self, beat: float | Fraction) -> int:
        """Index of the part that a beat lies in; the first before the start, the last after the end."""
        return max(bisect_right(self.parts, beat, key=attrgetter("start")) - 1, 0)

    def stepped(self, beat: float) -> Fraction:
        """The beat at which the column begins that a beat lies in: what is drawn stays the same until the next."""
        start = self.parts[self.part_at(beat)].start
        return start + int((beat - float(start)) * float(self.beat_columns)) / self.beat_columns


@frozen
class LaneLook:
    """What changes while the lane stands."""

    beat: float | Fraction | None = None
    """Where the music is, in tempo beats; None while it stands."""
    now: Collection[int] = ()
    """Labels of the events that sound now."""
    marks: Mapping[int, tuple[str, Role]] = field(default_factory=dict)
    """Label to the sign and role of what failed."""


def pages_of(passage: Passage, instrument: Instrument, width: int, height: int) -> Pages:
    """The layout of a passage in `width` x `height` cells; it stays the same from the first beat to the last.

    Two bars abreast where their notes have room, else one, else parts of a bar. Only the strings in use are drawn
    where not all have room; strings stand two rows apart where there is room for that.
    """
    most_strings = max(height - HEADER_ROWS - FOOTER_ROWS, 1)
    strings = strings_shown(passage, instrument, most_strings)
    spacing = 2 if 2 * len(strings) - 1 <= most_strings else 1
    gutter = max(len(instrument.string_label(string)) for string in strings) + 1
    choices = [(MOST_BARS, 1)] if len(passage.bars) > 1 else []
    choices += [(1, pieces) for pieces in (1, 2, 4, 8, 16)]
    for abreast, pieces in choices:
        parts = tuple(part for index, bar in enumerate(passage.bars) for part in _pieces(index, bar, pieces))
        columns = (width - gutter) // abreast - _EDGE
        longest = max(part.length for part in parts)
        beat_columns = Fraction(max(columns, 1)) / longest
        pages = Pages(parts, abreast, gutter, columns + _EDGE, beat_columns, strings, spacing)
        if _fits(passage, pages):
            break
    return pages


def shown_parts(pages: Pages, look: LaneLook) -> list[int]:
    """Which part stands in each place, from left to right; a place after the end of the passage is left out."""
    beat = look.beat or 0.0
    current = pages.part_at(beat)
    first = current - current % pages.abreast
    shown = list(range(first, first + pages.abreast))
    turned = current - first == pages.abreast - 1 and beat >= pages.parts[current].start + 1
    if pages.abreast > 1 and turned and first + pages.abreast < len(pages.parts):
        shown[0] = first + pages.abreast
    return [index for index in shown if index < len(pages.parts)]


def draw_lane(canvas: Canvas, passage: Passage, instrument: Instrument, pages: Pages, look: LaneLook) -> None:
    """The lane as it looks now, in `pages.height` rows."""
    for string in pages.strings:
        canvas.put(pages.row_of(string), 0, instrument.string_label(string), "dim")
    shown = shown_parts(pages, look)
    for place, index in enumerate(shown):
        _Slot(canvas, passage, pages, look, pages.gutter + place * pages.part_columns, index).draw(
            upcoming=index > max(shown[-1], 0) and place == 0
        )
    if look.beat is None and len(shown) < len(pages.parts):
        bars = [passage.bars[pages.parts[index].bar].number for index in shown]
        canvas.put_right(0, f"  {bars_text(bars, passage)}", "next")


def bars_text(numbers: Sequence[int], passage: Passage) -> str:
    """Which bars are shown of which: `bars 1-2 of 4`, `bar 3 of 4`, `bar 9 of 9-12`."""
    shown = f"bar {numbers[0]}" if numbers[0] == numbers[-1] else f"bars {numbers[0]}-{numbers[-1]}"
    first, last = passage.bars[0].number, passage.bars[-1].number
    return f"{shown} of {last}" if first == 1 else f"{shown} of {first}-{last}"


def _pieces(index: int, bar: PassageBar, pieces: int) -> Iterator[Part]:
    """A bar cut at counted beats into about equal parts."""
    beats = max(math.ceil(bar.length / bar.beat_length), 1)
    pieces = min(pieces, beats) if pieces <= beats or pieces <= 4 else pieces
    size = -(-beats // pieces) * bar.beat_length if pieces <= beats else bar.length / pieces
    start = bar.start
    while start < bar.start + bar.length:
        length = min(size, bar.start + bar.length - start)
        yield Part(index, start, length)
        start += length


def _fits(passage: Passage, pages: Pages) -> bool:
    for part in pages.parts:
        taken: dict[tuple[str, int], int] = {}
        for event in _events_in(passage, part):
            column = _column(pages, part, event.onset)
            for placed in event.notes:
                if column < taken.get(("string", placed.note.string), 0):
                    return False
                taken["string", placed.note.string] = (
                    column + len(_note_text(placed.note)) + (0 if placed.note.is_harmonic else 1)
                )
            # Labels of events with a harmonic stand above the strings, all others below.
            side = ("label", int(event.is_harmonic))
            if column < taken.get(side, 0) - 3:
                return False
            taken[side] = max(taken.get(side, 0), column) + len(str(event.label)) + 1
            if (
                column + max(len(_note_text(placed.note)) for placed in event.notes)
                > pages.part_columns - _EDGE
            ):
                return False
    return True


def _events_in(passage: Passage, part: Part) -> Sequence[PlacedEvent]:
    first, last = (bisect_left(passage.events, at, key=attrgetter("onset")) for at in (part.start, part.stop))
    return passage.events[first:last]


def _column(pages: Pages, part: Part, beat: Fraction) -> int:
    return int((beat - part.start) * pages.beat_columns)


def _note_text(note: Note) -> str:
    return note.position_text + ("?" if note.droppable else "")


class _Slot:
    """Draws one part at its place."""

    def __init__(
        self, canvas: Canvas, passage: Passage, pages: Pages, look: LaneLook, left: int, index: int
    ) -> None:
        self.canvas, self.passage, self.pages, self.look = canvas, passage, pages, look
        self.part = pages.parts[index]
        self.stop = self.part.stop
        self.bar = passage.bars[self.part.bar]
        self.left = left + _EDGE
        self.rows = [pages.row_of(string) for string in pages.strings]
        self.count_row = pages.count_row
        self.columns = pages.part_columns - _EDGE

    def draw(self, upcoming: bool) -> None:
        self._header(upcoming)
        self._grid()
        for event in self.passage.events:
            if event.onset < self.stop and (end := event.onset + event.hold) > self.part.start:
                self._event(event, end)
        self._labels()
        self._walker()

    def _at(self, beat: Fraction) -> int:
        return self.left + _column(self.pages, self.part, beat)

    def _header(self, upcoming: bool) -> None:
        whole = self.part.start == self.bar.start
        text = f"bar {self.bar.number}" + ("" if whole else " goes on") + (" next" if upcoming else "")
        self.canvas.put(0, self.left, text, "next" if upcoming else "dim")
        if self.bar.dynamics and whole:
            room = self.columns - len(text) - 3
            self.canvas.put(0, self.left + len(text) + 2, fitted(self.bar.dynamics, room), "text")

    def _grid(self) -> None:
        for row in range(self.rows[0], self.count_row + 1):
            self.canvas.put(row, self.left - 1, "│", "rule")
        halves = self.pages.beat_columns * self.bar.beat_length >= 6
        first, step = self.bar.start - self.bar.first_beat * self.bar.beat_length, self.bar.beat_length / 2
        for half in count(math.ceil(self.bar.first_beat * 2)):
            onset = first + half * step
            if onset >= self.stop:
                return
            whole = half % 2 == 0
            if onset >= self.part.start and (halves or whole):
                column = self._at(onset)
                for row in self.rows if whole else ():
                    self.canvas.put(row, column, "·", "rule")
                self.canvas.put(
                    self.count_row, column, str(half // 2 + 1) if whole else "&", "text" if whole else "rule"
                )

    def _event(self, event: PlacedEvent, end: Fraction) -> None:
        """An event that sounds in this part, and ends at a beat of the passage."""
        sounding = event.label in self.look.now
        mark = self.look.marks.get(event.label)
        begins = event.onset >= self.part.start
        first = self._at(event.onset if begins else self.part.start)
        last = min(self._at(end), self.left + self.columns)
        for placed in event.notes:
            note = placed.note
            if note.string not in self.pages.strings:
                continue
            row = self.pages.row_of(note.string)
            kind: Role = "ring" if note.is_harmonic else "bass"
            line = "╌" if note.is_harmonic else "━"
            self.canvas.put(row, first, line * max(last - first - 1, 0), kind)
            if note.ending and end <= self.stop:
                self.canvas.put(row, max(last - 1, first), {"damp": "■", "ring": "→"}[note.ending], kind)
            if begins:
                role: Role = mark[1] if mark else "now" if sounding else kind
                self.canvas.put(row, first, _note_text(note), role)

    def _labels(self) -> None:
        ends = {True: self.left - 1, False: self.left - 1}
        for event in _events_in(self.passage, self.part):
            above = event.is_harmonic
            row = 1 if above else self.count_row + 1
            mark = self.look.marks.get(event.label)
            text = str(event.label) + (mark[0] if mark else "")
            # Centred on what it names, and never over the label before it.
            inset = min(len(_note_text(placed.note)) for placed in event.notes) // 2
            column = max(self._at(event.onset) + inset, ends[above] + 1)
            self.canvas.put(row, column, text, mark[1] if mark else "dim")
            ends[above] = column + len(text)

    def _walker(self) -> None:
        beat, start = self.look.beat, self.part.start
        if beat is None or not start <= beat < self.stop:
            return
        column = self.left + int((beat - start) * self.pages.beat_columns)
        self.canvas.put(self.count_row, column, "▲", "beat")
