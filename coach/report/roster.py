"""The teacher's overview: a row for each student and assignment, and what to assign next and why.

Rules of the last column, the first that fits: nothing practised; landed; not begun since a week; overdue; cold
repetitions mostly fail (slower goal); one node chokes (that node alone); a move fails; a layer is not ready; going
well. They are plain thresholds, stated below, for the teacher to overrule.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from coach.core.log import CAUSES
from coach.core.plain import counted, listed
from coach.report.inbox import DrillSeen, PlaceSeen, StudentFile
from coach.report.lines import day_text, hours_text, share_text
from coach.report.page import page, table
from coach.report.svg import escaped
from coach.report.table_csv import Cell, csv_text
from coach.store.log import DEFAULT_NAME

RECENT_DAYS = 28
AWAY_DAYS = 7
CHOKES_FROM = 0.25
"""Part of a node's recent results that failed, from which it is named."""
RESULTS_FROM = 6
COLD_LOW = 0.5
READY = 0.7


@dataclass(frozen=True, slots=True)
class Row:
    """One student's state on one drill."""

    student: str
    drill: str
    """Title; with the end of its id where two drills share the title."""
    drill_id: str
    goal_bpm: int
    due: date | None
    minutes: float
    week_minutes: float
    rung_bpm: int
    """Of the phrase that is furthest behind, in its fullest layer; 0 where one was never begun."""
    behind: str
    """That phrase."""
    landed: int
    phrases: int
    chokes: tuple[str, ...]
    cold: int
    cold_clean: int
    last: date | None
    advice: str
    why: str
    marked: bool
    """From a file that was changed after it was written, or of another revision than the others' drill."""
    path: str

    @property
    def part(self) -> float:
        return self.rung_bpm / self.goal_bpm


SORTS: dict[str, Callable[[Row], tuple[object, ...]]] = {
    "student": lambda row: (row.student.casefold(), row.drill.casefold()),
    "drill": lambda row: (row.drill.casefold(), row.drill_id, row.student.casefold()),
    "due": lambda row: (row.due or date.max, row.student.casefold()),
    "minutes": lambda row: (-row.minutes, row.student.casefold()),
    "rung": lambda row: (row.part, row.student.casefold()),
    "cold": lambda row: (row.cold_clean / row.cold if row.cold else -1.0, row.student.casefold()),
    "last": lambda row: (row.last or date.min, row.student.casefold()),
}
"""What the table can be sorted by; `rung`, `cold` and `last` put first who needs a look first."""


def overview(files: Iterable[StudentFile], today: date, sort: str = "drill") -> list[Row]:
    """A row for each student and drill; of several files of one student the one written last counts."""
    latest: dict[tuple[str, str], tuple[StudentFile, DrillSeen]] = {}
    for file in sorted(files, key=lambda file: (file.day, file.written, file.path)):
        for drill in file.drills:
            latest[file.student_id or file.student, drill.assignment_id or drill.id] = (file, drill)
    ids: dict[str, set[str]] = {}
    revisions: dict[str, list[str]] = {}
    for _, drill in latest.values():
        ids.setdefault(drill.title.casefold(), set()).add(drill.id)
        revisions.setdefault(drill.id, []).append(drill.revision)
    names = _names(list(latest.values()))
    rows = []
    for file, drill in latest.values():
        shared = len(ids[drill.title.casefold()]) > 1
        title = f"{drill.title} ({drill.id})" if shared else drill.title
        usual = max(revisions[drill.id], key=revisions[drill.id].count)
        rows.append(_row(names[file.student_id], title, file, drill, today, drill.revision != usual))
    return sorted(rows, key=SORTS[sort])


def _names(found: Sequence[tuple[StudentFile, DrillSeen]]) -> dict[str, str]:
    """Names by student id: as the student is called in their log, else as the assignment calls them.

    Where two students share a name, it carries the end of the id.
    """
    names: dict[str, str] = {}
    for file, drill in found:
        if file.student not in ("", DEFAULT_NAME):
            names[file.student_id] = file.student
        else:
            names[file.student_id] = drill.assigned_to or names.get(file.student_id, file.student)
    used = [name.casefold() for name in names.values()]
    return {
        student_id: f"{name} ({student_id[-4:]})" if used.count(name.casefold()) > 1 else name
        for student_id, name in names.items()
    }


