"""The hands on the session screen: what sounds, what comes, the way there, the low notes; fretboard and lane."""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable
from functools import lru_cache, partial

from coach.music.excerpt import Passage, PlacedEvent
from coach.strings.instrument import Instrument
from coach.tui import bigview, marking, meters, neck
from coach.tui.canvas import Canvas, Role, Rows, fitted
from coach.tui.focus import Focus, leads, move_between
from coach.tui.glyphs import NONE, SMALL, big_text, big_width, largest_size, least_size, rows_high
from coach.tui.lane import LaneLook, Pages, draw_lane, pages_of, shown_parts
from coach.tui.layout import Box, Layout, Needs
from coach.tui.picture import Picture

Add = Callable[[str, Hashable, Callable[[Box], Rows]], None]
"""Shows a pane where the layout has it: its name, its key, how to draw it."""


def add_hands(picture: Picture, passage: Passage, instrument: Instrument, layout: Layout, add: Add) -> None:
    """What sounds and what comes: nodes, low notes, and in the study view the fretboard."""
    plain, at = picture.plain, picture.beat_index
    focus, kept = picture.focus, Kept(passage, instrument)
    spot = (
        picture.spot,
        focus.labels,
        focus.next,
        focus.next_held,
        picture.left_handed,
        picture.phase,
    )
    now_words, next_words = _words(picture, focus, instrument, layout["next_words"].width)
    add("now_words", now_words, lambda b: line(fitted(now_words, b.width, plain), b, "dim"))
    add("next_words", next_words, lambda b: line(fitted(next_words, b.width, plain), b, "next"))
    least = least_size(layout["keys"].y + 1)
    if picture.counts_in and at is not None:
        add("count", at, lambda b: meters.draw_count(picture.beats, at, b.width, b.height, plain))
    else:
        add("now", spot, lambda b: _now(kept, focus, least, b, plain))
        # Before anything is plucked nothing is held.
        waits = picture.beat is None
        low_word = "first low" if waits else "keep" if focus.keeps else "hold"
        on = _own_beat(passage, focus.held[-1], focus.now) if waits and focus.held else ""
        add("low_words", spot, lambda b: _low_words(picture, focus.held, low_word, on, b))
        add("low", spot, lambda b: _low(kept, focus, focus.keeps and not waits, b, plain))
    add("next", spot, lambda b: _next(picture, kept, focus, least, b))
    low_next = (focus.next_held,) if focus.next_held else ()
    coming = "first low" if picture.counts_in else "next low"
    next_on = _own_beat(passage, focus.next_held, focus.next or focus.now) if focus.next_held else ""
    add("next_low_words", spot, lambda b: _low_words(picture, low_next, coming, next_on, b))
    add("next_low", spot, lambda b: _low_note(kept, focus.next_held, b, b.height, plain))
    boards = partial(neck.board_for, passage, instrument, left_handed=picture.left_handed)
    add(
        "neck", spot, lambda b: neck.draw_neck(passage, boards(b.height - 1), focus, b.width, b.height, plain)
    )


def _words(picture: Picture, focus: Focus, instrument: Instrument, width: int) -> tuple[str, str]:
    """The small words above now and next, which have so many columns."""
    fingers = _fingers((focus.now,)) if focus.now else ""
    if picture.beat is None:
        on = f", on {focus.now.count}" if focus.now and focus.now.count != "1" else ""
        now = f"first{on}{fingers}"
    elif picture.counts_in:
        return "count-in", f"first, on beat {focus.next.count}" if focus.next else "first"
    else:
        now = f"now{fingers}"
    if focus.next is None or focus.now is None:
        return now, "next"
    move, when = move_between(focus.now, focus.next, instrument), f"next, on {focus.next.count}  "
    return now, when + bigview.way_text(move, width - len(when), picture.plain, picture.left_handed)


def _fingers(events: Iterable[PlacedEvent]) -> str:
    """`  finger 2`; empty where the drill names none."""
    notes = [placed.note for event in events for placed in event.notes]
    fingers = " ".join(str(note.fretting_finger) for note in notes if note.fretting_finger)
    return f"  finger {fingers}" if fingers else ""


def lane_of(picture: Picture, passage: Passage, instrument: Instrument, box: Box) -> tuple[Pages, LaneLook]:
    """The lane's layout in its pane and how it looks now."""
    look = LaneLook(
        beat=max(picture.beat, 0.0) if picture.beat is not None else None,
        now=picture.focus.labels if picture.beat is not None else (),
        marks=marking.signs(picture.marks, passage, instrument, picture.plain),
    )
    return _pages(Kept(passage, instrument), box.width, box.height), look


