"""What the session screen shows, pane by pane, from one frozen picture of the session: no widgets, no clock.

Each pane has a key: as long as it is equal, the pane looks the same and need not be drawn again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import lru_cache

from coach.folder.actions import LABEL_KEYS
from coach.ground.plain import plain_text
from coach.music.excerpt import Passage
from coach.strings.instrument import Instrument
from coach.tui import bigview, marking, meters
from coach.tui.canvas import Canvas, Rows, ascii_text, fitted, fitted_words, text_width, wrapped
from coach.tui.glyphs import largest_size, least_size
from coach.tui.hands import Add, Kept, add_hands, add_lane, line, needs_of
from coach.tui.hints import Hint, draw_hints
from coach.tui.layout import Box, Layout, Needs, Pane, layout_for
from coach.tui.picture import PHASE_WORDS, Picture, band_words
from coach.tui.sheet import Sheet, SheetLook, draw_sheet, keys_on, page_text, sheet_of
from coach.words.names import excerpt_name


def layout_of(picture: Picture, width: int, height: int) -> Layout:
    """The places of the panes for this picture's view and passage."""
    passage, instrument = picture.passage, picture.instrument
    needs = needs_of(Kept(passage, instrument)) if passage and instrument else Needs()
    return layout_for(picture.view, width, height, needs)


def panes(picture: Picture, layout: Layout) -> dict[str, Pane]:
    """The panes to show, each with its key and how to draw it; panes that are left out are blank."""
    plain, shown = picture.plain, moving(picture, layout)
    add = _adder(shown, layout, plain)
    add(
        "header",
        (picture.title, picture.assigned, picture.item, picture.run_on, picture.listens, picture.spot),
        lambda b: _header(picture, b),
    )
    # Without a passage the cue stands large enough as it is.
    has_cue = "cue" in layout or picture.passage is None
    add(
        "message",
        (picture.message, picture.cue, has_cue),
        lambda b: _message(picture, b, has_cue),
    )
    if picture.passage is not None:
        add("cue", picture.cue, lambda b: _paragraph(_shown(picture.cue, picture), b))
    add(
        "keys",
        (picture.hints, picture.marks, picture.look_at, picture.brush, picture.phase, picture.page),
        lambda b: draw_hints(shown_hints(picture, layout), b.width),
    )
    if picture.passage is None or picture.instrument is None:
        word = picture.title.upper() if picture.phase == "rest" else PHASE_WORDS[picture.phase]
        add("now", word, lambda b: bigview.draw_big_word(word, b.width, b.height, "now", plain))
        add("next", picture.cue, lambda b: _paragraph(_shown(picture.cue, picture), b))
    else:
        _add_music(picture, picture.passage, picture.instrument, layout, add)
    words = band_words(picture)
    add(
        "band", words, lambda b: meters.draw_band(words, b.width, largest_size("0", b.width, b.height), plain)
    )
    return shown


def moving(picture: Picture, layout: Layout) -> dict[str, Pane]:
    """Those of the panes that look different with every moment of the music."""
    shown: dict[str, Pane] = {}
    passage, instrument = picture.passage, picture.instrument
    if passage is None or instrument is None:
        return shown
    add = _adder(shown, layout, picture.plain)
    if picture.phase != "rating":
        add_lane(picture, passage, instrument, layout, add)
    if picture.position_s is not None or picture.phase != "rating":
        beats, walk = picture.beats, picture.walk
        at = walk and (walk[0], meters.walker_column(beats, walk, layout["track"].width))
        coming = picture.focus.next if picture.beat is not None else None
        add(
            "track",
            (at, coming and coming.label, picture.spot),
            lambda b: meters.draw_track(beats, walk, b.width, picture.plain, coming),
        )
    return shown


def _adder(shown: dict[str, Pane], layout: Layout, plain: bool) -> Add:
    """What adds a pane to those shown, where the layout has it."""

    def add(name: str, key: Hashable, draw: Callable[[Box], Rows]) -> None:
        box = layout.get(name)
        if box is not None:
            shown[name] = ((name, box, plain, key), lambda: draw(box))

    return add


def _add_music(picture: Picture, passage: Passage, instrument: Instrument, layout: Layout, add: Add) -> None:
    plain, rung = picture.plain, picture.rung
    if rung is not None:
        add(
            "rung",
            (rung, picture.tempo_bpm),
            lambda b: meters.draw_rung(rung, picture.tempo_bpm, b.width, plain),
        )
    if picture.phase != "rating":
        add_hands(picture, passage, instrument, layout, add)
    elif shown := sheet_shown(picture, layout):
        sheet, look = shown
        add(
            "sheet",
            (picture.spot, look),
            lambda b: draw_sheet(passage, instrument, sheet, look, b.width, b.height, plain),
        )


