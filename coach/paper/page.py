"""A drill's sheet as a page to print: HTML with its own drawings, no script, nothing fetched from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from coach.music.drill import Drill
from coach.pages.document import document, escaped, paragraph, section, table
from coach.paper.lane import lane_lines
from coach.paper.sheet import (
    CARE_HEADING,
    CAUTIONS,
    NOTES_HEADER,
    NOTES_HEADING,
    Above,
    Line,
    Sheet,
    sheet_of,
)

EMPTY_ROWS = 6
_STYLE = """
body.sheet { font: 9.5pt/1.25 'Libertinus Serif', 'Times New Roman', 'Liberation Serif', serif; }
.sheet h1 { font-size: 20pt; } .sheet h2 { font-size: 12pt; margin: 3mm 0 1.5mm; border: 0; }
.sheet p { margin: 1mm 0; } h1, p { overflow-wrap: anywhere; } .sheet section svg { margin-bottom: 2mm; }
.line { break-inside: avoid; margin: 3mm 0 0; } .above { display: grid; align-items: end; }
.above span { padding-right: 2mm; overflow-wrap: anywhere; line-height: 1.15; }
.engraved text { font-family: inherit; } .legend, .sheet table, .care { font-size: 8.5pt; }
.legend span { margin-right: 1.2em; white-space: nowrap; } .sheet td, .sheet th { padding: .5mm 5mm .5mm 0; }
"""


def html_page(drill: Drill, lines: Sequence[Line] = (), paper: str = "auto") -> str:
    """The whole page as text: around engraved lines where they are given, else with the plain lane and tab."""
    sheet = sheet_of(drill, tuple(lines)) if lines else sheet_of(drill, lane_lines(drill), ())
    parts = [
        f"<h1>{escaped(sheet.title)}</h1>",
        *map(paragraph, sheet.facts),
        *map(_line, sheet.lines),
        _legend(sheet),
        *_nodes(sheet),
        *_rest(),
    ]
    return document(sheet.title, parts, "sheet", _STYLE + _running(sheet, paper))


def _running(sheet: Sheet, paper: str) -> str:
    """What stands on every page, as the print style of its margins."""
    text = _css_text(" · ".join(sheet.running))
    return (
        f"@page {{ size: {paper}; margin: 10mm 14mm 13mm; @bottom-left {{ content: {text}; font-size: 8pt; }} "
        "@bottom-right { content: 'page ' counter(page) ' of ' counter(pages); font-size: 8pt; } }"
    )


def _css_text(text: str) -> str:
    """Text from anywhere as a string of CSS: what is no letter or digit by its number."""
    return "'" + re.sub(r"[^\w]", lambda match: f"\\{ord(match[0]):x} ", text) + "'"


def _line(line: Line) -> str:
    drawing = line.drawing
    return f'<div class="line">{_above(line.names)}{_above(line.bars)}{drawing.svg}</div>'


def _above(cells: Sequence[Above]) -> str:
    if not any(cell.bold or cell.plain or cell.italic for cell in cells):
        return ""
    columns = " ".join(f"{cell.width_mm:.2f}fr" for cell in cells)
    return f'<div class="above" style="grid-template-columns: {columns}">{"".join(map(_cell, cells))}</div>'


def _cell(cell: Above) -> str:
    parts = [
        f"<b>{escaped(cell.bold)}</b>" if cell.bold else "",
        escaped(cell.plain),
        f"<i>{escaped(cell.italic)}</i>" if cell.italic else "",
    ]
    return f"<span>{' '.join(part for part in parts if part)}</span>"


def _legend(sheet: Sheet) -> str:
    return f'<p class="legend">{"".join(f"<span>{escaped(words)}</span> " for words in sheet.legend)}</p>'


def _nodes(sheet: Sheet) -> Iterator[str]:
    """Every node of the drill on its fretboard, and where it is in numbers."""
    if sheet.neck is not None:
        ruler = sheet.ruler.svg if sheet.ruler else ""
        yield section(
            sheet.neck.label, sheet.neck.svg, ruler, table(sheet.node_header, sheet.node_rows, (1, 2))
        )


def _rest() -> Iterator[str]:
    yield f'<p class="care"><b>{CARE_HEADING}.</b> {escaped(" ".join(CAUTIONS))}</p>'
    yield section(NOTES_HEADING, table(NOTES_HEADER, [("",) * len(NOTES_HEADER)] * EMPTY_ROWS, name="empty"))
