"""The teacher's overview: a row for each student and drill, and what to assign next (`coach.report.advice`)."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

from coach.ground.plain import counted, listed, plain_text, same_name
from coach.log.entries import parse_time
from coach.log.people import DEFAULT_NAME
from coach.pages.document import document, escaped, paragraph, section, table
from coach.report.advice import Case, advised, failing, failing_text
from coach.report.inbox import StudentFile
from coach.report.student import DrillReply
from coach.report.table_csv import Cell, csv_text
from coach.words.amounts import duration, full_day, short_day

NEWS_DAYS = 7
"""From which age on a reply is said to be old."""


@dataclass(frozen=True, slots=True)
class Row:
    """One student on one drill."""

    student: str
    drill: str
    """Title; with the end of its id where two drills share the title."""
    case: Case
    advice: str
    why: str
    assigned_to: str
    """Whom the assignment names, where that is another than the student; else empty."""
    edited: bool
    """From a file that was changed after it was written."""
    other_revision: bool
    """Of another revision of the drill than most students have."""
    older: int
    """Reports of this student on this drill for which this one stands."""
    path: str

    @property
    def marks(self) -> str:
        return "*" * self.edited + "+" * self.other_revision

    @property
    def failing_nodes(self) -> list[str]:
        """The worst three that fail often enough to be named."""
        return (
            [failing_text(place) for place in failing(self.case.drill.nodes)[:3]] if self.case.enough else []
        )

    @property
    def rung(self) -> str:
        """The rung and the goal, or what was not begun."""
        case, phrases = self.case, counted(len(self.case.phrases), "phrase")
        if case.rung_bpm:
            return f"{case.rung_bpm} of {case.drill.goal_bpm}"
        if case.begun < len(case.phrases):
            return f"{case.begun} of {phrases} begun"
        return f"{sum(bool(phrase.rung_bpm) for phrase in case.phrases)} of {phrases} together"


SORTS: dict[str, Callable[[Row], tuple[object, ...]]] = {
    "student": lambda row: (row.student.casefold(), row.drill.casefold()),
    "drill": lambda row: (row.drill.casefold(), row.case.drill.id, row.student.casefold()),
    "due": lambda row: (row.case.due or date.max, row.student.casefold()),
    "minutes": lambda row: (-row.case.minutes, row.student.casefold()),
    "rung": lambda row: (row.case.rung_bpm / row.case.drill.goal_bpm, row.student.casefold()),
    "cold": lambda row: (row.case.cold_rate, row.student.casefold()),
    "last": lambda row: (row.case.last or date.min, row.student.casefold()),
}
"""What the table can be sorted by; `rung`, `cold` and `last` put first who needs a look first."""


def overview(files: Iterable[StudentFile], today: date, sort: str = "drill") -> list[Row]:
    """A row for each student and drill, from the report written last.

    Of two reports of one moment the one that is as it was written counts. The row says for how many it stands.
    """
    latest: dict[tuple[str, str], tuple[StudentFile, DrillReply]] = {}
    reports: dict[tuple[str, str], int] = {}
    for file in sorted(files, key=lambda file: (_moment_ms(file), not file.edited, file.path)):
        for drill in file.reply.drills:
            key = file.reply.student.id or file.reply.student.name, drill.id
            latest[key] = file, drill
            reports[key] = reports.get(key, 0) + 1
    ids: dict[str, set[str]] = {}
    revisions: dict[str, list[str]] = {}
    for _, drill in latest.values():
        ids.setdefault(drill.title.casefold(), set()).add(drill.id)
        revisions.setdefault(drill.id, []).append(drill.revision)
    names = _names(list(latest.values()))
    rows = []
    for key, (file, drill) in latest.items():
        shared = len(ids[drill.title.casefold()]) > 1
        title = f"{drill.title} ({drill.id})" if shared else drill.title
        usual = max(revisions[drill.id], key=revisions[drill.id].count)
        student, other = names[file.reply.student.id], drill.revision != usual
        rows.append(_row(student, title, file, drill, today, other, reports[key] - 1))
    return sorted(rows, key=SORTS[sort])


def _moment_ms(file: StudentFile) -> int:
    """When a report was written; the noon of its day where its moment can't be read."""
    for text in (file.reply.written, f"{file.reply.day}T12:00:00+00:00"):
        with suppress(ValueError, OverflowError):
            return parse_time(text)[0]
    return 0


