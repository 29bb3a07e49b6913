"""The class as a page: the first page, all rows by need, a page a student; for the browser and, on A4, for paper.

It stands alone, without network and without script: the filter is CSS (`:has`, Selectors Level 4), and where a browser
has none, or on paper, all rows are there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from functools import partial

from coach.pages.document import document, escaped, figure, paragraph, section
from coach.pages.parts import part_html, table_of
from coach.report.class_parts import calm_text, counts_text, first_page, folded_text, student_parts
from coach.report.classroom import Classroom, Student
from coach.report.neck import necks
from coach.report.overview import COLUMNS, Row, rows_of
from coach.report.page import neck_drawing
from coach.report.reply import DrillReply
from coach.report.svg import NARROW, minutes_svg, tempo_svg
from coach.report.work import Work
from coach.strings.instrument import Instrument
from coach.words.amounts import full_day, unbroken

_LEGEND = (
    "Minutes per day. Line: the fastest clean phrase of each day, as played; dashes and triangle: goal and rung of the "
    "phrase that is furthest behind."
)
SHOWN_DAYS = 42
_STYLE = """
nav { margin: .6rem 0; } nav select { font: inherit; margin-right: 1rem; max-width: 18rem; }
td:first-child, .rows td:nth-child(n+5) { white-space: nowrap; } .student { margin-top: 3rem; }
ul { margin: .3rem 0; padding-left: 1.2rem; } .remark { color: #8a3b12; }
@media screen and (max-width: 700px) { .rows td:nth-child(4) { min-width: 15rem; } }
@media print { nav { display: none; } .student, .rows { break-before: page; } a { color: inherit; }
  .rows table, .student table { font-size: .66rem; } .student { font-size: .76rem; margin: 0; }
  .rows td:nth-child(n+5) { white-space: normal; } .rows td:nth-child(4) { width: 40%; }
  .student td, .student th { padding: .08rem .5rem .08rem 0; } .grid { grid-template-columns: 1fr 1fr; }
  .student h3, .student ul { margin: .15rem 0 0; } .student svg.fluid { width: 62%; margin: .1rem 0; } }
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
    first = list(first_page(classroom))
    parts = [
        "<h1>The class</h1>",
        paragraph(full_day(classroom.today), "quiet"),
        paragraph(f"{counts_text(classroom)}."),
        part_html(first[0], mark=partial(_linked, keys=keys)),
        paragraph(calm_text(classroom)),
        *(part_html(part, mark=partial(_linked, keys=keys)) for part in first[1:]),
        f'<div class="rows">{_filter(choices)}{_rows(rows, keys, drills, kinds)}</div>',
        paragraph(folded_text(classroom), "quiet"),
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


def _linked(text: str, keys: dict[str, str]) -> str:
    """A sentence whose first word is a student's name, which leads to the student's page."""
    name, colon, rest = text.partition(": ")
    if name not in keys:
        return escaped(text)
    return f'<a href="#{keys[name]}">{escaped(name)}</a>{colon}{escaped(rest)}'


def _rows(rows: Sequence[Row], keys: dict[str, str], drills: Sequence[str], kinds: Sequence[str]) -> str:
    named = [
        f"filtered {keys[row.student.name]} d{drills.index(row.work.title)} n{kinds.index(row.need.word)}"
        for row in rows
    ]
    return section("All, by need", table_of(COLUMNS, rows).html(named))


def _student(student: Student, classroom: Classroom, key: str) -> str:
    """A page for one student."""
    inside = [
        *(f'<p class="remark">{escaped(remark)}</p>' for remark in student.remarks),
        *(
            part_html(part, *(_drawings(work, classroom.today) if work else ()), level=3)
            for part, work in student_parts(student, classroom)
        ),
    ]
    heading = f"<h2>{escaped(student.name)}</h2>"
    return f'<section class="student filtered {key}" id="{key}">{heading}{"".join(inside)}</section>'


def _drawings(work: Work, today: date) -> Iterator[str]:
    """Minutes and tempo by day, and the nodes on their neck."""
    drill = work.drill
    if drill is None:
        return
    since = today - timedelta(days=SHOWN_DAYS - 1)
    known = [day for day in drill.days if since <= day.day <= today]
    curve = [(day.day, day.fastest_bpm) for day in known if day.fastest_bpm]
    if known:
        drawn = figure(minutes_svg({day.day: day for day in known}, since, today, NARROW))
        if curve:
            drawn += figure(tempo_svg(work.title, curve, work.goal_bpm, work.rung_bpm, since, today))
        yield f'<div class="grid">{drawn}</div>'
        yield paragraph(_LEGEND, "quiet")
    for neck in necks(drill.nodes, _instruments(drill)):
        yield from neck_drawing(neck)


def _instruments(drill: DrillReply) -> list[Instrument]:
    """What the nodes lie on; none where the file tells of no instrument that can be."""
    own = drill.instrument
    try:
        return [Instrument.of(own.strings, own.scales_mm, name=own.name)]
    except ValueError:
        return []
