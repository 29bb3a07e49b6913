"""The class in a terminal: first whom to help and with what, then a line or two a row by need; 80 columns hold it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from coach.ground.plain import counted, listed
from coach.report.advice import Need, so_far
from coach.report.classroom import APART, Classroom, Shared, Student
from coach.report.handed import Handed
from coach.report.overview import due_text, rows_of
from coach.report.work import Work
from coach.words.amounts import duration, long_day, short_day, unbroken

WIDTH = 80
HELP_FIRST = "Help first"
MOST_NOTES = 12
MOST_PLACES = 6
WORDS_DAYS = 7


def class_lines(classroom: Classroom) -> list[str]:
    """The first page, then all rows by need."""
    if not classroom.students:
        return ["no assignments and no replies yet"]
    return [*first_page(classroom), *by_need(classroom)]


def first_page(classroom: Classroom) -> Iterator[str]:
    """What a teacher reads in a minute."""
    silent = len(classroom.silent)
    day = long_day(classroom.today, classroom.today)
    yield f"{day}: {counted(len(classroom.students), 'student')}, {silent} silent"
    helped = (f"{one.name}: {help_text(one)} ({one.needs[0][0].news})" for one in classroom.with_need)
    yield from _titled(HELP_FIRST, helped)
    if not classroom.urgent:
        yield ""
        yield calm_text(classroom)
    for title, lines in after_help(classroom):
        yield from _titled(title, lines)


def calm_text(classroom: Classroom) -> str:
    """What is to be said where nobody stands on the first page; the rows below say what failed so far."""
    kinds = {need.kind for student in classroom.students for _, need in student.needs}
    if "unknown" in kinds:
        return "Nothing urgent so far; some have played too little to tell."
    return (
        "Nothing urgent; what may come next is below."
        if kinds - {"well", "done"}
        else "Nobody needs help first."
    )


def after_help(classroom: Classroom) -> Iterator[tuple[str, Iterable[str]]]:
    """What stands on the first page below those who need help: titles and lines."""
    yield "Silent: no reply lately (they may still be practising)", map(silent_line, classroom.silent)
    yield "Will probably miss their date", map(late_line, classroom.late)
    yield "Teach to all", map(shared_line, classroom.shared)
    yield "Their notes", recent_words(classroom)


def _titled(title: str, lines: Iterable[str]) -> Iterator[str]:
    rows = list(lines)
    if rows:
        yield ""
        yield title
    for row in rows:
        yield from _wrapped(row, WIDTH, initial_indent="  ", subsequent_indent="      ")


def _wrapped(text: str, width: int, initial_indent: str, subsequent_indent: str) -> list[str]:
    """Lines at whose ends no date is broken."""
    lines = textwrap.wrap(
        unbroken(text), width, initial_indent=initial_indent, subsequent_indent=subsequent_indent
    )
    return [line.replace("\u00a0", " ") for line in lines]


def recent_words(classroom: Classroom) -> Iterator[str]:
    """What students wrote within a week of their last reply."""
    for student in classroom.students:
        for note in student.notes:
            if student.replied and (student.replied - note.day).days < WORDS_DAYS:
                yield f'{student.name}, {short_day(note.day, classroom.today)}: "{note.text}"'


def help_text(student: Student) -> str:
    """`3.2 on D2 alone: fails in 12 of 40 of late; also ...`."""
    return "; also ".join(need.in_short for need in student.first_page if need.kind not in APART)


def silent_line(student: Student) -> str:
    """Since when nothing was heard."""
    work, _ = next(row for row in student.needs if row[1].kind == "silent")
    return f"{student.name}: {work.news}"


def late_line(student: Student) -> str:
    """When they are due, and when they are likely there."""
    several = len(student.work) > 1
    rows = ((work, need) for work, need in student.needs if need.kind == "date")
    told = "; ".join(f"{work.title}: {need.why}" if several else need.why for work, need in rows)
    return f"{student.name}: {told}"


def shared_line(shared: Shared) -> str:
    """`3.2 on D2: fails with 5 of 22 (Ana, Bo, ...)`."""
    what = "the move " if shared.kind == "move" else ""
    who = listed(shared.students, 5)
    return f"{what}{shared.name}: fails for {len(shared.students)} of {shared.of} ({who})"


def by_need(classroom: Classroom) -> Iterator[str]:
    """A row for each student and drill, the most urgent need first."""
    need = ""
    for row in rows_of(classroom):
        if row.need.word != need:
            need = row.need.word
            yield from ("", need.capitalize()) if need else ()
        yield from row_lines(row.student, row.work, row.need)
    if classroom.folded:
        yield ""
        yield folded_text(classroom)


def folded_text(classroom: Classroom) -> str:
    """`not shown: 2 older replies`."""
    return f"not shown: {counted(classroom.folded, 'older reply', 'older replies')}"


def row_lines(student: Student, work: Work, need: Need) -> Iterator[str]:
    """A row in a few lines."""
    due = f"due {due_text(work)}" if work.due else "no date"
    facts = [work.title, due]
    if work.drill:
        facts += [work.rung, f"landed {work.landed} and kept {work.kept} of {len(work.phrases)}"]
        facts += [f"{duration(work.week_minutes)} in the week before the reply"]
    facts.append(work.news)
    told = f"{student.name}: {', '.join(one for one in facts if one)}"
    yield from _wrapped(told, WIDTH, initial_indent="  ", subsequent_indent="      ")
    for text in (f"next: {next_text(work, need)}", *work.remarks):
        yield from _wrapped(text, WIDTH, initial_indent="    ", subsequent_indent="      ")


def next_text(work: Work, need: Need) -> str:
    """What is next and why, where it does not stand beside it anyway."""
    beside = need.kind == "well" or need.why == work.news
    return need.what if beside else f"{need.what}; {need.why}"


def student_lines(student: Student, classroom: Classroom) -> Iterator[str]:
    """A page for one student: needs, work, what was assigned and when, and words of both."""
    yield f"{student.name}, {long_day(classroom.today, classroom.today)}"
    for remark in student.remarks:
        yield from _wrapped(remark, WIDTH, initial_indent="  ", subsequent_indent="    ")
    needed = (f"{work.title}: {next_text(work, need)}" for work, need in student.needs)
    yield from _titled("Next", needed)
    for work in student.work:
        yield from _titled(work.title, _work_lines(work))
    yield from _titled("Assigned", (assigned_text(one, classroom) for one in student.handed[:MOST_NOTES]))
    yield from _titled("Notes", said(student, classroom))


def _work_lines(work: Work) -> Iterator[str]:
    yield work.news
    yield from work.remarks
    if work.drill is None:
        return
    yield f"{work.rung}; landed {work.landed} and kept {work.kept} of {len(work.phrases)} phrases"
    days = counted(work.drill.total.days, "day")
    since = " since it was handed out" if work.handed_on and work.practised_of[0] else ""
    yield f"{work.practised_text}{since}; {duration(work.minutes)} on {days} in all"
    for phrase in work.phrases:
        rung = f"{phrase.rung_bpm} of {phrase.goal_bpm}" if phrase.rung_bpm else "not begun together"
        landed = f", landed {short_day(phrase.landed, work.today)}" if phrase.landed else ""
        kept = ", kept" if phrase.kept else ""
        yield f"{phrase.name}: {rung}{landed}{kept}"
    if failed_at := so_far(work.drill):
        yield f"nodes and moves, in four weeks: {'; '.join(failed_at[:MOST_PLACES])}"
    failed, held = work.drill.held
    if failed:
        yield f"held notes failed: {failed} of {held}"


def assigned_text(handed: Handed, classroom: Classroom) -> str:
    """`20 Nov: First Light, 60 bpm by 10 Dec`."""
    day, due = short_day(handed.day, classroom.today), handed.due and short_day(handed.due, classroom.today)
    what = ", ".join(handed.parts) if handed.parts else f"{handed.goal_bpm} bpm"
    return f"{day}: {handed.title}, {what}" + (f" by {due}" if due else "")


def said(student: Student, classroom: Classroom) -> Iterator[str]:
    """Comments and the student's own words, in order of day."""
    words = {(one.day, 0, one.note) for one in student.handed if one.note}
    words |= {(note.day, 1, note.text) for note in student.notes}
    for day, who, text in sorted(words)[-MOST_NOTES:]:
        name = student.name if who else "you"
        yield f'{short_day(day, classroom.today)}, {name}: "{text}"'
