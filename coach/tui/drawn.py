"""Screens that are one picture above their key line, drawn whole: when they come up and whenever their size changes."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from coach.ground.problem import CoachError
from coach.tui.base import CoachScreen
from coach.tui.canvas import Line, Pane, draw_lines, pane
from coach.tui.stage import Stage
from coach.tui.widgets import HintLine


class DrawnScreen(CoachScreen):
    """A screen that `paint` draws whole."""

    def draw(self) -> None:
        """Draw everything for the present size; what can't be read is told instead."""
        if self.size.width:
            try:
                self.paint()
            except CoachError as error:
                self.coach.tell(error)

    on_mount = on_resize = draw

    @abstractmethod
    def paint(self) -> None:
        """Draw everything for the present size, which is not 0."""


class PictureScreen(DrawnScreen):
    """A screen with one picture that fills it."""

    def compose(self) -> ComposeResult:
        yield Stage(id="picture")
        yield HintLine()

    @abstractmethod
    def picture(self) -> Pane:
        """What it shows now."""

    def paint(self) -> None:
        self.query_one("#picture", Stage).fill(self.picture(), self.size.width, self.size.height - 1)


class ScrolledScreen(DrawnScreen):
    """A screen with lines to scroll through."""

    def compose(self) -> ComposeResult:
        with VerticalScroll(can_focus=True):
            yield Stage(id="picture")
        yield HintLine()

    @abstractmethod
    def lines(self, width: int) -> Sequence[Line]:
        """What it shows, in so many columns."""

    def on_mount(self) -> None:
        self.query_one(VerticalScroll).focus()

    def paint(self) -> None:
        width = self.query_one(VerticalScroll).scrollable_content_region.width
        if width > 0:
            lines = self.lines(width)
            stage = self.query_one("#picture", Stage)
            stage.styles.height = len(lines)
            stage.fill(pane(draw_lines, *lines), width, len(lines))
