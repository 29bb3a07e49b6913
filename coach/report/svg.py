"""Drawings of a report as SVG text: minutes by day, tempo over days, nodes on the neck, forecast against result.

Conventions: px inside a viewBox, y downwards; every text that came from a file goes through `escaped`. A sign, a shape
or a word says what a colour says. Colours come from the page's style sheet by class, but for the grades of nodes.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from datetime import date, timedelta

from coach.ground.plain import plain_text
from coach.learning.calibration import Calibration
from coach.report.figures import ExcerptFigures
from coach.report.neck import Neck, grade_of
from coach.store.derive import DayTotal
from coach.strings.touch import LAST_FRET
from coach.words.amounts import duration, short_day


def escaped(text: str) -> str:
    """Text from anywhere as HTML text or attribute."""
    return html.escape(plain_text(text), quote=True)


def minutes_svg(days: Sequence[DayTotal], since: date, today: date) -> str:
    """A bar for each day, its height in minutes."""
    width, height, left, bottom = 720, 150, 34, 22
    count = (today - since).days + 1
    step = (width - left) / count
    top = max([day.duration_ms / 60_000 for day in days], default=0.0) or 1.0
    parts = []
    for tick in _ticks(0, top, 3):
        y = height - bottom - tick / top * (height - bottom - 12)
        parts.append(_line("grid", left, y, width, y))
        parts.append(_text("end", left - 5, y + 4, f"{tick:g}"))
    for day in days:
        minutes = day.duration_ms / 60_000
        tall = minutes / top * (height - bottom - 12)
        x = left + (day.day - since).days * step
        parts.append(
            f'<rect class="bar" x="{x + step * 0.12:.1f}" y="{height - bottom - tall:.1f}" '
            f'width="{step * 0.76:.1f}" height="{tall:.1f}"><title>{day.day}: {duration(minutes)}, '
            f"{day.clean} of {day.rated} clean</title></rect>"
        )
    parts += _days_axis(since, today, left, width, height, step)
    return _svg(width, height, f"Minutes practised by day, at most {top:.0f}", parts)


def tempo_svg(one: ExcerptFigures, since: date, today: date) -> str:
    """Clean tempo with its interval as a band, the goal as a dashed line, today's rung as a mark."""
    width, height, left, bottom = 350, 170, 34, 22
    values = [point.tempo.low_bpm for point in one.curve] + [point.tempo.high_bpm for point in one.curve]
    low, high = min([*values, one.goal_bpm, one.rung_bpm]), max([*values, one.goal_bpm, one.rung_bpm])
    high = min(high, 1.6 * one.goal_bpm)
    low, high = low - 3, high + 0.12 * (high - low) + 3
    count = max(1, (today - since).days)
    step = (width - left - 16) / count

    def x(day: date) -> float:
        return left + (day - since).days * step

    def y(bpm: float) -> float:
        return 10 + (high - min(max(bpm, low), high)) / (high - low) * (height - bottom - 10)

    parts = []
    for tick in _ticks(low, high, 4):
        parts.append(_line("grid", left, y(tick), width, y(tick)))
        parts.append(_text("end", left - 5, y(tick) + 4, f"{tick:g}"))
    if one.curve:
        upper = [f"{x(point.day):.1f},{y(point.tempo.high_bpm):.1f}" for point in one.curve]
        lower = [f"{x(point.day):.1f},{y(point.tempo.low_bpm):.1f}" for point in reversed(one.curve)]
        parts.append(f'<polygon class="band" points="{" ".join(upper + lower)}"/>')
        middle = " ".join(f"{x(point.day):.1f},{y(point.tempo.bpm):.1f}" for point in one.curve)
        parts.append(f'<polyline class="curve" points="{middle}"/>')
        for point in one.curve:
            tempo = point.tempo
            parts.append(
                f'<circle class="dot" cx="{x(point.day):.1f}" cy="{y(tempo.bpm):.1f}" r="2.5"><title>{point.day}: '
                f"{tempo.bpm:.0f} bpm ({tempo.low_bpm:.0f} to {tempo.high_bpm:.0f})</title></circle>"
            )
            if len(one.curve) == 1:
                parts.append(_line("curve", x(point.day), y(tempo.low_bpm), x(point.day), y(tempo.high_bpm)))
    parts.append(_line("goal", left, y(one.goal_bpm), width, y(one.goal_bpm)))
    parts.append(_text("start", left + 4, y(one.goal_bpm) - 4, f"goal {one.goal_bpm}", "halo"))
    at = y(one.rung_bpm)
    parts.append(
        f'<path class="rung" d="M{width - 2},{at - 5:.1f} l-9,5 l9,5 z"><title>rung today</title></path>'
    )
    parts += _days_axis(since, today, left, width, height, step)
    return _svg(width, height, f"Clean tempo of {one.title} over days, goal {one.goal_bpm} bpm", parts)


