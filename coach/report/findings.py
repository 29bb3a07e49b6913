"""What the player's report says, in the order in which terminal and page say it: sentences, and the parts with tables.

What is drawn (bars, curves, necks) is in `lines.py` for a terminal and in `page.py` for a page.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from coach.ground.plain import counted, listed
from coach.learning.readings import CLEAN
from coach.pages.parts import Column, Part, table_of
from coach.rating.counts import commonest_cause, results_text
from coach.rating.table import CAUSES
from coach.report.ear import ear_part
from coach.report.figures import Cold, PlaceFigures, Report
from coach.report.tables import excerpt_columns, place_columns
from coach.report.task import Task
from coach.words.amounts import clean_rate, day_span, duration, percent, short_day

FEW_COLD = 10
"""Cold repetitions below which nothing is said of how far the estimate held."""
MOST_PLACES = 12
COLD = "Cold repetitions of phrases and pieces: expected and actual"


def span_text(report: Report) -> str:
    """Which days it looks back on: a window, and not how long somebody has practised."""
    days = (report.day - report.since).days + 1
    return f"practice, {day_span(report.since, report.day)} ({counted(days, 'day')})"


def opening(report: Report) -> list[str]:
    """What stands first: days on which something hurt, the latest first; days, time and repetitions."""
    sentences = []
    if report.hurts:
        days = [short_day(day, report.day) for day in reversed(report.hurts)]
        sentences.append(
            f"Stopped because something hurt: {listed(days, 4)}. If it comes back, see a clinician."
        )
    if not report.days:
        return [*sentences, "No practice in this time."]
    total = report.total
    rate = clean_rate(total.clean, total.rated, total.reps - total.rated)
    spent = f"{counted(len(report.days), 'day')}, {duration(total.minutes)} of playing"
    return [*sentences, f"{spent}; {counted(total.reps, 'repetition')}, {rate}"]


def assigned(report: Report) -> Part:
    """Each open assignment, and the teacher's note."""
    told = ((task_text(task, report.day), task.note and f'"{task.note}"') for task in report.tasks)
    return Part("Assigned", tuple(text for texts in told for text in texts if text))


def task_text(task: Task, today: date) -> str:
    """An open assignment: who asks for what by when, and how far it is."""
    late = "; that day is past" if task.due and task.due < today else ""
    asks = f", from {task.teacher}" if task.teacher else ""
    rung = f"at {task.rung_bpm}" if task.rung_bpm else "not begun" if task.is_node else "not begun together"
    far = f"{task.landed} of {counted(task.phrases, 'part' if task.only else 'phrase')} landed, {task.kept} kept"
    far = rung if task.phrases == 1 else f"{far}, furthest behind: {task.behind}, {rung}"
    return f"{task.title}{asks}: {task.asks}{late}; {far}"


def tempos(report: Report) -> Part:
    """Rung, clean tempo, landed and kept of each phrase, join and piece."""
    words = (
        f"Clean tempo: clean cold {10 * CLEAN:.0f} times out of 10, with its 80 % interval. Landed: the goal was held "
        "on that day. Kept: clean cold at the goal after a week without it, on that day, or likely kept if not tested "
        "yet."
    )
    missing = f"Also practised, but these drills are not here: {listed(report.missing, 4)}."
    foot = (*([words] if report.excerpts else []), *([missing] if report.missing else []))
    return Part("Tempo", (), table_of(excerpt_columns(report.day), report.excerpts), foot)


def after_necks(report: Report) -> list[Part]:
    """The parts that follow the drawn necks."""
    return [
        weakest("node", report.nodes),
        weakest("move", report.moves),
        cold_tests(report),
        marks(report),
        cold(report),
        ear_part(report.ear),
        Part("Notes", tuple(f"{short_day(day, report.day)}: {text}" for day, text in report.notes)),
    ]


def weakest(kind: str, places: Sequence[PlaceFigures]) -> Part:
    """The nodes or moves that failed of late, the likeliest to fail first."""
    known = [one for one in places if one.weak][:MOST_PLACES]
    words = "Clean: the chance of it at the goal, cold.", "The last 8: played and rated, warm-ups left out."
    foot = words if known else ()
    return Part(f"Weakest {kind}s", (), table_of(place_columns(kind), known), foot)


def cold_tests(report: Report) -> Part:
    """Landed phrases whose cold test lies within a week, and the day from which it shows whether they are kept."""
    columns: tuple[Column[tuple[str, date]], ...] = (
        Column("", lambda row: row[0], "phrase"),
        Column("", lambda row: "now" if row[1] <= report.day else short_day(row[1], report.day), "from"),
    )
    heading = "Landed, with a cold test this week (clean then: kept)"
    return Part(heading, (), table_of(columns, report.tests))


def marks(report: Report) -> Part:
    """How often each result and cause was marked, and advice on the commonest cause."""
    marked = report.marked
    causes = [cause for cause in CAUSES if marked.get(cause.word)]
    total = sum(marked[cause.word] for cause in causes)
    shares = ", ".join(
        f"{one.word} {marked[one.word]} ({percent(marked[one.word] / total)})" for one in causes
    )
    most = commonest_cause(marked)
    told = (results_text(marked), shares and f"why: {shares}", f"{most.word}: {most.advice}" if most else "")
    return Part("What you marked", tuple(text for text in told if text))


def cold(report: Report) -> Part:
    """How the cold repetitions of phrases and pieces came out, by what was expected."""
    columns: tuple[Column[Cold], ...] = (
        Column("", lambda row: percent(row.expected), "expected", number=True),
        Column("", lambda row: percent(row.clean / row.count), "were clean", number=True),
        Column("", lambda row: row.count, "repetitions", number=True),
    )
    foot = (cold_text(report.cold),) if report.cold else ()
    return Part(COLD, (), table_of(columns, report.cold), foot)


def cold_text(rows: Sequence[Cold]) -> str:
    """How far the estimate held, in a player's words."""
    count, clean = sum(row.count for row in rows), sum(row.clean for row in rows)
    if count < FEW_COLD:
        return "Too few so far to say how good the forecast is."
    return (
        f"Of {count}, {sum(row.expected * row.count for row in rows):.0f} were expected clean, {clean} were."
    )
