"""What came of the practice: the report of `coach report`, to scroll through."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from coach.music.drill import Drill
from coach.report.figures import make_report
from coach.report.lines import report_lines
from coach.tui.base import DrawnScreen
from coach.tui.canvas import Canvas, Role, Rows, ascii_text, text_width, wrapped
from coach.tui.stage import Stage
from coach.tui.widgets import HintLine


def draw_report(lines: Sequence[str], width: int, plain: bool) -> Rows:
    """The report's lines; the first word of each part stands out because a blank line comes before it."""
    shown: list[tuple[Role, str]] = []
    for row, line in enumerate(lines):
        role: Role = "now" if row == 0 or not lines[row - 1] else "text"
        text = ascii_text(line) if plain else line
        # What is too long goes on below, and nothing of it is lost.
        whole = text_width(text) <= width
        first, *others = [text] if whole else wrapped(text, width - 4)
        shown += [(role, first), *((role, f"    {other}") for other in others)]
    canvas = Canvas(width, len(shown))
    for row, (role, text) in enumerate(shown):
        canvas.put(row, 0, text, role)
    return canvas.rows()


class ReportsScreen(DrawnScreen):
    """The report, to scroll through."""

    scope = "reports"

    @cached_property
    def _drills(self) -> tuple[Drill, ...]:
        return self.coach.desk.every_drill()

    def compose(self) -> ComposeResult:
        with VerticalScroll(can_focus=True):
            yield Stage(id="report")
        yield HintLine()

    def draw(self) -> None:
        """Draw the report for the present width."""
        width = self.query_one(VerticalScroll).scrollable_content_region.width
        if width <= 0:
            return
        desk = self.coach.desk
        drills = self._drills
        report = make_report(desk.log, desk.today, drills=drills)
        rows = draw_report(report_lines(report, drills, width), width, self.coach.plain)
        stage = self.query_one("#report", Stage)
        stage.styles.height = len(rows)
        stage.fill(rows)
