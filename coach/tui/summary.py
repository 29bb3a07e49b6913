"""The end of a session: what rang, what choked, where the rungs stand."""

from __future__ import annotations

from collections.abc import Mapping

from textual.app import ComposeResult
from textual.widgets import Static

from coach.ground.plain import counted, plain_text
from coach.rating.table import RESULTS, Says
from coach.session.host import Practice
from coach.session.session import Session
from coach.session.summary import Summary, summarise
from coach.tui.canvas import Line, Role, first_that_fit, text_width
from coach.tui.drawn import ScrolledScreen
from coach.words.amounts import duration
from coach.words.names import place_name


def summary_lines(summary: Summary, session: Session, width: int) -> list[Line]:
    """The whole summary, as many lines as it needs."""
    times = f"{duration(summary.playing_min)} of playing in a session of {duration(summary.minutes)}"
    lines: list[Line] = [
        ("now", f"{counted(summary.reps, 'repetition')}, {summary.rate}"),
        ("text", times),
        ("text", ""),
    ]
    for excerpt in summary.excerpts:
        lines += [("text", excerpt.name), ("dim", f"    {'  '.join(excerpt.facts)}")]
    lines.append(("text", ""))
    lines += _nodes("choked", summary.choked, summary.rang, "choked", width)
    rang = {key: times for key, times in summary.rang.items() if key not in summary.choked}
    return [*lines, *_nodes("rang", rang, {}, "good", width), *_faults(session)]


def _nodes(
    word: str, counts: Mapping[str, int], other: Mapping[str, int], role: Role, width: int
) -> list[Line]:
    if not counts:
        return []
    ordered = sorted(counts, key=lambda key: -counts[key])
    told = [
        f"{place_name(key)}: {counts[key]}" + (f" of {counts[key] + other.get(key, 0)}" if other else "")
        for key in ordered
    ]
    shown = first_that_fit(told, lambda told: text_width("   ".join(told)) + 4 <= width)
    line = f"    {'   '.join(shown)}"
    return [(role, f"{word:<8}"), ("text", line)]


def _faults(session: Session) -> list[Line]:
    """What failed and is not told of nodes: low notes, and events whose nodes rang or may have."""
    faults = [
        (fault.result, played.task.passage.event(fault.label))
        for played in session.played
        for fault in played.rep.faults or ()
    ]
    lines: list[Line] = []
    for row in RESULTS:
        events = [event for result, event in faults if result is row and row.fails]
        low = [event for event in events if row.held is Says.FAILED and not event.is_harmonic]
        rest = [event for event in events if event not in low and row.node is not Says.FAILED]
        parts = [counted(len(low), "low note")] * bool(low) + [counted(len(rest), "event")] * bool(rest)
        if parts:
            lines.append(("text", f"{' and '.join(parts)} {row.word}"))
    return lines


class SummaryScreen(ScrolledScreen):
    """What the session brought."""

    scope = "summary"

    def __init__(self, practice: Practice, message: str, started_ms: int) -> None:
        super().__init__()
        self._practice, self._message, self._started_ms = practice, message, started_ms

    def compose(self) -> ComposeResult:
        yield Static("This session", classes="head")
        yield Static(plain_text(self._message), id="told", classes="quiet", markup=False)
        yield from super().compose()

    def lines(self, width: int) -> list[Line]:
        practice, desk = self._practice, self.coach.desk
        summary = summarise(practice.session, self._started_ms, practice.now_ms())
        if desk.log.waiting:
            self._message = str(desk.log.retry() or "Everything that was waiting for the disk is saved.")
            self.query_one("#told", Static).update(plain_text(self._message))
        lines = summary_lines(summary, practice.session, width)
        hurts = [plain_text(self._message)] if "hurts" in self._message else []
        self.coach.last_words = [*hurts, lines[0][1]]
        return lines