def _names(seen: Sequence[tuple[StudentFile, DrillReply]]) -> dict[str, str]:
    """Names by student id: as the student is called in their log, else as the assignment calls them.

    Where two students share a name, it carries the end of the id.
    """
    names: dict[str, str] = {}
    for file, drill in seen:
        student = file.reply.student
        if student.name not in ("", DEFAULT_NAME):
            names[student.id] = student.name
        else:
            assigned = drill.assignment.student if drill.assignment else ""
            names[student.id] = assigned or names.get(student.id, student.name)
    used = [name.casefold() for name in names.values()]
    return {
        student_id: f"{name} ({student_id[-4:]})" if used.count(name.casefold()) > 1 else name
        for student_id, name in names.items()
    }


def _row(
    student: str,
    title: str,
    file: StudentFile,
    drill: DrillReply,
    today: date,
    other_revision: bool,
    older: int,
) -> Row:
    case = Case(drill, file.reply.day, today)
    name, asked = file.reply.student.name, drill.assignment.student if drill.assignment else ""
    another = name not in ("", DEFAULT_NAME) and not same_name(name, asked)
    assigned_to = asked if another else ""
    return Row(
        student, title, case, *advised(case), assigned_to, file.edited, other_revision, older, file.path
    )


SHOWN: dict[str, Callable[[Row], str]] = {
    "student": lambda row: (
        row.student + row.marks + (f" (assigned to {row.assigned_to})" if row.assigned_to else "")
    ),
    "due": lambda row: short_day(row.case.due, row.case.today) if row.case.due else "",
    "minutes": lambda row: duration(row.case.minutes),
    "this week": lambda row: duration(row.case.week_minutes),
    "rung": lambda row: row.rung,
    "landed": lambda row: f"{row.case.landed} of {len(row.case.phrases)}",
    "kept": lambda row: f"{row.case.kept} of {len(row.case.phrases)}",
    "fails": lambda row: ", ".join(row.failing_nodes),
    "cold": lambda row: "{1} of {0}".format(*row.case.cold) if row.case.cold[0] else "",
    "last": lambda row: short_day(row.case.last, row.case.today) if row.case.last else "never",
    "reply of": lambda row: short_day(row.case.reply_day, row.case.today),
    "next": lambda row: row.advice,
    "why": lambda row: row.why,
}
"""The columns of the table for each drill, as people read them."""


def roster_lines(rows: Sequence[Row]) -> list[str]:
    """The overview for a terminal: two lines a row, so that 80 columns hold it."""
    if not rows:
        return ["no student's report here"]
    lines = [f"{'student':<12} {'drill':<16} {'due':<6} {'min (week)':<10} {'rung':<15} {'cold':<8} last"]
    for row in rows:
        case = row.case
        due, cold, last, landed, kept, reply_day = (
            SHOWN[name](row) for name in ("due", "cold", "last", "landed", "kept", "reply of")
        )
        student = plain_text(row.student, 12 - len(row.marks)) + row.marks
        spent = f"{case.minutes:.0f} ({case.week_minutes:.0f})"
        rung = row.rung.replace(" phrases", "").replace(" phrase", "")
        lines.append(
            f"{student:<12} {plain_text(row.drill, 16):<16} {due[:6]:<6} {spent:<10} {rung:<15} {cold:<8} {last[:6]}"
        )
        if row.assigned_to:
            lines += _wrapped(f"assigned to {row.assigned_to}")
        if (case.today - case.reply_day).days >= NEWS_DAYS:
            lines += _wrapped(f"no news since {reply_day}, the day of the reply")
        lines += _wrapped(f"landed {landed}, kept {kept}")
        if row.failing_nodes:
            lines += _wrapped(f"fails: {listed(row.failing_nodes, 3)}")
        lines += _wrapped(f"next: {row.advice}; {row.why}")
    return [*lines, *_footnotes(rows), f"To assign: {ASSIGN}"]


