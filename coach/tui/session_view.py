"""What the session screen shows, pane by pane, from one frozen picture of the session: no widgets, no clock.

Each pane has a key: as long as it is equal, the pane looks the same and need not be drawn again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import lru_cache

from coach.folder.actions import LABEL_KEYS
from coach.ground.plain import plain_text
from coach.learning.readings import Rung
from coach.music.clicktrack import BeatAt
from coach.music.excerpt import Passage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, Result
from coach.strings.instrument import Instrument
from coach.tui import bigview, marking, meters, neck
from coach.tui.canvas import Canvas, Role, Rows, ascii_text, fitted, fitted_words, text_width, wrapped
from coach.tui.focus import Focus, focus_at, leads
from coach.tui.hints import Hint, draw_hints
from coach.tui.lane import LaneLook, Pages, draw_lane, page_text, pages_of, shown_parts
from coach.tui.layout import Box, Layout, Pane, View, layout_for
from coach.words.names import excerpt_name

PHASE_WORDS: dict[str, str] = {
    "ready": "READY",
    "listening": "HEAR",
    "playing": "",
    "rating": "CLEAN?",
    "paused": "PAUSE",
    "rest": "REST",
    "done": "DONE",
}
_SHORT: dict[str, str] = {
    "ready": "GO",
    "listening": "",
    "rating": "OK?",
    "paused": "II",
    "rest": "",
    "done": "",
}


@dataclass(frozen=True)
class Picture:
    """Everything the session screen shows at one moment."""

    phase: str
    view: View
    hints: tuple[Hint, ...]
    title: str = ""
    """The drill's title."""
    assigned: tuple[str, ...] = ()
    """What a teacher asks for, the longest wording first; empty where nothing is assigned."""
    item: str = ""
    """Which item of how many, and what for."""
    passage: Passage | None = None
    instrument: Instrument | None = None
    rung: Rung | None = None
    tempo_bpm: int = 0
    """Whether `tempo_bpm` is a try above the rung."""
    beats: tuple[BeatAt, ...] = ()
    position_s: float | None = None
    beat: float | None = None
    """Where the music is, in tempo beats; None while it stands, negative in the count-in."""
    marks: tuple[Fault, ...] = ()
    brush: Result = CHOKED
    cursor: int = 0
    page: int = 0
    message: str = ""
    cue: str = ""
    run_on: bool = False
    left_handed: bool = False
    plain: bool = False


def layout_of(picture: Picture, width: int, height: int) -> Layout:
    """The places of the panes for this picture's view and instrument."""
    strings = len(picture.instrument.strings) if picture.instrument else 4
    return layout_for(picture.view, width, height, strings)


def panes(picture: Picture, layout: Layout) -> dict[str, Pane]:
    """The panes to show, each with its key and how to draw it; panes that are left out are blank."""
    plain = picture.plain
    shown: dict[str, Pane] = {}

    def add(name: str, key: Hashable, draw: Callable[[Box], Rows]) -> None:
        box = layout.get(name)
        if box is not None:
            shown[name] = ((name, box, plain, key), lambda: draw(box))

    add(
        "header",
        (picture.title, picture.assigned, picture.item, picture.run_on, _passage_key(picture)),
        lambda b: _header(picture, b),
    )
    # Without a passage the cue stands large enough as it is.
    has_cue = "cue" in layout or picture.passage is None
    add(
        "message",
        (picture.message, picture.cue, has_cue),
        lambda b: _message(picture, b, has_cue),
    )
    if picture.passage is None:
        layout = {name: box for name, box in layout.items() if name != "cue"}
    add("cue", picture.cue, lambda b: _line(fitted(_shown(picture.cue, picture), b.width, plain), b, "text"))
    add(
        "keys",
        (picture.hints, bool(picture.marks), picture.brush, picture.phase, picture.page),
        lambda b: draw_hints(shown_hints(picture, layout), b.width),
    )
    if picture.passage is None or picture.instrument is None:
        word = picture.title.upper() if picture.phase == "rest" else PHASE_WORDS.get(picture.phase, "")
        add("now", word, lambda b: bigview.draw_big_word(word, b.width, b.height, "now", plain))
        add("next", picture.cue, lambda b: _paragraph(_shown(picture.cue, picture), b))
        return shown
    _add_music(picture, picture.passage, picture.instrument, layout, add)
    return shown


