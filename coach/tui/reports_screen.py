"""What came of the practice: the report of `coach report`, to scroll through."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property

from coach.music.drill import Drill
from coach.report.figures import make_report
from coach.report.lines import report_lines
from coach.tui.canvas import Line, Role, text_width, wrapped
from coach.tui.drawn import ScrolledScreen


def shown_lines(report: Sequence[str], width: int) -> Iterator[Line]:
    """The report's lines; the first word of each part stands out because a blank line comes before it."""
    for row, line in enumerate(report):
        role: Role = "now" if row == 0 or not report[row - 1] else "text"
        # What is too long goes on below, and nothing of it is lost.
        first, *others = [line] if text_width(line) <= width else wrapped(line, width - 4)
        yield role, first
        yield from ((role, f"    {other}") for other in others)


class ReportsScreen(ScrolledScreen):
    """The report, to scroll through."""

    scope = "reports"

    @cached_property
    def _drills(self) -> tuple[Drill, ...]:
        return self.coach.desk.every_drill()

    def lines(self, width: int) -> list[Line]:
        desk, drills = self.coach.desk, self._drills
        report = make_report(desk.log, desk.today, drills=drills)
        return list(shown_lines(report_lines(report, drills, width), width))