ASSIGN = "coach assign DRILL --to NAME --goal BPM --due DATE -o FILE"


def _footnotes(rows: Sequence[Row]) -> list[str]:
    """What the marks mean that stand in the table, and what was left out of it."""
    notes = []
    if any(row.edited for row in rows):
        notes.append("* changed after it was written")
    if any(row.other_revision for row in rows):
        notes.append("+ another revision of the drill than most have")
    older = sum(row.older for row in rows)
    if older:
        notes.append(f"folded away: {counted(older, 'older report')} of the same student and drill")
    return notes


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 80, initial_indent="    ", subsequent_indent="      ")


def roster_page(rows: Sequence[Row], notes: Sequence[tuple[str, date, str]], today: date) -> str:
    """The overview as a page; `notes` are student, day and text."""
    parts = ["<h1>Assignments</h1>", paragraph(f"as of {full_day(today)}", "quiet")]
    for drill in dict.fromkeys(row.drill for row in rows):
        cells = [[cell(row) for cell in SHOWN.values()] for row in rows if row.drill == drill]
        parts.append(section(drill, table(tuple(SHOWN), cells)))
    parts += [paragraph(note, "quiet") for note in _footnotes(rows)]
    written = [(student, short_day(day, today), text) for student, day, text in notes]
    parts.append(section("Notes", table(("student", "day", "note"), written)) if notes else "")
    parts.append(
        f"<p>To assign: <i>{escaped(ASSIGN)}</i></p>" if rows else paragraph("No student's report here.")
    )
    return document("Assignments", parts, "wide")


COLUMNS: dict[str, Callable[[Row], Cell]] = {
    "student": lambda row: row.student,
    "drill": lambda row: row.drill,
    "drill_id": lambda row: row.case.drill.id,
    "due": lambda row: row.case.due.isoformat() if row.case.due else None,
    "minutes": lambda row: round(row.case.minutes, 1),
    "minutes_this_week": lambda row: round(row.case.week_minutes, 1),
    "rung_bpm": lambda row: row.case.rung_bpm or None,
    "goal_bpm": lambda row: row.case.drill.goal_bpm,
    "furthest_behind": lambda row: row.case.behind.name if row.case.behind else "",
    "landed": lambda row: row.case.landed,
    "kept": lambda row: row.case.kept,
    "phrases_begun": lambda row: row.case.begun,
    "phrases": lambda row: len(row.case.phrases),
    "fails": lambda row: "; ".join(row.failing_nodes),
    "cold_clean": lambda row: row.case.cold[1],
    "cold": lambda row: row.case.cold[0],
    "last_practised": lambda row: row.case.last.isoformat() if row.case.last else None,
    "reply_of": lambda row: row.case.reply_day.isoformat(),
    "entered_afterwards": lambda row: row.case.drill.entered,
    "next": lambda row: row.advice,
    "why": lambda row: row.why,
    "edited": lambda row: row.edited,
    "other_revision": lambda row: row.other_revision,
    "assigned_to": lambda row: row.assigned_to,
    "older_reports": lambda row: row.older,
    "file": lambda row: row.path,
}
"""The overview as values, for a spreadsheet and as JSON."""


def roster_facts(rows: Sequence[Row]) -> list[dict[str, Cell]]:
    """The overview as values that JSON can hold."""
    return [{name: cell(row) for name, cell in COLUMNS.items()} for row in rows]


def roster_csv(rows: Sequence[Row]) -> str:
    """The overview for a spreadsheet."""
    return csv_text(tuple(COLUMNS), (list(facts.values()) for facts in roster_facts(rows)))
