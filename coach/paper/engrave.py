"""A drill's MEI as engraved lines of music, by the library `verovio`.

Conventions: a drawing's units are tenths of a mm on paper. The engraver is asked twice: once for how wide each bar
wants to be, then with the line breaks that follow from it, each line as a page of its own. Words above bars are not
its business: it never widens a bar for them, so that `Line` has them with the widths of the bars.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import verovio

from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill
from coach.paper.mei import DYNAMICS, MeiScore, mei_score
from coach.paper.played import stretches
from coach.paper.sheet import WIDTH_MM, Above, Drawing, Line

SIZES = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
"""Half a staff space in tenths of a mm, the largest first: a staff is 7.2 to 4.8 mm high."""
_SVG = "{http://www.w3.org/2000/svg}"
_LEFT, _RIGHT, _TOP = 30, 4, 500
_AIR = 1.2
"""How much wider than the engraver's least a bar is wanted."""
_WORDS, _BARE = 370.0, 150.0
"""Least widths of a bar with and without words above it."""
_WIDEST = 100_000

# It writes to standard error by itself, past every rule of what may stand there.
verovio.enableLog(verovio.LOG_OFF)


@dataclass(frozen=True, slots=True)
class _Bars:
    """The bars of one line of music, by their indices in the drill, and how wide they want to be."""

    first: int
    stop: int
    wanted: float
    least: float


