"""The big things: what sounds now, what comes next, the words of a state, in glyphs that are readable from two metres.

Conventions: one look (with or without the angle brackets of a harmonic, at one size) is chosen for a whole passage,
so that nothing jumps from one event to the next. Strings are named as the instrument names them. Sizes are those of
`glyphs.py`.
"""

from __future__ import annotations

from collections.abc import Iterable

from coach.ground.frozen import frozen
from coach.music.excerpt import PlacedEvent
from coach.strings.instrument import Instrument
from coach.tui.canvas import Canvas, Role, fitted
from coach.tui.focus import Focus, Move, move_between
from coach.tui.glyphs import BIGGEST, NONE, SMALL, THIN, big_text, big_width, largest_size, rows_high


@frozen
class Look:
    """How every event of a passage is written: size, brackets, two notes in one line or below each other."""

    size: int = 1
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
        position = note.position_text if note.node and not note.stop else f":{note.position_text}"
        if not look.brackets and not note.stop:
            position = position.strip("<>")
        groups.setdefault(position, []).append(_string_name(instrument, note.string))
    written = [_joined(strings, position) for position, strings in groups.items()]
    if look.stacked or len(written) == 1:
        return tuple(written)
    return ("+".join(written),)


def unlike(events: Iterable[PlacedEvent]) -> tuple[PlacedEvent, ...]:
    """Of events that are written alike in every look, one."""
    places = {
        tuple((placed.note.string, placed.note.position_text) for placed in event.notes): event
        for event in events
    }
    return tuple(places.values())


def event_width(event: PlacedEvent, instrument: Instrument, look: Look) -> int:
    """How many columns an event takes."""
    return max(big_width(line, look.size) for line in event_lines(event, instrument, look))


def look_for(
    events: Iterable[PlacedEvent],
    instrument: Instrument,
    columns: int,
    rows: int,
    least: int = SMALL,
) -> Look:
    """The largest look in which every event fits; the smallest in one line without brackets where none does.

    Brackets, which tell a harmonic from a stopped note, are kept where `least` or a larger size leaves them room.
    """
    shown = list(events)
    best, best_size = Look(SMALL, brackets=False), NONE
    for brackets in (True, False):
        if best_size >= least:
            break
        for stacked in (False, True):
            look = Look(SMALL, brackets, stacked)
            written = [event_lines(event, instrument, look) for event in shown]
            sizes = [largest_size(line, columns, rows // len(lines)) for lines in written for line in lines]
            size = min(sizes, default=BIGGEST)
            if size > best_size:
                best, best_size = Look(size, brackets, stacked), size
    return best


def draw_event(
    canvas: Canvas, event: PlacedEvent | None, instrument: Instrument, look: Look, role: Role
) -> None:
    """One event in big writing at the bottom left of its pane; what has no room is written in small letters."""
    lines = event_lines(event, instrument, look) if event else ()
    row = canvas.height - rows_high(look.size) * len(lines)
    for line in lines:
        if big_width(line, look.size) > canvas.width:
            first = line.partition("+")[0]
            shown = first if big_width(first, look.size) <= canvas.width else first[:2]
            canvas.put_tall(row, 0, shown, look.size, role)
            canvas.put_right(row + rows_high(look.size) - 1, fitted(" " + line, canvas.width), role)
        else:
            canvas.put_tall(row, 0, line, look.size, role)
        row += rows_high(look.size)


def way_text(move: Move, width: int, left_handed: bool = False) -> str:
    """A move in words, `→ 72 mm toward the bridge  1.9 frets`, as much of it as has room.

    The arrow points as the fretboard is drawn.
    """
    if not move.way:
        there = "another string" if move.crosses else "same string"
        here = f"same place, {there}" if move.crosses else "stay"
        return next((form for form in (here if move.placed else there, there) if len(form) <= width), "")
    least = f"{arrow(move, left_handed)} {move.distance_mm:.0f} mm"
    text = f"{least} toward the {move.way}"
    forms = (f"{text}  {move.distance_frets:.1f} frets", text, least)
    return next((form for form in forms if len(form) <= width), fitted(least, width))


def arrow(move: Move, left_handed: bool = False) -> str:
    """The direction of a move on the drawn fretboard: `→`, `←`, or `=` where the hand stays."""
    if not move.way:
        return "="
    return "→" if (move.way == "bridge") != left_handed else "←"


def draw_next(canvas: Canvas, focus: Focus, instrument: Instrument, look: Look, left_handed: bool) -> None:
    """The next event and beside it the way there, or its beat where the hand stays, as large as there is room for.

    At the last note, the end.
    """
    if focus.next is None:
        return draw_big_word(canvas, "END", "text", look.size)
    draw_event(canvas, focus.next, instrument, look, "next")
    move = move_between(focus.now, focus.next, instrument) if focus.now else None
    if move:
        left = event_width(focus.next, instrument, look) + 3
        # With a column free at its right too: a low note may stand there, and what is beside this one is not its own.
        room = canvas.width - 1 - left
        sign, on = arrow(move, left_handed), focus.next.count
        beside = (
            ((f"{sign}{move.distance_mm:.0f}mm",), (sign,)) if move.way else (("ON", on), (f"ON{THIN}{on}",))
        )
        sizes = [
            min(largest_size(text, room, canvas.height // len(texts), look.size) for text in texts)
            for texts in beside
        ]
        # The way in full where it has room at any size; the beat as large as can be, rather below than beside `ON`.
        best = next(
            (at for at, size in enumerate(sizes) if size != NONE and (move.way or size == max(sizes))), None
        )
        if best is not None:
            lines = [row for text in beside[best] for row in big_text(text, sizes[best], canvas.plain)]
            canvas.put_rows(canvas.height - len(lines), left, lines, "next")
    return None


def draw_big_word(canvas: Canvas, word: str, role: Role, most: int) -> None:
    """One word as large as its pane and `most` allow; in small letters where it must be."""
    size = largest_size(word, canvas.width, canvas.height, most)
    if size == NONE:
        canvas.put(canvas.height - 1, 0, fitted(word, canvas.width), role)
    else:
        canvas.put_tall(0, 0, word, size, role)


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
