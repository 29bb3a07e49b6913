"""The one widget that shows our pictures: panes at fixed places, painted line by line, repainted region by region.

Conventions: a pane that equals the one before is not drawn again, and no row that equals the one before is painted. No
layout ever runs for it, so that a changed cell costs a strip and not a screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from coach.tui.canvas import Pane, Role, Rows, drawn, text_width
from coach.tui.root import Coach
from coach.tui.theme import PLAIN_THEME, styles_for


class Stage(Widget, can_focus=False):
    """Panes of pictures, as large as its container."""

    class Tapped(Message):
        """A click or touch at a cell of the stage, with the pane it fell on."""

        def __init__(self, pane: str, column: int, row: int) -> None:
            super().__init__()
            self.pane, self.column, self.row = pane, column, row

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)
        self._look = ("", 0)
        """The theme and the width that the strips are made for."""
        self._styles: Mapping[Role, Style] = {}
        self._boxes: dict[str, Region] = {}
        self._rows: dict[str, Rows] = {}
        self._shown: dict[str, tuple[Pane, bool]] = {}
        """By name each pane, and whether it was drawn in ASCII."""
        self._strips: dict[int, Strip] = {}
        self._changed: set[int] = set()
        """Rows that are to be painted."""

    def show(self, panes: Mapping[str, Pane], boxes: Mapping[str, Region]) -> int:
        """Show these panes at these places and no others, painting only rows that changed; returns how many."""
        for name in [name for name in self._boxes if name not in panes]:
            self._erase(name)
        return self.change(panes, boxes)

    def change(self, panes: Mapping[str, Pane], boxes: Mapping[str, Region]) -> int:
        """Show these panes beside the others; returns how many rows were painted."""
        plain = cast(Coach, self.app).plain
        for name, pane in panes.items():
            box = boxes[name]
            if self._shown.get(name) == (pane, plain) and self._boxes.get(name) == box:
                continue
            if self._boxes.get(name, box) != box:
                self._erase(name)
            rows = drawn(pane, box.width, box.height, plain)
            old = self._rows.get(name, ())
            self._boxes[name], self._rows[name], self._shown[name] = box, rows, (pane, plain)
            changed = (row for row in range(len(rows)) if row >= len(old) or rows[row] != old[row])
            self._changed.update(box.y + row for row in changed)
        return self._paint()

    def fill(self, picture: Pane, width: int, height: int) -> int:
        """Show one picture and nothing else; returns how many rows were painted."""
        return self.show({"picture": picture}, {"picture": Region(0, 0, width, height)})

    def _erase(self, name: str) -> None:
        box = self._boxes.pop(name)
        del self._rows[name], self._shown[name]
        self._changed.update(box.line_range)

    def _paint(self) -> int:
        """Hand what changed to the terminal now: by way of the library's queues it would come later, and cost more."""
        changed, self._changed = self._changed, set()
        for y in changed:
            self._strips.pop(y, None)
        width, screen = self.size.width, self.screen
        # Whole rows, since the library cuts a strip for what is less.
        regions = [Region(0, y, width, 1) for y in changed]
        if screen._layout_required:
            self.refresh(*regions)
        elif regions:
            self._set_dirty(*regions)
            screen._dirty_widgets.add(self)
            screen._on_timer_update()
        return len(changed)

    def render_lines(self, crop: Region) -> list[Strip]:
        # The library's own way looks up this widget's size and styles for each line.
        width = self.size.width
        if self._look != (look := (self.app.theme, width)):
            self._look, self._styles = look, styles_for(self.app.theme)
            self._background = self.background_colors[1]
            self._strips.clear()
        for y in crop.line_range:
            if y not in self._strips:
                self._strips[y] = self._strip(y, width)
        strips = [self._strips[y] for y in crop.line_range]
        return strips if crop.width == width else [strip.crop(*crop.column_span) for strip in strips]

    def _strip(self, y: int, width: int) -> Strip:
        blank = self._styles["text"]
        segments: list[Segment] = []
        column = 0
        across = sorted((box.x, name) for name, box in self._boxes.items() if y in box.line_range)
        for left, name in across:
            row = y - self._boxes[name].y
            rows = self._rows[name]
            if left < column or row >= len(rows):
                continue
            if left > column:
                segments.append(Segment(" " * (left - column), blank))
                column = left
            for text, role in rows[row]:
                segments.append(Segment(text, self._styles[role]))
                column += text_width(text)
        if column < width:
            segments.append(Segment(" " * (width - column), blank))
        strip = Strip(segments, max(column, width)).crop(0, width)
        # Ours are colours as they are to be, but for those of a terminal that has few.
        for line_filter in self.get_line_filters() if self._look[0] == PLAIN_THEME else ():
            strip = strip.apply_filter(line_filter, self._background)
        return strip

    def on_click(self, event: events.Click) -> None:
        for name, box in self._boxes.items():
            if box.contains(event.x, event.y):
                self.post_message(self.Tapped(name, event.x - box.x, event.y - box.y))
                return
        self.post_message(self.Tapped("", event.x, event.y))