def _row(student: str, title: str, file: StudentFile, drill: DrillSeen, today: date, other: bool) -> Row:
    whole = [phrase for phrase in drill.phrases if phrase.top]
    behind = min(whole, key=lambda phrase: (phrase.landed, phrase.rung_bpm or 0), default=None)
    rung = behind.rung_bpm or 0 if behind else 0
    if behind and behind.landed:
        rung = max(rung, drill.goal_bpm)
    week = today - timedelta(days=7)
    recent = [day for day in drill.days if (today - day.day).days < RECENT_DAYS]
    cold, cold_clean = sum(day.cold for day in recent), sum(day.cold_clean for day in recent)
    chokes = _failing(drill.nodes)
    advice, why = _advice(drill, today, rung, cold, cold_clean)
    return Row(
        student,
        title,
        drill.id,
        drill.goal_bpm,
        drill.due,
        sum(day.minutes for day in drill.days),
        sum(day.minutes for day in drill.days if day.day > week),
        rung,
        behind.name if behind else "",
        sum(phrase.landed for phrase in whole),
        len(whole),
        tuple(_failing_text(place) for place in chokes[:3]),
        cold,
        cold_clean,
        max((day.day for day in drill.days), default=None),
        advice,
        why,
        file.edited or other,
        file.path,
    )


def _failing(places: Sequence[PlaceSeen]) -> list[PlaceSeen]:
    """Nodes or moves that fail often enough to be named, the worst first."""
    named = [
        place
        for place in places
        if place.clean + place.failed >= RESULTS_FROM and _fail_rate(place) >= CHOKES_FROM
    ]
    return sorted(named, key=lambda place: (-_fail_rate(place), place.name))


def _fail_rate(place: PlaceSeen) -> float:
    return place.failed / (place.clean + place.failed)


def _failing_text(place: PlaceSeen) -> str:
    return f"{place.name} {share_text(_fail_rate(place))}"


def _advice(drill: DrillSeen, today: date, rung: int, cold: int, cold_clean: int) -> tuple[str, str]:
    """What to assign next, and why."""
    whole = [phrase for phrase in drill.phrases if phrase.top]
    last = max((day.day for day in drill.days), default=None)
    chokes, moves = _failing(drill.nodes), _failing(drill.moves)
    if last is None:
        return "talk before assigning more", "nothing of it was practised yet"
    if whole and all(phrase.landed for phrase in whole):
        return "the next drill, or a faster goal", f"every phrase landed at {drill.goal_bpm} bpm"
    if (today - last).days >= AWAY_DAYS:
        return "the same, in shorter sittings", f"not practised since {day_text(last, today)}"
    if drill.due and drill.due < today:
        return (
            f"a goal near {max(rung, 20)} bpm, then on",
            f"due {day_text(drill.due, today)}, at {rung or 'no'} bpm",
        )
    if cold >= RESULTS_FROM and cold_clean / cold < COLD_LOW:
        return "a slower goal for now", f"only {cold_clean} of {cold} first repetitions of a day are clean"
    if chokes:
        worst = chokes[0]
        cause = ""
        if any(worst.causes):
            cause = f", mostly {CAUSES[max(range(3), key=lambda index: worst.causes[index])]}"
        return f"{worst.name} alone", f"chokes {share_text(_fail_rate(worst))} of the time{cause}"
    if moves:
        return f"the move {moves[0].name}", f"fails {share_text(_fail_rate(moves[0]))} of the time"
    alone = [
        phrase
        for phrase in drill.phrases
        if not phrase.top and (phrase.rung_bpm or 0) < READY * drill.goal_bpm
    ]
    if alone and rung < READY * drill.goal_bpm:
        slow = min(alone, key=lambda phrase: phrase.rung_bpm or 0)
        at = f"at {slow.rung_bpm} bpm" if slow.rung_bpm else "not begun"
        return f"{slow.name}, {slow.layer} alone", f"{at}, the goal is {drill.goal_bpm}"
    landed = sum(phrase.landed for phrase in whole)
    at = f"{rung or 'no'} of {drill.goal_bpm} bpm"
    return "nothing new: it is under way", f"{at}, {landed} of {counted(len(whole), 'phrase')} landed"


