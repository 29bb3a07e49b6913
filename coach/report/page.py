"""Pages that stand alone: one HTML file with its own style and drawings, no script, nothing fetched, good on paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coach.ground.plain import counted
from coach.music.drill import Drill
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
from coach.report.svg import calibration_svg, escaped, minutes_svg, neck_svg, tempo_svg
from coach.words.amounts import percent, short_day

_STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 Georgia, 'DejaVu Serif', serif; color: #1e2326; background: #fbf8f0;
       max-width: 760px; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; } h2 { font-size: 1.15rem; margin: 2rem 0 .5rem;
     border-bottom: 1px solid #1e2326; padding-bottom: .15rem; } h3 { font-size: .95rem; margin: .4rem 0 .1rem; }
p { margin: .35rem 0; } .quiet { color: #4d5559; } svg { max-width: 100%; height: auto; display: block; }
svg text { font: 11px Georgia, 'DejaVu Serif', serif; fill: #1e2326; }
svg text.halo { paint-order: stroke; stroke: #fbf8f0; stroke-width: 3px; }
svg text.small { font-size: 10px; }
svg text.sign { font: bold 13px 'DejaVu Sans', sans-serif; }
.grid { stroke: #d8d0bd; } .bar { fill: #39626b; } .band { fill: #c9dbdb; } .curve { fill: none; stroke: #1f5660;
stroke-width: 1.6; } .dot { fill: #1f5660; } .goal { stroke: #8a3b12; stroke-dasharray: 6 4; } .rung { fill: #8a3b12; }
.wire { stroke: #b3aa95; } .nut { stroke: #1e2326; stroke-width: 4; } .string { stroke: #6f6a5d; }
.node { fill: #fbf8f0; stroke-width: 2; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; } th, td { text-align: left; padding: .2rem .5rem
.2rem 0; border-bottom: 1px solid #e2dac7; vertical-align: top; } th { font-weight: bold; border-color: #1e2326; }
td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
.tempos { display: grid; grid-template-columns: repeat(auto-fill, minmax(330px, 1fr)); gap: .6rem 1rem; }
figure { margin: 0; } figure, svg, tr { break-inside: avoid; } h2, h3 { break-after: avoid; }
body.wide { max-width: 1150px; } .wide table { font-size: .82rem; }
@page { margin: 14mm; } @media print { body { background: #fff; margin: 0; max-width: none; }
.node { fill: #fff; } a { color: inherit; } }
"""


def page(title: str, parts: Sequence[str], wide: bool = False) -> str:
    """A whole page around some sections; a wide one for tables of many columns, printed across."""
    kind = " class='wide'" if wide else ""
    return (
        "<!DOCTYPE html>\n"
        '<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{escaped(title)}</title><style>{_STYLE}</style></head><body{kind}>\n"
        + "\n".join(part for part in parts if part)
        + "\n</body></html>\n"
    )


