"""A drill as MEI, written for an engraver: its notated staves, and under them a tab staff with the places.

Conventions: MEI 5 (music-encoding.org, guidelines 5). Each phrase once, a measure a bar, in the file's order. A pitch
is written where it stands: an octave lower under each 8va, while a clef with an 8 displaces its notes by itself (so
the engraver reads it). A tab staff takes whole numbers only, so that each place stands as a number about as wide, and
`texts` says by the note's id what is to be read there.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby, pairwise

from coach.ground.frozen import frozen
from coach.music.drill import Drill
from coach.music.key import spelling_of
from coach.music.rhythm import count_text
from coach.paper.sheet import place_text
from coach.score.notated import DYNAMICS, Head, NotatedBar, Symbol, notation_of
from coach.score.note_values import NoteValue
from coach.score.played import stretches
from coach.score.staves import Clef
from coach.strings.instrument import Instrument

NAMESPACE = "http://www.music-encoding.org/ns/mei"
_VALUES = {Fraction(4): "long", Fraction(2): "breve"}
_SIGNS = {-2: "ff", -1: "f", 0: "n", 1: "s", 2: "x"}
_GESTURES = {2: "ss"}
"""Signs that MEI names otherwise where they sound without being printed."""
_EM = {"(": 0.333, ")": 0.333, "‹": 0.333, "›": 0.333, ".": 0.25, "/": 0.278}
"""How wide letters of the tab are beside their size, in Times; digits are half of it."""
_MOST_DIGITS = 9
_FINEST = 1024


@dataclass(frozen=True)
class MeiScore:
    """The measures of a drill, what stands before them, and the texts of the tab by the ids of their notes."""

    head: ET.Element
    measures: tuple[tuple[ET.Element, ...], ...]
    """For each bar its measure, after changes of key and meter."""
    texts: dict[str, str]

    def text(self, breaks: Sequence[int] = ()) -> str:
        """The whole file; each of the `breaks` is the index of a bar that begins a page."""
        root = ET.Element("mei", {"xmlns": NAMESPACE, "meiversion": "5.0"})
        description = ET.SubElement(ET.SubElement(root, "meiHead"), "fileDesc")
        ET.SubElement(ET.SubElement(description, "titleStmt"), "title")
        ET.SubElement(description, "pubStmt")
        music = ET.SubElement(ET.SubElement(root, "music"), "body")
        score = ET.SubElement(ET.SubElement(music, "mdiv"), "score")
        score.append(self.head)
        section = ET.SubElement(score, "section")
        for index, elements in enumerate(self.measures):
            if index in breaks:
                ET.SubElement(section, "pb")
            section.extend(elements)
        return ET.tostring(root, encoding="unicode")


def mei_score(drill: Drill, count: bool = True) -> MeiScore:
    """The drill as MEI, with or without the counting below its tab."""
    notation = notation_of(drill)
    bars = [bar for phrase in notation.phrases for bar in phrase]
    texts: dict[str, str] = {}
    tab = len(notation.staves.clefs) + 1
    measures, first = [], 0
    for phrase in notation.phrases:
        own = [
            ET.Element("measure", {"xml:id": f"b{first + at}", "n": str(bar.number)})
            for at, bar in enumerate(phrase)
        ]
        places: dict[tuple[str, int], list[Placed]] = {}
        for at, (bar, measure) in enumerate(zip(phrase, own, strict=True)):
            _staves(measure, bar, f"b{first + at}", tab, texts, places)
            if bar.bar.dynamics in DYNAMICS:
                sign = ET.SubElement(measure, "dynam", {"staff": "1", "tstamp": "1", "place": "below"})
                sign.text = bar.bar.dynamics
            if count:
                _count(measure, bar, tab)
        for (_, staff), strand in places.items():
            _marks(strand, staff, tab - 1)
        _octaves(places)
        measures += own
        first += len(own)
    _bar_lines(drill, measures)
    changes = [_changes(before, after) for before, after in pairwise([bars[0], *bars])]
    joined = tuple((*change, measure) for change, measure in zip(changes, measures, strict=True))
    return MeiScore(_head(drill.instrument, notation.staves.clefs, bars[0]), joined, texts)


def _head(instrument: Instrument, clefs: Sequence[Clef], first: NotatedBar) -> ET.Element:
    head = ET.Element("scoreDef", {**_key(first), **_meter(first)})
    group = ET.SubElement(head, "staffGrp", {"symbol": "line", "bar.thru": "true"})
    for number, clef in enumerate(clefs, 1):
        staff = {"n": str(number), "lines": "5", "clef.shape": clef.sign, "clef.line": str(clef.line)}
        if clef.octave:
            side = "below" if clef.octave < 0 else "above"
            staff |= {"clef.dis": str(7 * abs(clef.octave) + 1), "clef.dis.place": side}
        ET.SubElement(group, "staffDef", staff)
    strings = instrument.strings
    staff = {"n": str(len(clefs) + 1), "lines": str(len(strings))}
    staff |= {"notationtype": "tab.guitar", "clef.shape": "TAB"}
    tuning = ET.SubElement(ET.SubElement(group, "staffDef", staff), "tuning")
    for number, string in enumerate(strings, 1):
        spelling = spelling_of(string.midi, None, string.name)
        course = {"n": str(number), "pname": spelling.letter.lower(), "oct": str(spelling.octave)}
        if spelling.alter:
            course["accid"] = _SIGNS[spelling.alter]
        ET.SubElement(tuning, "course", course)
    return head


def _changes(before: NotatedBar, after: NotatedBar) -> tuple[ET.Element, ...]:
    """What a new key or meter needs before its bar."""
    new: dict[str, str] = {}
    for attributes in (_key, _meter):
        if attributes(after) != attributes(before):
            new |= attributes(after)
    return (ET.Element("scoreDef", new),) if new else ()


def _key(bar: NotatedBar) -> dict[str, str]:
    fifths = bar.bar.key.fifths if bar.bar.key else 0
    return {"keysig": f"{abs(fifths)}{'s' if fifths > 0 else 'f'}" if fifths else "0"}


def _meter(bar: NotatedBar) -> dict[str, str]:
    meter = bar.bar.meter
    grouped = len(meter.groups) > 1 and meter.beats == meter.numerator
    count = "+".join(map(str, meter.groups)) if grouped else str(meter.numerator)
    return {"meter.count": count, "meter.unit": str(meter.denominator)}


def _bar_lines(drill: Drill, measures: Sequence[ET.Element]) -> None:
    starts = [0]
    for phrase in drill.phrases:
        starts.append(starts[-1] + len(phrase.bars))
        measures[starts[-1] - 1].set("right", "dbl")
    measures[-1].set("right", "end")
    for stretch in stretches(drill):
        if stretch.times > 1:
            measures[starts[stretch.first]].set("left", "rptstart")
            measures[starts[stretch.last + 1] - 1].set("right", "rptend")


def _staves(
    measure: ET.Element,
    bar: NotatedBar,
    name: str,
    tab: int,
    texts: dict[str, str],
    places: dict[tuple[str, int], list[Placed]],
) -> None:
    """The staves of a bar with their voices, and the tab below; each symbol goes to `places`, by layer and staff."""
    full = bar.bar.meter.beats * bar.bar.meter.beat_whole
    for number in range(1, tab):
        staff = ET.SubElement(measure, "staff", {"n": str(number)})
        voices = [voice for voice in bar.voices if voice.staff == number - 1]
        for layer, voice in enumerate(voices, 1):
            element = ET.SubElement(staff, "layer", {"n": str(layer)})
            if voice.symbols[0].event is None and voice.symbols[0].value.length == full:
                ET.SubElement(element, "mRest")
                continue
            placed = [
                Placed(f"{name}-{number}-{layer}-{at}", measure, symbol, bar)
                for at, symbol in enumerate(voice.symbols)
            ]
            symbols = [_symbol(one.symbol, one.name) for one in placed]
            _nest(element, voice.symbols, symbols, beamed=True)
            places.setdefault((voice.layer, voice.staff), []).extend(placed)
    staff = ET.SubElement(measure, "staff", {"n": str(tab)})
    for layer, voice in enumerate(bar.voices, 1):
        element = ET.SubElement(staff, "layer", {"n": str(layer)})
        groups = [
            _tab_group(symbol, f"{name}-t-{layer}-{at}", texts) for at, symbol in enumerate(voice.symbols)
        ]
        _nest(element, voice.symbols, groups, beamed=False)


def _nest(
    parent: ET.Element, symbols: Sequence[Symbol], elements: Sequence[ET.Element], beamed: bool
) -> None:
    """The elements in order, with tuplets and beams around those that belong together.

    Elements can't cross, so that a beam over the edge of a tuplet ends there.
    """
    numbered = zip(_runs(symbols), symbols, elements, strict=True)
    for _, group in groupby(numbered, key=lambda one: one[0]):
        run = [(symbol, element) for _, symbol, element in group]
        value, around = run[0][0].value, parent
        if value.actual != 1:
            counts = {"num": str(value.actual), "numbase": str(value.normal)}
            hidden = {} if beamed else {"num.visible": "false", "bracket.visible": "false"}
            around = ET.SubElement(parent, "tuplet", counts | hidden)
        beam: ET.Element | None = None
        for index, (symbol, element) in enumerate(run):
            joins = beamed and symbol.beams and symbol.beams[0] in ("begin", "continue", "end")
            following = run[index + 1][0].beams if index + 1 < len(run) else ()
            if joins and beam is None and following and following[0] in ("continue", "end"):
                beam = ET.SubElement(around, "beam")
            (around if beam is None else beam).append(element)
            if beam is not None and symbol.beams[0] == "end":
                beam = None


def _runs(symbols: Sequence[Symbol]) -> Iterator[int]:
    """A number for each symbol, the same for neighbours of one tuplet and for those between tuplets."""
    number = 0
    for before, symbol in pairwise([symbols[0], *symbols]):
        apart = (before.value.actual != 1) != (symbol.value.actual != 1)
        number += symbol.tuplet_starts or before.tuplet_stops or apart
        yield number


def _look(value: NoteValue) -> dict[str, str]:
    """Value and dots as attributes; what is shorter than any value stands as the shortest."""
    shown = _VALUES.get(value.base) or str(value.base.denominator if value.base else _FINEST)
    return {"dur": shown} | ({"dots": str(value.dots)} if value.dots else {})


def _symbol(symbol: Symbol, name: str) -> ET.Element:
    look = _look(symbol.value)
    if symbol.event is None:
        return ET.Element("rest", look)
    if len(symbol.heads) == 1:
        return _note(symbol, symbol.heads[0], f"{name}-0", look)
    chord = ET.Element("chord", look)
    chord.extend(_note(symbol, head, f"{name}-{at}", {}) for at, head in enumerate(symbol.heads))
    return chord


def _note(symbol: Symbol, head: Head, name: str, look: dict[str, str]) -> ET.Element:
    spelling = head.spelling
    octave = str(spelling.octave - symbol.octaves_up)
    note = {"xml:id": name, "pname": spelling.letter.lower(), "oct": octave, **look}
    if symbol.octaves_up:
        note["oct.ges"] = str(spelling.octave)
    if head.shows_sign:
        note["accid"] = _SIGNS[spelling.alter]
    elif spelling.alter:
        note["accid.ges"] = _GESTURES.get(spelling.alter, _SIGNS[spelling.alter])
    if head.note.is_harmonic:
        note["head.shape"] = "diamond"
    if head.note.droppable:
        note["head.mod"] = "paren"
    return ET.Element("note", note)


def _tab_group(symbol: Symbol, name: str, texts: dict[str, str]) -> ET.Element:
    """What is struck on the tab staff at a symbol; a rest and the rest of a tied note are space."""
    look = _look(symbol.value)
    if symbol.event is None or symbol.tied_from:
        return ET.Element("space", look)
    group = ET.Element("tabGrp", look)
    for at, head in enumerate(symbol.heads):
        text = place_text(head.note)
        wide = sum(_EM.get(letter, 0.5) for letter in text) / 0.5
        digits = min(max(1, -int(-(wide - 0.2) // 1)), _MOST_DIGITS)
        texts[f"{name}-{at}"] = text
        course = str(head.note.string + 1)
        note = {"xml:id": f"{name}-{at}", "tab.course": course, "tab.fret": "8" * digits}
        ET.SubElement(group, "note", note)
    return group


def _count(measure: ET.Element, bar: NotatedBar, tab: int) -> None:
    """Below the tab how players count: each beat by its number, and for an event between them `e`, `&` or `a`."""
    played = bar.bar
    between = (event.beat for event in played.events if event.beat.denominator in (2, 4))
    for beat in sorted({*played.counted, *between}):
        stamp = float(1 + played.into(beat) * played.meter.denominator)
        sign = ET.SubElement(measure, "harm", {"staff": str(tab), "tstamp": f"{stamp:.5g}", "place": "below"})
        text = count_text(beat)
        whole = beat.denominator == 1
        ET.SubElement(sign, "rend", {"fontsize": "60%"}).text = text if whole else text[-1]


@frozen
class Placed:
    """A symbol with the id of its first note, the measure that it stands in, and where there it begins."""

    name: str
    measure: ET.Element
    symbol: Symbol
    bar: NotatedBar


def _marks(strand: Sequence[Placed], staff: int, staves: int) -> None:
    """Ties, fingers, and the arcs of what rings on, of one layer on one staff."""
    below = staff == staves - 1 and staves > 1
    for at, place in enumerate(strand):
        symbol = place.symbol
        # An arc goes where no finger stands.
        fingers = any(head.note.finger_text for head in symbol.heads)
        away = {"curvedir": "above" if below else "below"} if fingers else {}
        for number in range(len(symbol.heads)):
            start = {"startid": f"#{place.name}-{number}"}
            if symbol.tied_on and at + 1 < len(strand):
                end = {"endid": f"#{strand[at + 1].name}-{number}"}
                ET.SubElement(place.measure, "tie", start | end)
            if symbol.rings_on:
                end = {"tstamp2": f"0m+{_stamp(place, Fraction(1, 2))}"}
                ET.SubElement(place.measure, "lv", start | end | away)
        if not symbol.tied_from:
            _fingers(place, staff, below)


def _fingers(place: Placed, staff: int, below: bool) -> None:
    """The fingers of a symbol's notes, which stand away from the staff in the order of the notes."""
    # With a time and not a note's id the engraver keeps it off the stem.
    where = {"staff": str(staff + 1), "tstamp": _stamp(place, Fraction(0))}
    for head in sorted(place.symbol.heads, key=lambda head: head.spelling.midi, reverse=below):
        if text := head.note.finger_text:
            finger = ET.SubElement(place.measure, "fing", {**where, "place": "below" if below else "above"})
            finger.text = text


def _stamp(place: Placed, part: Fraction) -> str:
    """A part of a symbol's length after its beginning as a time stamp: beats of the meter's lower number, from 1."""
    after = place.symbol.onset + place.symbol.value.length * part
    return f"{float(after * place.bar.bar.meter.denominator + 1):.4f}"


def _octaves(places: Mapping[tuple[str, int], Sequence[Placed]]) -> None:
    """The octave lines of each staff: runs of notes that are written so much lower."""
    staves: dict[int, list[Placed]] = {}
    for (_, staff), strand in places.items():
        staves.setdefault(staff, []).extend(place for place in strand if place.symbol.event)
    for staff, moments in sorted(staves.items()):
        moments.sort(key=lambda place: place.bar.start + place.symbol.onset)
        for up, run in groupby(moments, key=lambda place: place.symbol.octaves_up):
            if up:
                members = list(run)
                line = {"dis": str(7 * up + 1), "dis.place": "above", "staff": str(staff + 1)}
                ends = {"startid": f"#{members[0].name}-0", "endid": f"#{members[-1].name}-0"}
                ET.SubElement(members[0].measure, "octave", line | ends)
