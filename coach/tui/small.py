"""The session in a window that is too small for pictures: words in small letters, playable with the same keys."""

from __future__ import annotations

from coach.tui import bigview, meters
from coach.tui.canvas import Canvas, Role, Rows, ascii_text, fitted, wrapped
from coach.tui.focus import focus_at
from coach.tui.hints import draw_hints
from coach.tui.layout import Box, too_small
from coach.tui.session_view import Picture, beat_word, phase_word, shown_hints
from coach.words.names import excerpt_name


def draw_small(picture: Picture, box: Box) -> Rows:
    """The session in a few lines for a window that is too small for pictures: nothing of a line is cut unseen."""
    lines: list[tuple[Role, str]] = [("next", too_small(box.width, box.height))]
    passage, instrument = picture.passage, picture.instrument
    if passage is None or instrument is None:
        lines += [("now", picture.title), *(("text", line) for line in wrapped(picture.cue, box.width))]
    else:
        focus = focus_at(passage, picture.beat)
        lines += [
            (
                "now",
                f"now {bigview.written(focus.now, instrument)}  next {bigview.written(focus.next, instrument)}",
            ),
            ("bass", bigview.held_text(focus, instrument)),
            ("text", _small_state(picture)),
        ]
        if picture.rung is not None:
            lines.append(("text", f"rung {picture.rung.bpm}, goal {picture.rung.goal_bpm}"))
        lines.append(("dim", excerpt_name(passage.excerpt, passage.title)))
    message: list[tuple[Role, str]] = [("next", line) for line in wrapped(picture.message, box.width)]
    kept = [(role, text) for role, text in lines if text]
    # The message comes before what the player knows anyway, and the keys always have the last row.
    first = kept[:4] if passage is not None else kept
    shown = [*first, *message, *kept[len(first) :]][: max(box.height - 1, 0)]
    canvas = Canvas(box.width, box.height)
    for row, (role, text) in enumerate(shown):
        canvas.put(
            row, 0, fitted(ascii_text(text) if picture.plain else text, box.width, picture.plain), role
        )
    canvas.paste(box.height - 1, 0, draw_hints(shown_hints(picture, {}), box.width))
    return canvas.rows()


def _small_state(picture: Picture) -> str:
    at = None
    if picture.position_s is not None and picture.beats:
        at = meters.walker_column(picture.beats, picture.position_s, 1)
    number = beat_word(picture, at)
    word = f"beat {number}" if number else phase_word(picture)
    if picture.phase == "rating" and picture.marks:
        word = f"{len(picture.marks)} FAILED"
    return f"{word}  {picture.tempo_bpm} bpm".strip()
