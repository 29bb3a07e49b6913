"""Choose what to play from where to where: the whole piece at one key, or any run of its phrases."""

from __future__ import annotations

from collections.abc import Callable

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen, Screen
from textual.widgets import Static

from coach.ground.plain import plain_text
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, whole_piece
from coach.tui.widgets import MarkedList
from coach.words.stretch import layers_at, run_of


def ask_stretch(screen: Screen[None], drill: Drill, then: Callable[[Excerpt], object]) -> None:
    """Ask for a run of the drill's phrases, and go on with it."""

    def chosen(run: Excerpt | None) -> None:
        if run:
            then(run)

    screen.app.push_screen(StretchScreen(drill), chosen)


class StretchScreen(ModalScreen[Excerpt | None]):
    """Two questions, from and to; the first answer at hand is the whole piece."""

    def __init__(self, drill: Drill) -> None:
        super().__init__()
        self._drill = drill
        self._first: int | None = None
        """The place in the piece's order that was chosen as the start."""

    def compose(self) -> ComposeResult:
        with Vertical(classes="sheet"):
            yield Static("", id="asks", classes="sheet-title", markup=False)
            yield MarkedList(id="places")
            yield Static("up and down choose, enter takes, esc leaves", classes="sheet-foot")

    def on_mount(self) -> None:
        self._ask()

    def _ask(self) -> None:
        order = self._drill.played
        names = [f"{at} {plain_text(self._drill.phrase(phrase).name)}" for at, phrase in enumerate(order, 1)]
        shown = ["The whole piece", *names] if self._first is None else names[self._first :]
        asks = "Play from" if self._first is None else f"Play from {names[self._first]} to the end of"
        self.query_one("#asks", Static).update(asks)
        places = self.query_one("#places", MarkedList)
        places.list_texts([Text(name, no_wrap=True) for name in shown])
        places.focus()

    def on_key(self, event: events.Key) -> None:
        if event.key == "escape":
            event.stop()
            self.dismiss(None)
        elif event.key in ("enter", "space"):
            event.stop()
            event.prevent_default()
            self._take(self.query_one("#places", MarkedList).highlighted or 0)

    def on_option_list_option_selected(self, chosen: MarkedList.OptionSelected) -> None:
        """A click is a choice too."""
        self._take(chosen.option_index)

    def _take(self, at: int) -> None:
        layer = layers_at(self._drill, whole_piece(self._drill))[-1]
        last = len(self._drill.played) - 1
        if self._first is not None:
            self.dismiss(run_of(self._drill, self._first, self._first + at, layer))
        elif at == 0:
            self.dismiss(run_of(self._drill, 0, last, layer))
        elif at - 1 == last:
            self.dismiss(run_of(self._drill, last, last, layer))
        else:
            self._first = at - 1
            self._ask()
