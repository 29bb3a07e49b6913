"""The end of a session: what rang, what choked, where the rungs stand."""

from __future__ import annotations

from collections.abc import Mapping

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from coach.ground.plain import counted, plain_text
from coach.rating.table import RESULTS, Says
from coach.session.host import Practice
from coach.session.session import Session
from coach.session.summary import Summary, summarise
from coach.tui.base import DrawnScreen
from coach.tui.canvas import Canvas, Role, Rows, text_width
from coach.tui.stage import Stage
from coach.tui.widgets import HintLine
from coach.words.amounts import clean_rate, duration, rung_change, tempo_range
from coach.words.names import logged_name, place_name


def draw_summary(
    summary: Summary,
    session: Session,
    width: int,
) -> Rows:
    """The whole summary, as many rows as it needs."""
    lines: list[tuple[Role, str]] = []
    reps, clean, unrated = summary.totals
    rate = clean_rate(clean, reps - unrated, unrated)
    lines.append(("now", f"{counted(reps, 'repetition')}, {rate}"))
    times = f"{duration(summary.playing_min)} of playing in a session of {duration(summary.minutes)}"
    lines.append(("text", times))
    lines.append(("text", ""))
    for line in summary.excerpts:
        landed = "  kept" if line.kept else "  landed" if line.landed else f"  goal {line.goal_bpm}"
        lines.append(("text", logged_name(line.key, line.title)))
        rate = clean_rate(line.clean, line.reps - line.unrated, line.unrated)
        rungs = rung_change(line.from_bpm, line.to_bpm, line.next_bpm)
        lines.append(("dim", f"    {rate}  at {tempo_range(*line.played_bpm)}  {rungs}{landed}"))
    lines.append(("text", ""))
    lines += _nodes("choked", summary.choked, summary.rang, "choked", width)
    rang = {key: times for key, times in summary.rang.items() if key not in summary.choked}
    lines += _nodes("rang", rang, {}, "good", width)
    lines += _faults(session)
    canvas = Canvas(width, len(lines))
    for row, (role, text) in enumerate(lines):
        canvas.put(row, 0, text, role)
    return canvas.rows()


def _nodes(
    word: str, counts: Mapping[str, int], other: Mapping[str, int], role: Role, width: int
) -> list[tuple[Role, str]]:
    if not counts:
        return []
    ordered = sorted(counts, key=lambda key: -counts[key])
    told = [
        f"{place_name(key)}: {counts[key]}" + (f" of {counts[key] + other.get(key, 0)}" if other else "")
        for key in ordered
    ]
    for shown in range(len(told), 0, -1):
        more = [f"and {len(told) - shown} more"] if shown < len(told) else []
        line = "    " + "   ".join((*told[:shown], *more))
        if text_width(line) <= width:
            break
    return [(role, f"{word:<8}"), ("text", line)]


def _faults(session: Session) -> list[tuple[Role, str]]:
    """What failed and is not told of nodes: low notes, and events whose nodes rang or may have."""
    faults = [
        (fault.result, played.task.passage.event(fault.label))
        for played in session.played
        for fault in played.rep.faults or ()
    ]
    lines: list[tuple[Role, str]] = []
    for row in RESULTS:
        events = [event for result, event in faults if result is row and row.fails]
        low = [event for event in events if row.held is Says.FAILED and not event.is_harmonic]
        rest = [event for event in events if event not in low and row.node is not Says.FAILED]
        parts = [counted(len(low), "low note")] * bool(low) + [counted(len(rest), "event")] * bool(rest)
        if parts:
            lines.append(("text", f"{' and '.join(parts)} {row.word}"))
    return lines


class SummaryScreen(DrawnScreen):
    """What the session brought."""

    scope = "summary"

    def __init__(self, practice: Practice, message: str, started_ms: int) -> None:
        super().__init__()
        self._practice, self._message, self._started_ms = practice, message, started_ms

    def compose(self) -> ComposeResult:
        yield Static("This session", classes="head")
        yield Static(plain_text(self._message), id="told", classes="quiet", markup=False)
        with VerticalScroll(can_focus=True):
            yield Stage(id="summary")
        yield HintLine()

    def draw(self) -> None:
        """Draw the summary for the present width."""
        if not self.size.width:
            return
        practice, desk = self._practice, self.coach.desk
        summary = summarise(practice.session, self._started_ms, practice.now_ms())
        if desk.log.waiting:
            self._message = str(desk.log.retry() or "Everything that was waiting for the disk is saved.")
            self.query_one("#told", Static).update(plain_text(self._message))
        width = self.size.width - 2
        rows = draw_summary(summary, practice.session, width)
        stage = self.query_one("#summary", Stage)
        stage.styles.height = len(rows)
        stage.fill(rows)
        self.coach.last_words = [
            *([plain_text(self._message)] if "hurts" in self._message else []),
            *("".join(text for text, _ in row).rstrip() for row in rows[:1]),
        ]
