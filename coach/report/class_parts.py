"""What the overview of a class says, in parts for a terminal and for a page: the first page, and a page a student."""

from __future__ import annotations

from collections.abc import Iterator

from coach.ground.plain import counted, listed
from coach.pages.parts import Column, Part, table_of
from coach.report.advice import Need, mostly
from coach.report.classroom import APART, Classroom, Shared, Student
from coach.report.handed import Handed
from coach.report.reply import PhraseReply, PlaceReply
from coach.report.work import Work
from coach.words.amounts import day_or_dash, duration, kept_day, percent, short_day, tempo_range
from coach.words.names import place_name

MOST_NOTES, MOST_PLACES = 12, 7
WORDS_DAYS = 7
_PlaceRow = tuple[str, int, int, PlaceReply | None]
"""A node, a move or the held notes: its name, how often it failed, of how often."""


def first_page(classroom: Classroom) -> Iterator[Part]:
    """What a teacher reads in a minute."""
    helped = (f"{one.name}: {_help_text(one)} ({one.needs[0][0].news})" for one in classroom.with_need)
    yield Part("Help first", tuple(helped))
    yield Part(
        "Silent: no reply lately (they may still be practising)", tuple(map(_silent, classroom.silent))
    )
    yield Part("Will probably miss their date", tuple(map(_late, classroom.late)))
    yield Part("Teach to all", tuple(map(_shared, classroom.shared)))
    yield Part("Their notes", tuple(_recent_words(classroom)))


def counts_text(classroom: Classroom) -> str:
    """`24 students, 3 silent`."""
    return f"{counted(len(classroom.students), 'student')}, {len(classroom.silent)} silent"


def calm_text(classroom: Classroom) -> str:
    """What is to be said where nobody stands on the first page; the rows below say what failed so far."""
    kinds = {need.kind for student in classroom.students for _, need in student.needs}
    if classroom.urgent or not kinds:
        return ""
    if "unknown" in kinds:
        return "Nothing urgent so far; some have played too little to tell."
    calm = not kinds - {"well", "done"}
    return "Nobody needs help first." if calm else "Nothing urgent; what may come next is below."


def folded_text(classroom: Classroom) -> str:
    """`Not shown: 2 older replies.`; empty for none."""
    count = classroom.folded
    return f"Not shown: {counted(count, 'older reply', 'older replies')}." if count else ""


def _recent_words(classroom: Classroom) -> Iterator[str]:
    """What students wrote within a week of their last reply."""
    for student in classroom.students:
        for note in student.notes:
            if student.replied and (student.replied - note.day).days < WORDS_DAYS:
                yield f'{student.name}, {short_day(note.day, classroom.today)}: "{note.text}"'


def _help_text(student: Student) -> str:
    """`3.2 on D2 alone: fails in 12 of 40 of late; also ...`."""
    return "; also ".join(need.in_short for need in student.first_page if need.kind not in APART)


def _silent(student: Student) -> str:
    work, _ = next(row for row in student.needs if row[1].kind == "silent")
    return f"{student.name}: {work.news}"


def _late(student: Student) -> str:
    """When they are due, and when they are likely there."""
    several = len(student.work) > 1
    rows = ((work, need) for work, need in student.needs if need.kind == "date")
    told = "; ".join(f"{work.title}: {need.why}" if several else need.why for work, need in rows)
    return f"{student.name}: {told}"


def _shared(shared: Shared) -> str:
    """`3.2 on D2: fails for 5 of 22 (Ana, Bo, ...)`."""
    what = "the move " if shared.kind == "move" else ""
    who = listed(shared.students, 5)
    return f"{what}{shared.name}: fails for {len(shared.students)} of {shared.of} ({who})"


def next_text(work: Work, need: Need) -> str:
    """What is next and why, where it does not stand beside it anyway."""
    beside = need.kind == "well" or need.why == work.news
    return need.what if beside else f"{need.what}; {need.why}"


