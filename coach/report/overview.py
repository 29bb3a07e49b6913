"""The class as rows: one a student and drill, by need; as values for JSON and spreadsheets, and filtered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from coach.ground.days import iso_day
from coach.ground.frozen import frozen
from coach.ground.plain import same_name
from coach.ground.table_csv import csv_text
from coach.pages.parts import Column, facts_of
from coach.report.advice import KINDS, ORDER, Need, failing
from coach.report.classroom import Classroom, Student
from coach.report.reply import DrillReply
from coach.report.work import Work
from coach.words.amounts import duration
from coach.words.names import place_name


@frozen
class Row:
    """One student on one drill, and what comes first."""

    student: Student
    work: Work
    need: Need
    more: tuple[Need, ...]
    """What they need besides."""

    @property
    def in_short(self) -> str:
        """What is next, the evidence where it is not the news, which stands beside it, and remarks."""
        told = self.need.what if self.need.why == self.work.news else self.need.in_short
        return "; ".join([told, *(one for one in self.work.remarks if one not in told)])


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
    places = [*failing(work.drill.nodes), *failing(work.drill.moves)]
    return [f"{place_name(one.key)} in {one.recent_failed} of {one.recent}" for one in places[:3]]


def _reply(value: Callable[[DrillReply], Any], unknown: Any = None) -> Callable[[Row], Any]:
    """What a reply tells, where there is one."""
    return lambda row: value(row.work.drill) if row.work.drill else unknown


COLUMNS: tuple[Column[Row], ...] = (
    Column("student", lambda row: row.student.name, "student"),
    Column("drill", lambda row: row.work.title, "drill"),
    Column("drill_id", lambda row: row.work.drill_id),
    Column("need", lambda row: row.need.word, "need"),
    Column("next", lambda row: row.need.what, "next, and why", lambda row: row.in_short),
    Column("why", lambda row: row.need.why),
    Column("also", lambda row: "; ".join(f"{one.what} ({one.why})" for one in row.more)),
    Column("handed_out", lambda row: iso_day(row.work.handed.day if row.work.handed else None)),
    Column("due", lambda row: iso_day(row.work.due), "due", lambda row: row.work.due_text),
    Column("reply_of", lambda row: iso_day(row.work.reply_day)),
    Column("news_days", lambda row: row.work.news_days, "news", lambda row: row.work.news_in_short),
    Column("last_practised", lambda row: iso_day(row.work.total.last)),
    Column("days", _reply(lambda drill: drill.total.days)),
    Column("minutes", lambda row: round(row.work.total.minutes, 1)),
    Column(
        "minutes_this_week",
        lambda row: round(row.work.week_minutes, 1),
        "week",
        lambda row: duration(row.work.week_minutes) if row.work.drill else "",
    ),
    Column("rung_bpm", lambda row: row.work.rung_bpm or None, "rung", lambda row: row.work.rung),
    Column("goal_bpm", lambda row: row.work.goal_bpm),
    Column("furthest_behind", lambda row: row.work.behind.name if row.work.behind else None),
    Column("phrases", lambda row: len(row.work.phrases)),
    Column(
        "landed",
        lambda row: row.work.landed,
        "landed",
        lambda row: f"{row.work.landed} of {len(row.work.phrases)}" if row.work.drill else "",
    ),
    Column("kept", lambda row: row.work.kept),
    Column("fails", lambda row: "; ".join(fails_text(row.work))),
    Column("cold_clean", lambda row: row.work.cold[1]),
    Column("cold", lambda row: row.work.cold[0]),
    Column("rated", lambda row: row.work.total.rated),
    Column("clean", lambda row: row.work.total.clean),
    Column("held_failed", _reply(lambda drill: drill.held[0], 0)),
    Column("held", _reply(lambda drill: drill.held[1], 0)),
    Column("entered_afterwards", _reply(lambda drill: drill.entered)),
    Column(
        "likely_at_goal", _reply(lambda drill: iso_day(drill.forecast.likely if drill.forecast else None))
    ),
    Column("remarks", lambda row: "; ".join(row.work.remarks)),
)
"""The overview for people, for a spreadsheet and as JSON; docs/teaching.md says what the values mean."""


def class_csv(classroom: Classroom) -> str:
    """The rows for a spreadsheet."""
    rows = (facts_of(COLUMNS, row).values() for row in rows_of(classroom))
    return csv_text([column.key for column in COLUMNS], map(tuple, rows))


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
        "rows": [facts_of(COLUMNS, row) for row in rows_of(classroom)],
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