def engraved_lines(drill: Drill, size: float, score: MeiScore | None = None) -> tuple[Line, ...]:
    """The lines of music of a whole drill, in one of `SIZES`."""
    score = score or mei_score(drill)
    room = 10 * WIDTH_MM - _LEFT - _RIGHT
    bars = [bar for phrase in drill.phrases for bar in phrase.bars]
    counts = [len(phrase.bars) for phrase in drill.phrases]
    lines = _lines(
        counts,
        [bool(_words(drill, bars, index)) for index in range(len(bars))],
        _natural(score, counts, size),
        room,
        size,
    )
    breaks = [line.first for line in lines]
    fitting = _pages(score.text(breaks), size, 10 * WIDTH_MM)
    wide = [line for line in lines if line.least > room]
    widest = max((line.least for line in wide), default=0.0) + _LEFT + _RIGHT
    squeezed = _pages(score.text(breaks), size, min(widest, _WIDEST)) if wide else fitting
    return tuple(
        _line(drill, bars, line, (squeezed if line in wide else fitting)[index], score.texts, size)
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


def _pages(text: str, size: float, width: float) -> list[ET.Element]:
    """Each page of a file as its drawing."""
    toolkit = _toolkit(text, size, width)
    return [ET.fromstring(toolkit.renderToSVG(page)) for page in range(1, toolkit.getPageCount() + 1)]


def _natural(score: MeiScore, counts: Sequence[int], size: float) -> list[float]:
    """How wide the engraver sets each bar where it is free to, with a clef at the first of each phrase."""
    firsts = [sum(counts[:index]) for index in range(len(counts))]
    toolkit = _toolkit(score.text(firsts), size, _WIDEST, noJustification=True)
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


def _lines(
    counts: Sequence[int], with_words: Sequence[bool], natural: Sequence[float], room: float, size: float
) -> list[_Bars]:
    """Bars as lines: a line has bars of one phrase, or several whole phrases that fit."""
    clef = 12 * size
    wanted = [
        max(_AIR * width, _WORDS if words else _BARE)
        for width, words in zip(natural, with_words, strict=True)
    ]
    lines: list[_Bars] = []
    first = 0
    whole = False
    for count in counts:
        stop = first + count
        own = _phrase_lines(first, stop, wanted, natural, room, clef)
        before = lines[-1] if lines else None
        if whole and before and len(own) == 1 and before.wanted + own[0].wanted <= room:
            lines[-1] = _Bars(before.first, stop, before.wanted + own[0].wanted, before.least + own[0].least)
        else:
            lines += own
            whole = len(own) == 1
        first = stop
    return lines


def _phrase_lines(
    first: int, stop: int, wanted: Sequence[float], natural: Sequence[float], room: float, clef: float
) -> list[_Bars]:
    """A phrase's bars on as few lines as they want, all about as full."""
    count = 1
    while True:
        lines = list(_even(first, stop, wanted, natural, count, clef))
        if count >= stop - first or all(line.wanted <= room for line in lines):
            return lines
        count += 1


def _even(
    first: int, stop: int, wanted: Sequence[float], natural: Sequence[float], count: int, clef: float
) -> Iterator[_Bars]:
    """Bars on so many lines, each with about as many as the others."""
    for number in range(count):
        start, end = (first + (stop - first) * step // count for step in (number, number + 1))
        more = clef if number else 0.0
        yield _Bars(start, end, sum(wanted[start:end]) + more, sum(natural[start:end]) + more)


def _line(
    drill: Drill, bars: Sequence[Bar], line: _Bars, drawing: ET.Element, texts: dict[str, str], size: float
) -> Line:
    edges = _edges(drawing)
    width = float(drawing.get("viewBox", "").split()[2])
    scale = 10 * WIDTH_MM / width / 10
    stops = [(stop + _LEFT) * scale for _, stop in edges]
    # Words may run on beside a line that ends early.
    stops[-1] = WIDTH_MM
    widths = [stop - start for start, stop in zip([0.0, *stops], stops, strict=False)]
    names = [phrase.name for phrase in drill.phrases]
    label = f"Bars of {', '.join(dict.fromkeys(names[at] for at, _ in _phrases(drill, line)))}"
    text, height = _finished(drawing, texts, size)
    above = tuple(
        Above(wide, *_words(drill, bars, index))
        for index, wide in zip(range(line.first, line.stop), widths, strict=True)
    )
    return Line(Drawing(text, WIDTH_MM, height * scale, label), above, tuple(_names(drill, line, widths)))


def _phrases(drill: Drill, line: _Bars) -> Iterator[tuple[int, int]]:
    """Each phrase of a line by its index, with how many bars it has there."""
    first = 0
    for index, phrase in enumerate(drill.phrases):
        shared = min(line.stop, first + len(phrase.bars)) - max(line.first, first)
        if shared > 0:
            yield index, shared
        first += len(phrase.bars)


def _names(drill: Drill, line: _Bars, widths: Sequence[float]) -> Iterator[Above]:
    """The names of the phrases that begin on a line, over their bars."""
    starts = {}
    first = 0
    for index, phrase in enumerate(drill.phrases):
        starts[index] = first
        first += len(phrase.bars)
    at = 0
    for index, count in _phrases(drill, line):
        wide = sum(widths[at : at + count])
        at += count
        phrase = drill.phrases[index]
        if starts[index] >= line.first:
            yield Above(wide, plain_text(phrase.name), _times(drill, index), plain_text(phrase.cue))
        else:
            yield Above(wide)


def _times(drill: Drill, index: int) -> str:
    """How often a phrase is played with repeat signs around it, said where they close."""
    for stretch in stretches(drill):
        if stretch.times > 1 and stretch.last == index:
            since = f"from {plain_text(drill.phrases[stretch.first].name)} " if stretch.first < index else ""
            return f"({since}x{stretch.times})"
    return ""


def _words(drill: Drill, bars: Sequence[Bar], index: int) -> tuple[str, str, str]:
    """What stands bold, plain and italic above a bar; all empty where nothing does."""
    bar, before = bars[index], bars[index - 1] if index else None
    bold = []
    if before is None or bar.meter != before.meter:
        _, counted, rest = str(bar.meter).partition(" in ")
        bold += [f"in {rest}"] if counted else []
    before_ratio = before.stop_ratio if before else Fraction(1)
    if bar.start_ratio != bar.stop_ratio:
        bold.append(f"{_percent(bar.start_ratio)} to {_percent(bar.stop_ratio)} %")
    elif bar.start_ratio != before_ratio:
        bold.append(f"{_percent(bar.start_ratio)} %")
    dynamics = plain_text(bar.dynamics) if bar.dynamics not in DYNAMICS else ""
    return ", ".join(bold), dynamics, plain_text(bar.cue)


def _percent(ratio: Fraction) -> str:
    return f"{float(ratio * 100):g}"


def _finished(drawing: ET.Element, texts: dict[str, str], size: float) -> tuple[str, float]:
    """A drawing as text, cut to what is in it, the places of its tab put in; and its height."""
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
        finger.set("x", f"{float(finger.get('x', 0)) + 11.8 * size:.0f}")
    inner = drawing.find(f"{_SVG}svg")
    if inner is not None:
        inner.set("width", f"{width:g}")
        inner.set("height", f"{height:g}")
        inner.attrib.pop("font-family", None)
        inner.set("overflow", "visible")
    drawing.set("viewBox", f"0 {top:.1f} {width:g} {bottom - top:.1f}")
    drawing.set("class", "engraved")
    ET.register_namespace("", _SVG[1:-1])
    ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    return ET.tostring(drawing, encoding="unicode"), bottom - top


def _extent(drawing: ET.Element) -> tuple[float, float]:
    """The highest and the lowest of all that is drawn."""
    tops, bottoms = [], []
    for box in drawing.iter(f"{_SVG}g"):
        if "bounding-box" in box.get("class", ""):
            for rectangle in box.findall(f"{_SVG}rect"):
                y, height = float(rectangle.get("y", 0)), float(rectangle.get("height", 0))
                tops.append(y)
                bottoms.append(y + height)
    return min(tops) / 10 + _TOP, max(bottoms) / 10 + _TOP
