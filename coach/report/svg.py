"""Drawings of a report: minutes by day, tempo over days, forecast against result.

Conventions: px, y downwards; shapes, escaping and colours are those of `coach.pages`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from coach.learning.calibration import Calibration
from coach.pages import svg
from coach.report.figures import ExcerptFigures
from coach.report.sums import DayTotal
from coach.words.amounts import clean_rate, duration, percent, short_day, tempo

_SIZE = 11.0
_LEFT, _BOTTOM = 34.0, 22.0


def minutes_svg(days: Sequence[DayTotal], since: date, today: date) -> str:
    """A bar for each day, its height in minutes."""
    width, height = 720.0, 150.0
    step = (width - _LEFT) / ((today - since).days + 1)
    top = max([day.duration_ms / 60_000 for day in days], default=0.0) or 1.0
    base, room = height - _BOTTOM, height - _BOTTOM - 12
    parts = []
    for tick in svg.ticks(0, top, 3):
        parts.append(svg.line(_LEFT, base - tick / top * room, width, base - tick / top * room, "tick"))
        parts.append(svg.text(_LEFT - 5, base - tick / top * room + 4, f"{tick:g}", _SIZE, "end"))
    for day in days:
        minutes = day.duration_ms / 60_000
        tall, x = minutes / top * room, _LEFT + (day.day - since).days * step
        hint = f"{short_day(day.day, today)}: {duration(minutes)}, {clean_rate(day.clean, day.rated)}"
        parts.append(svg.rectangle(x + step * 0.12, base - tall, step * 0.76, tall, "bar", hint))
    parts += _days_axis(since, today, width, height, step)
    return svg.drawing(width, height, f"Minutes practised by day, at most {top:.0f}", parts)


def tempo_svg(one: ExcerptFigures, since: date, today: date) -> str:
    """Clean tempo with its interval as a band, the goal as a dashed line, today's rung as a mark."""
    width, height = 350.0, 170.0
    low, high = _tempo_range(one)
    step = (width - _LEFT - 16) / max(1, (today - since).days)

    def x(day: date) -> float:
        return _LEFT + (day - since).days * step

    def y(bpm: float) -> float:
        return 10 + (high - min(max(bpm, low), high)) / (high - low) * (height - _BOTTOM - 10)

    parts = []
    for tick in svg.ticks(low, high, 4):
        parts.append(svg.line(_LEFT, y(tick), width, y(tick), "tick"))
        parts.append(svg.text(_LEFT - 5, y(tick) + 4, f"{tick:g}", _SIZE, "end"))
    if one.curve:
        upper = [(x(point.day), y(point.tempo.high_bpm)) for point in one.curve]
        lower = [(x(point.day), y(point.tempo.low_bpm)) for point in reversed(one.curve)]
        parts.append(svg.polygon(upper + lower, "band"))
        parts.append(svg.polyline([(x(point.day), y(point.tempo.bpm)) for point in one.curve], "curve"))
        for point in one.curve:
            ends = f"{point.tempo.low_bpm:.0f} to {point.tempo.high_bpm:.0f}"
            hint = f"{short_day(point.day, today)}: {tempo(point.tempo.bpm)} ({ends})"
            parts.append(svg.circle(x(point.day), y(point.tempo.bpm), 2.5, "dot", hint))
        if len(one.curve) == 1:
            parts.append(svg.line(*upper[0], *lower[0], "curve"))
    parts.append(svg.line(_LEFT, y(one.goal_bpm), width, y(one.goal_bpm), "goal"))
    parts.append(svg.text(_LEFT + 4, y(one.goal_bpm) - 4, f"goal {one.goal_bpm}", _SIZE, name="halo"))
    at = y(one.rung_bpm)
    parts.append(
        svg.polygon([(width - 2, at - 5), (width - 11, at), (width - 2, at + 5)], "rung", "rung today")
    )
    parts += _days_axis(since, today, width, height, step)
    label = f"Clean tempo of {one.title} over days, goal {tempo(one.goal_bpm)}"
    return svg.drawing(width, height, label, parts)


def _tempo_range(one: ExcerptFigures) -> tuple[float, float]:
    """The tempos at the foot and the head of the drawing: all that it shows, but not far beyond the goal."""
    values = [point.tempo.low_bpm for point in one.curve] + [point.tempo.high_bpm for point in one.curve]
    low, high = min([*values, one.goal_bpm, one.rung_bpm]), max([*values, one.goal_bpm, one.rung_bpm])
    high = min(high, 1.6 * one.goal_bpm)
    return low - 3, high + 0.12 * (high - low) + 3


def calibration_svg(table: Calibration) -> str:
    """Predicted against observed share of clean cold results; a disc's area grows with its results."""
    size, left, bottom = 240.0, 40.0, 34.0

    def x(part: float) -> float:
        return left + part * (size - left - 24)

    def y(part: float) -> float:
        return size - bottom - part * (size - bottom - 10)

    parts = []
    for tick in (0.0, 0.5, 1.0):
        parts.append(svg.line(x(0), y(tick), x(1), y(tick), "tick"))
        parts.append(svg.text(left - 5, y(tick) + 4, percent(tick), _SIZE, "end"))
        parts.append(svg.text(x(tick), size - bottom + 14, percent(tick), _SIZE, "middle"))
    parts.append(svg.line(x(0), y(0), x(1), y(1), "goal"))
    most = max(count for _, _, count in table.rows)
    for predicted, clean, count in table.rows:
        radius = 2 + 8 * (count / most) ** 0.5
        hint = f"predicted {percent(predicted)}, clean {percent(clean)} of {count}"
        parts.append(svg.circle(x(predicted), y(clean), radius, "dot", hint))
    parts.append(svg.text(x(0.5), size - 4, "predicted", _SIZE, "middle"))
    parts.append(svg.upright(11, y(0.5), "were clean", _SIZE))
    return svg.drawing(size, size, "Forecast of cold results against what came", parts)


def _days_axis(since: date, today: date, width: float, height: float, step: float) -> list[str]:
    """A few dates along the bottom; the last one is today."""
    count = (today - since).days
    every = max(1, round(count / max(2, (width - _LEFT) / 90)))
    parts = []
    for back in range(0, count + 1, every):
        at = _LEFT + (count - back) * step
        if at < _LEFT + 8 and back:
            break
        words = short_day(today - timedelta(days=back), today)
        anchor: svg.Anchor = "end" if back == 0 else "middle"
        parts.append(svg.text(min(at + step / 2, width), height - 6, words, _SIZE, anchor))
    return parts
