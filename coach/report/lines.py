"""A report as plain text for a terminal, 80 columns or wider. No colour is needed to read it."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from coach.ground.plain import counted, listed, plain_text
from coach.learning.calibration import Calibration
from coach.learning.ladder import DAYS_TO_LAND
from coach.music.drill import Drill
from coach.rating.counts import commonest_cause, results_text
from coach.rating.table import CAUSES
from coach.report.figures import ExcerptFigures, PlaceFigures, Report
from coach.report.neck import GRADES, UNKNOWN, necks
from coach.report.task import Task
from coach.strings.fretboard import fretboard_cells
from coach.words.amounts import clean_rate, day_span, duration, percent, short_day
from coach.words.names import instrument_name

PLOTS = 3
LISTED = 14
FEW_RESULTS = 10
"""Cold results below which nothing is said of the forecast's worth."""
BAR_DAYS = 28
_COLOURS = re.compile(r"\x1b\[[0-9;]*m")
_ON_STRING = re.compile(r"(?<=\d) on (?=[A-G][#b]?-?\d)")
_EIGHTHS = " ▁▂▃▄▅▆▇█"


def report_lines(
    report: Report, drills: Sequence[Drill] = (), width: int = 80, colour: bool = False
) -> list[str]:
    """The whole report; `drills` give the necks their strings and scale.

    With `colour` the signs of the nodes carry the escape sequences of their colours; else no line has any.
    """
    width = max(width, 72)
    parts = (
        _head(report),
        _tasks(report, width),
        _time(report),
        _tempos(report, width),
        _necks(report, drills, width, colour),
        _places("Weakest nodes", report.nodes[:8]),
        _places("Weakest moves", report.moves[:6]),
        _due(report),
        _faults(report),
        _calibration(report),
        _notes(report, width),
    )
    lines: list[str] = []
    for part in parts:
        block = list(part)
        if block:
            lines += ([""] if lines else []) + block
    return lines


def fitted(name: str, width: int) -> str:
    """A name in so many columns: a long one without `on` before its strings, at worst cut at the end."""
    return name if len(name) <= width else plain_text(_ON_STRING.sub(" ", name), width)


def _head(report: Report) -> Iterator[str]:
    about = f", {report.drill}" if report.drill else ""
    yield f"{plain_text(report.player)}{about}: {span_text(report)}"
    if report.hurts:
        yield hurt_text(report)
    if not report.days:
        yield "Nothing was practised in this time."
        return
    yield spent_text(report)


def span_text(report: Report) -> str:
    """Which days it looks back on: a window, and not how long somebody has practised."""
    days = (report.day - report.since).days + 1
    return f"practice from {day_span(report.since, report.day)} ({counted(days, 'day')})"


def spent_text(report: Report) -> str:
    """Days, time and repetitions in one line."""
    reps, rated = sum(day.reps for day in report.days), sum(day.rated for day in report.days)
    rate = clean_rate(sum(day.clean for day in report.days), rated, reps - rated)
    spent = f"{counted(len(report.days), 'day')}, {duration(report.minutes)} of playing"
    return f"{spent}; {counted(reps, 'repetition')}, {rate}"


def hurt_text(report: Report) -> str:
    """On which days a session was stopped because something hurt, the latest first."""
    days = [short_day(day, report.day) for day in reversed(report.hurts)]
    return f"Stopped because something hurt: {listed(days, 4)}. If it comes back, see a clinician."


def task_text(task: Task, today: date) -> str:
    """An open assignment: who asks for what by when, and how far it is."""
    by = ""
    if task.due:
        late = "; that day is past" if task.due < today else ""
        by = f" by {short_day(task.due, today)}{late}"
    asks = f", from {task.teacher}" if task.teacher else ""
    rung = f"at {task.rung_bpm}" if task.rung_bpm else "not begun together"
    if task.phrases == 1:
        return f"{task.title}{asks}: {task.goal_bpm} bpm{by}; {rung}"
    far = f"{task.landed} of {counted(task.phrases, 'phrase')} landed, furthest behind: {task.behind}, {rung}"
    return f"{task.title}{asks}: {task.goal_bpm} bpm{by}; {far}"


def _tasks(report: Report, width: int) -> Iterator[str]:
    if report.tasks:
        yield "Assigned"
    for task in report.tasks:
        yield from textwrap.wrap(
            task_text(task, report.day), width, initial_indent="  ", subsequent_indent="    "
        )
        if task.note:
            yield from textwrap.wrap(f'"{task.note}"', width, initial_indent="    ", subsequent_indent="    ")