def sheet_shown(picture: Picture, layout: Layout) -> tuple[Sheet, SheetLook] | None:
    """The sheet for marking and how it looks now; None where nothing is rated."""
    passage, instrument, box = picture.passage, picture.instrument, layout.get("sheet")
    if picture.phase != "rating" or passage is None or instrument is None or box is None:
        return None
    least = least_size(layout["keys"].y + 1)
    sheet = _sheet(Kept(passage, instrument), box.width, box.height, least)
    # After a change of the window's size there may be fewer pages.
    page = sheet.page_of(picture.likely) if picture.page is None else min(picture.page, len(sheet.pages) - 1)
    return sheet, SheetLook(page, picture.marks, picture.cursor, picture.heard, picture.guesses)


@lru_cache(maxsize=8)
def _sheet(kept: Kept, width: int, height: int, least: int) -> Sheet:
    return sheet_of(kept.passage, kept.instrument, width, height, least)


def _paragraph(text: str, box: Box) -> Rows:
    canvas = Canvas(box.width, box.height)
    lines = wrapped(text, min(box.width, 76))
    for row, words in enumerate(lines, max(min(box.height - len(lines), 1), 0)):
        canvas.put(row, 0, words, "text")
    return canvas.rows()


def _header(picture: Picture, box: Box) -> Rows:
    canvas = Canvas(box.width, 1)
    capo = picture.instrument.capo if picture.instrument else 0
    states = ("runs on" if picture.run_on else "", "listening" if picture.listens else "")
    parts = (f"capo {capo}" if capo else "", picture.item, *states)
    right = "  ".join(part for part in parts if part)
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
    canvas.put_right(0, right, "dim")
    return canvas.rows()


def _shown(text: str, picture: Picture) -> str:
    return ascii_text(text) if picture.plain else text


def _message(picture: Picture, box: Box, has_cue: bool) -> Rows:
    text = _shown(picture.message, picture)
    if not text and not has_cue:
        return line(fitted(_shown(picture.cue, picture), box.width, picture.plain), box, "text")
    return line(fitted_words(text, box.width, picture.plain), box, "next")


def shown_hints(picture: Picture, layout: Layout) -> list[Hint]:
    """The hints of the key line as they read now: what saving means, which keys mark, which events a key turns to."""
    turns: dict[str, str] = {}
    keys = len(picture.passage.events) if picture.phase == "rating" and picture.passage else 0
    shown = sheet_shown(picture, layout)
    if picture.passage and shown:
        sheet, look = shown
        keys = len(keys_on(picture.passage, sheet, look.page))
        other = look.page + (1 if look.page + 1 < len(sheet.pages) else -1)
        if other >= 0:
            action_id = "page_right" if other > look.page else "page_left"
            turns[action_id] = page_text(sheet, other)
    idle = idle_actions(picture, shown) | (_TURNS - turns.keys())
    # Beside the events' keys stands what they mark.
    idle |= {picture.brush.name} if keys else set()
    hints = [
        (_arrow(key, picture), turns.get(action_id) or hint_word(picture, label, action_id), action_id)
        for key, label, action_id in picture.hints
        if action_id not in idle
    ]
    if keys and any(action_id == "save" for _, _, action_id in hints):
        hints.insert(1, (key_range(keys), picture.brush.word, ""))
    return hints


_TURNS = {"page_right", "page_left"}


def idle_actions(picture: Picture, shown: tuple[Sheet, SheetLook] | None) -> set[str]:
    """Ids of the actions that would do nothing here or say only that there is nothing to do it to."""
    idle = set() if shown and len(shown[0].pages) > 1 else set(_TURNS)
    idle |= set() if picture.look_at else {"as_heard"}
    explained = any(marking.takes(mark.result, None) for mark in picture.marks)
    return idle if explained else {*idle, "cause"}


def _arrow(key: str, picture: Picture) -> str:
    return key if picture.plain else {"left": "←", "right": "→"}.get(key, key)


def key_range(events: int) -> str:
    """The keys that mark so many events, the first and the last of them: `1-6`, `1-q`."""
    return f"1-{LABEL_KEYS[events - 1]}" if events > 1 else "1"


def hint_word(picture: Picture, label: str, action_id: str) -> str:
    """What a key does in this state, where that is not always the same."""
    if action_id == "save" and picture.marks:
        return "save"
    if action_id == "resume" and picture.phase == "rating":
        return "back to the marks"
    if action_id == "listen" and picture.phase == "listening":
        return "stop the sound"
    if action_id == picture.brush.name:
        return f"[{label}]"
    if action_id in ("slower", "faster") and picture.phase == "playing":
        return f"{label}, stops"
    return label
