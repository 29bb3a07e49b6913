"""A report as plain text for a terminal, 80 columns or wider. No colour is needed to read it."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from coach.ground.plain import counted, listed, plain_text
from coach.learning.readings import Standing
from coach.music.drill import Drill
from coach.rating.counts import commonest_cause, results_text
from coach.rating.table import CAUSES
from coach.report.ear import HEADING, WITHHELD_TEXT, ear_figures, total_text
from coach.report.ear import cells as ear_cells
from coach.report.figures import Cold, ExcerptFigures, PlaceFigures, Report
from coach.report.neck import GRADES, UNKNOWN, necks_of
from coach.report.task import Task
from coach.strings.fretboard import fretboard_cells
from coach.words.amounts import clean_rate, day_span, duration, percent, short_day
from coach.words.names import instrument_name

PLOTS = 3
LISTED = 14
FEW_COLD = 10
"""Cold repetitions below which nothing is said of how far the estimate held."""
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
        _places("Weakest nodes", report.nodes, 8),
        _places("Weakest moves", report.moves, 6),
        _tests(report),
        _faults(report),
        _cold(report),
        _ear(report),
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
        yield "No practice in this time."
        return
    yield spent_text(report)


def span_text(report: Report) -> str:
    """Which days it looks back on: a window, and not how long somebody has practised."""
    days = (report.day - report.since).days + 1
    return f"practice, {day_span(report.since, report.day)} ({counted(days, 'day')})"


def spent_text(report: Report) -> str:
    """Days, time and repetitions in one line."""
    total = report.total
    rate = clean_rate(total.clean, total.rated, total.reps - total.rated)
    spent = f"{counted(len(report.days), 'day')}, {duration(total.minutes)} of playing"
    return f"{spent}; {counted(total.reps, 'repetition')}, {rate}"


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
    far = f"{landed_text(task.landed, task.kept, task.phrases)}, furthest behind: {task.behind}, {rung}"
    return f"{task.title}{asks}: {task.goal_bpm} bpm{by}; {far}"


def landed_text(landed: int, kept: int, phrases: int) -> str:
    """`2 of 4 phrases landed, 1 kept`."""
    return f"{landed} of {counted(phrases, 'phrase')} landed, {kept} kept"


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
    first = max(report.since, report.day - timedelta(days=BAR_DAYS - 1))
    days = [first + timedelta(days=index) for index in range((report.day - first).days + 1)]
    values = [report.days[day].minutes if day in report.days else 0.0 for day in days]
    if not any(values):
        return
    top = max(values)
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


def _tempos(report: Report, width: int) -> Iterator[str]:
    # Beside the figures, also where a window is wide.
    longest = max((len(one.name) for one in report.excerpts[:LISTED]), default=0)
    name_columns = min(width - 55, max(longest, 25))
    if report.excerpts:
        yield "Tempo: rung and goal; clean tempo: clean cold 8 times of 10 (80 % sure)"
        head = f"{'rung':<10}  {'clean tempo':<17}  {'landed':<10} kept"
        yield f"  {'':<{name_columns}} {head}"
    for one in report.excerpts[:LISTED]:
        stands = one.standing
        rung = f"{stands.rung_bpm:>3} of {stands.goal_bpm:>3}"
        row = f"{rung}  {tempo_text(one):<17}  {landed_day(stands, report.day):<10} {kept_day(stands, report.day)}"
        yield f"  {fitted(one.name, name_columns):<{name_columns}} {row}".rstrip()
    if len(report.excerpts) > LISTED:
        yield f"  and {len(report.excerpts) - LISTED} more; name a drill to see them all"
    if report.missing:
        yield from textwrap.wrap(missing_text(report), width, initial_indent="  ", subsequent_indent="    ")
    for one in [one for one in report.excerpts if len(one.curve) > 1][:PLOTS]:
        yield ""
        yield from plot_lines(one, width)


def tempo_text(one: ExcerptFigures) -> str:
    """The clean tempo with its interval: `62 (58 to 66)`; what can be said where it is not known so well."""
    tempo = one.standing.tempo
    if not one.known:
        return "too little to say"
    if one.beyond:
        return f"at least {min(int(tempo.low_bpm), one.total.fastest_bpm)}"
    return f"{tempo.bpm:.0f} ({tempo.low_bpm:.0f} to {tempo.high_bpm:.0f})"


def landed_day(stands: Standing, today: date) -> str:
    """The last day on which the goal was held; a dash where it never was."""
    return short_day(stands.landed, today) if stands.landed else "-"


def kept_day(stands: Standing, today: date) -> str:
    """The day of the cold test that showed it; `likely` before there was one; a dash where it is not kept."""
    if stands.tested:
        return short_day(stands.tested, today)
    return "likely" if stands.kept else "-"


def missing_text(report: Report) -> str:
    """What was practised of drills or phrases that are not at hand, so that nothing is expected of it."""
    return f"Also practised, but these drills are not here: {listed(report.missing, 4)}."


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


def _places(title: str, places: Sequence[PlaceFigures], most: int) -> Iterator[str]:
    known = [one for one in places if one.weak]
    if known:
        yield f"{title} (clean: the chance of it at the goal, cold)"
        yield f"  {'':<33} clean  {'of the last 8':<13}  marked"
    for one in known[:most]:
        marked = f"  {text}" if (text := results_text(one.marked)) else ""
        yield f"  {fitted(one.name, 33):<33} {percent(one.place.chance):>5}  {late_text(one):<13}{marked}"


def late_text(one: PlaceFigures) -> str:
    """`3 of 8 failed`: of its last results."""
    return f"{one.place.failed} of {one.place.of} failed"


def _tests(report: Report) -> Iterator[str]:
    if report.tests:
        yield "Landed, with a cold test this week (clean then: kept)"
    for name, on in report.tests[:8]:
        yield f"  {test_day(on, report.day):<7} {fitted(name, 68)}"
    if len(report.tests) > 8:
        yield f"  and {len(report.tests) - 8} more"


def test_day(on: date, today: date) -> str:
    """The day from which a cold test shows whether a phrase is kept."""
    return "now" if on <= today else short_day(on, today)


def _faults(report: Report) -> Iterator[str]:
    if results := results_text(report.marked):
        yield f"Marked: {results}"
    causes = [cause for cause in CAUSES if report.marked.get(cause.word)]
    total = sum(report.marked[cause.word] for cause in causes)
    if total:
        yield "  and why: " + ", ".join(
            f"{cause.word} {report.marked[cause.word]} ({percent(report.marked[cause.word] / total)})"
            for cause in causes
        )
    if most := commonest_cause(report.marked):
        yield f"  {most.word}: {most.advice}"


def _cold(report: Report) -> Iterator[str]:
    if report.cold:
        yield "Cold repetitions of phrases and pieces: expected and actual"
        yield "  expected   were clean   repetitions"
    for row in report.cold:
        yield f"  {percent(row.expected):>8}   {percent(row.clean / row.count):>10}   {row.count:>11}"
    if report.cold:
        yield f"  {cold_text(report.cold)}"


def _ear(report: Report) -> Iterator[str]:
    if not report.ear.nodes:
        return
    rows = ear_figures(report.ear)
    yield HEADING
    yield f"  It {total_text(report.ear.total)}."
    if rows:
        yield f"  {'':<33} {'agreed':>12}  found  missed  false alarms"
    for name, one in rows[:LISTED]:
        agreed, found, missed, false_alarms, withheld = ear_cells(one)
        counts = f"{agreed:>12}  {found:>5}  {missed:>6}  {false_alarms:>12}  {withheld}"
        yield f"  {fitted(name, 33):<33} {counts}".rstrip()
    if report.ear.withheld:
        yield from textwrap.wrap(f"{WITHHELD_TEXT}.", 78, initial_indent="  ", subsequent_indent="    ")


def _notes(report: Report, width: int) -> Iterator[str]:
    if report.notes:
        yield "Notes"
    for day, text in report.notes[-LISTED:]:
        yield from textwrap.wrap(
            f"{short_day(day, report.day)}: {text}", width, initial_indent="  ", subsequent_indent="    "
        )


def cold_text(rows: Sequence[Cold]) -> str:
    """How far the estimate held, in a player's words."""
    count, clean = sum(row.count for row in rows), sum(row.clean for row in rows)
    if count < FEW_COLD:
        return "Too few so far to say how good the forecast is."
    return (
        f"Of {count}, {sum(row.expected * row.count for row in rows):.0f} were expected clean, {clean} were."
    )
