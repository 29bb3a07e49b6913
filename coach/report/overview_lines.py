"""The class in a terminal: first whom to help and with what, then a line or two a row by need; 80 columns hold it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from coach.pages.parts import Part, folded, part_lines
from coach.report.class_parts import calm_text, counts_text, first_page, folded_text, next_text, student_parts
from coach.report.classroom import Classroom, Student
from coach.report.overview import Row, rows_of
from coach.words.amounts import duration, long_day

WIDTH = 80


def class_lines(classroom: Classroom) -> list[str]:
    """The first page, then all rows by need."""
    if not classroom.students:
        return ["no assignments and no replies yet"]
    lines = [f"{long_day(classroom.today, classroom.today)}: {counts_text(classroom)}"]
    parts = list(first_page(classroom))
    lines += _apart(parts[:1])
    lines += ["", calm] if (calm := calm_text(classroom)) else []
    lines += [*_apart(parts[1:]), *_by_need(classroom)]
    return lines + (["", rest] if (rest := folded_text(classroom)) else [])


def student_lines(student: Student, classroom: Classroom) -> list[str]:
    """A page for one student: needs, work, what was assigned and when, and words of both."""
    lines = [f"{student.name}, {long_day(classroom.today, classroom.today)}"]
    for remark in student.remarks:
        lines += folded(remark, WIDTH, "  ", "    ")
    return [*lines, *_apart(part for part, _ in student_parts(student, classroom))]


def _apart(parts: Iterable[Part]) -> Iterator[str]:
    """Parts with an empty line before each."""
    for part in filter(None, parts):
        yield from ("", *part_lines(part, WIDTH))


def _by_need(classroom: Classroom) -> Iterator[str]:
    """A row for each student and drill, the most urgent need first."""
    need = ""
    for row in rows_of(classroom):
        if row.need.word != need:
            need = row.need.word
            yield from ("", need.capitalize())
        yield from _row_lines(row)


def _row_lines(row: Row) -> Iterator[str]:
    work = row.work
    facts = [work.title, f"due {work.due_text}" if work.due else "no date"]
    if work.drill:
        facts += [work.rung, f"landed {work.landed} and kept {work.kept} of {len(work.phrases)}"]
        facts += [f"{duration(work.week_minutes)} in the week before the reply"]
    told = f"{row.student.name}: {', '.join(one for one in (*facts, work.news) if one)}"
    yield from folded(told, WIDTH, "  ", "      ")
    for text in (f"next: {next_text(work, row.need)}", *work.remarks):
        yield from folded(text, WIDTH, "    ", "      ")
