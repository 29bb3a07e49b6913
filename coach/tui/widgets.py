"""Small widgets that several screens share."""

from __future__ import annotations

from coach.tui.hints import Hint, draw_hints, hint_at
from coach.tui.layout import Box
from coach.tui.stage import Stage


class HintLine(Stage):
    """The key line at a screen's foot, from the registry; a click on a hint does it."""

    DEFAULT_CLASSES = "hints"

    def __init__(self) -> None:
        super().__init__()

    def on_mount(self) -> None:
        self.update_hints()

    def on_resize(self) -> None:
        self.update_hints()

    def on_screen_resume(self) -> None:
        self.update_hints()

    def update_hints(self) -> None:
        """Show the hints of the screen as they are now."""
        hints = self.hints()
        width = self.size.width
        self.show(
            {"keys": ((tuple(hints), width), lambda: draw_hints(hints, width))}, {"keys": Box(0, 0, width, 1)}
        )

    def hints(self) -> list[Hint]:
        from coach.tui.base import CoachScreen

        screen = self.screen
        if not isinstance(screen, CoachScreen):
            return []
        return list(screen.keymap.hints(screen.scope))

    def on_stage_tapped(self, tap: Stage.Tapped) -> None:
        from coach.tui.base import CoachScreen

        tap.stop()
        action = hint_at(self.hints(), tap.column, self.size.width)
        if action and isinstance(self.screen, CoachScreen):
            self.screen.act(action)
