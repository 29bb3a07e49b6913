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
    Line,
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
    """The drill as a PDF file on one of `PAPERS_MM`."""
    written = _compiler(sheet_of(drill, fitting_lines(drill, paper)), paper).compile(format="pdf")
    return written if isinstance(written, bytes) else b"".join(written or ())


def fitting_lines(drill: Drill, paper: str) -> tuple[Line, ...]:
    """The drill's music in the largest size that gives one page of a paper, else in the largest of all."""
    score = mei_score(drill)

    @cache
    def at(size: float) -> tuple[Line, ...]:
        return engraved_lines(drill, size, score)

    def fits(size: float) -> bool:
        compiler = _compiler(sheet_of(drill, at(size)), paper)
        return bool(compiler.query("<pages>", field="value", one=True) == "1")

    # A smaller size does not save what is far too long, and long drills take long.
    bars = sum(len(phrase.bars) for phrase in drill.phrases)
    if bars > _MOST_BARS or fits(SIZES[0]):
        return at(SIZES[0])
    index = bisect_left(SIZES, True, key=fits)
    return at(SIZES[index] if index < len(SIZES) else SIZES[0])


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
