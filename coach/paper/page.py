"""A drill's sheet as a page to print: HTML with its own drawings, no script, nothing fetched from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from coach.pages.document import document, escaped, paragraph, section, table
from coach.paper.sheet import DEFAULT_PAPER, EMPTY_ROWS, PAPERS, WIDTH_MM, Above, Line, Sheet

HTML_AIR_MM = 3.0
"""How much of a page is left free, since no two browsers set text the same."""
_STYLE = """
body.sheet { font: 9.2pt/1.12 Liberation, 'Liberation Serif', 'Times New Roman', serif; }
.sheet h1 { font-size: 20pt; line-height: 1; margin: 0 0 1mm; } .sheet svg text { font-family: inherit; }
.sheet h2 { font-size: 12pt; line-height: 1; margin: 2mm 0 1mm; border: 0; padding: 0; }
.sheet p { margin: .2mm 0; } h1, p { overflow-wrap: anywhere; } .sheet section svg { margin-bottom: 2mm; }
.line { break-inside: avoid; margin: 2.5mm 0 0; } .above { display: grid; align-items: end; margin-bottom: .4mm; }
.above span { font-size: 9pt; padding-right: 2mm; overflow-wrap: anywhere; line-height: 1; }
.sheet .legend { margin: 2.5mm 0 0; } .legend, .sheet table, .care { font-size: 8.2pt; line-height: 1.05; }
.legend span { margin-right: 1.2em; white-space: nowrap; } .sheet td, .sheet th { padding: .25mm 5mm .25mm 0; }
.sheet .care { margin: 2mm 0 0; } .sheet .empty td { padding: 0; }
"""
_TIGHT = """
.sheet h1 { margin-top: -1.2mm; } .above span { margin: -.3mm 0 -.5mm; }
"""
"""Where the font is known, lines stand as close as on the PDF."""


def html_page(sheet: Sheet, paper: str = DEFAULT_PAPER, note_rows: int = EMPTY_ROWS, fonts: str = "") -> str:
    """The whole page as text, with so many rows for notes; `fonts` is CSS that brings the font Liberation along."""
    parts = [
        f"<h1>{escaped(sheet.title)}</h1>",
        *map(paragraph, sheet.facts),
        f'<p class="legend">{"".join(f"<span>{escaped(words)}</span> " for words in sheet.legend)}</p>',
        *map(_line, sheet.lines),
        *_nodes(sheet),
        *_rest(sheet, note_rows),
    ]
    return document(
        sheet.title, parts, "sheet", fonts + _STYLE + (_TIGHT if fonts else "") + _running(sheet, paper)
    )


def _running(sheet: Sheet, paper: str) -> str:
    """What stands on every page, as the print style of its margins."""
    # As a string of CSS, what is no letter or digit by its number.
    text = re.sub(r"[^\w]", lambda match: f"\\{ord(match[0]):x} ", " · ".join(sheet.running))
    look = "font: 8pt Liberation, 'Liberation Serif', 'Times New Roman', serif;"
    side_mm = (PAPERS[paper].width_mm - WIDTH_MM) / 2
    return (
        f"@page {{ size: {paper}; margin: 10mm {side_mm:g}mm 13mm; @bottom-left {{ content: '{text}'; {look} }} "
        f"@bottom-right {{ content: 'page ' counter(page) ' of ' counter(pages); {look} }} }}"
    )


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
    return f"<span>{'&emsp;'.join(part for part in parts if part)}</span>"


def _nodes(sheet: Sheet) -> Iterator[str]:
    """Every node of the drill on its fretboard, and where it is in numbers."""
    if sheet.neck is not None:
        ruler = sheet.ruler.svg if sheet.ruler else ""
        yield section(
            sheet.neck.label, sheet.neck.svg, ruler, table(sheet.node_header, sheet.node_rows, (1, 2))
        )


def _rest(sheet: Sheet, note_rows: int) -> Iterator[str]:
    yield f'<p class="care"><b>{sheet.care_heading}.</b> {escaped(" ".join(sheet.cautions))}</p>'
    if note_rows:
        rows = [("",) * len(sheet.notes_header)] * note_rows
        yield section(sheet.notes_heading, table(sheet.notes_header, rows, name="empty"))
