"""Notes and rests as elements of MusicXML 4.0.

Conventions: `<fret>` holds whole numbers only, so that 3.2 and 2.7 stand as 3, and an artificial harmonic as its stop;
the place itself stands in `<other-technical>` as the drill writes it (`3.2`, `5<17>`), and as words below the tab
staff. Harmonics have diamond heads, droppable notes heads in parentheses; what rings past its voice's next event has a
let-ring tie.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator

from coach.music.drill import Note
from coach.music.key import Spelling
from coach.score.notated import Head, Symbol
from coach.score.note_values import VALUE_NAMES, NoteValue
from coach.score.write import written_node, written_place
from coach.strings.instrument import Instrument

_SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}


def bar_rest(duration: str, voice: int, staff: int) -> ET.Element:
    """A rest of the whole bar."""
    element = ET.Element("note")
    add(element, "rest", measure="yes")
    for tag, text in (("duration", duration), ("voice", voice), ("staff", staff)):
        add(element, tag, text)
    return element


def note_elements(
    symbol: Symbol, duration: str, voice: int, staff: int, stem: str = "", tab: bool = False
) -> Iterator[ET.Element]:
    """The notes of a chord, or a rest, on a notation staff or, with `tab`, on the tab staff, where rests are hidden."""
    if not symbol.heads:
        element = ET.Element("note", {"print-object": "no"} if tab else {})
        add(element, "rest")
        add(element, "duration", duration)
        add(element, "voice", voice)
        _value(element, symbol.value)
        add(element, "staff", staff)
        yield element
    for index, head in enumerate(symbol.heads):
        yield _note(symbol, head, duration, voice, staff, stem, index > 0, tab)


def _note(
    symbol: Symbol, head: Head, duration: str, voice: int, staff: int, stem: str, chord: bool, tab: bool
) -> ET.Element:
    element = ET.Element("note")
    if chord:
        add(element, "chord")
    add_pitch(add(element, "pitch"), "", head.spelling)
    add(element, "duration", duration)
    ties = [kind for kind, wanted in (("stop", symbol.tied_from), ("start", symbol.tied_on)) if wanted]
    for kind in ties:
        add(element, "tie", type=kind)
    add(element, "voice", voice)
    _value(element, symbol.value, _SIGNS[head.spelling.alter] if head.shows_sign and not tab else "")
    if stem:
        add(element, "stem", stem)
    diamond = head.note.is_harmonic and not tab
    if diamond or head.note.droppable:
        look = {"parentheses": "yes"} if head.note.droppable else {}
        add(element, "notehead", "diamond" if diamond else "normal", **look)
    add(element, "staff", staff)
    if not chord and not tab:
        for level, beam in enumerate(symbol.beams, 1):
            add(element, "beam", beam, number=str(level))
    _notations(element, symbol, head.note, ties, chord, tab)
    return element


def add(parent: ET.Element, tag: str, text: object = None, **attributes: str) -> ET.Element:
    """A new last child, with this text unless it is None."""
    element = ET.SubElement(parent, tag, attributes)
    if text is not None:
        element.text = str(text)
    return element


def add_pitch(parent: ET.Element, prefix: str, spelling: Spelling) -> None:
    add(parent, f"{prefix}step", spelling.letter)
    if spelling.alter:
        add(parent, f"{prefix}alter", spelling.alter)
    add(parent, f"{prefix}octave", spelling.octave)


def _value(element: ET.Element, value: NoteValue, sign: str = "") -> None:
    if value.base:
        add(element, "type", VALUE_NAMES[value.base])
    for _ in range(value.dots):
        add(element, "dot")
    if sign:
        add(element, "accidental", sign)
    if value.actual != 1:
        change = add(element, "time-modification")
        add(change, "actual-notes", value.actual)
        add(change, "normal-notes", value.normal)


def _notations(
    element: ET.Element, symbol: Symbol, note: Note, ties: list[str], chord: bool, tab: bool
) -> None:
    notations = ET.Element("notations")
    for kind in ties:
        add(notations, "tied", type=kind)
    if symbol.rings_on:
        add(notations, "tied", type="let-ring")
    if not chord:
        for kind, wanted in (("start", symbol.tuplet_starts), ("stop", symbol.tuplet_stops)):
            if wanted:
                add(notations, "tuplet", type=kind)
    if tab or not symbol.tied_from:
        technical = add(notations, "technical")
        if note.is_harmonic and not tab:
            harmonic = add(technical, "harmonic")
            add(harmonic, "artificial" if note.is_artificial else "natural")
            add(harmonic, "sounding-pitch")
        for tag, text in _technical(note, tab):
            add(technical, tag, text)
    if len(notations):
        element.append(notations)


def _technical(note: Note, tab: bool) -> Iterator[tuple[str, object]]:
    """What hands and string do, as tags and texts; the tab staff has only the place."""
    if not tab:
        if note.plucking_finger:
            yield "pluck", note.plucking_finger
        for finger in (note.fretting_finger, note.touching_finger):
            if finger:
                yield "fingering", finger
    yield "string", note.string + 1
    yield "fret", _whole_fret(note)
    if not tab:
        yield "other-technical", _place_text(note)


def _whole_fret(note: Note) -> int | None:
    return round(note.node.fret) if note.node and note.fret is None else note.fret


def _place_text(note: Note) -> str:
    """`3.2`, `5<17>`, `3`: as the drill writes it."""
    return written_node(note, note.node) if note.is_natural and note.node else written_place(note)


def tab_labels(symbol: Symbol, instrument: Instrument) -> str:
    """What the whole frets of a chord on the tab staff can't say: `3.2`, `4<16>`; several with their strings."""
    texts = {head.note.string: _place_text(head.note) for head in symbol.heads}
    shown = {head.note.string: str(_whole_fret(head.note)) for head in symbol.heads}
    unlike = {string: text for string, text in sorted(texts.items()) if text != shown[string]}
    if len(set(unlike.values())) == 1 and len(unlike) == len(texts):
        return next(iter(unlike.values()))
    return " ".join(f"{instrument.string_label(string)}:{text}" for string, text in unlike.items())