def _add_music(
    picture: Picture,
    passage: Passage,
    instrument: Instrument,
    layout: Layout,
    add: Callable[[str, Hashable, Callable[[Box], Rows]], None],
) -> None:
    plain = picture.plain
    focus = focus_at(passage, picture.beat)
    spot = (_passage_key(picture), focus.labels, focus.next.label if focus.next else 0, picture.left_handed)
    glance = picture.view == "glance"
    rating = picture.phase == "rating" or (picture.phase == "paused" and bool(picture.marks))
    if picture.rung is not None:
        rung = picture.rung
        add(
            "rung",
            (rung, picture.tempo_bpm),
            lambda b: meters.draw_rung(rung, picture.tempo_bpm, b.width, plain),
        )
    add(
        "tempo",
        picture.tempo_bpm,
        lambda b: bigview.draw_big_word(str(picture.tempo_bpm), b.width, b.height, "text", plain, right=True),
    )
    at = None
    if picture.position_s is not None and picture.beats:
        at = meters.walker_column(picture.beats, picture.position_s, layout["track"].width)
    add("track", (at, _passage_key(picture)), lambda b: _track(picture, b))
    if glance and rating:
        _add_lane(picture, passage, instrument, layout, focus, add)
    else:
        add("caption", spot, lambda b: _caption(picture, focus, instrument, b))
        add("now", spot, lambda b: _now(passage, focus, instrument, b, plain))
        add("next", spot, lambda b: _next(picture, passage, focus, instrument, b))
        if not glance:
            _add_lane(picture, passage, instrument, layout, focus, add)
            add(
                "neck",
                spot,
                lambda b: neck.draw_neck(
                    passage,
                    neck.board_for(passage, instrument, b.height - 1, picture.left_handed),
                    focus,
                    b.width,
                    b.height,
                    plain,
                ),
            )
    number = beat_word(picture, at)
    held = any(not leads(passage, event) for event in passage.events)
    if number or not glance or (held and not rating):
        word = number or _count_of_marks(picture.marks, plain) or _SHORT.get(picture.phase, "")
        role: Role = "now" if number else "bass" if picture.marks else "good"
        add("beat", (word, role), lambda b: bigview.draw_big_word(word, b.width, b.height, role, plain))
        add("held", spot, lambda b: _held(passage, focus, instrument, b, plain))
    else:
        failed = f"{len(picture.marks)} FAILED" if picture.marks else phase_word(picture)
        tone: Role = "bass" if picture.marks else "good" if picture.phase == "ready" else "text"
        add("word", (failed, tone), lambda b: bigview.draw_big_word(failed, b.width, b.height, tone, plain))


def lane_of(picture: Picture, passage: Passage, instrument: Instrument, box: Box) -> tuple[Pages, LaneLook]:
    """The lane's layout of the picture's passage in its pane, and how it looks now."""
    pages = _pages(passage, instrument, box.width, box.height)
    rating = picture.phase in ("rating", "paused")
    beat = max(picture.beat, 0.0) if picture.beat is not None else None
    look = LaneLook(
        beat=beat,
        page=picture.page,
        now=focus_at(passage, picture.beat).labels if picture.beat is not None else (),
        marks=marking.signs(picture.marks, passage, instrument, picture.plain),
        keys=marking.keys_for(passage, page_labels(passage, pages, picture.page)) if rating else {},
        cursor=picture.cursor,
    )
    return pages, look