def _time(report: Report) -> Iterator[str]:
    minutes = {day.day: day.duration_ms / 60_000 for day in report.days}
    first = max(report.since, report.day - timedelta(days=BAR_DAYS - 1))
    days = [first + timedelta(days=index) for index in range((report.day - first).days + 1)]
    values = [minutes.get(day, 0.0) for day in days]
    if not any(values):
        return
    top = max(values)
    if top < 1:
        return
    yield f"Minutes by day (the highest bar is {top:.0f} min)"
    sixteenths = [max(round(value / top * 16), 1) if value else 0 for value in values]
    yield "  " + " ".join(_EIGHTHS[max(level - 8, 0)] for level in sixteenths).rstrip()
    yield "  " + " ".join(_EIGHTHS[min(level, 8)] for level in sixteenths).rstrip()
    names = {2 * index: short_day(day, report.day) for index, day in enumerate(days) if day.weekday() == 0}
    marks = " " * (2 * len(days) + 8)
    for column, name in names.items():
        marks = marks[:column] + name + marks[column + len(name) :]
    yield "  " + marks.rstrip()


def _tempos(report: Report, width: int) -> Iterator[str]:
    if not report.excerpts:
        return
    yield "Tempo: rung and goal today, the tempo clean 8 times of 10 (80 % sure)"
    columns = min(34, width - 48)
    for one in report.excerpts[:LISTED]:
        rung = f"{one.rung_bpm:>3} of {one.goal_bpm:>3}"
        yield f"  {fitted(one.title, columns):<{columns}} {rung}  {tempo_text(one):<18} {state_text(one, report.day)}"
    if len(report.excerpts) > LISTED:
        yield f"  and {len(report.excerpts) - LISTED} more; name a drill to see all of it"
    for one in [one for one in report.excerpts if len(one.curve) > 1 and one.known][:PLOTS]:
        yield ""
        yield from plot_lines(one, width)


def tempo_text(one: ExcerptFigures) -> str:
    """The clean tempo with its interval: `62 (58 to 66)`; what can be said where it is not known so well."""
    if one.tempo is None:
        return "not rated yet"
    if not one.known:
        return "too little to say"
    if one.beyond:
        return f"at least {min(int(one.tempo.low_bpm), one.fastest_bpm)}"
    return f"{one.tempo.bpm:.0f} ({one.tempo.low_bpm:.0f} to {one.tempo.high_bpm:.0f})"


def state_text(one: ExcerptFigures, today: date) -> str:
    """Since when it is landed, or when it was last practised."""
    if len(one.landed_days) >= DAYS_TO_LAND:
        return f"landed {short_day(one.landed_days[-1], today)}"
    return f"last {short_day(one.memory.last_day, today)}"