HEADER = (
    "student",
    "drill",
    "due",
    "minutes",
    "this week",
    "rung",
    "landed",
    "chokes",
    "cold",
    "last",
    "next",
    "why",
)


def _cells(row: Row, today: date) -> tuple[str, ...]:
    return (
        row.student + ("*" if row.marked else ""),
        row.drill,
        day_text(row.due, today) if row.due else "",
        hours_text(row.minutes),
        hours_text(row.week_minutes),
        f"{row.rung_bpm or 'none'} of {row.goal_bpm}",
        f"{row.landed} of {row.phrases}",
        ", ".join(row.chokes),
        f"{row.cold_clean} of {row.cold}" if row.cold else "",
        day_text(row.last, today) if row.last else "never",
        row.advice,
        row.why,
    )


def roster_lines(rows: Sequence[Row], today: date) -> list[str]:
    """The overview for a terminal: two lines a row, so that 80 columns hold it."""
    if not rows:
        return ["no student's report here"]
    lines = [f"{'student':<14} {'drill':<18} {'due':<6} {'min (week)':<11} {'rung':<10} {'cold':<8} last"]
    for row in rows:
        cells = dict(zip(HEADER, _cells(row, today), strict=True))
        spent = f"{row.minutes:.0f} ({row.week_minutes:.0f})"
        lines.append(
            f"{cells['student'][:14]:<14} {row.drill[:18]:<18} {cells['due'][:6]:<6} {spent:<11} {cells['rung']:<10} "
            f"{cells['cold']:<8} {cells['last'][:6]}"
        )
        if row.chokes:
            lines += _wrapped(f"chokes: {listed(row.chokes, 3)}")
        lines += _wrapped(f"next: {row.advice}; {row.why}")
    if any(row.marked for row in rows):
        lines.append("* changed after it was written, or another revision of the drill than most")
    return lines


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 80, initial_indent="    ", subsequent_indent="      ")


def roster_page(rows: Sequence[Row], notes: Sequence[tuple[str, str, str]], today: date) -> str:
    """The overview as a page; `notes` are student, day and text."""
    parts = [f"<h1>Assignments</h1><p class='quiet'>as of {today}</p>"]
    for drill in dict.fromkeys(row.drill for row in rows):
        some = [row for row in rows if row.drill == drill]
        header = tuple(name for name in HEADER if name != "drill")
        cells = [
            tuple(cell for name, cell in zip(HEADER, _cells(row, today), strict=True) if name != "drill")
            for row in some
        ]
        parts.append(f"<section><h2>{escaped(drill)}</h2>{table(header, cells)}</section>")
    if any(row.marked for row in rows):
        parts.append(
            "<p class='quiet'>* changed after it was written, or another revision than most have</p>"
        )
    if notes:
        parts.append(f"<section><h2>Notes</h2>{table(('student', 'day', 'note'), list(notes))}</section>")
    if not rows:
        parts.append("<p>No student's report here.</p>")
    return page("Assignments", parts, wide=True)


def roster_csv(rows: Sequence[Row]) -> str:
    """The overview for a spreadsheet."""
    header = (
        "student",
        "drill",
        "drill_id",
        "due",
        "minutes",
        "minutes_this_week",
        "rung_bpm",
        "goal_bpm",
        "furthest_behind",
        "landed",
        "phrases",
        "chokes",
        "cold_clean",
        "cold",
        "last_practised",
        "next",
        "why",
        "marked",
        "file",
    )
    return csv_text(header, (_csv_row(row) for row in rows))


def _csv_row(row: Row) -> tuple[Cell, ...]:
    return (
        row.student,
        row.drill,
        row.drill_id,
        row.due.isoformat() if row.due else None,
        round(row.minutes, 1),
        round(row.week_minutes, 1),
        row.rung_bpm or None,
        row.goal_bpm,
        row.behind,
        row.landed,
        row.phrases,
        "; ".join(row.chokes),
        row.cold_clean,
        row.cold,
        row.last.isoformat() if row.last else None,
        row.advice,
        row.why,
        row.marked,
        row.path,
    )