def add_lane(picture: Picture, passage: Passage, instrument: Instrument, layout: Layout, add: Add) -> None:
    """The lane, where the layout has one."""
    if "lane" not in layout:
        return
    pages, look = lane_of(picture, passage, instrument, layout["lane"])
    column = None if look.beat is None else int(look.beat * float(pages.beat_columns))
    key = (picture.spot, column, tuple(shown_parts(pages, look)), look.now, picture.marks)
    add("lane", key, lambda b: draw_lane(passage, instrument, pages, look, b.width, picture.plain))


class Kept:
    """Lets what follows from a passage be kept by identity: hashing its content at every tick would cost more."""

    def __init__(self, passage: Passage, instrument: Instrument) -> None:
        self.passage, self.instrument = passage, instrument

    def __hash__(self) -> int:
        return id(self.passage)

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Kept) and other.passage is self.passage and other.instrument is self.instrument
        )


@lru_cache(maxsize=8)
def _pages(kept: Kept, width: int, height: int) -> Pages:
    return pages_of(kept.passage, kept.instrument, width, height)


@lru_cache(maxsize=16)
def _unlike(kept: Kept, leading: bool) -> tuple[PlacedEvent, ...]:
    """The events that lead, or the others: of those that are written alike, one."""
    events = (event for event in kept.passage.events if leads(kept.passage, event) is leading)
    return bigview.unlike(events)


@lru_cache(maxsize=8)
def needs_of(kept: Kept) -> Needs:
    """What a passage needs of the screen; what takes two numbers, an artificial harmonic or nodes at two frets at once,
    makes the study view's pane wider."""
    lows = (bigview.written(event, kept.instrument) for event in _unlike(kept, False))
    leading = ((bigview.written(event, kept.instrument), event) for event in _unlike(kept, True))
    nodes = (
        text for text, event in leading if "+" in text or any(placed.note.stop for placed in event.notes)
    )
    return Needs(
        len(kept.instrument.strings),
        tuple(sorted(set(lows))),
        max((Needs().node, *nodes), key=big_width),
    )


def line(text: str, box: Box, role: Role) -> Rows:
    canvas = Canvas(box.width, box.height)
    canvas.put(0, 0, text, role)
    return canvas.rows()


@lru_cache(maxsize=32)
def _look(kept: Kept, leading: bool, width: int, height: int, least: int = SMALL) -> bigview.Look:
    """How the events are written that lead, or the others."""
    return bigview.look_for(_unlike(kept, leading), kept.instrument, width, height, least)


def _now(kept: Kept, focus: Focus, least: int, box: Box, plain: bool) -> Rows:
    look = _look(kept, True, box.width, box.height, least)
    return bigview.draw_event(focus.now, kept.instrument, look, box.width, box.height, "now", plain)


def _next(picture: Picture, kept: Kept, focus: Focus, least: int, box: Box) -> Rows:
    look = _look(kept, True, box.width, box.height, least)
    return bigview.draw_next(
        focus, kept.instrument, look, box.width, box.height, picture.plain, picture.left_handed
    )


def _own_beat(passage: Passage, low: PlacedEvent, beside: PlacedEvent | None) -> str:
    """`on 1`, where a low note doesn't come with the note beside it; with its bar, where that is a bar away."""
    if beside is None or low.onset == beside.onset:
        return ""
    bar = passage.bars[low.bar]
    far = abs(low.onset - beside.onset) >= bar.length
    return f"bar {bar.number}, on {low.count}" if far else f"on {low.count}"


def _low_words(picture: Picture, events: Collection[PlacedEvent], word: str, on: str, box: Box) -> Rows:
    """What the low note does, when, and the finger; in a narrow pane its place alone says whether it comes."""
    fingers, does = _fingers(events), word.split()[-1]
    timed = (
        f"{word}, {on}{fingers}",
        f"{does}, {on}{fingers}",
        f"{on}{fingers}",
        f"{does}, {on}",
        on,
        on.split(",")[0],
    )
    untimed = (word + fingers, does + fingers, does)
    texts = ("",) if not events else timed if on else untimed
    text = next((text for text in texts if len(text) <= box.width), texts[-1])
    return line(fitted(text, box.width, picture.plain), box, "bass")


def _low(kept: Kept, focus: Focus, keeps: bool, box: Box, plain: bool) -> Rows:
    """The low note that is held; above it, where there is room, that the finger `keeps` it."""
    canvas = Canvas(box.width, box.height)
    note = _look(kept, False, box.width, box.height).size
    if focus.held:
        canvas.paste(0, 0, _low_note(kept, focus.held[-1], box, box.height, plain))
    spare = box.height - rows_high(note) - 1
    size = largest_size("KEEP", box.width, spare, note)
    if keeps and size != NONE:
        canvas.put_rows(0, 0, big_text("KEEP", size, plain), "bass")
    return canvas.rows()


def _low_note(kept: Kept, event: PlacedEvent | None, box: Box, rows: int, plain: bool) -> Rows:
    look = _look(kept, False, box.width, rows)
    return bigview.draw_event(event, kept.instrument, look, box.width, rows, "bass", plain)