def plot_lines(one: ExcerptFigures, width: int, height: int = 12) -> list[str]:
    """Clean tempo over days with its interval, and the goal as a line."""
    # Only a report with curves needs it, and it is slow to load.
    import plotext  # type: ignore[import-untyped]

    first = one.curve[0].day
    days = [(point.day - first).days for point in one.curve]
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.limit_size(False, False)  # the width is what was asked for, not what a terminal may have
    plotext.plot_size(width - 2, height)
    lows = [point.tempo.low_bpm for point in one.curve]
    highs = [point.tempo.high_bpm for point in one.curve]
    bottom = min(*lows, one.goal_bpm) - 2
    top = max(*highs, one.goal_bpm) + 2
    for day, low, high in zip(days, lows, highs, strict=True):
        plotext.plot([day, day], [low, high], marker="│")
    plotext.scatter(days, [point.tempo.bpm for point in one.curve], marker="●")
    plotext.hline(one.goal_bpm)
    plotext.ylim(bottom, top)
    ticks = sorted({days[0], days[len(days) // 2], days[-1]})
    names = {day: point.day for day, point in zip(days, one.curve, strict=True)}
    plotext.xticks(ticks, [short_day(names[tick], one.curve[-1].day) for tick in ticks])
    plotext.yticks([round(bottom + (top - bottom) * part) for part in (0.1, 0.5)] + [one.goal_bpm])
    text = _COLOURS.sub("", plotext.build())
    plotext.clear_figure()
    legend = ": clean tempo and its interval; line: goal"
    if one.beyond:
        legend = f"{legend}; over {one.fastest_bpm}: a guess"
    head = f"  {one.title[: width - 4 - len(legend)]}{legend}"
    return [head, *(f"  {line.rstrip()}" for line in text.rstrip("\n").split("\n"))]


def _necks(report: Report, drills: Sequence[Drill], width: int, colour: bool) -> Iterator[str]:
    for neck in necks(report.nodes, drills):
        mm = neck.board.high_mm / (width - 2)
        yield f"Nodes on {instrument_name(neck.instrument)}, drawn to scale ({mm:.0f} mm a column)"
        for row in fretboard_cells(neck.board, neck.marks, width - 2):
            yield "  " + "".join(_inked(letter, kind, colour) for letter, kind in row).rstrip()
        legend = (f"{_inked(grade.sign, grade.word, colour)} {grade.word}" for grade in (*GRADES, UNKNOWN))
        yield "  " + "  ".join(legend)


def _inked(letter: str, kind: str, colour: bool) -> str:
    """A letter in the colour of its grade, where it is the sign of one and colours are wanted."""
    sgr = next((grade.terminal for grade in (*GRADES, UNKNOWN) if colour and grade.word == kind), None)
    return letter if sgr is None else f"\x1b[{sgr}m{letter}\x1b[0m"


def _places(title: str, places: Sequence[PlaceFigures]) -> Iterator[str]:
    known = [place for place in places if place.known]
    if not known:
        return
    slower = not all(place.near_goal for place in known)
    yield f"{title}: fails near the goal tempo{' (~: at slower tempos)' if slower else ''}, 80 % interval"
    for place in known:
        fail = place.fail
        rate = f"{'' if place.near_goal else '~'}{percent(fail.mean)}"
        name = fitted(place.name, 40)
        yield f"  {name:<40} {rate:>6} ({percent(fail.low)} to {percent(fail.high)})  {_cold(place)}"


def _cold(place: PlaceFigures) -> str:
    memory = place.memory
    return f"cold {memory.cold_clean} of {memory.cold_days}" if memory.cold_days else "never cold"


def _due(report: Report) -> Iterator[str]:
    now = [name for name, due in report.due if due <= report.day]
    later = [(name, due) for name, due in report.due if due > report.day]
    if not now and not later:
        return
    yield f"Due: {len(now)} now, {len(later)} more within a week"
    for name in now[:8]:
        yield f"  now     {fitted(name, 68)}"
    for name, due in later[: 8 - len(now[:8])]:
        yield f"  {short_day(due, report.day):<7} {fitted(name, 68)}"


def _faults(report: Report) -> Iterator[str]:
    if results := results_text(report.marked):
        yield f"Marked: {results}"
    causes = [cause for cause in CAUSES if report.marked.get(cause.word)]
    total = sum(report.marked[cause.word] for cause in causes)
    if total:
        yield "  where you said why: " + ", ".join(
            f"{cause.word} {report.marked[cause.word]} ({percent(report.marked[cause.word] / total)})"
            for cause in causes
        )
    if most := commonest_cause(report.marked):
        yield f"  {most.word}: {most.advice}"


def _calibration(report: Report) -> Iterator[str]:
    table = report.calibration
    if table is None:
        return
    yield f"How the forecast of cold results held, over {counted(table.results, 'result')}"
    yield "  predicted clean   were clean   results"
    for predicted, clean, count in table.rows:
        yield f"  {percent(predicted):>15}   {percent(clean):>10}   {count:>7}"
    yield f"  {calibration_text(table)}"


def _notes(report: Report, width: int) -> Iterator[str]:
    if report.notes:
        yield "Notes"
    for day, text in report.notes[-LISTED:]:
        yield from textwrap.wrap(
            f"{short_day(day, report.day)}: {text}", width, initial_indent="  ", subsequent_indent="    "
        )


def calibration_text(table: Calibration) -> str:
    """How good the forecast was, in a player's words."""
    rate = sum(clean * count for _, clean, count in table.rows) / table.results
    if table.results < FEW_RESULTS:
        return "Too few results yet to say how good the forecast is."
    if rate in (0.0, 1.0):
        return f"All of them were {'clean' if rate else 'not clean'}, so they say little of how good the forecast is."
    closer = "closer" if table.brier < table.base_brier else "no closer"
    return f"The forecast came {closer} to the results than saying {percent(rate)} every time."
