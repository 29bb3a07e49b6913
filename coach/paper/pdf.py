"""A drill's sheet as PDF, laid out by the library `typst` after `sheet.typ`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

import typst

from coach.music.drill import Drill
from coach.paper.engrave import SIZES, engraved_lines
from coach.paper.mei import mei_score
from coach.paper.page import EMPTY_ROWS
from coach.paper.sheet import (
    CARE_HEADING,
    CAUTIONS,
    NODES_HEADING,
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
_STYLE = (
    "<style>line{stroke:#000}text{font-family:'Libertinus Serif'}.nut{stroke-width:4}.dot{fill:#000}</style>"
)


def pdf_page(drill: Drill, paper: str) -> bytes:
    """The drill as a PDF file on one of `PAPERS_MM`: in the largest size that gives one page, else in the largest."""
    score = mei_score(drill)
    compilers: list[typst.Compiler] = []
    for size in SIZES:
        lines = engraved_lines(drill, size, score)
        if compilers and _least_mm(lines) > PAPERS_MM[paper][1]:
            continue
        compilers.append(_compiler(sheet_of(drill, lines), paper))
        if compilers[-1].query("<pages>", field="value", one=True) == "1":
            return _written(compilers[-1])
    return _written(compilers[0])


def _written(compiler: typst.Compiler) -> bytes:
    written = compiler.compile(format="pdf")
    return written if isinstance(written, bytes) else b"".join(written or ())


def _least_mm(lines: Sequence[Line]) -> float:
    return sum(line.drawing.height_mm for line in lines)


def _compiler(sheet: Sheet, paper: str) -> typst.Compiler:
    """The typesetter with all that a sheet says as its data."""
    neck = sheet.neck and replace(sheet.neck, svg=_alone(sheet.neck))
    data = asdict(replace(sheet, neck=neck)) | {
        "paper": {"a4": "a4", "letter": "us-letter"}[paper],
        "page_mm": PAPERS_MM[paper][0],
        "width_mm": WIDTH_MM,
        "nodes_heading": NODES_HEADING,
        "care_heading": CARE_HEADING,
        "cautions": CAUTIONS,
        "notes_heading": NOTES_HEADING,
        "notes_header": NOTES_HEADER,
        "empty_rows": EMPTY_ROWS,
    }
    return typst.Compiler(str(_TEMPLATE), sys_inputs={"sheet": json.dumps(data)})


def _alone(drawing: Drawing) -> str:
    """A drawing of a page as a file of its own, with the style that the page gives it."""
    head, _, rest = drawing.svg.partition(">")
    named = head.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return f"{named}>{_STYLE}{rest}"
