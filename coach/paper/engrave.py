"""A drill's MEI as engraved lines of music, by the library `verovio`.

Conventions: a drawing's units are tenths of a mm on paper. The engraver is asked twice: once for how wide each bar
wants to be, then with the line breaks that follow from it, each line as a page of its own. Words above bars are not
its business: it never widens a bar for them, so that `Line` has them with the widths of the bars. Bars are counted from
0 through the drill; a line has bars of one phrase, or several whole phrases.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from itertools import groupby
from pathlib import Path

import verovio

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.drill import Drill
from coach.paper.mei import MeiScore, mei_score
from coach.paper.sheet import WIDTH_MM, Above, Drawing, Line
from coach.score.notated import DYNAMICS
from coach.score.played import Stretch, stretches, tempo_text

SIZES = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
"""Half a staff space in tenths of a mm, the largest first: a staff is 7.2 to 4.8 mm high."""
_SVG = "{http://www.w3.org/2000/svg}"
_LEFT, _RIGHT, _TOP = 30, 4, 500
_AIR = 1.2
"""How much wider than the engraver's least a bar is wanted."""
_WORDS, _BARE = 370.0, 150.0
"""Least widths of a bar with and without words above it."""
_WIDEST = 100_000
_CLEF = 12
"""About how wide a clef is, in sizes."""
FINGER_SHIFT = 11.8
"""From a head's beginning to its middle, in hundredths of a mm for each size."""
_SMALL = 0.07
"""A line drawn smaller than this is said to be; 0.1 is its full size."""

ET.register_namespace("", _SVG[1:-1])
ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")
# It writes to standard error by itself, past every rule of what may stand there.
verovio.enableLog(verovio.LOG_OFF)


@cache
def page_fonts() -> str:
    """CSS that brings along the font whose widths the engraver reckons with: Liberation, upright, bold and italic."""
    file = Path(verovio.__file__).with_name("data") / "Liberation.css"
    faces = file.read_text().split("@font-face")
    needed = (face for face in faces[1:] if "weight: bold" not in face or "style: italic" not in face)
    return "".join(f"@font-face{' '.join(face.split())}\n" for face in needed)


def engraved_lines(drill: Drill, size: float, score: MeiScore | None = None) -> tuple[Line, ...]:
    """The lines of music of a whole drill, in one of `SIZES`."""
    score = score or mei_score(drill)
    words = bar_words(drill)
    counts = [len(phrase.bars) for phrase in drill.phrases]
    least = _natural(score, counts, size)
    wanted = [
        max(_AIR * wide, _WORDS if any(said) else _BARE) for wide, said in zip(least, words, strict=True)
    ]
    room = 10 * WIDTH_MM - _LEFT - _RIGHT
    lines = lines_of(counts, wanted, least, room, _CLEF * size)
    text = score.text([line.first for line in lines])
    usual = [index for index, line in enumerate(lines) if line.least <= room]
    longer = [index for index, line in enumerate(lines) if line.least > room]
    pages = _pages(text, size, 10 * WIDTH_MM, usual)
    if longer:
        # Single bars that no line holds: set on a line as long as they need, and drawn smaller.
        widest = max(line.least for line in lines)
        pages |= _pages(text, size, min(widest + _LEFT + _RIGHT, _WIDEST), longer)
    return tuple(
        _line(drill, line.first, words[line.first : line.stop], _finished(pages[index], score.texts, size))
        for index, line in enumerate(lines)
    )


def _toolkit(text: str, size: float, width: float, **options: bool) -> verovio.toolkit:
    toolkit = verovio.toolkit()
    toolkit.setOptions(
        {
            "breaks": "encoded",
            "adjustPageHeight": True,
            "pageWidth": round(width),
            "pageHeight": 60_000,
            "pageMarginLeft": _LEFT,
            "pageMarginRight": _RIGHT,
            "pageMarginTop": _TOP,
            "unit": size,
            "header": "none",
            "footer": "none",
            "mnumInterval": 1,
            "spacingStaff": 5,
            "svgViewBox": True,
            "svgBoundingBoxes": True,
            "minLastJustification": 0.4,
            "xmlIdSeed": 1,
            **options,
        }
    )
    toolkit.loadData(text)
    return toolkit


