"""The big things: what sounds now, what comes next, the beat, the tempo, in glyphs at least four rows tall.

Conventions: one look (with or without the angle brackets of a harmonic, at one scale) is chosen for a whole passage,
so that nothing jumps from one event to the next. Strings are named as the instrument names them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coach.music.excerpt import PlacedEvent
from coach.strings.instrument import Instrument
from coach.tui.canvas import Canvas, Role, Rows, fitted
from coach.tui.focus import Focus, Move, move_between
from coach.tui.glyphs import ROWS_HIGH, big_text, big_width, largest_scale

BIGGEST_SCALE = 6


@dataclass(frozen=True, slots=True)
class Look:
    """How every event of a passage is written: scale, brackets, two notes in one line or below each other."""

    scale: int = 1
    brackets: bool = True
    stacked: bool = False


def event_lines(event: PlacedEvent, instrument: Instrument, look: Look) -> tuple[str, ...]:
    """An event in big writing: `D<3.2>`, `E:0`; strings at one position share it, `GD<7>`; others follow or stand
    below.
    """
    groups: dict[str, list[str]] = {}
    for placed in event.notes:
        note = placed.note
        # `E0` would read as a pitch.
        position = note.position_text if note.node is not None else f":{note.position_text}"
        if not look.brackets:
            position = position.strip("<>")
        groups.setdefault(position, []).append(_string_name(instrument, note.string))
    written = [_joined(strings, position) for position, strings in groups.items()]
    if look.stacked or len(written) == 1:
        return tuple(written)
    return ("+".join(written),)


def look_for(
    events: Iterable[PlacedEvent], instrument: Instrument, columns: int, rows: int, most: int = BIGGEST_SCALE
) -> Look:
    """The largest look in which every event fits; scale 1 in one line without brackets where none does.

    At the same size brackets are kept: they tell a harmonic from a stopped note.
    """
    shown = list(events)
    best = Look(1, brackets=False)
    best_scale = 0
    for brackets in (True, False):
        for stacked in (False, True):
            look = Look(1, brackets, stacked)
            scale = most
            for event in shown:
                lines = event_lines(event, instrument, look)
                scale = min(
                    scale, *(largest_scale(line, columns, rows // len(lines), most) for line in lines)
                )
            if scale > best_scale:
                best, best_scale = Look(scale, brackets, stacked), scale
    return best


def draw_event(
    event: PlacedEvent | None,
    instrument: Instrument,
    look: Look,
    width: int,
    height: int,
    role: Role,
    plain: bool,
) -> Rows:
    """One event in big writing at the top left of its pane; what has no room is told in small letters."""
    canvas = Canvas(width, height)
    if event is None:
        return canvas.rows()
    row = 0
    for line in event_lines(event, instrument, look):
        if big_width(line, look.scale) > width:
            short = event_lines(event, instrument, Look(look.scale, look.brackets, stacked=True))
            fits = big_width(short[0], look.scale) <= width
            canvas.put_rows(row, 0, big_text(short[0] if fits else short[0][:2], look.scale, plain), role)
            canvas.put_right(row + ROWS_HIGH * look.scale - 1, fitted(" " + line, width, plain), role)
        else:
            canvas.put_rows(row, 0, big_text(line, look.scale, plain), role)
        row += ROWS_HIGH * look.scale
    return canvas.rows()


def way_text(move: Move, width: int, plain: bool = False, left_handed: bool = False) -> str:
    """A move in words, `→ 72 mm to the bridge  1.9 frets`, the frets where they have room.

    The arrow points as the fretboard is drawn.
    """
    if not move.way:
        return fitted("same place, another string" if move.crosses else "stay", width, plain)
    text = f"{arrow(move, plain, left_handed)} {move.distance_mm:.0f} mm to the {move.way}"
    frets = f"  {move.distance_frets:.1f} frets"
    return text + frets if len(text + frets) <= width else fitted(text, width, plain)


def arrow(move: Move, plain: bool = False, left_handed: bool = False) -> str:
    """The direction of a move on the drawn fretboard: `→`, `←`, or `=` where the hand stays."""
    if not move.way:
        return "="
    right = (move.way == "bridge") != left_handed
    return (">" if right else "<") if plain else ("→" if right else "←")


def draw_next(
    focus: Focus,
    instrument: Instrument,
    look: Look,
    width: int,
    height: int,
    plain: bool = False,
    left_handed: bool = False,
    numbers: bool = False,
) -> Rows:
    """The next event under a line with the way there; with `numbers` arrow and mm stand beside it, as tall."""
    canvas = Canvas(width, height)
    if focus.next is None or focus.now is None:
        canvas.put(0, 0, "next  the end", "dim")
        return canvas.rows()
    move = move_between(focus.now, focus.next, instrument)
    canvas.put(0, 0, "next", "dim")
    canvas.put(0, 6, way_text(move, width - 6, plain, left_handed), "next")
    canvas.paste(1, 0, draw_event(focus.next, instrument, look, width, height - 1, "next", plain))
    if numbers and move.way:
        text = f"{arrow(move, plain, left_handed)}{move.distance_mm:.0f}"
        taken = max(big_width(line, look.scale) for line in event_lines(focus.next, instrument, look))
        scale = min(look.scale, largest_scale(text, width - taken - 3 - 4, height - 1))
        if scale:
            lines = big_text(text, scale, plain)
            left = width - len(lines[0]) - 3
            bottom = 1 + look.scale * ROWS_HIGH - len(lines)
            canvas.put_rows(bottom, left, lines, "next")
            canvas.put(bottom + len(lines) - 1, width - 2, "mm", "dim")
    return canvas.rows()


def draw_big_word(
    word: str, width: int, height: int, role: Role, plain: bool = False, right: bool = False
) -> Rows:
    """One word or number as large as its pane allows, at the left or right; in small letters where it must be."""
    canvas = Canvas(width, height)
    scale = largest_scale(word, width, height, BIGGEST_SCALE)
    if not scale:
        canvas.put(height - 1, 0, fitted(word, width, plain), role)
        return canvas.rows()
    lines = big_text(word, scale, plain)
    canvas.put_rows(0, width - len(lines[0]) if right else 0, lines, role)
    return canvas.rows()


def held_text(focus: Focus, instrument: Instrument) -> str:
    """What is held meanwhile and what follows it: `hold E:3  then A:0`."""
    held = " ".join(written(event, instrument) for event in focus.held)
    coming = f"then {written(focus.next_held, instrument)}" if focus.next_held else ""
    return "  ".join(part for part in (f"hold {held}" if held else "", coming) if part)


def written(event: PlacedEvent | None, instrument: Instrument) -> str:
    """An event in one line of small letters; the end where there is none."""
    return event_lines(event, instrument, Look())[0] if event else "the end"


def _string_name(instrument: Instrument, string: int) -> str:
    name = instrument.string_label(string)
    return f"{name}-" if name[-1].isdigit() else name


def _joined(strings: list[str], position: str) -> str:
    names = "".join(strings)
    # A string that is only a number, or has an octave, needs a sign before a node without brackets.
    return names.removesuffix("-") + position if position[0] in "<:" else names + position
