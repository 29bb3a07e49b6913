"""A report as plain text for a terminal, 80 columns or wider. No colour is needed to read it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from coach.core.drill import Drill
from coach.core.fretboard import column_mm, fretboard_lines
from coach.core.ladder import DAYS_TO_LAND
from coach.core.plain import plain_text
from coach.report.figures import ExcerptFigures, PlaceFigures, Report
from coach.report.neck import GRADES, UNKNOWN, grade_of, necks

PLOTS = 3
LISTED = 14
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
    parts = (
        _head(report),
        _time(report),
        _tempos(report, width),
        _necks(report, drills, width, colour),
        _places("Weakest nodes", report.nodes[:8]),
        _places("Weakest moves", report.moves[:6]),
        _due(report),
        _faults(report),
        _calibration(report),
    )
    lines: list[str] = []
    for part in parts:
        found = list(part)
        if found:
            lines += ([""] if lines else []) + found
    return lines


def day_text(day: date, today: date) -> str:
    """`3 Dec`, with the year where it is another one."""
    text = f"{day.day} {day:%b}"
    return text if day.year == today.year else f"{text} {day.year}"


def hours_text(minutes: float) -> str:
    """`3 h 20 min`, `45 min`."""
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60} min" if whole >= 60 else f"{whole} min"


def share_text(part: float) -> str:
    """A part as a percentage."""
    return f"{100 * part:.0f} %"


def _head(report: Report) -> Iterator[str]:
    about = f", {report.drill}" if report.drill else ""
    yield f"{plain_text(report.player)}{about}: practice from {report.since} to {report.day}"
    if not report.days:
        yield "Nothing was practised in this time."
        return
    reps, rated = sum(day.reps for day in report.days), sum(day.rated for day in report.days)
    clean = sum(day.clean for day in report.days)
    rate = f", {share_text(clean / rated)} of {rated} rated ones clean" if rated else ""
    yield f"{len(report.days)} days, {hours_text(report.minutes)} of playing; {reps} repetitions{rate}"


def _time(report: Report) -> Iterator[str]:
    minutes = {day.day: day.duration_ms / 60_000 for day in report.days}
    first = max(report.since, report.day - timedelta(days=BAR_DAYS - 1))
    days = [first + timedelta(days=index) for index in range((report.day - first).days + 1)]
    values = [minutes.get(day, 0.0) for day in days]
    if not any(values):
        return
    top = max(values)
    yield f"Minutes by day (the highest bar is {top:.0f} min)"
    sixteenths = [max(round(value / top * 16), 1) if value else 0 for value in values]
    yield "  " + " ".join(_EIGHTHS[max(level - 8, 0)] for level in sixteenths).rstrip()
    yield "  " + " ".join(_EIGHTHS[min(level, 8)] for level in sixteenths).rstrip()
    names = {2 * index: day_text(day, report.day) for index, day in enumerate(days) if day.weekday() == 0}
    marks = " " * (2 * len(days) + 8)
    for column, name in names.items():
        marks = marks[:column] + name + marks[column + len(name) :]
    yield "  " + marks.rstrip()


def _tempos(report: Report, width: int) -> Iterator[str]:
    if not report.excerpts:
        return
    yield "Tempo: today's rung, the goal, the tempo that is clean 8 times of 10 (80 % sure)"
    for one in report.excerpts[:LISTED]:
        rung = f"{one.rung_bpm:>3} of {one.goal_bpm:>3}"
        yield f"  {one.title[:34]:<34} {rung}  {tempo_text(one):<18} {state_text(one, report.day)}"
    if len(report.excerpts) > LISTED:
        yield f"  and {len(report.excerpts) - LISTED} more; name a drill to see all of it"
    for one in [one for one in report.excerpts if len(one.curve) > 1][:PLOTS]:
        yield ""
        yield from plot_lines(one, width)


def tempo_text(one: ExcerptFigures) -> str:
    """The clean tempo with its interval: `62 (58 to 66)`."""
    if one.tempo is None:
        return "not rated yet"
    return f"{one.tempo.bpm:.0f} ({one.tempo.low_bpm:.0f} to {one.tempo.high_bpm:.0f})"


def state_text(one: ExcerptFigures, today: date) -> str:
    """Since when it is landed, or when it was last practised."""
    if len(one.landed_days) >= DAYS_TO_LAND:
        return f"landed {day_text(one.landed_days[-1], today)}"
    return f"last {day_text(one.memory.last_day, today)}"


def plot_lines(one: ExcerptFigures, width: int, height: int = 12) -> list[str]:
    """Clean tempo over days with its interval, and the goal as a line."""
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
    plotext.xticks(ticks, [day_text(names[tick], one.curve[-1].day) for tick in ticks])
    plotext.yticks([round(bottom + (top - bottom) * part) for part in (0.1, 0.5)] + [one.goal_bpm])
    text = _COLOURS.sub("", plotext.build())
    plotext.clear_figure()
    head = f"  {one.title[: width - 46]}: clean tempo and its interval; line: goal"
    return [head, *(f"  {line.rstrip()}" for line in text.rstrip("\n").split("\n"))]


def _necks(report: Report, drills: Sequence[Drill], width: int, colour: bool) -> Iterator[str]:
    for neck in necks(report.nodes, drills):
        marks = {place: grade_of(figures).sign for place, figures in neck.places}
        window = neck.window_mm
        name = neck.instrument.name or f"{len(neck.instrument.strings)} strings"
        scale = column_mm(neck.instrument, width - 2, window)
        yield f"Nodes on {plain_text(name)}, drawn to scale ({scale:.0f} mm a column)"
        for line in fretboard_lines(neck.instrument, marks, width - 2, window):
            yield _inked(f"  {line}", colour)
        yield _inked("  " + "  ".join(f"{grade.sign} {grade.word}" for grade in (*GRADES, UNKNOWN)), colour)


def _inked(line: str, colour: bool) -> str:
    for grade in (*GRADES, UNKNOWN) if colour else ():
        line = line.replace(grade.sign, f"\x1b[{grade.terminal}m{grade.sign}\x1b[0m")
    return line


def _places(title: str, places: Sequence[PlaceFigures]) -> Iterator[str]:
    known = [place for place in places if place.known]
    if not known:
        return
    slower = not all(place.near_goal for place in known)
    yield f"{title}: fails near the goal tempo{' (~: at slower tempos)' if slower else ''}, 80 % interval"
    for place in known:
        fail = place.fail
        rate = f"{'' if place.near_goal else '~'}{share_text(fail.mean)}"
        yield f"  {place.name[:40]:<40} {rate:>6} ({share_text(fail.low)} to {share_text(fail.high)})  {_cold(place)}"


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
        yield f"  now     {name[:66]}"
    for name, due in later[: 8 - len(now[:8])]:
        yield f"  {day_text(due, report.day):<7} {name[:66]}"


def _faults(report: Report) -> Iterator[str]:
    faults = report.faults
    causes = {name: faults[name] for name in ("position", "lift", "pluck")}
    total = sum(causes.values())
    if total:
        yield "Chokes by marked cause: " + ", ".join(
            f"{name} {count} ({share_text(count / total)})" for name, count in causes.items()
        )
    if faults["late"] or faults["dropped"]:
        yield f"Beside chokes: late {faults['late']}, dropped {faults['dropped']}"


def _calibration(report: Report) -> Iterator[str]:
    table = report.calibration
    if table is None:
        return
    yield f"How the forecast of cold results held, over {table.results} of them"
    yield "  predicted clean   were clean   results"
    for predicted, clean, count in table.rows:
        yield f"  {share_text(predicted):>15}   {share_text(clean):>10}   {count:>7}"
    better = "better" if table.brier < table.base_brier else "worse"
    yield f"  Brier score {table.brier:.3f}, log loss {table.log_loss:.3f}: {better} than knowing only"
    yield f"  the overall rate of clean ones ({table.base_brier:.3f}, {table.base_log_loss:.3f})"