def _pages(text: str, size: float, width: float, wanted: Sequence[int]) -> dict[int, ET.Element]:
    """These pages of a file, counted from 0, as drawings: drawing takes long, so none is drawn that is not wanted."""
    if not wanted:
        return {}
    toolkit = _toolkit(text, size, width)
    return {page: ET.fromstring(toolkit.renderToSVG(page + 1)) for page in wanted}


def _natural(score: MeiScore, counts: Sequence[int], size: float) -> list[float]:
    """How wide the engraver sets each bar where it is free to, with a clef at the first of each phrase."""
    firsts = [sum(counts[:index]) for index in range(len(counts))]
    # Boxes round all that is drawn, which nobody asks for here, are half of the work.
    toolkit = _toolkit(score.text(firsts), size, _WIDEST, noJustification=True, svgBoundingBoxes=False)
    widths: list[float] = []
    for page in range(1, toolkit.getPageCount() + 1):
        edges = _edges(ET.fromstring(toolkit.renderToSVG(page)))
        widths += [stop - start for start, stop in edges]
    return widths


def _edges(drawing: ET.Element) -> list[tuple[float, float]]:
    """From where to where each bar of a line reaches, from the line's left end."""
    edges = []
    for measure in drawing.iterfind(f".//{_SVG}g[@class='measure']"):
        paths = measure.findall(f"{_SVG}g[@class='staff']/{_SVG}path")
        numbers = [[float(number) for number in re.findall(r"[\d.]+", path.get("d", ""))] for path in paths]
        edges.append((min(each[0] for each in numbers) / 10, max(each[2] for each in numbers) / 10))
    return edges


def _line(drill: Drill, first: int, words: Sequence[tuple[str, str, str]], drawing: ET.Element) -> Line:
    _, _, width, height = (float(number) for number in drawing.get("viewBox", "").split())
    scale = WIDTH_MM / width
    stops = [(stop + _LEFT) * scale for _, stop in _edges(drawing)]
    # Words may run on beside a line that ends early.
    stops[-1] = WIDTH_MM
    widths = [stop - start for start, stop in zip([0.0, *stops], stops, strict=False)]
    above = [Above(wide, *said) for wide, said in zip(widths, words, strict=True)]
    if scale < _SMALL:
        plain = f"{above[0].plain} (drawn at {10 * scale:.0%} of its size)".strip()
        above[0] = replace(above[0], plain=plain)
    names = tuple(phrase_names(drill, first, widths))
    shown = ", ".join(dict.fromkeys(name.bold for name in names if name.bold))
    label = f"Notes and tab{f' of {shown}' if shown else ''}"
    text = ET.tostring(drawing, encoding="unicode")
    return Line(Drawing(text, WIDTH_MM, height * scale, label), tuple(above), names)


def _finished(drawing: ET.Element, texts: dict[str, str], size: float) -> ET.Element:
    """A drawing cut to what is in it, the places of its tab put in."""
    width, height = (float(number) for number in drawing.get("viewBox", "").split()[2:])
    top, bottom = _extent(drawing)
    top, bottom = top - 8, bottom + 8
    for parent in list(drawing.iter()):
        for child in list(parent):
            if "bounding-box" in child.get("class", "") or child.tag == f"{_SVG}desc":
                parent.remove(child)
    for measure in drawing.iterfind(f".//{_SVG}g[@class='measure']"):
        tab = measure.findall(f"{_SVG}g[@class='staff']")[-1]
        for sign in tab.findall(f"{_SVG}g[@class='meterSig']"):
            tab.remove(sign)
    for note in drawing.iterfind(f".//{_SVG}g[@class='note']"):
        if (text := texts.get(note.get("id", ""))) is not None:
            for span in note.iter(f"{_SVG}tspan"):
                span.text = text
    for finger in drawing.iterfind(f".//{_SVG}g[@class='fing']/{_SVG}text"):
        # A time stamp is where the head begins; a finger stands over its middle.
        finger.set("x", f"{float(finger.get('x', 0)) + FINGER_SHIFT * size:.0f}")
    if (number := drawing.find(f".//{_SVG}g[@class='mNum autogenerated']/{_SVG}text")) is not None:
        # The first stands in line with the words above, where a number of four digits does not reach the clef.
        number.set("text-anchor", "start")
        number.set("x", str(-10 * _LEFT))
    inner = drawing.find(f"{_SVG}svg")
    if inner is not None:
        inner.set("width", f"{width:g}")
        inner.set("height", f"{height:g}")
        inner.attrib.pop("font-family", None)
        inner.set("overflow", "visible")
    drawing.set("viewBox", f"0 {top:.1f} {width:g} {bottom - top:.1f}")
    drawing.set("class", "engraved")
    return drawing


