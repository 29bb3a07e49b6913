"""A walk around in one minute: a few pages with real pictures, shown at the first run and from the start screen."""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult

from coach.rating.table import RESULTS
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.node_table import mm_text
from coach.tui.canvas import Canvas, pane, wrapped
from coach.tui.drawn import DrawnScreen
from coach.tui.glyphs import largest_size, rows_high
from coach.tui.hints import draw_hints
from coach.tui.layout import too_small
from coach.tui.stage import Stage

FIRST_NODE = Node(1, 6)
FIRST_FRET = 3
"""The fret wire that the first page's node lies next to."""

_BRUSHES = ", ".join(f"{row.key} {row.word}" for row in RESULTS if not row.rest)

PAGES: tuple[tuple[str, str], ...] = (
    (
        f"D<{FIRST_NODE.label}>",
        "This is a node: touch the {string} string over {label}, {way}, and pluck. Every session shows the node now, "
        "the next one and your low notes this large, with the way there in millimetres.",
    ),
    (
        "1 2 3 4",
        "Space starts a repetition. Clicks count you in, then you play once with the click. The mark that walks "
        "shows the beat; nothing flashes.",
    ),
    (
        "CLEAN?",
        "Then one key: space, if every event was clean. If not, press the key beside each note that choked, then "
        f"space. Other keys change what you mark: {_BRUSHES}. Backspace takes anything back.",
    ),
    (
        "46→52",
        "Clean repetitions raise the tempo, the rung; failed ones lower it, until every node rings at the piece's "
        "tempo. When something keeps failing, the coach makes it shorter or easier, or leaves it for today.",
    ),
    (
        "STOP",
        "If anything hurts, press escape, then h. Rest, and see a clinician if it doesn't go away. Keep the click "
        "quiet, most of all in headphones. What you rate is saved at once, so you can stop at any time.",
    ),
)


def page_text(page: int, instrument: Instrument) -> str:
    """The words of a page; where the first page's node lies is told for this instrument."""
    string = min(1, len(instrument.strings) - 1)
    way = f"{mm_text(instrument, string, FIRST_NODE)} from the {'capo' if instrument.capo else 'nut'}"
    if instrument.fretted:
        way_mm = instrument.position_mm(string, FIRST_NODE) - instrument.fret_mm(string, FIRST_FRET)
        way = f"about {way_mm:.0f} mm past fret wire {FIRST_FRET}, toward the bridge"
    return PAGES[page][1].format(string=instrument.string_label(string), label=FIRST_NODE.label, way=way)


def draw_page(canvas: Canvas, page: int, text: str) -> None:
    """A page and its hints."""
    width, height, word = canvas.width, canvas.height, PAGES[page][0]
    columns = min(width - 8, 76)
    left = (width - columns) // 2
    canvas.put(1, left, f"Tour, {page + 1} of {len(PAGES)}", "dim")
    size = largest_size(word, width - left, height - 12, most=3)
    high = rows_high(size) if size > 0 else 1
    top = max((height - high - 8) // 2, 2)
    if size > 0:
        canvas.put_tall(top, left, word, size, "now")
    else:
        canvas.put(top, left, word, "now")
    if warning := too_small(width, height):
        canvas.put(0, 0, warning, "next")
    for row, line in enumerate(wrapped(text, columns)):
        canvas.put(top + high + (2 if size > 0 else 0) + row, left, line, "text")
    hints = (
        ("any key", "goes on" if page + 1 < len(PAGES) else "begins", ""),
        ("left", "back", ""),
        ("esc", "leave", ""),
    )
    canvas.inset(height - 1, 1, pane(draw_hints, hints))


class TourScreen(DrawnScreen):
    """The pages, one after the other; any key goes on, escape ends it."""

    scope = "tour"

    def __init__(self) -> None:
        super().__init__()
        self.page = 0

    def compose(self) -> ComposeResult:
        yield Stage(id="tour")

    def other_key(self, event: events.Key) -> bool:
        if event.key in ("ctrl+q", "ctrl+c"):
            return False
        if event.key == "escape":
            self._end()
        elif event.key in ("left", "backspace", "up"):
            self.page = max(self.page - 1, 0)
            self.draw()
        else:
            self._go_on()
        return True

    def _go_on(self) -> None:
        if self.page + 1 == len(PAGES):
            self._end()
        else:
            self.page += 1
            self.draw()

    def _end(self) -> None:
        if not self.coach.desk.settings.screen.tour_seen:
            self.coach.save_settings({"screen": {"tour_seen": True}})
        self.dismiss()

    def on_stage_tapped(self) -> None:
        self._go_on()

    def paint(self) -> None:
        page = pane(draw_page, self.page, page_text(self.page, self.coach.desk.instrument))
        self.query_one(Stage).fill(page, *self.size)
