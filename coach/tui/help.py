"""Small screens over the others: all keys of a screen, and the question before a session ends."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from coach.folder.actions import LABEL_KEYS, PLAYING, RATING, Action, shown_key
from coach.rating.table import RESULTS
from coach.tui.canvas import ascii_text, wrapped
from coach.tui.glyphs import NONE, big_text, big_width, largest_size, least_size

_LEGEND = (
    "In the bars",
    "  <3.2>      natural harmonic, as text tab writes it; the broken line is how long it rings",
    "  3          stopped or open string (0); the solid line is how long to hold it",
    "  ?          left out in the easier version",
    "  ■  →       damp it here; let it ring over",
    *(f"  {row.sign}          {row.word}: {row.meaning}" for row in RESULTS),
    "On the fretboard",
    "  ●  ○  ■    the hand now, the hand next, a held note",
)


_ARROWS = {
    "start": [("up down", "Choose an item")],
    "library": [("up down", "Choose a drill")],
    "settings": [("up down", "Choose a setting")],
    "tuning": [("up down", "Choose a pair or a string")],
    "nodes": [
        ("left right", "The next node on that side"),
        ("up down", "The string above, the string below"),
    ],
}
"""By scope, what arrow keys do there that are no actions."""
_LEGEND_COLUMNS = 13
"""Of a sign before its meaning."""
COLUMNS = 66
"""Of the sheet inside its edge, beside the bar to scroll by."""


def help_lines(actions: Sequence[Action], scope: str) -> list[str]:
    """Every key of a scope with what it does, then how to read the pictures where there are any."""
    rows = [(" ".join(shown_key(key) for key in action.keys) or "no key", action.help) for action in actions]
    rows[1:1] = _ARROWS.get(scope, ())
    if scope in (RATING, PLAYING):
        rows.insert(
            1,
            (
                f"{LABEL_KEYS[0]}-{LABEL_KEYS[9]} {LABEL_KEYS[10]}-{LABEL_KEYS[-1]}",
                "Mark this event; press again to take it back",
            ),
        )
    width = max(len(keys) for keys, _ in rows)
    lines = []
    for keys, text in rows:
        first, *others = wrapped(text, COLUMNS - width - 2)
        lines += [f"{keys:<{width}}  {first}", *(" " * (width + 2) + line for line in others)]
    lines.append(f"{'ctrl+p':<{width}}  Search all of these by name")
    if scope in (RATING, PLAYING, "ready", "paused", "library"):
        lines.append("")
        for line in _LEGEND:
            first, *others = wrapped(line[_LEGEND_COLUMNS:], COLUMNS - _LEGEND_COLUMNS) or [""]
            lines += [line[:_LEGEND_COLUMNS] + first, *(" " * _LEGEND_COLUMNS + other for other in others)]
    return lines


class HelpScreen(ModalScreen[None]):
    """The keys of the screen below, from the registry; any key closes it."""

    def __init__(self, actions: Sequence[Action], scope: str, plain: bool, notes: Sequence[str] = ()) -> None:
        super().__init__()
        lines = help_lines(actions, scope)
        for note in notes:
            lines += ["", *wrapped(note, COLUMNS)]
        self._lines = [ascii_text(line) for line in lines] if plain else lines

    def compose(self) -> ComposeResult:
        with Vertical(classes="sheet"):
            yield Static("Keys here", classes="sheet-title")
            with VerticalScroll(can_focus=True):
                yield Static("\n".join(self._lines), markup=False)
            yield Static("up and down scroll, any other key closes", classes="sheet-foot")

    def on_key(self, event: events.Key) -> None:
        if event.key not in ("up", "down", "pageup", "pagedown", "home", "end", "ctrl+q", "ctrl+c"):
            event.stop()
            self.dismiss()

    def on_resize(self) -> None:
        # The line below it stays in sight.
        self.query_one(VerticalScroll).styles.max_height = max(self.size.height * 9 // 10 - 8, 1)

    def on_click(self) -> None:
        self.dismiss()


EDGE_ROWS, EDGE_COLUMNS = 9, 14
"""Of a screen with a sheet on it: what the sheet's edges and title and the screen around it take."""
SHEET, SHEET_EDGES = 76, 6
"""Columns of a sheet, as `coach.tcss` has it, and of its edges; a question's is wider where its words are."""


class AskScreen(ModalScreen[str]):
    """A question with a few answers, each a key; gives back the key's answer.

    Key and answer stand as tall as is readable from two metres, where the screen has room.
    """

    def __init__(self, title: str, text: str, answers: Sequence[tuple[tuple[str, ...], str, str]]) -> None:
        """`answers`: (keys, answer given back, what it says)."""
        super().__init__()
        self._title, self._text, self.answers = title, text, tuple(answers)

    def compose(self) -> ComposeResult:
        tall = [f"{shown_key(keys[0])} {answer}".upper() for keys, answer, _says in self.answers]
        size = self._size_of(tall)
        with Vertical(classes="sheet") as sheet:
            if size != NONE:
                sheet.styles.width = max(SHEET, SHEET_EDGES + max(big_width(words, size) for words in tall))
            yield Static(self._title, classes="sheet-title", markup=False)
            if self._text:
                yield Static(self._text, markup=False)
            for number, (keys, _answer, says) in enumerate(self.answers):
                text = f" {shown_key(keys[0]):>6}  {says}"
                if size != NONE:
                    text = "\n".join((*big_text(tall[number], size, self.app.has_class("-plain")), says))
                yield Static(text, id=f"answer-{number}", classes="answer", markup=False)

    def _size_of(self, tall: Sequence[str]) -> int:
        """The size for all of them; NONE where they have no room."""
        columns, rows = self.app.size
        text = len(wrapped(self._text, min(columns - EDGE_COLUMNS, COLUMNS)))
        each = (rows - EDGE_ROWS - text) // len(tall) - 1
        return min(
            largest_size(words, columns - EDGE_COLUMNS, each, max(least_size(rows), 1)) for words in tall
        )

    def on_key(self, event: events.Key) -> None:
        for keys, answer, _says in self.answers:
            if event.key in keys:
                event.stop()
                event.prevent_default()
                self.dismiss(answer)
                return

    def on_click(self, event: events.Click) -> None:
        if event.widget is not None and event.widget.id and event.widget.id.startswith("answer-"):
            self.dismiss(self.answers[int(event.widget.id.removeprefix("answer-"))][1])
