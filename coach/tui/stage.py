"""The one widget that shows our pictures: panes at fixed places, painted line by line, repainted region by region.

Conventions: a pane is a box and finished rows of runs; what equals the pane before is not painted again. No layout
ever runs for it, so that a changed cell costs a strip and not a screen.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from coach.tui.canvas import Role, Rows, text_width
from coach.tui.layout import Box, Pane
from coach.tui.theme import styles_for

_NO_ROWS: Rows = ()


class Stage(Widget, can_focus=False):
    """Panes of pictures, as large as its container."""

    class Tapped(Message):
        """A click or touch at a cell of the stage, with the pane it fell on."""

        def __init__(self, pane: str, column: int, row: int) -> None:
            super().__init__()
            self.pane, self.column, self.row = pane, column, row

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)
        self._theme = ""
        self._styles: Mapping[Role, Style] = {}
        self._boxes: dict[str, Box] = {}
        self._rows: dict[str, Rows] = {}
        self._keys: dict[str, Hashable] = {}
        self._strips: dict[int, Strip] = {}

    def show(self, panes: Mapping[str, Pane], boxes: Mapping[str, Box]) -> int:
        """Show these panes at these places, painting only rows that changed; returns how many rows that were."""
        painted = 0
        for name in [name for name in self._boxes if name not in panes]:
            painted += self._erase(name)
        for name, (key, draw) in panes.items():
            box = boxes[name]
            if self._keys.get(name) == key and self._boxes.get(name) == box:
                continue
            if self._boxes.get(name, box) != box:
                painted += self._erase(name)
            rows = draw()
            old = self._rows.get(name, _NO_ROWS)
            self._boxes[name], self._rows[name], self._keys[name] = box, rows, key
            changed = [row for row in range(len(rows)) if row >= len(old) or rows[row] != old[row]]
            painted += self._dirty(box, changed)
        return painted

    def clear(self) -> None:
        """Forget everything shown."""
        self._boxes.clear()
        self._rows.clear()
        self._keys.clear()
        self._strips.clear()
        self.refresh()

    def _erase(self, name: str) -> int:
        box = self._boxes.pop(name)
        self._rows.pop(name, None)
        self._keys.pop(name, None)
        return self._dirty(box, range(box.height))

    def _dirty(self, box: Box, rows: list[int] | range) -> int:
        for row in rows:
            self._strips.pop(box.y + row, None)
        if rows:
            self.refresh(*(Region(box.x, box.y + row, box.width, 1) for row in rows))
        return len(rows)

    def render_line(self, y: int) -> Strip:
        if self._theme != self.app.theme:
            self._theme = self.app.theme
            self._styles = styles_for(self._theme)
            self._strips.clear()
        strip = self._strips.get(y)
        if strip is None or strip.cell_length != self.size.width:
            strip = self._strip(y)
            self._strips[y] = strip
        return strip

    def _strip(self, y: int) -> Strip:
        blank = self._styles["text"]
        segments: list[Segment] = []
        column = 0
        across = sorted((box.x, name) for name, box in self._boxes.items() if box.y <= y < box.y + box.height)
        for left, name in across:
            row = y - self._boxes[name].y
            rows = self._rows.get(name, _NO_ROWS)
            if left < column or row >= len(rows):
                continue
            if left > column:
                segments.append(Segment(" " * (left - column), blank))
                column = left
            for text, role in rows[row]:
                segments.append(Segment(text, self._styles[role]))
                column += text_width(text)
        width = self.size.width
        if column < width:
            segments.append(Segment(" " * (width - column), blank))
        return Strip(segments).adjust_cell_length(width, blank)

    def on_click(self, event: events.Click) -> None:
        for name, box in self._boxes.items():
            if box.x <= event.x < box.x + box.width and box.y <= event.y < box.y + box.height:
                self.post_message(self.Tapped(name, event.x - box.x, event.y - box.y))
                return
        self.post_message(self.Tapped("", event.x, event.y))
