"""A drill's sheet as PDF, laid out by the library `typst` after `sheet.typ`."""

from __future__ import annotations

import json
from bisect import bisect_left
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path

import typst

from coach.music.drill import Drill
from coach.paper.engrave import SIZES, engraved_lines
from coach.paper.mei import mei_score
from coach.paper.page import EMPTY_ROWS
from coach.paper.sheet import (
    CARE_HEADING,
    CAUTIONS,
    NOTES_HEADER,
    NOTES_HEADING,
    PAPERS_MM,
    WIDTH_MM,
    Drawing,
    Sheet,
    sheet_of,
)

_TEMPLATE = Path(__file__).with_name("sheet.typ")
_MOST_BARS = 48
"""More bars than these never fit one page."""
_STYLE = (
    "<style>line{stroke:#000}text{font-family:'Libertinus Serif'}.nut{stroke-width:4}.dot{fill:#000}</style>"
)


def pdf_page(drill: Drill, paper: str) -> bytes:
    """The drill as a PDF file on one of `PAPERS_MM`: in the largest size that gives one page, else in the largest."""
    score = mei_score(drill)

    @cache
    def at(size: float) -> typst.Compiler:
        return _compiler(sheet_of(drill, engraved_lines(drill, size, score)), paper)

    def fits(size: float) -> bool:
        return bool(at(size).query("<pages>", field="value", one=True) == "1")

    if fits(SIZES[0]):
        return _written(at(SIZES[0]))
    # What is far too long in the largest size, a smaller one does not save, and long drills take long.
    bars = sum(len(phrase.bars) for phrase in drill.phrases)
    index = bisect_left(SIZES, True, key=fits) if bars <= _MOST_BARS else len(SIZES)
    return _written(at(SIZES[index] if index < len(SIZES) else SIZES[0]))


def _written(compiler: typst.Compiler) -> bytes:
    written = compiler.compile(format="pdf")
    return written if isinstance(written, bytes) else b"".join(written or ())


def _compiler(sheet: Sheet, paper: str) -> typst.Compiler:
    """The typesetter with all that a sheet says as its data."""
    sheet = replace(sheet, neck=_alone(sheet.neck), ruler=_alone(sheet.ruler))
    data = asdict(sheet) | {
        "paper": {"a4": "a4", "letter": "us-letter"}[paper],
        "page_mm": PAPERS_MM[paper][0],
        "width_mm": WIDTH_MM,
        "care_heading": CARE_HEADING,
        "cautions": CAUTIONS,
        "notes_heading": NOTES_HEADING,
        "notes_header": NOTES_HEADER,
        "empty_rows": EMPTY_ROWS,
    }
    return typst.Compiler(str(_TEMPLATE), sys_inputs={"sheet": json.dumps(data)})


def _alone(drawing: Drawing | None) -> Drawing | None:
    """A drawing of a page as a file of its own, with the style that the page gives it."""
    if drawing is None:
        return None
    head, _, rest = drawing.svg.partition(">")
    named = head.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return replace(drawing, svg=f"{named}>{_STYLE}{rest}")
