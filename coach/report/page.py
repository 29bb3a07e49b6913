"""The report as a page that stands alone (`coach.pages`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coach.ground.plain import counted
from coach.music.drill import Drill
from coach.pages.document import document, escaped, paragraph, section, table
from coach.pages.fretboard import fretboard_svg
from coach.rating.table import CAUSES, RESULTS
from coach.report.figures import PlaceFigures, Report
from coach.report.lines import (
    calibration_text,
    hurt_text,
    span_text,
    spent_text,
    state_text,
    task_text,
    tempo_text,
)
from coach.report.neck import GRADES, UNKNOWN, necks
from coach.report.svg import calibration_svg, minutes_svg, tempo_svg
from coach.words.amounts import percent, short_day
from coach.words.names import capital, instrument_name

MOST_PLACES, MOST_DUE = 12, 30


def report_page(report: Report, drills: Sequence[Drill] = ()) -> str:
    """The whole report as a page."""
    title = f"{report.player}, {report.drill}" if report.drill else report.player
    return document(
        f"Practice of {title}",
        [
            *_head(report, title),
            _time(report),
            _tempos(report),
            *_necks(report, drills),
            _places("Weakest nodes", report.nodes),
            _places("Weakest moves", report.moves),
            _due(report),
            _faults(report),
            _calibration(report),
            _notes(report),
        ],
    )


def _head(report: Report, title: str) -> Iterator[str]:
    yield f"<h1>{escaped(title)}</h1>"
    yield paragraph(capital(span_text(report)), "quiet")
    if report.hurts:
        yield paragraph(hurt_text(report))
    for task in report.tasks:
        yield paragraph(f"Assigned: {task_text(task, report.day)}.")
        yield paragraph(task.note, "cue")
    yield paragraph(f"{spent_text(report)}." if report.days else "Nothing was practised in this time.")


def _time(report: Report) -> str:
    if not report.days:
        return ""
    return section("Minutes by day", minutes_svg(report.days, report.since, report.day))


def _tempos(report: Report) -> str:
    if not report.excerpts:
        return ""
    rows = [
        (
            one.title,
            one.drill_title,
            f"{one.rung_bpm} of {one.goal_bpm}",
            tempo_text(one),
            state_text(one, report.day),
            short_day(one.memory.due, report.day) if one.memory.due else "",
        )
        for one in report.excerpts
    ]
    header = ("phrase", "drill", "rung today", "clean tempo", "", "due")
    figures = [
        f"<figure><h3>{escaped(one.title)}</h3>{tempo_svg(one, report.since, report.day)}</figure>"
        for one in report.excerpts
        if one.curve and one.known
    ]
    legend = (
        "Line: the tempo that is clean 8 times of 10; band: its 80 % interval; dashes: the goal; triangle: today's "
        "rung. Above what was played, it is a guess."
    )
    drawings = [paragraph(legend, "quiet"), f'<div class="grid">{"".join(figures)}</div>'] if figures else []
    return section("Tempo", table(header, rows, (2, 3, 4, 5)), *drawings)


def _necks(report: Report, drills: Sequence[Drill]) -> Iterator[str]:
    legend = " &nbsp; ".join(
        f'<b style="color:{grade.ink}">{grade.sign}</b> {grade.word}' for grade in (*GRADES, UNKNOWN)
    )
    inks = {grade.word: grade.ink for grade in (*GRADES, UNKNOWN)}
    label = "Nodes on the neck, drawn to scale, and how well each rings"
    for neck in necks(report.nodes, drills):
        yield section(
            f"Nodes on {instrument_name(neck.instrument)}",
            fretboard_svg(neck.board, neck.marks, label, inks),
            '<p class="quiet">How many ring near the goal tempo, or at the tempos practised before it is reached: '
            f"{legend}</p>",
        )


def _places(title: str, places: Sequence[PlaceFigures]) -> str:
    known = [place for place in places[:MOST_PLACES] if place.known]
    if not known:
        return ""
    rows = []
    for place in known:
        memory, fail = place.memory, place.fail
        marked = (
            f"{cause.word} {memory.marked[cause.word]}" for cause in CAUSES if cause.word in memory.marked
        )
        rows.append(
            (
                place.name,
                percent(fail.mean) + ("" if place.near_goal else " *"),
                f"{percent(fail.low)} to {percent(fail.high)}",
                f"{memory.cold_clean} of {memory.cold_days}" if memory.cold_days else "none yet",
                ", ".join(marked),
            )
        )
    header = ("", "fails", "80 % sure between", "cold reps clean", "why")
    slower = any(not place.near_goal for place in known)
    remark = "* at slower tempos than the goal, which is not reached yet" if slower else ""
    return section(title, table(header, rows, (1, 2, 3)), paragraph(remark, "quiet"))


def _due(report: Report) -> str:
    if not report.due:
        return ""
    shown = report.due[:MOST_DUE]
    rows = [("now" if due <= report.day else short_day(due, report.day), name) for name, due in shown]
    more = len(report.due) - len(shown)
    return section(
        "Due within a week",
        table(("when", "what"), rows),
        paragraph(f"and {more} more" if more else "", "quiet"),
    )


def _faults(report: Report) -> str:
    rows = [
        *((row.word, report.marked.get(row.word, 0)) for row in RESULTS if row.fails),
        *((f"because of the {cause.word}", report.marked.get(cause.word, 0)) for cause in CAUSES),
    ]
    shown = [(name, str(count)) for name, count in rows if count]
    return section("What failed, where it was marked", table(("", "times"), shown, (1,)) if shown else "")


def _calibration(report: Report) -> str:
    scores = report.calibration
    if scores is None:
        return ""
    results = counted(scores.results, "cold result")
    words = f"Over {results}: on the dashes the forecast was right. {calibration_text(scores)}"
    return section("How the forecast of cold results held", calibration_svg(scores), paragraph(words))


def _notes(report: Report) -> str:
    rows = [(short_day(day, report.day), text) for day, text in report.notes]
    return section("Notes", table(("day", ""), rows)) if rows else ""