def student_parts(student: Student, classroom: Classroom) -> Iterator[tuple[Part, Work | None]]:
    """Needs, work, what was assigned and when, and words of both; beside a part the work that it is about."""
    yield Part("Next", tuple(f"{work.title}: {next_text(work, need)}" for work, need in student.needs)), None
    for work in student.work:
        yield Part(work.title, tuple(_work_text(work)), table_of(_phrase_columns(work), work.phrases)), work
        yield Part("Where it fails", (), table_of(PLACE_COLUMNS, _places(work))), None
    handed = student.handed[:MOST_NOTES]
    yield Part("Assigned", tuple(_assigned_text(one, classroom) for one in handed)), None
    yield Part("Notes", tuple(_said(student, classroom))), None


def _work_text(work: Work) -> Iterator[str]:
    yield "; ".join((work.news, *work.remarks))
    if work.drill is None:
        return
    yield f"{work.rung}; landed {work.landed} and kept {work.kept} of {work.asked}"
    days = counted(work.total.days, "day")
    since = " since it was handed out" if work.handed_on and work.practised_of[0] else ""
    yield f"{work.practised_text}{since}; {duration(work.total.minutes)} on {days} in all"


def _phrase_columns(work: Work) -> tuple[Column[PhraseReply], ...]:
    what, not_begun = ("part", "not begun") if work.parts_asked else ("phrase", "not begun together")

    def rung(one: PhraseReply) -> str:
        return f"{one.rung_bpm} of {one.goal_bpm}" if one.rung_bpm else not_begun

    def expected(one: PhraseReply) -> str:
        return tempo_range(one.low_bpm, one.high_bpm) if one.reps else ""

    return (
        Column("", lambda one: one.name, what),
        Column("", rung, "rung", number=True),
        Column("", expected, "expected clean, cold, at (80 % sure)", number=True, on_page=True),
        Column("", lambda one: day_or_dash(one.landed, work.today), "landed"),
        Column("", lambda one: kept_day(one.kept, one.tested, work.today), "kept"),
    )


def _mostly(row: _PlaceRow) -> str:
    cause = mostly(row[3]) if row[3] else None
    return cause.word if cause else ""


PLACE_COLUMNS: tuple[Column[_PlaceRow], ...] = (
    Column("", lambda row: row[0], "node or move"),
    Column("", lambda row: f"{row[1]} of {row[2]}", "failed in four weeks", number=True),
    Column("", lambda row: percent(row[3].chance) if row[3] else "", "clean cold at the goal", number=True),
    Column(
        "",
        lambda row: tempo_range(row[3].low_bpm, row[3].high_bpm) if row[3] else "",
        "expected clean at (80 % sure)",
        number=True,
        on_page=True,
    ),
    Column("", _mostly, "mostly"),
)


def _places(work: Work) -> Iterator[_PlaceRow]:
    """Nodes and moves that fail, the worst first, and the held notes."""
    if work.drill is None:
        return
    failed = [one for one in (*work.drill.nodes, *work.drill.moves) if one.recent_failed]
    failed.sort(key=lambda one: -one.recent_failed / one.recent)
    for one in failed[:MOST_PLACES]:
        yield place_name(one.key), one.recent_failed, one.recent, one
    if work.drill.held[0]:
        yield "held notes", *work.drill.held, None


def _assigned_text(handed: Handed, classroom: Classroom) -> str:
    """`20 Nov: First Light, 60 bpm by 10 Dec`."""
    day, due = short_day(handed.day, classroom.today), handed.due and short_day(handed.due, classroom.today)
    what = ", ".join(handed.parts) if handed.parts else f"{handed.goal_bpm} bpm"
    return f"{day}: {handed.title}, {what}" + (f" by {due}" if due else "")


def _said(student: Student, classroom: Classroom) -> Iterator[str]:
    """Comments and the student's own words, in order of day."""
    words = {(one.day, 0, one.note) for one in student.handed if one.note}
    words |= {(note.day, 1, note.text) for note in student.notes}
    for day, who, text in sorted(words)[-MOST_NOTES:]:
        name = student.name if who else "you"
        yield f'{short_day(day, classroom.today)}, {name}: "{text}"'
