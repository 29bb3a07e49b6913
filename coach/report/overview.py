"""The class as rows: one a student and drill, by need; as values for JSON and spreadsheets, and filtered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from coach.ground.frozen import frozen
from coach.ground.plain import same_name
from coach.ground.table_csv import Cell, csv_text
from coach.report.advice import KINDS, ORDER, Need, failing
from coach.report.classroom import Classroom, Student
from coach.report.work import Work
from coach.words.amounts import short_day
from coach.words.names import place_name


@frozen
class Row:
    """One student on one drill, and what comes first."""

    student: Student
    work: Work
    need: Need
    more: tuple[Need, ...]
    """What they need besides."""


def rows_of(classroom: Classroom) -> list[Row]:
    """Every student and drill, the most urgent need first."""
    rows = []
    for student in classroom.students:
        for work in student.work:
            first, *more = (need for one, need in student.needs if one is work)
            rows.append(Row(student, work, first, tuple(more)))
    return sorted(rows, key=lambda row: ORDER[row.need.kind])


def chosen(classroom: Classroom, students: Sequence[str] = (), drill: str = "", need: str = "") -> Classroom:
    """The part of the class that is asked for: some students, a drill by title or id, a kind of need."""

    def wanted(work: Work) -> bool:
        return not drill or drill.casefold() in (work.drill_id.casefold(), work.title.casefold())

    kept = []
    for student in classroom.students:
        needing = [work for work, one in student.needs if one.kind == need or not need]
        work = tuple(one for one in student.work if wanted(one) and one in needing)
        if work and (not students or any(same_name(student.name, one) for one in students)):
            kept.append(replace(student, work=work))
    return replace(classroom, students=tuple(kept))


def fails_text(work: Work) -> list[str]:
    """The worst three nodes and moves: `3.2 on D2 in 12 of 40`."""
    if work.drill is None or not work.enough:
        return []
    places = [*failing(work, work.drill.nodes), *failing(work, work.drill.moves)]
    return [f"{place_name(one.key)} in {one.recent_failed} of {one.recent}" for one in places[:3]]


def due_text(work: Work) -> str:
    """`20 Dec`, `20 Dec, past`; empty without a date."""
    if work.due is None:
        return ""
    return short_day(work.due, work.today) + (", past" if work.overdue else "")


COLUMNS: dict[str, Callable[[Row], Cell]] = {
    "student": lambda row: row.student.name,
    "drill": lambda row: row.work.title,
    "drill_id": lambda row: row.work.drill_id,
    "need": lambda row: row.need.word,
    "next": lambda row: row.need.what,
    "why": lambda row: row.need.why,
    "also": lambda row: "; ".join(f"{one.what} ({one.why})" for one in row.more),
    "handed_out": lambda row: row.work.handed.day.isoformat() if row.work.handed else None,
    "due": lambda row: row.work.due.isoformat() if row.work.due else None,
    "reply_of": lambda row: row.work.reply_day.isoformat() if row.work.reply_day else None,
    "news_days": lambda row: row.work.news_days,
    "last_practised": lambda row: row.work.last.isoformat() if row.work.last else None,
    "days": lambda row: row.work.drill.total.days if row.work.drill else None,
    "minutes": lambda row: round(row.work.minutes, 1),
    "minutes_this_week": lambda row: round(row.work.week_minutes, 1),
    "rung_bpm": lambda row: row.work.rung_bpm or None,
    "goal_bpm": lambda row: row.work.goal_bpm,
    "furthest_behind": lambda row: row.work.behind.name if row.work.behind else None,
    "phrases": lambda row: len(row.work.phrases),
    "landed": lambda row: row.work.landed,
    "kept": lambda row: row.work.kept,
    "fails": lambda row: "; ".join(fails_text(row.work)),
    "cold_clean": lambda row: row.work.cold[1],
    "cold": lambda row: row.work.cold[0],
    "rated": lambda row: row.work.rated,
    "clean": lambda row: row.work.drill.total.clean if row.work.drill else 0,
    "held_failed": lambda row: row.work.drill.held[0] if row.work.drill else 0,
    "held": lambda row: row.work.drill.held[1] if row.work.drill else 0,
    "entered_afterwards": lambda row: row.work.drill.entered if row.work.drill else None,
    "likely_at_goal": lambda row: (
        row.work.drill.forecast.likely.isoformat()
        if row.work.drill and row.work.drill.forecast and row.work.drill.forecast.likely
        else None
    ),
    "remarks": lambda row: "; ".join(row.work.remarks),
}
"""The overview as values, for a spreadsheet and as JSON; docs/teaching.md says what they mean."""


def class_csv(classroom: Classroom) -> str:
    """The rows for a spreadsheet."""
    cells = ([cell(row) for cell in COLUMNS.values()] for row in rows_of(classroom))
    return csv_text(tuple(COLUMNS), cells)


def class_facts(classroom: Classroom) -> dict[str, Any]:
    """The overview as values that JSON can hold."""
    return {
        "day": classroom.today.isoformat(),
        "needs": {kind: word for kind, (word, _) in KINDS.items()},
        "help_first": [
            {"student": one.name, "needs": [_need(need) for need in one.first_page]}
            for one in classroom.with_need
        ],
        "silent": [one.name for one in classroom.silent],
        "miss_their_date": [one.name for one in classroom.late],
        "teach_to_all": [
            {"kind": one.kind, "name": one.name, "students": list(one.students), "of": one.of}
            for one in classroom.shared
        ],
        "rows": [{name: cell(row) for name, cell in COLUMNS.items()} for row in rows_of(classroom)],
        "notes": [
            {"student": student.name, "day": note.day.isoformat(), "text": note.text}
            for student in classroom.students
            for note in student.notes
        ],
        "older_replies": classroom.folded,
        "problems": [str(problem) for problem in classroom.problems],
    }


def _need(need: Need) -> dict[str, str]:
    return {"kind": need.kind, "what": need.what, "why": need.why, "subject": need.subject}
