"""Small widgets that several screens share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from rich.text import Text
from textual.geometry import Region
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from coach.ground.plain import visible
from coach.tui.base import CoachScreen
from coach.tui.canvas import ascii_text, draw_lines, pane
from coach.tui.hints import Hint, draw_hints, hint_at
from coach.tui.layout import too_small
from coach.tui.root import Coach
from coach.tui.stage import Stage

CURSOR = "▶ "
"""What stands before the line under the cursor."""
MARK_COLUMNS = len(CURSOR)
"""Of a marked list: the cursor's sign and a blank."""
SCROLLBAR_COLUMNS = 2
"""Of a list that is longer than its place."""


class MarkedList(OptionList):
    """A list whose cursor is a sign before the first line, not a colour alone."""

    def __init__(self, id: str) -> None:
        super().__init__(id=id, markup=False)
        self._short: list[Text] = []
        self._in_full: list[Text] = []
        self._marked: int | None = None

    def list_texts(self, texts: Sequence[Text], at: int = 0, in_full: Sequence[Text] = ()) -> None:
        """List these, the cursor at an index; every line leaves `MARK_COLUMNS` for the cursor's sign.

        `in_full` is what the item under the cursor says instead, one for each text.
        """
        # The library hands control characters on to the terminal as they are.
        for text in (*texts, *in_full):
            text.plain = "\n".join(self._letters(visible(line)) for line in text.plain.split("\n"))
        self._short, self._in_full = list(texts), list(in_full or texts)
        at = min(max(at, 0), max(len(self._short) - 1, 0))
        self._marked = at if self._short else None
        self.clear_options()
        self.add_options([Option(self._with_mark(index)) for index in range(len(self._short))])
        if self._short:
            self.highlighted = at

    def on_option_list_option_highlighted(self, moved: OptionList.OptionHighlighted) -> None:
        """The sign goes where the cursor went."""
        before, self._marked = self._marked, self.highlighted
        if before == self._marked:
            return
        for index in (before, self._marked):
            if index is not None and index < len(self._short):
                self.replace_option_prompt_at_index(index, self._with_mark(index))

    def _letters(self, text: str) -> str:
        """The text as the terminal can show it."""
        return ascii_text(text) if cast(Coach, self.app).plain else text

    def _with_mark(self, index: int) -> Text:
        sign = self._letters(CURSOR) if index == self._marked else " " * MARK_COLUMNS
        first, *others = (self._in_full if index == self._marked else self._short)[index].split("\n")
        lines = [Text(sign) + first, *(Text(" " * MARK_COLUMNS) + line for line in others)]
        text = Text("\n").join(lines)
        text.no_wrap = True
        return text


class HintLine(Stage):
    """The key line at a screen's foot, from the registry; a click on a hint does it."""

    DEFAULT_CLASSES = "hints"

    def update_hints(self) -> None:
        """Show the hints of the screen as they are now."""
        width, warning = self.size.width, too_small(*self.app.size)
        panes = {"keys": pane(draw_hints, self.hints())}
        if warning:
            panes = {"small": pane(draw_lines, ("next", warning)), **panes}
        self.styles.height = len(panes)
        self.show(panes, {name: Region(0, row, width, 1) for row, name in enumerate(panes)})

    on_mount = on_resize = on_screen_resume = update_hints

    def hints(self) -> list[Hint]:
        screen = self.screen
        if not isinstance(screen, CoachScreen):
            return []
        return list(screen.keymap.hints(screen.scope))

    def on_stage_tapped(self, tap: Stage.Tapped) -> None:
        tap.stop()
        action = hint_at(self.hints(), tap.column, self.size.width)
        if action and isinstance(self.screen, CoachScreen):
            self.screen.act(action)
