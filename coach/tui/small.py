"""The session in a window that is too small for pictures: words in small letters, playable with the same keys."""

from __future__ import annotations

from coach.tui import bigview
from coach.tui.canvas import Canvas, Line, draw_lines, pane, wrapped
from coach.tui.hints import draw_hints
from coach.tui.layout import too_small
from coach.tui.picture import Picture, band_words
from coach.tui.session_view import shown_hints
from coach.words.names import excerpt_name


def draw_small(canvas: Canvas, picture: Picture) -> None:
    """The session in a few lines for a window that is too small for pictures: nothing of a line is cut unseen."""
    width, height = canvas.width, canvas.height
    lines: list[Line] = [("next", too_small(width, height))]
    passage, instrument = picture.passage, picture.instrument
    if passage is None or instrument is None:
        lines += [("now", picture.title), *(("text", line) for line in wrapped(picture.cue, width))]
    else:
        focus = picture.focus
        low = bigview.held_text(focus, instrument)
        if focus.now is None:
            notes = f"first {bigview.written(focus.next, instrument)}"
            if focus.next_held and not focus.held:
                low = f"first low {bigview.written(focus.next_held, instrument)}"
        else:
            notes = f"now {bigview.written(focus.now, instrument)}  next {bigview.written(focus.next, instrument)}"
        lines += [
            ("now", notes),
            ("bass", low),
            ("text", "  ".join(text for text, _ in band_words(picture))),
        ]
        if picture.rung is not None:
            lines.append(("text", f"rung {picture.rung.bpm}, goal {picture.rung.goal_bpm}"))
        lines.append(("dim", excerpt_name(passage.excerpt, passage.title)))
    message: list[Line] = [("next", line) for line in wrapped(picture.message, width)]
    kept = [(role, text) for role, text in lines if text]
    # The message comes before what the player knows anyway, and the keys always have the last row.
    first = kept[:4] if passage is not None else kept
    shown = [*first, *message, *kept[len(first) :]][: max(height - 1, 0)]
    draw_lines(canvas, *shown)
    canvas.inset(height - 1, 1, pane(draw_hints, shown_hints(picture, {})))
