"""Drawings of a report: minutes by day, tempo over days, cold repetitions as expected and as they came.

Conventions: px, y downwards; shapes, escaping and colours are those of `coach.pages`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from coach.pages import svg
from coach.report.figures import Cold
from coach.report.reply import DayReply
from coach.report.sums import Sum
from coach.words.amounts import clean_rate, duration, percent, short_day, tempo

NARROW = 350.0
"""The width of a drawing that has another beside it."""
_SIZE = 11.0
_LEFT, _BOTTOM = 34.0, 22.0


def minutes_svg(days: Mapping[date, Sum | DayReply], since: date, today: date, width: float = 720.0) -> str:
    """A bar for each day, its height in minutes."""
    height = 150.0
    step = (width - _LEFT) / ((today - since).days + 1)
    top = max([1.0, *(total.minutes for total in days.values())])
    base, room = height - _BOTTOM, height - _BOTTOM - 12
    parts = []
    for tick in svg.ticks(0, top, 3):
        parts.append(svg.line(_LEFT, base - tick / top * room, width, base - tick / top * room, "tick"))
        parts.append(svg.text(_LEFT - 5, base - tick / top * room + 4, f"{tick:g}", _SIZE, "end"))
    for day, total in days.items():
        tall, x = total.minutes / top * room, _LEFT + (day - since).days * step
        hint = f"{short_day(day, today)}: {duration(total.minutes)}, {clean_rate(total.clean, total.rated)}"
        parts.append(svg.rectangle(x + step * 0.12, base - tall, step * 0.76, tall, "bar", hint))
    parts += _days_axis(since, today, width, height, step, _LEFT + step / 2)
    return svg.drawing(width, height, f"Minutes practised per day, at most {top:.0f}", parts)


def tempo_svg(
    name: str, curve: Sequence[tuple[date, int]], goal_bpm: int, rung_bpm: int, since: date, today: date
) -> str:
    """Each day's fastest clean repetition, the goal as a dashed line, today's rung (0: none) as a mark."""
    width, height = NARROW, 170.0
    bpms = [*(bpm for _, bpm in curve), goal_bpm, rung_bpm or goal_bpm]
    low, high = min(bpms) - 3, max(bpms) + 0.12 * (max(bpms) - min(bpms)) + 3
    step = (width - _LEFT - 16) / max(1, (today - since).days)

    def x(day: date) -> float:
        return _LEFT + (day - since).days * step

    def y(bpm: float) -> float:
        return 10 + (high - bpm) / (high - low) * (height - _BOTTOM - 10)

    parts = []
    for tick in svg.ticks(low, high, 4):
        parts.append(svg.line(_LEFT, y(tick), width, y(tick), "tick"))
        parts.append(svg.text(_LEFT - 5, y(tick) + 4, f"{tick:g}", _SIZE, "end"))
    parts.append(svg.polyline([(x(day), y(bpm)) for day, bpm in curve], "curve"))
    parts += [
        svg.circle(x(day), y(bpm), 2.5, "dot", f"{short_day(day, today)}: {tempo(bpm)}") for day, bpm in curve
    ]
    parts.append(svg.line(_LEFT, y(goal_bpm), width, y(goal_bpm), "goal"))
    parts.append(svg.text(_LEFT + 4, y(goal_bpm) - 4, f"goal {goal_bpm}", _SIZE, name="halo"))
    if rung_bpm:
        at = y(rung_bpm)
        corners = [(width - 2, at - 5), (width - 11, at), (width - 2, at + 5)]
        parts.append(svg.polygon(corners, "rung", "rung today"))
    parts += _days_axis(since, today, width, height, step, _LEFT)
    label = f"Fastest clean repetition of {name} by day, goal {tempo(goal_bpm)}"
    return svg.drawing(width, height, label, parts)


def cold_svg(rows: Sequence[Cold]) -> str:
    """Expected against observed share of clean cold repetitions; a disc's area grows with their number."""
    size, left, bottom = 250.0, 50.0, 34.0

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
    most = max(row.count for row in rows)
    for row in rows:
        hint = f"expected {percent(row.expected)}, clean {row.clean} of {row.count}"
        at = x(row.expected), y(row.clean / row.count)
        parts.append(svg.circle(*at, 2 + 8 * (row.count / most) ** 0.5, "dot", hint))
    parts.append(svg.text(x(0.5), size - 4, "expected", _SIZE, "middle"))
    parts.append(svg.upright(11, y(0.5), "were clean", _SIZE))
    return svg.drawing(size, size, "Cold repetitions: expected and actual", parts)


def _days_axis(since: date, today: date, width: float, height: float, step: float, first: float) -> list[str]:
    """A few dates along the bottom, each with a mark below its day; the first day is at `first`, the last is today."""
    count = (today - since).days
    every = max(1, round(count / max(2, (width - _LEFT) / 90)))
    base, parts = height - _BOTTOM, []
    for back in range(0, count + 1, every):
        at = first + (count - back) * step
        if at < _LEFT + 8 and back:
            break
        words = short_day(today - timedelta(days=back), today)
        parts.append(svg.line(at, base, at, base + 5, "mark"))
        # Today's would leave the drawing.
        anchor: svg.Anchor = "middle" if back else "end"
        parts.append(svg.text(at if back else width, height - 6, words, _SIZE, anchor))
    return parts
