"""The end of a session: what rang, what choked, where the ladders stand, what is due when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from coach.ground.plain import counted, plain_text
from coach.learning.evidence import EXCERPT
from coach.log.entries import Outcome
from coach.music.drill import Drill
from coach.session.machine import Session
from coach.tui.base import DrawnScreen
from coach.tui.canvas import Canvas, Role, Rows
from coach.tui.layout import Box
from coach.tui.stage import Stage
from coach.tui.titles import logged_title
from coach.tui.widgets import HintLine

if TYPE_CHECKING:
    from coach.session.host import Practice, Summary

SHOWN_NODES = 8


def node_name(node_key: str, drills: Sequence[Drill]) -> str:
    """A node as players name it: `D<3.2>`; the key itself where no drill at hand has its instrument."""
    from coach.strings.instrument import Node
    from coach.strings.units import note_name

    instrument_key, _, rest = node_key.partition("|")
    open_note, _, fraction = rest.partition("|")
    for drill in drills:
        if drill.instrument.key == instrument_key:
            for string, chosen in enumerate(drill.instrument.strings):
                if note_name(chosen.midi) == open_note:
                    return f"{drill.instrument.string_label(string)}<{Node.parse(fraction).label}>"
    return f"{open_note}<{Node.parse(fraction).label}>"


def draw_summary(
    summary: Summary,
    session: Session,
    drills: Sequence[Drill],
    due: Mapping[str, date],
    width: int,
    plain: bool = False,
) -> Rows:
    """The whole summary, as many rows as it needs; `due` is by excerpt key."""
    lines: list[tuple[Role, str]] = []
    reps = sum(line.reps for line in summary.excerpts)
    clean = sum(line.clean for line in summary.excerpts)
    unrated = sum(line.unrated for line in summary.excerpts)
    minutes = f"{summary.minutes:.0f} minutes" if summary.minutes >= 1.5 else "about a minute"
    lines.append(
        ("now", f"{minutes}, {counted(reps, 'repetition')}, {clean} of {reps - unrated} rated clean")
    )
    lines.append(("text", ""))
    for line in summary.excerpts:
        slowest, fastest = line.played_bpm
        played = f"at {slowest}" if slowest == fastest else f"at {slowest} to {fastest}"
        way = (
            f"rung {line.to_bpm}"
            if line.from_bpm == line.to_bpm
            else f"rung {line.from_bpm} {'->' if plain else '→'} {line.to_bpm}"
        )
        landed = "  landed" if line.landed else f"  goal {line.goal_bpm}"
        left_out = f", {line.unrated} unrated" if line.unrated else ""
        lines.append(("text", logged_title(line.key, line.title)))
        again = f"  next {due[line.key]:%a} {due[line.key].day} {due[line.key]:%b}" if line.key in due else ""
        lines.append(
            ("dim", f"    {line.clean} of {line.reps} clean{left_out}  {played} bpm  {way}{landed}{again}")
        )
    lines.append(("text", ""))
    lines += _nodes("choked", summary.choked, summary.rang, drills, "choked")
    lines += _nodes(
        "rang", {key: n for key, n in summary.rang.items() if key not in summary.choked}, {}, drills, "good"
    )
    lines += _faults(session)
    canvas = Canvas(width, len(lines))
    for row, (role, text) in enumerate(lines):
        canvas.put(row, 0, text, role)
    return canvas.rows()


def _nodes(
    word: str, counts: Mapping[str, int], other: Mapping[str, int], drills: Sequence[Drill], role: Role
) -> list[tuple[Role, str]]:
    if not counts:
        return []
    ordered = sorted(counts, key=lambda key: -counts[key])
    shown = [
        f"{node_name(key, drills)} {counts[key]}"
        + (f" of {counts[key] + other.get(key, 0)}" if other else "")
        for key in ordered[:SHOWN_NODES]
    ]
    more = f"  and {len(ordered) - SHOWN_NODES} more" if len(ordered) > SHOWN_NODES else ""
    return [(role, f"{word:<8}"), ("text", "    " + "   ".join(shown) + more)]


def _faults(session: Session) -> list[tuple[Role, str]]:
    """Choked low notes, and late and dropped events: they say nothing about nodes."""
    lines: list[tuple[Role, str]] = []
    low = sum(
        fault.outcome is Outcome.CHOKED and not rep.passage.event(fault.label).is_harmonic
        for rep in session.saved
        for fault in rep.faults or ()
    )
    if low:
        lines.append(("text", f"choked  {counted(low, 'low note')}"))
    for outcome in (Outcome.LATE, Outcome.DROPPED):
        count = sum(fault.outcome is outcome for rep in session.saved for fault in rep.faults or ())
        if count:
            lines.append(("text", f"{outcome}  {counted(count, 'event')}"))
    return lines


class SummaryScreen(DrawnScreen):
    """What the session brought."""

    def __init__(self, practice: Practice, message: str, started_ms: int) -> None:
        super().__init__()
        self._practice, self._message, self._started_ms = practice, message, started_ms

    @property
    def scope(self) -> str:
        return "summary"

    def compose(self) -> ComposeResult:
        yield Static("This session", classes="head")
        yield Static(plain_text(self._message), id="told", classes="quiet", markup=False)
        with VerticalScroll(can_focus=True):
            yield Stage(id="summary")
        yield HintLine()

    def do_drills(self) -> None:
        from coach.tui.library_screen import LibraryScreen

        self.app.push_screen(LibraryScreen())

    def do_reports(self) -> None:
        from coach.tui.reports_screen import ReportsScreen

        self.app.push_screen(ReportsScreen())

    def draw(self) -> None:
        """Draw the summary for the present width."""
        from coach.session.host import summarise

        if not self.size.width:
            return
        practice, desk = self._practice, self.coach.desk
        summary = summarise(practice.session, self._started_ms, practice.now_ms())
        if desk.outbox.waiting:
            self._message = desk.outbox.retry(practice.now_ms()) or "What waited for the disk is saved now."
            self.query_one("#told", Static).update(plain_text(self._message))
        memories = desk.read(lambda log: log.memories())
        due = {}
        for line in summary.excerpts:
            memory = memories.get(EXCERPT + line.key)
            if memory is not None and memory.due is not None:
                due[line.key] = memory.due
        width = self.size.width - 2
        rows = draw_summary(summary, practice.session, desk.library.drills, due, width, self.coach.plain)
        stage = self.query_one("#summary", Stage)
        stage.styles.height = len(rows)
        stage.show({"summary": (rows, lambda: rows)}, {"summary": Box(0, 0, width, len(rows))})
        self.coach.last_words = [
            *([plain_text(self._message)] if "hurts" in self._message else []),
            *("".join(text for text, _ in row).rstrip() for row in rows[:1]),
        ]
