"""The one drawing of a fretboard: where its wires, strings, marks and labels lie, and a painter for terminal cells.

Conventions: mm from the nut; what is near on the string is near in the drawing, and the highest string is on top, as in
tab. A place across is a part of the drawing's width, 0 its left edge and 1 its right one; left-handed, the nut is on
the right. Painters draw what the layout says: `fretboard_cells` here for terminals, `coach.pages.fretboard` for pages.
Colours are left to whoever shows the cells; nothing depends on them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from coach.ground.frozen import frozen
from coach.strings.instrument import Instrument
from coach.strings.node import Node

NARROWEST = 40
LABEL_ROWS = 3

Place = tuple[int, Node]
"""A string's index and a node on it."""
Cell = tuple[str, str]
"""A letter and what it is: `name`, `number`, `line`, `label`, or the kind of its mark."""


@frozen
class Mark:
    """Something on a string: a node, a stopped note, a hand."""

    string: int
    mm: float | None
    """From the nut; None for the open string, whose name is marked."""
    sign: str
    """One letter in a terminal, at most so much on a page."""
    kind: str = "mark"
    """What it means, for whoever gives it a colour."""
    label: str = ""
    """Its fret position in words of tab."""
    hint: str = ""
    """What a page says of it where the pointer rests."""


@frozen
class Board:
    """The part of an instrument's fretboard that is drawn: from `low_mm` to `high_mm`, some strings of it."""

    instrument: Instrument
    low_mm: float
    high_mm: float
    strings: tuple[int, ...]
    left_handed: bool = False

    @classmethod
    def of(
        cls, instrument: Instrument, window_mm: tuple[float, float] | None = None, left_handed: bool = False
    ) -> Board:
        """All strings, in full length or inside a window."""
        low_mm, high_mm = window_mm or (0.0, instrument.longest_mm)
        return cls(instrument, low_mm, high_mm, tuple(range(len(instrument.strings))), left_handed)

    def shows(self, mm: float) -> bool:
        """Whether a place is inside the part that is drawn."""
        return self.low_mm <= mm <= self.high_mm

    def across(self, mm: float) -> float:
        """Where a place lies: 0 the drawing's left edge, 1 its right one."""
        part = (mm - self.low_mm) / (self.high_mm - self.low_mm)
        return 1 - part if self.left_handed else part

    def column(self, mm: float, columns: int) -> int:
        """The column of a place where the drawing has so many; left-handed, exactly mirrored."""
        at = round((mm - self.low_mm) / (self.high_mm - self.low_mm) * (columns - 1))
        return columns - 1 - at if self.left_handed else at

    def frets_of(self, string: int) -> dict[int, float]:
        """One string's wires in mm by fret number, those inside the drawing; 0 is the nut, and a fretless neck has
        no more."""
        last = self.instrument.last_fret if self.instrument.fretted else 0
        wires = ((fret, self.instrument.fret_mm(string, fret)) for fret in range(last + 1))
        return {fret: mm for fret, mm in wires if self.shows(mm)}

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the strings that are drawn."""
        return tuple(self.instrument.string_label(string) for string in self.strings)

    def drawn(self, marks: Iterable[Mark]) -> list[tuple[Mark, int]]:
        """The marks inside the drawing, each with its string's row."""
        rows = {string: row for row, string in enumerate(self.strings)}
        return [
            (mark, rows[mark.string])
            for mark in marks
            if mark.string in rows and (mark.mm is None or self.shows(mark.mm))
        ]


def spread(extents: Sequence[tuple[float, float]], rows: int, gap: float) -> list[int | None]:
    """For each extent (start, stop), in order of start, the first of some rows with room for it; None where none has.

    Between two extents of a row lies at least `gap`.
    """
    ends = [float("-inf")] * rows
    chosen: list[int | None] = [None] * len(extents)
    for index in sorted(range(len(extents)), key=lambda index: extents[index]):
        start, stop = extents[index]
        row = next((row for row, end in enumerate(ends) if start >= end + gap), None)
        chosen[index] = row
        if row is not None:
            ends[row] = stop
    return chosen


def node_marks(instrument: Instrument, signs: Mapping[Place, str], kind: str = "mark") -> list[Mark]:
    """Nodes as marks with their fret labels; where two share a spot, the lower partial stands over the higher."""
    places = sorted(signs, key=lambda place: -place[1].partial)
    return [
        Mark(string, instrument.position_mm(string, node), signs[string, node], kind, node.label)
        for string, node in places
    ]


