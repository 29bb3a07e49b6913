"""What the session screen shows, pane by pane, from one frozen picture of the session: no widgets, no clock."""

from __future__ import annotations

from functools import lru_cache

from coach.folder.actions import LABEL_KEYS
from coach.ground.plain import plain_text
from coach.tui import bigview, marking, meters
from coach.tui.canvas import Canvas, Pane, draw_lines, fitted, fitted_words, pane, text_width, wrapped
from coach.tui.glyphs import BIGGEST, least_size
from coach.tui.hands import Kept, hand_panes, lane_pane, needs_of
from coach.tui.hints import Hint, draw_hints
from coach.tui.layout import Layout, Needs, layout_for
from coach.tui.picture import PHASE_WORDS, Picture, band_words
from coach.tui.sheet import Sheet, SheetLook, draw_sheet, keys_on, page_text, sheet_of
from coach.words.names import excerpt_name


def layout_of(picture: Picture, width: int, height: int) -> Layout:
    """The places of the panes for this picture's view and passage."""
    passage, instrument = picture.passage, picture.instrument
    needs = needs_of(Kept(passage, instrument)) if passage and instrument else Needs()
    return layout_for(picture.view, width, height, needs)


def panes(picture: Picture, layout: Layout) -> dict[str, Pane]:
    """The panes to show, of those that the layout has; what is left out is blank."""
    # Without a passage the cue stands large enough as it is.
    has_cue = "cue" in layout or picture.passage is None
    shown = {
        **moving(picture, layout),
        "header": pane(_header, picture),
        "message": pane(_message, picture.message, "" if has_cue else picture.cue),
        "keys": pane(draw_hints, shown_hints(picture, layout)),
        "band": pane(meters.draw_band, band_words(picture)),
    }
    if picture.passage is None or picture.instrument is None:
        word = picture.title.upper() if picture.phase == "rest" else PHASE_WORDS[picture.phase]
        shown["now"] = pane(bigview.draw_big_word, word, "now", BIGGEST)
        shown["next"] = pane(_paragraph, picture.cue)
    else:
        shown["cue"] = pane(_paragraph, picture.cue)
        if picture.rung is not None:
            shown["rung"] = pane(meters.draw_rung, picture.rung, picture.tempo_bpm)
        if sheet := sheet_shown(picture, layout):
            shown["sheet"] = pane(draw_sheet, picture.passage, picture.instrument, *sheet)
        else:
            shown.update(hand_panes(picture, picture.passage, picture.instrument, layout))
    return {name: drawn for name, drawn in shown.items() if name in layout}


def moving(picture: Picture, layout: Layout) -> dict[str, Pane]:
    """Those of the panes that look different with every moment of the music."""
    shown: dict[str, Pane] = {}
    passage, instrument = picture.passage, picture.instrument
    if passage is None or instrument is None:
        return shown
    if picture.phase != "rating" and "lane" in layout:
        shown["lane"] = lane_pane(picture, passage, instrument, layout["lane"])
    if picture.position_s is not None or picture.phase != "rating":
        beats, walk = picture.beats, picture.walk
        walker = walk and (walk[0], meters.walker_column(beats, walk, layout["track"].width))
        coming = picture.focus.next if picture.beat is not None else None
        shown["track"] = pane(meters.draw_track, beats, walker, coming)
    return shown


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


def _paragraph(canvas: Canvas, text: str) -> None:
    lines = wrapped(text, min(canvas.width, 76))
    for row, words in enumerate(lines, max(min(canvas.height - len(lines), 1), 0)):
        canvas.put(row, 0, words, "text")


def _header(canvas: Canvas, picture: Picture) -> None:
    capo = picture.instrument.capo if picture.instrument else 0
    states = ("runs on" if picture.run_on else "", "listening" if picture.listens else "")
    parts = (f"capo {capo}" if capo else "", picture.item, *states)
    right = "  ".join(part for part in parts if part)
    title = plain_text(picture.title)
    passage = picture.passage
    if passage is not None:
        what = excerpt_name(passage.excerpt, passage.title)
        room = canvas.width - text_width(right) - 2
        spare = room - text_width(what) - 3
        asked = picture.assigned
        wordings = [*(f"{title}, {words}" for words in asked[:1]), *asked, title]
        beside = next((words for words in wordings if text_width(words) <= spare), "")
        canvas.put(0, text_width(what) + 3, beside, "next" if asked and beside != title else "dim")
        canvas.put(0, 0, fitted(what, room), "text")
    canvas.put_right(0, right, "dim")


def _message(canvas: Canvas, message: str, cue: str) -> None:
    """The message, and the cue where there is none."""
    draw_lines(canvas, ("next", fitted_words(message, canvas.width)) if message else ("text", cue))


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
    return f"1-{LABEL_KEYS[min(events, len(LABEL_KEYS)) - 1]}" if events > 1 else "1"


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
