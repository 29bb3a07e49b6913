"""The class as a page: the first page, all rows by need, a page a student; for the browser and, on A4, for paper.

It stands alone, without network and without script: the filter is CSS (`:has`, Selectors Level 4), and where a browser
has none, or on paper, all rows are there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta

from coach.ground.plain import counted
from coach.learning.readings import CleanTempo, Place
from coach.pages.document import document, escaped, paragraph, section, table
from coach.report.classroom import Classroom, Student
from coach.report.figures import PlaceFigures
from coach.report.neck import necks
from coach.report.overview import Row, due_text, rows_of
from coach.report.overview_lines import (
    HELP_FIRST,
    MOST_NOTES,
    after_help,
    assigned_text,
    calm_text,
    folded_text,
    help_text,
    next_text,
    said,
)
from coach.report.page import neck_drawing
from coach.report.reply import DrillReply, PlaceReply
from coach.report.sums import Sum
from coach.report.svg import minutes_svg, tempo_svg
from coach.report.work import Work
from coach.strings.instrument import Instrument
from coach.words.amounts import duration, full_day, percent, short_day, tempo_range, unbroken
from coach.words.names import capital, place_name

_LEGEND = (
    "Minutes per day. Line: the fastest clean phrase of each day; dashes: the goal; triangle: the rung of the "
    "phrase that is furthest behind."
)
SHOWN_DAYS, MOST_PLACES = 42, 7
_STYLE = """
nav { margin: .6rem 0; } nav select { font: inherit; margin-right: 1rem; max-width: 18rem; }
td:first-child, .rows td:nth-child(n+5) { white-space: nowrap; } .student { margin-top: 3rem; }
ul { margin: .3rem 0; padding-left: 1.2rem; } .remark { color: #8a3b12; }
@media print { nav { display: none; } .student, .rows { break-before: page; } a { color: inherit; }
  .rows table, .student table { font-size: .66rem; } .student { font-size: .8rem; margin: 0; }
  .student td, .student th { padding: .08rem .5rem .08rem 0; } .grid { grid-template-columns: 1fr 1fr; } }
"""


def class_page(classroom: Classroom) -> str:
    """The whole page."""
    rows = rows_of(classroom)
    keys = {student.name: f"s{number}" for number, student in enumerate(classroom.students)}
    drills = list(dict.fromkeys(row.work.title for row in rows))
    kinds = list(dict.fromkeys(row.need.word for row in rows))
    choices = (
        ("student", [(key, name) for name, key in keys.items()]),
        ("drill", [(f"d{number}", title) for number, title in enumerate(drills)]),
        ("need", [(f"n{number}", word) for number, word in enumerate(kinds)]),
    )
    parts = [
        "<h1>The class</h1>",
        paragraph(full_day(classroom.today), "quiet"),
        *_first_page(classroom, keys),
        f'<div class="rows">{_filter(choices)}{_rows(rows, keys, drills, kinds)}</div>',
        paragraph(f"{capital(folded_text(classroom))}." if classroom.folded else "", "quiet"),
        *(f'<p class="remark">{escaped(str(problem))}</p>' for problem in classroom.problems),
        *(_student(student, classroom, keys[student.name]) for student in classroom.students),
    ]
    hiding = "".join(_hiding(key) for _, options in choices for key, _ in options)
    return unbroken(document("The class", parts, "wide", _STYLE + hiding))


def _hiding(key: str) -> str:
    return f"body:has(option.{key}:checked) .filtered:not(.{key}) {{ display: none; }}\n"


def _filter(choices: Iterable[tuple[str, Sequence[tuple[str, str]]]]) -> str:
    """A choice of student, drill and need."""
    shown = []
    for name, options in choices:
        inside = "".join(f'<option class="{key}">{escaped(text)}</option>' for key, text in options)
        shown.append(f"<label>{name} <select><option>all</option>{inside}</select></label>")
    return f"<nav>{''.join(shown)}</nav>"


def _first_page(classroom: Classroom, keys: dict[str, str]) -> Iterator[str]:
    silent = len(classroom.silent)
    yield paragraph(f"{counted(len(classroom.students), 'student')}, {silent} silent.")
    helped = (
        f'<a href="#{keys[one.name]}">{escaped(one.name)}</a>: {escaped(help_text(one))} '
        f'<span class="quiet">({escaped(one.needs[0][0].news)})</span>'
        for one in classroom.with_need
    )
    yield section(HELP_FIRST, _list(helped))
    if not classroom.urgent:
        yield paragraph(calm_text(classroom) if classroom.students else "No students yet.")
    for title, lines in after_help(classroom):
        yield section(title, _list(map(escaped, lines)))


def _list(items: Iterable[str]) -> str:
    inside = "".join(f"<li>{item}</li>" for item in items)
    return f"<ul>{inside}</ul>" if inside else ""


def _rows(rows: Sequence[Row], keys: dict[str, str], drills: Sequence[str], kinds: Sequence[str]) -> str:
    header = ("student", "drill", "need", "next, and why", "due", "rung", "landed", "week", "news")
    cells = [
        (
            row.student.name,
            row.work.title,
            row.need.word,
            "; ".join([_in_short(row), *row.work.remarks]),
            due_text(row.work),
            row.work.rung,
            f"{row.work.landed} of {len(row.work.phrases)}" if row.work.drill else "",
            duration(row.work.week_minutes) if row.work.drill else "",
            _news(row.work),
        )
        for row in rows
    ]
    named = [
        f"filtered {keys[row.student.name]} d{drills.index(row.work.title)} n{kinds.index(row.need.word)}"
        for row in rows
    ]
    return section("All, by need", table(header, cells, (), "", named)) if rows else ""


def _in_short(row: Row) -> str:
    """What is next, and the evidence where it is not the news, which has a column of its own."""
    return row.need.what if row.need.why == row.work.news else row.need.in_short


def _news(work: Work) -> str:
    """How old the news is, with its day."""
    if work.reply_day is None or work.news_days is None:
        return "none"
    if not work.news_days:
        return "today"
    return f"{short_day(work.reply_day, work.today)}, {counted(work.news_days, 'day')} old"


def _student(student: Student, classroom: Classroom, key: str) -> str:
    """A page for one student."""
    today = classroom.today
    needs = (
        f'{escaped(next_text(work, need))} <span class="quiet">({escaped(work.title)})</span>'
        for work, need in student.needs
    )
    asked = (escaped(assigned_text(one, classroom)) for one in student.handed[:MOST_NOTES])
    inside = [
        *(f'<p class="remark">{escaped(remark)}</p>' for remark in student.remarks),
        _list(needs),
        *(part for work in student.work for part in _work(work, today)),
        _titled("Assigned", _list(asked)),
        _titled("Notes", _list(map(escaped, said(student, classroom)))),
    ]
    heading = f"<h2>{escaped(student.name)}</h2>"
    return f'<section class="student filtered {key}" id="{key}">{heading}{"".join(inside)}</section>'


def _titled(title: str, inside: str) -> str:
    return f"<h3>{escaped(title)}</h3>{inside}" if inside else ""


def _work(work: Work, today: date) -> Iterator[str]:
    yield f"<h3>{escaped(work.title)}</h3>"
    yield paragraph("; ".join([work.news, *work.remarks]), "quiet")
    drill = work.drill
    if drill is None:
        return
    since = today - timedelta(days=SHOWN_DAYS - 1)
    days = {day.day: Sum(day.reps, round(day.minutes * 60_000), day.rated, day.clean) for day in drill.days}
    days = {day: row for day, row in days.items() if since <= day <= today}
    curve = [
        (day.day, day.fastest_bpm) for day in drill.days if day.fastest_bpm and since <= day.day <= today
    ]
    if days:
        yield '<div class="grid">'
        yield f"<figure>{minutes_svg(days, since, today)}</figure>"
        if curve:
            rungs = (phrase.rung_bpm for phrase in work.phrases if phrase.rung_bpm)
            rung_bpm = min(rungs, default=curve[-1][1])
            drawn = tempo_svg(work.title, curve, drill.goal_bpm, rung_bpm, since, today)
            yield f"<figure>{drawn}</figure>"
        yield "</div>"
        yield paragraph(_LEGEND, "quiet")
    yield _phrases(work)
    for neck in necks(_nodes(drill), _instruments(drill)):
        yield "".join(neck_drawing(neck))
    yield _places(work)


def _phrases(work: Work) -> str:
    rows = [
        (
            phrase.name,
            f"{phrase.rung_bpm} of {phrase.goal_bpm}" if phrase.rung_bpm else "not begun",
            tempo_range(phrase.low_bpm, phrase.high_bpm) if phrase.reps else "",
            short_day(phrase.landed, work.today) if phrase.landed else "",
            "kept" if phrase.kept else "",
        )
        for phrase in work.phrases
    ]
    header = ("phrase", "rung", "expected clean, cold, at (80 % sure)", "landed", "kept")
    return table(header, rows, (1, 2))


def _places(work: Work) -> str:
    """Nodes and moves that fail, the worst first, and the held notes."""
    drill = work.drill
    if drill is None:
        return ""
    named: list[tuple[str, PlaceReply]] = [(place_name(one.key), one) for one in (*drill.nodes, *drill.moves)]
    named = [pair for pair in named if pair[1].recent_failed]
    named.sort(key=lambda pair: -pair[1].recent_failed / pair[1].recent)
    rows = [
        (
            name,
            f"{one.recent_failed} of {one.recent}",
            percent(one.chance),
            tempo_range(one.low_bpm, one.high_bpm),
        )
        for name, one in named[:MOST_PLACES]
    ]
    failed, held = drill.held
    if failed:
        rows.append(("held notes", f"{failed} of {held}", "", ""))
    header = (
        "nodes and moves",
        "failed in four weeks",
        "clean cold at the goal",
        "expected clean at (80 % sure)",
    )
    return table(header, rows, (1, 2, 3)) if rows else ""


def _nodes(drill: DrillReply) -> list[PlaceFigures]:
    return [
        PlaceFigures(
            place_name(one.key),
            drill.id,
            Place(
                one.key, one.chance, CleanTempo(one.low_bpm, one.low_bpm, one.high_bpm), one.failed, one.of
            ),
            one.marked,
        )
        for one in drill.nodes
    ]


def _instruments(drill: DrillReply) -> list[Instrument]:
    """What the nodes lie on; none where the file tells of no instrument that can be."""
    own = drill.instrument
    try:
        return [Instrument.of(own.strings, own.scales_mm, name=own.name)]
    except ValueError:
        return []