def partial_marks(places: Iterable[Place]) -> dict[Place, str]:
    """The sign of each place: its partial's digit, a dot from 10 on."""
    return {(string, node): str(node.partial) if node.partial < 10 else "•" for string, node in places}


def fretboard_cells(
    board: Board, marks: Sequence[Mark], width: int, beside: bool = False
) -> list[list[Cell]]:
    """The drawing in `width` columns: a row of fret numbers, a row a string, then up to three rows of labels.

    Where frets fan, the numbers are the first string's, and those of the last stand in a row below it. Later marks
    stand over earlier ones. A label starts under its last string's mark, or stands `beside` each mark on its string,
    toward the bridge where there is room; what has no room is left out. The string's own name carries the mark of an
    open string.
    """
    gutter = max(len(name) for name in board.names) + 1
    columns = max(width - gutter, 1)

    def column(mm: float) -> int:
        return gutter + board.column(mm, columns)

    fans = board.instrument.fans
    wires = [board.frets_of(string) for string in (board.strings if fans else board.strings[:1])]

    def numbers(row: int) -> list[list[Cell]]:
        shown = reversed(wires[row].items())
        return _text_rows({column(mm): str(fret) for fret, mm in shown if fret}, width, 1, "number")

    strings = [
        _string(name, gutter, columns, {column(mm): fret for fret, mm in own.items()})
        for name, own in zip(board.names, wires if fans else wires * len(board.strings), strict=True)
    ]
    drawn = board.drawn(marks)
    for mark, row in drawn:
        if mark.mm is None:
            strings[row][: gutter - 1] = [(letter, mark.kind) for letter, _ in strings[row][: gutter - 1]]
        else:
            strings[row][column(mark.mm)] = (mark.sign, mark.kind)
            if beside:
                _put_beside(strings[row], column(mark.mm), mark, gutter, board.left_handed)
    rows = [*numbers(0), *strings]
    if not beside:
        rows += numbers(-1) if fans else []
        labels = {mark.label: column(mark.mm) for mark, _ in drawn if mark.mm is not None}
        rows += _text_rows({at: label for label, at in labels.items()}, width, LABEL_ROWS, "label")
    return rows


def _string(name: str, gutter: int, columns: int, wires: Mapping[int, int]) -> list[Cell]:
    cells: list[Cell] = [(letter, "name") for letter in f"{name:<{gutter}}"]
    for at in range(gutter, gutter + columns):
        fret = wires.get(at)
        cells.append(("─" if fret is None else "┼" if fret else "╫", "line"))
    return cells


def _put_beside(cells: list[Cell], at: int, mark: Mark, gutter: int, left_handed: bool) -> None:
    after, before = at + 1, at - len(mark.label)
    for start in (before, after) if left_handed else (after, before):
        if start >= gutter and start + len(mark.label) <= len(cells):
            cells[start : start + len(mark.label)] = [(letter, mark.kind) for letter in mark.label]
            return


def _text_rows(texts: Mapping[int, str], width: int, rows: int, kind: str) -> list[list[Cell]]:
    """Texts at their columns, each on the first row with room and a blank on both sides; no rows without any."""
    starts = {at: min(at, width - len(text)) for at, text in texts.items()}
    extents = [(starts[at], starts[at] + len(text)) for at, text in texts.items()]
    chosen = spread(extents, rows, 1)
    lines: list[list[Cell]] = [[(" ", kind)] * width for _ in range(rows)]
    for (at, text), row in zip(texts.items(), chosen, strict=True):
        if row is not None:
            lines[row][starts[at] : starts[at] + len(text)] = [(letter, kind) for letter in text]
    used = max((row for row in chosen if row is not None), default=0)
    return lines[: max(used + 1, 1)]


def fretboard_lines(
    instrument: Instrument,
    signs: Mapping[Place, str],
    width: int = 80,
    window_mm: tuple[float, float] | None = None,
    left_handed: bool = False,
) -> list[str]:
    """The nodes on all strings from nut to bridge, or inside `window_mm`, as lines of text in `width` columns."""
    board = Board.of(instrument, window_mm, left_handed)
    cells = fretboard_cells(board, node_marks(instrument, signs), width)
    return ["".join(letter for letter, _ in row).rstrip() for row in cells]


def column_mm(instrument: Instrument, width: int, window_mm: tuple[float, float] | None = None) -> float:
    """How many mm of string one column of `fretboard_lines` stands for, near enough for a caption."""
    low, high = window_mm or (0.0, instrument.longest_mm)
    return (high - low) / width
