"""How the tuning screen looks: a list and how the chosen pair sounds; while it listens, what to do in tall letters."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coach.ground.frozen import frozen
from coach.ground.plain import counted
from coach.strings.tuning import Heard, in_pure_fifths, moved_beats_hz
from coach.tui.canvas import Canvas, Role, wrapped
from coach.tui.glyphs import NONE, SMALL, largest_size, rows_high
from coach.tui.widgets import CURSOR, MARK_COLUMNS
from coach.words.names import pair_name, touch_name

if TYPE_CHECKING:
    from coach.listen.turn import PegTurn

_HOW = "Let both harmonics ring together and turn the peg until they beat as slowly as the number says."
_HOW_FIFTHS = "Bowed strings are tuned in pure fifths: turn the peg until nothing beats."
_WIDEST_TEXT = 90


@frozen
class TuningView:
    """What is shown."""

    heard: Heard
    strings: list[int]
    """The open strings below the pairs, from the lowest."""
    row: int
    """Of the pairs, then of the strings."""
    status: str
    """What the microphone does; empty where it is off."""
    turn: PegTurn | None = None
    """What was heard by it."""
    listens: bool = True
    """Whether it hears anything."""

    @property
    def names(self) -> list[str]:
        instrument = self.heard.instrument
        pairs = [pair_name(instrument, pair) for pair in self.heard.pairs]
        return [*pairs, *(touch_name(instrument, string, None) for string in self.strings)]


def draw_tuning(canvas: Canvas, view: TuningView) -> None:
    """The whole screen but for its hints."""
    canvas.put(0, 0, "Tuning by harmonics", "now")
    if view.status:
        canvas.put_right(0, view.status, "ring")
        _draw_listening(canvas, view)
    else:
        _draw_list(canvas, view)


def _draw_list(canvas: Canvas, view: TuningView) -> None:
    """The pairs with the beats they should have and the open strings; the chosen pair large, detuned as it is heard."""
    instrument, pairs = view.heard.instrument, view.heard.pairs
    fifths = in_pure_fifths(instrument)
    for row, name in enumerate(view.names):
        chosen = row == view.row
        sign = CURSOR if chosen else " " * MARK_COLUMNS
        if row < len(pairs):
            beats = pairs[row].beats_hz[1]
            goal = "no beat when in tune" if fifths else f"{beats:5.2f} beats a second when in tune"
        else:
            goal = f"{instrument.open_hz(view.strings[row - len(pairs)]):6.2f} Hz"
        canvas.put(2 + row, 0, f"{sign}{name:<18} {goal}", "next" if chosen else "text")
    top = 3 + len(view.names)
    if view.row < len(pairs):
        top += _draw_detuned(canvas, view.heard, top)
    for row, line in enumerate(wrapped(_HOW_FIFTHS if fifths else _HOW, min(canvas.width, _WIDEST_TEXT))):
        canvas.put(top + row, 0, line, "dim")


def _draw_detuned(canvas: Canvas, heard: Heard, top: int) -> int:
    """The chosen pair as the coach plays it; returns how many rows that takes."""
    pair, instrument = heard.pair, heard.instrument
    words = f"{moved_beats_hz(instrument, pair, heard.cents):.2f} BEATS/S"
    size = max(largest_size(words, canvas.width, rows_high(1), 1), SMALL)
    canvas.put_tall(top, 0, words, size, "now")
    high = instrument.string_label(pair.high_string)
    cents = round(heard.cents)
    off = f"{counted(abs(cents), 'cent')} {'sharp' if cents > 0 else 'flat'}" if cents else "in tune"
    below = f"as the coach plays it: the {high} string {off}"
    canvas.put(top + rows_high(size), 0, below, "text")
    return rows_high(size) + 2


def _draw_listening(canvas: Canvas, view: TuningView) -> None:
    """What is touched, what is heard, what to turn and what is wanted, each as tall as there is room for."""
    turn = view.turn
    lines: list[tuple[str, Role]] = [
        (view.names[view.row].replace(" with", ""), "next"),
        (turn.heard if turn else "", "now"),
        (turn.peg if turn else "", "good" if turn and turn.in_tune else "now"),
        (turn.goal if turn else "", "dim"),
    ]
    asks = "Let it ring for three seconds." if view.listens else ""
    below = wrapped(turn.sentence if turn else asks, min(canvas.width, _WIDEST_TEXT))
    rooms = canvas.height - 2 - len(below) - 2
    each = max(rooms // len(lines), 3)
    for number, (text, role) in enumerate(lines):
        size = largest_size(text, canvas.width, each)
        row = 1 + number * max(rooms, 3 * len(lines)) // len(lines)
        if size != NONE:
            canvas.put_tall(row + (each - rows_high(size)) // 2, 0, text, size, role)
        else:
            canvas.put(row, 0, text, role)
    top = canvas.height - 1 - len(below)
    for row, line in enumerate(below):
        canvas.put(top + row, 0, line, "text")
    canvas.put(canvas.height - 1, 0, _strip(view), "dim")


def _strip(view: TuningView) -> str:
    """All rows on one line, the chosen one in brackets: `[E-A] A-D D-G E A D G`."""
    label = view.heard.instrument.string_label
    names = [f"{label(pair.low_string)}-{label(pair.high_string)}" for pair in view.heard.pairs]
    names += [label(string) for string in view.strings]
    return " ".join(f"[{name}]" if row == view.row else f" {name} " for row, name in enumerate(names))
