"""The hands on the session screen: what sounds, what comes, the way there, the low notes; fretboard and lane."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import lru_cache

from textual.geometry import Region

from coach.music.excerpt import Passage, PlacedEvent
from coach.strings.instrument import Instrument
from coach.tui import bigview, marking, meters, neck
from coach.tui.canvas import Canvas, Pane, draw_lines, pane
from coach.tui.focus import Focus, leads, move_between
from coach.tui.glyphs import NONE, SMALL, big_width, largest_size, least_size, rows_high
from coach.tui.lane import LaneLook, Pages, draw_lane, pages_of
from coach.tui.layout import Layout, Needs
from coach.tui.picture import Picture


def hand_panes(picture: Picture, passage: Passage, instrument: Instrument, layout: Layout) -> dict[str, Pane]:
    """What sounds and what comes: nodes, low notes, and in the study view the fretboard."""
    at, focus, kept = picture.beat_index, picture.focus, Kept(passage, instrument)
    least = least_size(layout["keys"].y + 1)
    now_words, next_words = _words(picture, focus, instrument, layout["next_words"].width)
    low_next = (focus.next_held,) if focus.next_held else ()
    coming = "first low" if picture.counts_in else "next low"
    next_on = _own_beat(passage, focus.next_held, focus.next or focus.now) if focus.next_held else ""
    shown = {
        "now_words": pane(draw_lines, ("dim", now_words)),
        "next_words": pane(draw_lines, ("next", next_words)),
        "next": pane(_next, kept, focus, least, picture.left_handed),
        "next_low_words": pane(_low_words, low_next, coming, next_on),
        "next_low": pane(_low_note, kept, focus.next_held),
        "neck": pane(_neck, kept, focus, picture.left_handed),
    }
    if picture.counts_in and at is not None:
        return {**shown, "count": pane(meters.draw_count, picture.beats, at)}
    # Before anything is plucked nothing is held.
    waits = picture.beat is None
    low_word = "first low" if waits else "keep" if focus.keeps else "hold"
    on = _own_beat(passage, focus.held[-1], focus.now) if waits and focus.held else ""
    return {
        **shown,
        "now": pane(_now, kept, focus, least),
        "low_words": pane(_low_words, focus.held, low_word, on),
        "low": pane(_low, kept, focus, focus.keeps and not waits),
    }


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
    return now, when + bigview.way_text(move, width - len(when), picture.left_handed)


def _fingers(events: Iterable[PlacedEvent]) -> str:
    """`  finger 2`; empty where the drill names none."""
    notes = [placed.note for event in events for placed in event.notes]
    fingers = " ".join(str(note.fretting_finger) for note in notes if note.fretting_finger)
    return f"  finger {fingers}" if fingers else ""


def lane_pane(picture: Picture, passage: Passage, instrument: Instrument, box: Region) -> Pane:
    """The lane as it looks now."""
    pages = _pages(Kept(passage, instrument), box.width, box.height)
    look = LaneLook(
        beat=pages.stepped(max(picture.beat, 0.0)) if picture.beat is not None else None,
        now=picture.focus.labels if picture.beat is not None else (),
        marks=marking.signs(picture.marks, passage, instrument),
    )
    return pane(draw_lane, passage, instrument, pages, look)


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


@lru_cache(maxsize=32)
def _look(kept: Kept, leading: bool, width: int, height: int, least: int = SMALL) -> bigview.Look:
    """How the events are written that lead, or the others."""
    return bigview.look_for(_unlike(kept, leading), kept.instrument, width, height, least)


def _now(canvas: Canvas, kept: Kept, focus: Focus, least: int) -> None:
    look = _look(kept, True, canvas.width, canvas.height, least)
    bigview.draw_event(canvas, focus.now, kept.instrument, look, "now")


def _next(canvas: Canvas, kept: Kept, focus: Focus, least: int, left_handed: bool) -> None:
    look = _look(kept, True, canvas.width, canvas.height, least)
    bigview.draw_next(canvas, focus, kept.instrument, look, left_handed)


def _neck(canvas: Canvas, kept: Kept, focus: Focus, left_handed: bool) -> None:
    board = neck.board_for(kept.passage, kept.instrument, canvas.height - 1, left_handed)
    neck.draw_neck(canvas, kept.passage, board, focus)


def _own_beat(passage: Passage, low: PlacedEvent, beside: PlacedEvent | None) -> str:
    """`on 1`, where a low note doesn't come with the note beside it; with its bar, where that is a bar away."""
    if beside is None or low.onset == beside.onset:
        return ""
    bar = passage.bars[low.bar]
    far = abs(low.onset - beside.onset) >= bar.length
    return f"bar {bar.number}, on {low.count}" if far else f"on {low.count}"


def _low_words(canvas: Canvas, events: Collection[PlacedEvent], word: str, on: str) -> None:
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
    draw_lines(canvas, ("bass", next((text for text in texts if len(text) <= canvas.width), texts[-1])))


def _low(canvas: Canvas, kept: Kept, focus: Focus, keeps: bool) -> None:
    """The low note that is held; above it, where there is room, that the finger `keeps` it."""
    _low_note(canvas, kept, focus.held[-1] if focus.held else None)
    note = _look(kept, False, canvas.width, canvas.height).size
    size = largest_size("KEEP", canvas.width, canvas.height - rows_high(note) - 1, note)
    if keeps and size != NONE:
        canvas.put_tall(0, 0, "KEEP", size, "bass")


def _low_note(canvas: Canvas, kept: Kept, event: PlacedEvent | None) -> None:
    look = _look(kept, False, canvas.width, canvas.height)
    bigview.draw_event(canvas, event, kept.instrument, look, "bass")
