"""The report as a page that stands alone (`coach.pages`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coach.music.drill import Drill
from coach.pages.document import document, escaped, figure, paragraph, section
from coach.pages.fretboard import fretboard_svg
from coach.pages.parts import part_html
from coach.report import findings
from coach.report.figures import ExcerptFigures, Report
from coach.report.neck import GRADES, UNKNOWN, Neck, necks_of
from coach.report.svg import cold_svg, minutes_svg, tempo_svg
from coach.words.names import capital, instrument_name

MOST_DRAWN = 12


def report_page(report: Report, drills: Sequence[Drill] = ()) -> str:
    """The whole report as a page."""
    title = f"{report.player}, {report.drill}" if report.drill else report.player
    minutes = figure(minutes_svg(report.days, report.since, report.day), "latest") if report.days else ""
    drawn = {findings.COLD: cold_svg(report.cold)} if report.cold else {}
    return document(
        f"Practice of {title}",
        [
            f"<h1>{escaped(title)}</h1>",
            paragraph(capital(findings.span_text(report)), "quiet"),
            *(paragraph(text) for text in findings.opening(report)),
            part_html(findings.assigned(report)),
            section("Minutes per day", minutes),
            part_html(findings.tempos(report), *_curves(report)),
            *_necks(report, drills),
            *(part_html(part, drawn.get(part.heading, "")) for part in findings.after_necks(report)),
        ],
    )


def _curves(report: Report) -> Iterator[str]:
    drawn = [one for one in report.excerpts if one.curve][: None if report.drill else MOST_DRAWN]
    if drawn:
        legend = "Line: the fastest clean repetition of each day; dashes: the goal; triangle: today's rung."
        yield paragraph(legend, "quiet")
        figures = (figure(f"<h3>{escaped(one.name)}</h3>{_tempo(one, report)}") for one in drawn)
        yield f'<div class="grid">{"".join(figures)}</div>'


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
    return figure(fretboard_svg(neck.board, neck.marks, label, inks)), words
