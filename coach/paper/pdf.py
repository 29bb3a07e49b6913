"""A drill's sheet as PDF, laid out by the library `typst` after `sheet.typ`."""

from __future__ import annotations

import json
import re
from bisect import bisect_left
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path

import typst

from coach.ground.frozen import frozen
from coach.music.drill import Drill
from coach.paper.engrave import SIZES, engraved_lines
from coach.paper.mei import MeiScore, mei_score
from coach.paper.sheet import EMPTY_ROWS, PAPERS, WIDTH_MM, Drawing, Sheet, sheet_of

_TEMPLATE = Path(__file__).with_name("sheet.typ")
_SURE = "\u024f"
"""Up to here every character has a glyph: Latin letters, which the typesetter's own font has."""
_PROOF = (
    b'#set document(title: "Letters", date: none)\n'
    b'#set text(font: "Libertinus Serif")\n#sys.inputs.letters.clusters().join(" ")'
)
_MOST_BARS = 48
"""More bars than these never fit one page."""
_MOST_PAGES = 3
"""Nor does what fills more of them in the largest size: the smallest takes four ninths of its room."""
_STYLE = (
    "<style>line{stroke:#000}text{font-family:'Libertinus Serif'}.nut{stroke-width:4}.dot{fill:#000}</style>"
)


@frozen
class Fitted:
    """A drill's sheet as it fits its paper: on so many pages, with so many rows for notes on the last."""

    sheet: Sheet
    pages: int
    note_rows: int
    compiler: typst.Compiler

    def pdf(self) -> bytes:
        """The pages as a PDF file."""
        written = self.compiler.compile(format="pdf")
        return written if isinstance(written, bytes) else b"".join(written or ())


def fitted_page(drill: Drill, paper: str, air_mm: float = 0.0) -> Fitted:
    """The drill on one of `PAPERS`, its music in the largest size that gives one page, else in the largest of all.

    The counting is left out where it alone takes a second page. So much of the foot of each page is left free.
    """
    counted = _in_best_size(drill, mei_score(drill), paper, air_mm)
    if counted.pages != 2:
        return counted
    bare = _in_best_size(drill, mei_score(drill, count=False), paper, air_mm)
    return bare if bare.pages == 1 else counted


def _in_best_size(drill: Drill, score: MeiScore, paper: str, air_mm: float) -> Fitted:
    @cache
    def at(size: float) -> Fitted:
        sheet = sheet_of(drill, engraved_lines(drill, size, score))
        compiler = _compiler(sheet, paper, air_mm)
        fit = json.loads(compiler.query("<fit>", field="value", one=True))
        return Fitted(sheet, fit["pages"], fit["rows"], compiler)

    def fits(size: float) -> bool:
        return at(size).pages == 1

    # A smaller size does not save what is far too long, and long drills take long.
    bars, largest = sum(len(phrase.bars) for phrase in drill.phrases), at(SIZES[0])
    if largest.pages == 1 or largest.pages > _MOST_PAGES or bars > _MOST_BARS or not fits(SIZES[-1]):
        return largest
    return at(SIZES[bisect_left(SIZES, True, key=fits)])


def unshown(sheet: Sheet) -> list[str]:
    """The characters of a sheet for which no font is at hand: an empty box stands where they should.

    What has no shape of its own stands as its number: `U+E000`.
    """
    text = json.dumps(asdict(sheet), ensure_ascii=False)
    letters = "".join(sorted({letter for letter in text if letter > _SURE}))
    if not letters:
        return []
    page = typst.Compiler(_PROOF, sys_inputs={"letters": letters})
    try:
        # PDF/UA forbids characters without a glyph (ISO 14289-1, 7.21.4), so that the typesetter names them.
        page.compile(format="pdf", pdf_standards="ua-1")
    except typst.TypstError as error:
        names = re.sub(r"\\u\{(\w+)\}", lambda match: f"U+{match[1].upper()}", error.diagnostic)
        return list(dict.fromkeys(re.findall(r'the text `"(.+?)"`', names)))
    return []


def _compiler(sheet: Sheet, paper: str, air_mm: float) -> typst.Compiler:
    """The typesetter with all that a sheet says as its data."""
    sheet = replace(sheet, neck=_alone(sheet.neck), ruler=_alone(sheet.ruler))
    data = asdict(sheet) | {
        "paper": {"a4": "a4", "letter": "us-letter"}[paper],
        "page_mm": PAPERS[paper].width_mm,
        "air_mm": air_mm,
        "width_mm": WIDTH_MM,
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
