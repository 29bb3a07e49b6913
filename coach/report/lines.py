"""A report as plain text for a terminal, 80 columns or wider. No colour is needed to read it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import timedelta

from coach.ground.plain import plain_text
from coach.music.drill import Drill
from coach.pages.parts import part_lines
from coach.report import findings
from coach.report.figures import ExcerptFigures, Report
from coach.report.neck import GRADES, UNKNOWN, necks_of
from coach.strings.fretboard import fretboard_cells
from coach.words.amounts import short_day
from coach.words.names import instrument_name

PLOTS = 3
BAR_DAYS = 28
_COLOURS = re.compile(r"\x1b\[[0-9;]*m")
_EIGHTHS = " ▁▂▃▄▅▆▇█"


def report_lines(
    report: Report, drills: Sequence[Drill] = (), width: int = 80, colour: bool = False
) -> list[str]:
    """The whole report; `drills` give the necks their strings and scale.

    With `colour` the signs of the nodes carry the escape sequences of their colours; else no line has any.
    """
    width = max(width, 72)
    blocks = (
        _head(report),
        part_lines(findings.assigned(report), width),
        _time(report),
        part_lines(findings.tempos(report), width),
        *(plot_lines(one, width) for one in [one for one in report.excerpts if len(one.curve) > 1][:PLOTS]),
        _necks(report, drills, width, colour),
        *(part_lines(part, width) for part in findings.after_necks(report)),
    )
    lines: list[str] = []
    for block in map(list, blocks):
        lines += ([""] if lines and block else []) + block
    return lines


def _head(report: Report) -> Iterator[str]:
    about = f", {report.drill}" if report.drill else ""
    yield f"{plain_text(report.player)}{about}: {findings.span_text(report)}"
    yield from findings.opening(report)


def _time(report: Report) -> Iterator[str]:
    first = max(report.since, report.day - timedelta(days=BAR_DAYS - 1))
    days = [first + timedelta(days=index) for index in range((report.day - first).days + 1)]
    values = [report.days[day].minutes if day in report.days else 0.0 for day in days]
    top = max(values, default=0.0)
    if top < 1:
        return
    yield f"Minutes per day (highest bar: {top:.0f} min)"
    sixteenths = [max(round(value / top * 16), 1) if value else 0 for value in values]
    yield "  " + " ".join(_EIGHTHS[max(level - 8, 0)] for level in sixteenths).rstrip()
    yield "  " + " ".join(_EIGHTHS[min(level, 8)] for level in sixteenths).rstrip()
    names = {2 * index: short_day(day, report.day) for index, day in enumerate(days) if day.weekday() == 0}
    marks = " " * (2 * len(days) + 8)
    for column, name in names.items():
        marks = marks[:column] + name + marks[column + len(name) :]
    yield "  " + marks.rstrip()


def plot_lines(one: ExcerptFigures, width: int, height: int = 12) -> list[str]:
    """Each day's fastest clean repetition, and the goal as a line."""
    # Only a report with curves needs it, and it is slow to load.
    import plotext  # type: ignore[import-untyped]

    goal_bpm = one.standing.goal_bpm
    first, last = one.curve[0][0], one.curve[-1][0]
    days, bpms = [(day - first).days for day, _ in one.curve], [bpm for _, bpm in one.curve]
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.limit_size(False, False)  # the width is what was asked for, not what a terminal may have
    plotext.plot_size(width - 2, height)
    bottom, top = min(*bpms, goal_bpm) - 2, max(*bpms, goal_bpm) + 2
    plotext.scatter(days, bpms, marker="●")
    plotext.hline(goal_bpm)
    plotext.ylim(bottom, top)
    ticks = sorted({days[0], days[len(days) // 2], days[-1]})
    plotext.xticks(ticks, [short_day(first + timedelta(days=tick), last) for tick in ticks])
    plotext.yticks([round(bottom + (top - bottom) * part) for part in (0.1, 0.5)] + [goal_bpm])
    text = _COLOURS.sub("", plotext.build())
    plotext.clear_figure()
    legend = ": the day's fastest clean repetition; line: goal"
    head = f"  {one.name[: width - 4 - len(legend)]}{legend}"
    return [head, *(f"  {line.rstrip()}" for line in text.rstrip("\n").split("\n"))]


def _necks(report: Report, drills: Sequence[Drill], width: int, colour: bool) -> Iterator[str]:
    for neck in necks_of(report.nodes, drills):
        mm = neck.board.high_mm / (width - 2)
        yield f"Nodes on {instrument_name(neck.instrument)}, drawn to scale ({mm:.0f} mm a column)"
        for row in fretboard_cells(neck.board, neck.marks, width - 2):
            yield "  " + "".join(_inked(letter, kind, colour) for letter, kind in row).rstrip()
        legend = (f"{_inked(grade.sign, grade.word, colour)} {grade.word}" for grade in (*GRADES, UNKNOWN))
        yield "  cold, at goal: " + "  ".join(legend)


def _inked(letter: str, kind: str, colour: bool) -> str:
    """A letter in the colour of its grade, where it is the sign of one and colours are wanted."""
    sgr = next((grade.terminal for grade in (*GRADES, UNKNOWN) if colour and grade.word == kind), None)
    return letter if sgr is None else f"\x1b[{sgr}m{letter}\x1b[0m"
