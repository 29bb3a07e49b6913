"""The question at which tempo the player plays something already."""

from __future__ import annotations

from textual import on
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from coach.ground.digits import whole_number
from coach.music.rhythm import MAX_BPM, MIN_BPM


class KnowScreen(ModalScreen[int | None]):
    """Asks for a tempo in bpm; 0 takes back what was said before, None leaves all as it is."""

    BINDINGS = [("escape", "leave")]  # noqa: RUF012 - as the library declares it

    def __init__(self, what: str) -> None:
        super().__init__()
        self._what = what

    def compose(self) -> ComposeResult:
        with Vertical(classes="sheet"):
            yield Static(f"You play {self._what} already", classes="sheet-title", markup=False)
            yield Static(
                "At about what tempo? It counts as clean passes there; what is harder starts slower."
            )
            yield Input(placeholder=f"{MIN_BPM} to {MAX_BPM} bpm", id="bpm", classes="typing")
            yield Static("enter saves, empty takes it back, esc leaves", id="foot", classes="sheet-foot")

    def on_mount(self) -> None:
        self.query_one(Input).focus()

    def action_leave(self) -> None:
        self.dismiss(None)

    @on(Input.Submitted)
    def _answered(self, answer: Input.Submitted) -> None:
        text = answer.value.strip()
        bpm = whole_number(text.removesuffix("bpm").strip()) if text else 0
        if bpm is not None and (bpm == 0 or MIN_BPM <= bpm <= MAX_BPM):
            self.dismiss(bpm)
        else:
            self.query_one("#foot", Static).update(f"a whole number from {MIN_BPM} to {MAX_BPM}, or nothing")