def _extent(drawing: ET.Element) -> tuple[float, float]:
    """The highest and the lowest of all that is drawn."""
    boxes = (box for box in drawing.iter(f"{_SVG}g") if "bounding-box" in box.get("class", ""))
    edges = []
    for rectangle in (each for box in boxes for each in box.findall(f"{_SVG}rect")):
        y, height = float(rectangle.get("y", 0)), float(rectangle.get("height", 0))
        edges += [y, y + height]
    return min(edges) / 10 + _TOP, max(edges) / 10 + _TOP


@frozen
class Bars:
    """The bars of one line, from `first` to before `stop`, how wide they want to be and have to be."""

    first: int
    stop: int
    wanted: float
    least: float


def lines_of(
    counts: Sequence[int], wanted: Sequence[float], least: Sequence[float], room: float, clef: float
) -> list[Bars]:
    """The lines of a drill whose phrases have so many bars; a line that does not begin a phrase has a clef more."""
    lines: list[Bars] = []
    first, whole = 0, False
    for count in counts:
        own = _phrase(first, first + count, wanted, least, room, clef)
        before = lines[-1] if lines else None
        joins = whole and len(own) == 1
        if before and joins and before.wanted + own[0].wanted <= room:
            lines[-1] = Bars(
                before.first, own[0].stop, before.wanted + own[0].wanted, before.least + own[0].least
            )
        else:
            lines += own
            whole = len(own) == 1
        first += count
    return lines


def _phrase(
    first: int, stop: int, wanted: Sequence[float], least: Sequence[float], room: float, clef: float
) -> list[Bars]:
    """A phrase's bars on as few lines as they want."""
    for count in range(1, stop - first + 1):
        lines = list(_even(first, stop, wanted, least, count, clef))
        if all(line.wanted <= room for line in lines):
            break
    return lines


def _even(
    first: int, stop: int, wanted: Sequence[float], least: Sequence[float], count: int, clef: float
) -> Iterator[Bars]:
    """Bars on so many lines, each with about as many as the others."""
    for number in range(count):
        start, end = (first + (stop - first) * step // count for step in (number, number + 1))
        more = clef if number else 0.0
        yield Bars(start, end, sum(wanted[start:end]) + more, sum(least[start:end]) + more)


def bar_words(drill: Drill) -> list[tuple[str, str, str]]:
    """For each bar what stands bold, plain and italic above it."""
    bars = [bar for phrase in drill.phrases for bar in phrase.bars]
    words = []
    for bar, before in zip(bars, [None, *bars], strict=False):
        counting = bar.meter.counting if before is None or bar.meter != before.meter else ""
        count = f"in {counting}" if counting else ""
        bold = ", ".join(word for word in (count, tempo_text(bar, before)) if word)
        dynamics = plain_text(bar.dynamics) if bar.dynamics not in DYNAMICS else ""
        words.append((bold, dynamics, plain_text(bar.cue)))
    return words


def phrase_names(drill: Drill, first: int, widths: Sequence[float]) -> Iterator[Above]:
    """The names of the phrases that begin on a line, each over its bars there; `first` is the line's first bar."""
    owners = [index for index, phrase in enumerate(drill.phrases) for _ in phrase.bars]
    signs = stretches(drill)
    at = 0
    for index, group in groupby(owners[first : first + len(widths)]):
        count = len(list(group))
        phrase = drill.phrases[index]
        begins = first + at == owners.index(index)
        wide = sum(widths[at : at + count])
        at += count
        if begins:
            yield Above(wide, plain_text(phrase.name), _times(drill, signs, index), plain_text(phrase.cue))
        else:
            yield Above(wide)


def _times(drill: Drill, signs: Sequence[Stretch], index: int) -> str:
    """How often a phrase is played with repeat signs around it, said where they close."""
    for sign in signs:
        if sign.times > 1 and sign.last == index:
            since = f"from {plain_text(drill.phrases[sign.first].name)} " if sign.first < index else ""
            return f"({since}x{sign.times})"
    return ""