def neck_svg(neck: Neck) -> str:
    """The neck to scale, seen as tab is read: highest string on top, nut on the left; each node with its sign."""
    width, left, gap, top = 720, 44, 30, 22
    strings = len(neck.instrument.strings)
    height = top + gap * strings + 26
    low, high = neck.window_mm

    def x(mm: float) -> float:
        return left + (mm - low) / (high - low) * (width - left - 20)

    def y(string: int) -> float:
        return top + gap * (string + 0.5)

    parts = []
    for fret in range(1, LAST_FRET + 1):
        mm = neck.instrument.fret_mm(fret)
        if mm <= high:
            parts.append(_line("wire", x(mm), top + 4, x(mm), height - 30))
            parts.append(_text("middle", x(mm), top - 6, str(fret), "small"))
    parts.append(_line("nut", x(0), top + 4, x(0), height - 30))
    for string in range(strings):
        parts.append(_line("string", left, y(string), width, y(string)))
        parts.append(_text("end", left - 8, y(string) + 4, neck.instrument.string_label(string)))
    named: dict[str, float] = {}
    for (string, node), figures in neck.places:
        grade = grade_of(figures)
        at = x(neck.instrument.position_mm(node))
        named[node.label] = at
        fail, where = figures.fail, "near the goal tempo" if figures.near_goal else "at slower tempos"
        parts.append(
            f'<g><circle cx="{at:.1f}" cy="{y(string):.1f}" r="9" class="node" style="stroke:{grade.ink}"/>'
            f'<text x="{at:.1f}" y="{y(string) + 4.5:.1f}" text-anchor="middle" class="sign" '
            f'style="fill:{grade.ink}">{grade.sign}</text><title>{escaped(figures.name)}: '
            f"{100 * (1 - fail.mean):.0f} % ring {where} ({100 * (1 - fail.high):.0f} to "
            f"{100 * (1 - fail.low):.0f} %)</title></g>"
        )
    last = -100.0
    row = 0
    for label, at in sorted(named.items(), key=lambda item: item[1]):
        row = 1 - row if at - last < 24 else 0
        last = at
        parts.append(_text("middle", at, height - 16 + 11 * row, label, "small"))
    return _svg(width, height, "Nodes on the neck, drawn to scale, and how well each rings", parts)


def calibration_svg(table: Calibration) -> str:
    """Predicted against observed share of clean cold results; a disc's area grows with its results."""
    size, left, bottom = 240, 40, 34

    def x(part: float) -> float:
        return left + part * (size - left - 24)

    def y(part: float) -> float:
        return size - bottom - part * (size - bottom - 10)

    parts = []
    for tick in (0.0, 0.5, 1.0):
        parts.append(_line("grid", x(0), y(tick), x(1), y(tick)))
        parts.append(_text("end", left - 5, y(tick) + 4, f"{100 * tick:.0f} %"))
        parts.append(_text("middle", x(tick), size - bottom + 14, f"{100 * tick:.0f} %"))
    parts.append(_line("goal", x(0), y(0), x(1), y(1)))
    most = max(count for _, _, count in table.rows)
    for predicted, clean, count in table.rows:
        radius = 2 + 8 * (count / most) ** 0.5
        parts.append(
            f'<circle class="dot" cx="{x(predicted):.1f}" cy="{y(clean):.1f}" r="{radius:.1f}"><title>predicted '
            f"{100 * predicted:.0f} %, clean {100 * clean:.0f} % of {count}</title></circle>"
        )
    parts.append(_text("middle", x(0.5), size - 4, "predicted"))
    parts.append(
        f'<text transform="translate(11 {y(0.5):.0f}) rotate(-90)" text-anchor="middle">were clean</text>'
    )
    return _svg(size, size, "Forecast of cold results against what came", parts)


def _days_axis(since: date, today: date, left: float, width: float, height: float, step: float) -> list[str]:
    """A few dates along the bottom; the last one is today."""
    count = (today - since).days
    every = max(1, round(count / max(2, (width - left) / 90)))
    parts = []
    for back in range(0, count + 1, every):
        day = today - timedelta(days=back)
        at = left + (count - back) * step
        if at < left + 8 and back:
            break
        parts.append(
            _text(
                "end" if back == 0 else "middle", min(at + step / 2, width), height - 6, short_day(day, today)
            )
        )
    return parts


def _ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from `low` to `high`."""
    span = high - low
    unit = next(
        unit for unit in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10_000, 10**9) if span / unit <= about + 1
    )
    first = -(-low // unit) * unit
    return [first + index * unit for index in range(int((high - first) / unit) + 1)]


def _line(name: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{name}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(anchor: str, x: float, y: float, text: str, name: str = "") -> str:
    of_class = f' class="{name}"' if name else ""
    return f'<text{of_class} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escaped(text)}</text>'


def _svg(width: float, height: float, label: str, parts: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'aria-label="{escaped(label)}">{"".join(parts)}</svg>'
    )
