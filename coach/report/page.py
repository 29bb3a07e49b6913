"""The report as a page that stands alone (`coach.pages`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coach.ground.plain import counted
from coach.music.drill import Drill
from coach.pages.document import document, escaped, paragraph, section, table
from coach.pages.fretboard import fretboard_svg
from coach.rating.counts import results_text
from coach.rating.table import CAUSES, RESULTS
from coach.report.ear import HEADING, WITHHELD_TEXT, ear_figures, total_text
from coach.report.ear import cells as ear_cells
from coach.report.figures import ExcerptFigures, PlaceFigures, Report
from coach.report.lines import (
    cold_text,
    hurt_text,
    kept_day,
    landed_day,
    late_text,
    missing_text,
    span_text,
    spent_text,
    task_text,
    tempo_text,
    test_day,
)
from coach.report.neck import GRADES, UNKNOWN, Neck, necks_of
from coach.report.svg import cold_svg, minutes_svg, tempo_svg
from coach.words.amounts import percent, short_day, tempo_range
from coach.words.names import capital, instrument_name

MOST_PLACES, MOST_TESTS, MOST_DRAWN = 12, 30, 12


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
            _tests(report),
            _faults(report),
            _cold(report),
            _ear(report),
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
    yield paragraph(f"{spent_text(report)}." if report.days else "No practice in this time.")


def _time(report: Report) -> str:
    if not report.days:
        return ""
    return section("Minutes per day", minutes_svg(report.days, report.since, report.day))


def _tempos(report: Report) -> str:
    if not report.excerpts and not report.missing:
        return ""
    rows = [
        (
            one.name,
            one.drill_title,
            f"{one.standing.rung_bpm} of {one.standing.goal_bpm}",
            tempo_text(one),
            landed_day(one.standing, report.day),
            kept_day(one.standing, report.day),
            short_day(max(one.days), report.day),
        )
        for one in report.excerpts
    ]
    header = ("phrase", "drill", "rung today", "clean tempo", "landed", "kept", "last")
    drawn = [one for one in report.excerpts if one.curve][: None if report.drill else MOST_DRAWN]
    figures = [f"<figure><h3>{escaped(one.name)}</h3>{_tempo(one, report)}</figure>" for one in drawn]
    legend = "Line: the fastest clean repetition of each day; dashes: the goal; triangle: today's rung."
    drawings = [paragraph(legend, "quiet"), f'<div class="grid">{"".join(figures)}</div>'] if figures else []
    words = (
        "Clean tempo: clean cold 8 times of 10, with its 80 % interval. Landed: the goal was held on that day. "
        "Kept: clean cold at the goal after a week without it, on that day, or likely kept if not tested yet."
    )
    missing = paragraph(missing_text(report) if report.missing else "", "quiet")
    shown = table(header, rows, (2, 3, 4, 5, 6)) + paragraph(words, "quiet") if rows else ""
    return section("Tempo", shown, missing, *drawings)


def _tempo(one: ExcerptFigures, report: Report) -> str:
    stands = one.standing
    return tempo_svg(one.name, one.curve, stands.goal_bpm, stands.rung_bpm, report.since, report.day)


def _necks(report: Report, drills: Sequence[Drill]) -> Iterator[str]:
    for neck in necks_of(report.nodes, drills):
        yield section(f"Nodes on {instrument_name(neck.instrument)}", *neck_drawing(neck))


def neck_drawing(neck: Neck) -> tuple[str, str]:
    """A neck and what its signs mean."""
    legend = " &nbsp; ".join(
        f'<b style="color:{grade.ink}">{grade.sign}</b> {grade.word}' for grade in (*GRADES, UNKNOWN)
    )
    inks = {grade.word: grade.ink for grade in (*GRADES, UNKNOWN)}
    label = "Nodes on the neck, drawn to scale"
    words = f'<p class="quiet">Chance of clean at the goal, cold: {legend}</p>'
    return fretboard_svg(neck.board, neck.marks, label, inks), words


def _places(title: str, places: Sequence[PlaceFigures]) -> str:
    rows = [
        (
            one.name,
            percent(one.place.chance),
            late_text(one),
            tempo_range(one.place.tempo.low_bpm, one.place.tempo.high_bpm),
            results_text(one.marked),
            ", ".join(
                f"{cause.word} {one.marked[cause.word]}" for cause in CAUSES if cause.word in one.marked
            ),
        )
        for one in places
        if one.weak
    ]
    header = ("", "clean cold at the goal", "of the last 8", "clean 8 times of 10 at", "marked", "why")
    return section(title, table(header, rows[:MOST_PLACES], (1, 3))) if rows else ""


def _tests(report: Report) -> str:
    rows = [(test_day(on, report.day), name) for name, on in report.tests[:MOST_TESTS]]
    more = len(report.tests) - len(rows)
    shown = table(("from", "what"), rows), paragraph(f"and {more} more" if more else "", "quiet")
    return section("Landed, with a cold test this week (clean then: kept)", *shown) if rows else ""


def _faults(report: Report) -> str:
    marked = report.marked
    rows = [
        *((row.word, marked.get(row.word, 0)) for row in RESULTS if row.fails),
        *((f"because of the {cause.word}", marked.get(cause.word, 0)) for cause in CAUSES),
    ]
    shown = [(name, str(count)) for name, count in rows if count]
    return section("What you marked", table(("", "times"), shown, (1,)) if shown else "")


def _cold(report: Report) -> str:
    if not report.cold:
        return ""
    count = counted(sum(row.count for row in report.cold), "cold repetition")
    words = f"{capital(count)} of phrases and pieces. On the dashed line, as many were clean as expected."
    return section(
        "Expected and actual",
        cold_svg(report.cold),
        paragraph(f"{words} {cold_text(report.cold)}"),
    )


def _ear(report: Report) -> str:
    if not report.ear.nodes:
        return ""
    rows = [(name, *ear_cells(one)) for name, one in ear_figures(report.ear)[:MOST_PLACES]]
    header = ("", "agreed", "found", "missed", "false alarms", "")
    return section(
        HEADING,
        paragraph(f"It {total_text(report.ear.total)}."),
        table(header, rows, (1, 2, 3, 4)) if rows else "",
        paragraph(f"{capital(WITHHELD_TEXT)}." if report.ear.withheld else "", "quiet"),
    )


def _notes(report: Report) -> str:
    rows = [(short_day(day, report.day), text) for day, text in report.notes]
    return section("Notes", table(("day", ""), rows)) if rows else ""