def table(header: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """A table; `numbers` are the columns set to the right. Cells are plain text."""
    kinds = [' class="number"' if index in numbers else "" for index in range(len(header))]
    head = "".join(f"<th{kind}>{escaped(name)}</th>" for kind, name in zip(kinds, header, strict=True))
    body = "".join(
        "<tr>"
        + "".join(f"<td{kind}>{escaped(cell)}</td>" for kind, cell in zip(kinds, row, strict=True))
        + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def report_page(report: Report, drills: Sequence[Drill] = ()) -> str:
    """The whole report as a page."""
    title = f"{report.player}, {report.drill}" if report.drill else report.player
    return page(
        f"Practice of {title}",
        [
            *_head(report, title),
            _time(report),
            *_tempos(report),
            *_necks(report, drills),
            _places("Weakest nodes", report.nodes[:12]),
            _places("Weakest moves", report.moves[:12]),
            _due(report),
            _faults(report),
            _calibration(report),
            _notes(report),
        ],
    )


def _head(report: Report, title: str) -> Iterator[str]:
    yield f"<h1>{escaped(title)}</h1>"
    yield f'<p class="quiet">{span_text(report).capitalize()}</p>'
    if report.hurts:
        yield f"<p>{hurt_text(report)}</p>"
    for task in report.tasks:
        note = f" <i>{escaped(task.note)}</i>" if task.note else ""
        yield f"<p>Assigned: {escaped(task_text(task, report.day))}.{note}</p>"
    if not report.days:
        yield "<p>Nothing was practised in this time.</p>"
        return
    yield f"<p>{spent_text(report)}.</p>"


def _time(report: Report) -> str:
    if not report.days:
        return ""
    drawing = minutes_svg(report.days, report.since, report.day)
    return f"<section><h2>Minutes by day</h2>{drawing}</section>"


def _tempos(report: Report) -> Iterator[str]:
    if not report.excerpts:
        return
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
    yield f"<section><h2>Tempo</h2>{table(header, rows, (2, 3, 4, 5))}</section>"
    figures = [
        f"<figure><h3>{escaped(one.title)}</h3>{tempo_svg(one, report.since, report.day)}</figure>"
        for one in report.excerpts
        if one.curve and one.known
    ]
    if figures:
        yield (
            "<section><p class='quiet'>Line: the tempo that is clean 8 times of 10; band: its 80 % interval; dashes: "
            "the goal; triangle: today's rung. Above what was played, it is a guess.</p>"
            f"<div class='tempos'>{''.join(figures)}</div></section>"
        )


def _necks(report: Report, drills: Sequence[Drill]) -> Iterator[str]:
    for neck in necks(report.nodes, drills):
        name = (
            neck.instrument.name or f"{len(neck.instrument.strings)} strings, {neck.instrument.scale_mm:g} mm"
        )
        legend = " &nbsp; ".join(
            f'<b style="color:{grade.ink}">{grade.sign}</b> {grade.word}' for grade in (*GRADES, UNKNOWN)
        )
        yield (
            f"<section><h2>Nodes on {escaped(name)}</h2>{neck_svg(neck)}"
            f"<p class='quiet'>How many ring near the goal tempo, or at the tempos practised "
            f"before it is reached: {legend}</p></section>"
        )


def _places(title: str, places: Sequence[PlaceFigures]) -> str:
    known = [place for place in places if place.known]
    if not known:
        return ""
    rows = []
    for place in known:
        memory, fail = place.memory, place.fail
        causes = ", ".join(
            f"{cause.word} {memory.marked[cause.word]}" for cause in CAUSES if cause.word in memory.marked
        )
        rows.append(
            (
                place.name,
                percent(fail.mean) + ("" if place.near_goal else " *"),
                f"{percent(fail.low)} to {percent(fail.high)}",
                f"{memory.cold_clean} of {memory.cold_days}" if memory.cold_days else "none yet",
                causes,
            )
        )
    header = ("", "fails", "80 % sure between", "cold reps clean", "choked by")
    slower = any(not place.near_goal for place in known)
    remark = (
        "<p class='quiet'>* at slower tempos than the goal, which is not reached yet</p>" if slower else ""
    )
    return f"<section><h2>{title}</h2>{table(header, rows, (1, 2, 3))}{remark}</section>"


def _due(report: Report) -> str:
    if not report.due:
        return ""
    shown = report.due[:30]
    rows = [("now" if due <= report.day else short_day(due, report.day), name) for name, due in shown]
    more = (
        f"<p class='quiet'>and {len(report.due) - len(shown)} more</p>"
        if len(report.due) > len(shown)
        else ""
    )
    return f"<section><h2>Due within a week</h2>{table(('when', 'what'), rows)}{more}</section>"


def _faults(report: Report) -> str:
    rows = [
        *((row.word, report.marked.get(row.word, 0)) for row in RESULTS if row.fails),
        *((f"because of the {cause.word}", report.marked.get(cause.word, 0)) for cause in CAUSES),
    ]
    shown = [(name, str(count)) for name, count in rows if count]
    if not shown:
        return ""
    return f"<section><h2>What failed, where it was marked</h2>{table(('', 'times'), shown, (1,))}</section>"


def _calibration(report: Report) -> str:
    scores = report.calibration
    if scores is None:
        return ""
    return (
        "<section><h2>How the forecast of cold results held</h2>"
        f"{calibration_svg(scores)}<p>Over {counted(scores.results, 'cold result')}: on the dashes the forecast was "
        f"right. {calibration_text(scores)}</p></section>"
    )


def _notes(report: Report) -> str:
    if not report.notes:
        return ""
    rows = [(short_day(day, report.day), text) for day, text in report.notes]
    return f"<section><h2>Notes</h2>{table(('day', ''), rows)}</section>"
