"""What came of the practice: minutes a day, ladders, what is weak and how sure that is, what is due. No streaks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from coach.core.drill import Drill
from coach.core.evidence import EXCERPT, NODE
from coach.core.ladder import Ladder
from coach.core.plain import plain_text
from coach.tui.base import CoachScreen
from coach.tui.canvas import Canvas, Role, Rows, fitted
from coach.tui.layout import Box
from coach.tui.meters import way_done
from coach.tui.stage import Stage
from coach.tui.summary import node_name
from coach.tui.widgets import HintLine

if TYPE_CHECKING:
    from coach.core.memory import Memory

DAYS_SHOWN = 14
WEAKEST = 8
SURE_ENOUGH = 1.0
"""Discounted results behind a node before it is listed as weak."""


def draw_report(
    day: date,
    minutes: Mapping[date, float],
    ladders: Mapping[str, Ladder],
    titles: Mapping[str, str],
    memories: Mapping[str, Memory],
    drills: Sequence[Drill],
    width: int,
    plain: bool = False,
) -> Rows:
    """The report as rows, as many as it needs."""
    lines: list[tuple[Role, str]] = [("now", f"Minutes practised, the last {DAYS_SHOWN} days")]
    most = max([*minutes.values(), 1.0])
    bar = "=" if plain else "━"
    for back in range(DAYS_SHOWN - 1, -1, -1):
        when = day - timedelta(days=back)
        done = minutes.get(when, 0.0)
        length = round(done / most * max(width - 24, 10))
        lines.append(("text" if done else "dim", f"{when:%a} {when.day:>2}  {done:4.0f}  {bar * length}"))
    lines += [("text", ""), ("now", "Ladders")]
    for key, ladder in sorted(ladders.items(), key=lambda item: titles.get(item[0], item[0])):
        layer = key.split(":", 5)[2]
        track = _track(way_done(ladder, ladder.rung_bpm), 16, plain)
        landed = "  landed" if ladder.landed else ""
        name = fitted(f"{plain_text(titles.get(key, key))}, {plain_text(layer)}", width - 44, plain)
        lines.append(
            ("text", f"{name:<{width - 44}}  {track} {ladder.rung_bpm:>3} of {ladder.goal_bpm}{landed}")
        )
    lines += [("text", ""), ("now", "Weakest nodes near the goal tempo")]
    lines += _weakest(memories, drills, day)
    due = sorted(
        (memory.due, key) for key, memory in memories.items() if memory.due and key.startswith(EXCERPT)
    )
    lines += [("text", ""), ("now", "Due")]
    for when, key in due:
        if when is None:
            continue
        shown = plain_text(titles.get(key.removeprefix(EXCERPT), key.removeprefix(EXCERPT)))
        layer = plain_text(key.removeprefix(EXCERPT).split(":", 5)[2])
        word = "today" if when <= day else f"{when:%a} {when.day} {when:%b}"
        lines.append(("text", f"{word:<12}{shown}, {layer}"))
    canvas = Canvas(width, len(lines))
    for row, (role, text) in enumerate(lines):
        canvas.put(row, 0, text, role)
    return canvas.rows()


def _track(part: float, width: int, plain: bool) -> str:
    done = round(part * width)
    full, empty = ("=", ".") if plain else ("━", "┄")
    return full * done + empty * (width - done)


def _weakest(memories: Mapping[str, Memory], drills: Sequence[Drill], day: date) -> list[tuple[Role, str]]:
    from coach.core.memory import kin_prior, weakness

    found = []
    for key, memory in memories.items():
        if key.startswith(NODE):
            weak = weakness(memory, day, kin_prior(key, memories, day))
            if weak.weight >= SURE_ENOUGH:
                found.append((weak.mean, key, weak))
    found.sort(reverse=True)
    if not found:
        return [("dim", "not enough rated repetitions near the goal tempo yet")]
    return [
        (
            "text",
            f"{node_name(key.removeprefix(NODE), drills):<10} chokes {weak.mean:4.0%}, "
            f"between {weak.low:.0%} and {weak.high:.0%} (8 in 10 sure)",
        )
        for _mean, key, weak in found[:WEAKEST]
    ]


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
        width = self.size.width - 2
        if width <= 0:
            return
        desk = self.coach.desk
        totals = desk.log.days(since=desk.today - timedelta(days=DAYS_SHOWN))
        minutes = {total.day: total.duration_ms / 60_000 for total in totals}
        rows = draw_report(
            desk.today,
            minutes,
            desk.log.ladders(),
            desk.log.titles(),
            desk.log.memories(),
            desk.library.drills,
            width,
            self.coach.plain,
        )
        stage = self.query_one("#report", Stage)
        stage.styles.height = len(rows)
        stage.show({"report": (rows, lambda: rows)}, {"report": Box(0, 0, width, len(rows))})