def page_labels(passage: Passage, pages: Pages, page: int) -> list[int]:
    """Labels of the events that start on a page."""
    parts = [pages.parts[index] for index in shown_parts(pages, LaneLook(page=page))]
    return [event.label for event in passage.events if any(p.start <= event.onset < p.stop for p in parts)]


def _add_lane(
    picture: Picture,
    passage: Passage,
    instrument: Instrument,
    layout: Layout,
    focus: Focus,
    add: Callable[[str, Hashable, Callable[[Box], Rows]], None],
) -> None:
    pages, look = lane_of(picture, passage, instrument, layout["lane"])
    column = None
    if look.beat is not None:
        column = int(look.beat * float(pages.beat_columns))
    key = (
        _passage_key(picture),
        column,
        tuple(shown_parts(pages, look)),
        look.now,
        picture.marks,
        bool(look.keys),
        picture.cursor,
        look.beat is None,
    )
    add("lane", key, lambda b: draw_lane(passage, instrument, pages, look, b.width, picture.plain))


@lru_cache(maxsize=8)
def _pages_kept(kept: _Kept, width: int, height: int) -> Pages:
    return pages_of(kept.passage, kept.instrument, width, height)


class _Kept:
    """Lets a passage's layout be kept by identity: hashing its content at every tick would cost more than it saves."""

    def __init__(self, passage: Passage, instrument: Instrument) -> None:
        self.passage, self.instrument = passage, instrument

    def __hash__(self) -> int:
        return id(self.passage)

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, _Kept) and other.passage is self.passage and other.instrument is self.instrument
        )


def _pages(passage: Passage, instrument: Instrument, width: int, height: int) -> Pages:
    return _pages_kept(_Kept(passage, instrument), width, height)


def _passage_key(picture: Picture) -> Hashable:
    return id(picture.passage)


def beat_word(picture: Picture, at: tuple[int, int] | None) -> str:
    """The counted beat that is heard; empty while nothing plays."""
    return str(picture.beats[at[0]].number) if at is not None else ""


def phase_word(picture: Picture) -> str:
    """The large word of a phase."""
    return PHASE_WORDS.get(picture.phase, "")


def _count_of_marks(marks: tuple[Fault, ...], plain: bool) -> str:
    return f"{len(marks)}{'X' if plain else '×'}" if marks else ""


def _line(text: str, box: Box, role: Role) -> Rows:
    canvas = Canvas(box.width, box.height)
    canvas.put(0, 0, text, role)
    return canvas.rows()


def _paragraph(text: str, box: Box) -> Rows:
    canvas = Canvas(box.width, box.height)
    for row, line in enumerate(wrapped(text, min(box.width, 76)), 1):
        canvas.put(row, 0, line, "text")
    return canvas.rows()


def _header(picture: Picture, box: Box) -> Rows:
    canvas = Canvas(box.width, 1)
    right = picture.item + ("  runs on" if picture.run_on else "")
    title = _shown(plain_text(picture.title), picture)
    passage = picture.passage
    if passage is not None:
        what = _shown(excerpt_name(passage.excerpt, passage.title), picture)
        room = box.width - text_width(right) - 2
        spare = room - text_width(what) - 3
        asked = [_shown(words, picture) for words in picture.assigned]
        wordings = [*(f"{title}, {words}" for words in asked[:1]), *asked, title]
        beside = next((words for words in wordings if text_width(words) <= spare), "")
        canvas.put(0, text_width(what) + 3, beside, "next" if asked and beside != title else "dim")
        canvas.put(0, 0, fitted(what, room, picture.plain), "text")
    else:
        canvas.put(0, 0, title, "text")
    canvas.put_right(0, right, "dim")
    return canvas.rows()


def _shown(text: str, picture: Picture) -> str:
    return ascii_text(text) if picture.plain else text


def _message(picture: Picture, box: Box, has_cue: bool) -> Rows:
    text = _shown(picture.message, picture)
    if not text and not has_cue:
        return _line(fitted(_shown(picture.cue, picture), box.width, picture.plain), box, "text")
    return _line(fitted_words(text, box.width, picture.plain), box, "next")


