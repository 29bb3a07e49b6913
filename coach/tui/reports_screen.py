"""What came of the practice: the report of `coach report`, to scroll through."""

from __future__ import annotations

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from coach.tui.base import CoachScreen
from coach.tui.canvas import Canvas, Rows, ascii_text
from coach.tui.layout import Box
from coach.tui.stage import Stage
from coach.tui.widgets import HintLine


def draw_report(lines: Sequence[str], width: int, plain: bool) -> Rows:
    """The report's lines; the first word of each part stands out because a blank line comes before it."""
    canvas = Canvas(width, len(lines))
    for row, line in enumerate(lines):
        heads = row == 0 or not lines[row - 1]
        canvas.put(row, 0, ascii_text(line) if plain else line, "now" if heads else "text")
    return canvas.rows()


class ReportsScreen(CoachScreen):
    """The report, to scroll through."""

    @property
    def scope(self) -> str:
        return "reports"

    def compose(self) -> ComposeResult:
        with VerticalScroll(can_focus=True):
            yield Stage(id="report")
        yield HintLine()

    def on_mount(self) -> None:
        self.query_one(VerticalScroll).focus()
        self.draw()

    def on_resize(self) -> None:
        self.draw()

    def draw(self) -> None:
        """Draw the report for the present width."""
        from coach.report.figures import make_report
        from coach.report.lines import PLOTS, report_lines

        width = self.size.width - 2
        if width <= 0:
            return
        desk = self.coach.desk
        drills = desk.library.drills
        report = make_report(desk.log, desk.today, drills=drills, curves=PLOTS)
        rows = draw_report(report_lines(report, drills, width), width, self.coach.plain)
        stage = self.query_one("#report", Stage)
        stage.styles.height = len(rows)
        stage.show({"report": (rows, lambda: rows)}, {"report": Box(0, 0, width, len(rows))})