def shown_hints(picture: Picture, layout: Layout) -> list[Hint]:
    """The hints of the key line as they read now: what saving means, which keys mark, which bars a key turns to."""
    turns: dict[str, str] = {}
    keys = 0
    passage, instrument = picture.passage, picture.instrument
    if picture.phase == "rating" and passage is not None and instrument is not None:
        keys = len(passage.events)
        if box := layout.get("lane"):
            pages, look = lane_of(picture, passage, instrument, box)
            keys = len(look.keys)
            other = picture.page + (1 if picture.page + 1 < pages.count else -1)
            if other >= 0:
                action_id = "page_right" if other > picture.page else "page_left"
                turns[action_id] = page_text(passage, pages, other).partition(" of ")[0]
    hints = [
        (key, turns.get(action_id) or _hint_word(picture, label, action_id), action_id)
        for key, label, action_id in picture.hints
        if action_id in turns or action_id not in ("page_right", "page_left")
    ]
    if keys:
        hints.insert(1, (_label_range(keys), "mark", ""))
    return hints


def _label_range(events: int) -> str:
    """The keys that mark events, in short: `1-6`, `1-0 q-t`."""
    if events <= 1:
        return "1"
    if events <= 10:
        return f"1-{LABEL_KEYS[events - 1]}"
    return f"1-0 q-{LABEL_KEYS[min(events, len(LABEL_KEYS)) - 1]}"


def _hint_word(picture: Picture, label: str, action_id: str) -> str:
    if action_id == "save" and picture.marks:
        return "save"
    if action_id == picture.brush.name:
        return f"[{label}]"
    return label


def _track(picture: Picture, box: Box) -> Rows:
    return meters.draw_track(picture.beats, picture.position_s, box.width, picture.plain)


def _caption(picture: Picture, focus: Focus, instrument: Instrument, box: Box) -> Rows:
    canvas = Canvas(box.width, 1)
    waiting = picture.beat is None or picture.beat < 0
    canvas.put(0, 0, "first" if waiting else "now", "dim")
    held = bigview.held_text(focus, instrument)
    finger = ""
    if focus.now:
        fingers = [placed.note.fretting_finger for placed in focus.now.notes if placed.note.fretting_finger]
        finger = f"finger {' '.join(fingers)}  " if fingers else ""
    canvas.put(0, 6, fitted(finger + held, box.width - 6, picture.plain), "bass")
    return canvas.rows()


def _now(passage: Passage, focus: Focus, instrument: Instrument, box: Box, plain: bool) -> Rows:
    look = bigview.look_for(
        (event for event in passage.events if leads(passage, event)), instrument, box.width, box.height
    )
    return bigview.draw_event(focus.now, instrument, look, box.width, box.height, "now", plain)


def _next(picture: Picture, passage: Passage, focus: Focus, instrument: Instrument, box: Box) -> Rows:
    events = [event for event in passage.events if leads(passage, event)]
    numbers = picture.view == "glance"
    # In the glance view arrow and millimetres need room beside the node.
    columns = min(box.width, box.width * 5 // 8) if numbers else box.width
    look = bigview.look_for(events, instrument, columns, box.height - 1)
    return bigview.draw_next(
        focus, instrument, look, box.width, box.height, picture.plain, picture.left_handed, numbers
    )


def _held(passage: Passage, focus: Focus, instrument: Instrument, box: Box, plain: bool) -> Rows:
    events = [event for event in passage.events if not leads(passage, event)]
    canvas = Canvas(box.width, box.height)
    if not events or not focus.held:
        return canvas.rows()
    look = bigview.look_for(events, instrument, box.width - 7, box.height)
    canvas.put(box.height - 1, 0, "hold", "dim")
    canvas.paste(
        0, 6, bigview.draw_event(focus.held[-1], instrument, look, box.width - 6, box.height, "bass", plain)
    )
    return canvas.rows()
