"""A drill as MusicXML 4.0: one part with a notation staff and a tab staff that shows the same notes.

Conventions: each phrase once, in the file's order, with a rehearsal mark; each layer a voice. `<pitch>` is the
sounding pitch of a harmonic (`<sounding-pitch/>`), with the octave transposition of basses (written an octave above
sounding). `<fret>` holds whole numbers only (MusicXML 4.0), so that the node 3.2 stands as fret 3 with
`<other-technical>` 3.2 beside it. A note that outlasts its layer's next event is cut there and marked as ringing on
(`<tied type="let-ring"/>`). Droppable notes have their heads in parentheses.

What the format can't carry: the easier version beyond those parentheses, `damp`, click pattern, assignment, ids, a
hold longer than to the layer's next event, the two tempos of the ladder (the file has the rung asked for).
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice, takewhile
from operator import attrgetter

from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill, Event, Note, Phrase
from coach.score.music import sounding_note
from coach.score.write import written_node, written_place
from coach.strings.units import note_name

VERSION = "4.0"
PUBLIC_ID = '"-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd"'
_TYPES = {
    Fraction(4): "long", Fraction(2): "breve", Fraction(1): "whole", Fraction(1, 2): "half", Fraction(1, 4): "quarter",
    Fraction(1, 8): "eighth", Fraction(1, 16): "16th", Fraction(1, 32): "32nd", Fraction(1, 64): "64th",
}  # fmt: skip
_DYNAMICS = {"pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff", "sf", "sfz", "fp"}
_BASS_BELOW_MIDI = 36
"""Instruments whose lowest string is below C2 are written an octave above where they sound (common practice)."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """One notatable stretch of a note or rest: whole notes long, with its look."""

    length: Fraction
    kind: str
    dots: int
    actual: int
    normal: int


def musicxml_text(drill: Drill, tempo_bpm: int) -> str:
    """The drill as the text of an uncompressed MusicXML file, at a rung's tempo."""
    root = ET.Element("score-partwise", version=VERSION)
    ET.SubElement(ET.SubElement(root, "work"), "work-title").text = plain_text(drill.title)
    identification = ET.SubElement(root, "identification")
    if drill.composer:
        ET.SubElement(identification, "creator", type="composer").text = plain_text(drill.composer)
    encoding = ET.SubElement(identification, "encoding")
    ET.SubElement(encoding, "software").text = "Wellrung"
    names = {phrase.id: plain_text(phrase.name) for phrase in drill.phrases}
    other = ET.SubElement(identification, "miscellaneous")
    for name, text in (
        ("layers", ", ".join(drill.layers)),
        ("scale_mm", f"{drill.instrument.scale_mm:g}"),
        ("order", ", ".join(names[phrase] for phrase in drill.order)),
    ):
        if text:
            ET.SubElement(other, "miscellaneous-field", name=name).text = text
    part_list = ET.SubElement(root, "part-list")
    score_part = ET.SubElement(part_list, "score-part", id="P1")
    ET.SubElement(score_part, "part-name").text = plain_text(drill.title)
    part = ET.SubElement(root, "part", id="P1")
    writer = _Writer(drill, tempo_bpm)
    for phrase in drill.phrases:
        writer.phrase(part, phrase)
    last = part[-1]
    barline = ET.SubElement(last, "barline", location="right")
    ET.SubElement(barline, "bar-style").text = "light-heavy"
    ET.indent(root)
    body = ET.tostring(root, encoding="unicode")
    head = '<?xml version="1.0" encoding="UTF-8"?>\n'
    return f"{head}<!DOCTYPE score-partwise PUBLIC {PUBLIC_ID}>\n{body}\n"


class _Writer:
    """Writes measures one after another; remembers meter, tempo and number."""

    def __init__(self, drill: Drill, tempo_bpm: int) -> None:
        self.drill = drill
        self.tempo_bpm = tempo_bpm
        self.number = 0
        self.meter: object = None
        self.ratio: Fraction | None = None
        self.gradual = False
        strings = drill.instrument.strings
        self.octave = 12 if min(string.midi for string in strings) < _BASS_BELOW_MIDI else 0
        self.divisions = _divisions(drill)
        self.layers = drill.layers
        self.high = self._median_pitch() >= 60

    def _median_pitch(self) -> int:
        pitches = sorted(
            self.pitch(note) + self.octave
            for phrase in self.drill.phrases
            for bar in phrase.bars
            for event in bar.events
            for note in event.notes
        )
        return pitches[len(pitches) // 2] if pitches else 60

    def pitch(self, note: Note) -> int:
        """The sounding pitch as a MIDI number, the nearest equal-tempered one."""
        stopped_midi = self.drill.instrument.strings[note.string].midi + note.stop
        return stopped_midi if note.node is None else sounding_note(stopped_midi, note.node)

    def phrase(self, part: ET.Element, phrase: Phrase) -> None:
        """Append the phrase's measures to the part."""
        stretches = {layer: list(_stretches(phrase, layer)) for layer in phrase.layers}
        start = Fraction(0)
        for index, bar in enumerate(phrase.bars):
            length = bar.length * bar.meter.beat_whole
            pickup = bar.length != bar.meter.beats
            if not (pickup and self.number == 0):
                self.number += 1
            measure = ET.SubElement(part, "measure", number=str(self.number))
            if pickup:
                measure.set("implicit", "yes")
            first = len(part) == 1
            self._attributes(measure, bar, first)
            self._directions(measure, bar, phrase if index == 0 else None)
            written = 0
            for staff in (1, 2):
                for layer in phrase.layers:
                    if written:
                        ET.SubElement(ET.SubElement(measure, "backup"), "duration").text = self._duration(
                            length
                        )
                    self._voice(measure, stretches[layer], start, length, staff, layer)
                    written += 1
            start += length
        if phrase is not self.drill.phrases[-1]:
            barline = ET.SubElement(part[-1], "barline", location="right")
            ET.SubElement(barline, "bar-style").text = "light-light"

    def _attributes(self, measure: ET.Element, bar: Bar, first: bool) -> None:
        if not first and bar.meter == self.meter:
            return
        attributes = ET.SubElement(measure, "attributes")
        if first:
            ET.SubElement(attributes, "divisions").text = str(self.divisions)
            key = ET.SubElement(attributes, "key")
            ET.SubElement(key, "fifths").text = "0"
        time = ET.SubElement(attributes, "time")
        grouped = len(bar.meter.groups) > 1
        shown = "+".join(map(str, bar.meter.groups)) if grouped else str(bar.meter.numerator)
        ET.SubElement(time, "beats").text = shown
        ET.SubElement(time, "beat-type").text = str(bar.meter.denominator)
        self.meter = bar.meter
        if not first:
            return
        ET.SubElement(attributes, "staves").text = "2"
        clef = ET.SubElement(attributes, "clef", number="1")
        ET.SubElement(clef, "sign").text = "G" if self.high else "F"
        ET.SubElement(clef, "line").text = "2" if self.high else "4"
        strings = self.drill.instrument.strings
        tab = ET.SubElement(attributes, "clef", number="2")
        ET.SubElement(tab, "sign").text = "TAB"
        ET.SubElement(tab, "line").text = str(max(1, (len(strings) + 1) // 2))
        details = ET.SubElement(attributes, "staff-details", number="2")
        ET.SubElement(details, "staff-lines").text = str(len(strings))
        # Line 1 is the bottom line, the lowest string.
        for line, string in enumerate(reversed(strings), 1):
            tuning = ET.SubElement(details, "staff-tuning", line=str(line))
            _pitch(tuning, string.midi, "tuning-")
        if self.octave:
            for staff in ("1", "2"):
                transpose = ET.SubElement(attributes, "transpose", number=staff)
                ET.SubElement(transpose, "diatonic").text = "0"
                ET.SubElement(transpose, "chromatic").text = "0"
                ET.SubElement(transpose, "octave-change").text = "-1"

    def _directions(self, measure: ET.Element, bar: Bar, phrase: Phrase | None) -> None:
        if phrase is not None:
            mark = _direction(measure, "above")
            ET.SubElement(mark, "rehearsal").text = plain_text(phrase.name)
            if phrase.cue:
                ET.SubElement(_direction(measure, "above"), "words").text = plain_text(phrase.cue)
        if self.ratio is None or self.gradual or bar.start_ratio != self.ratio:
            self._tempo(measure, bar.start_ratio)
        if bar.stop_ratio != bar.start_ratio:
            word = "ritardando" if bar.stop_ratio < bar.start_ratio else "accelerando"
            text = f"{word} to {float(bar.stop_ratio * 100):g}%"
            ET.SubElement(_direction(measure, "above"), "words").text = text
        self.ratio, self.gradual = bar.stop_ratio, bar.stop_ratio != bar.start_ratio
        if bar.dynamics:
            kind = _direction(measure, "below")
            if bar.dynamics in _DYNAMICS:
                ET.SubElement(ET.SubElement(kind, "dynamics"), bar.dynamics)
            else:
                ET.SubElement(kind, "words").text = plain_text(bar.dynamics)
        if bar.cue:
            ET.SubElement(_direction(measure, "above"), "words").text = plain_text(bar.cue)

    def _tempo(self, measure: ET.Element, ratio: Fraction) -> None:
        kind = _direction(measure, "above")
        beat = self.drill.tempo.beat_whole
        piece = next(iter(_pieces(beat)))
        metronome = ET.SubElement(kind, "metronome")
        if piece.length == beat and piece.actual == 1 and piece.dots <= 1:
            ET.SubElement(metronome, "beat-unit").text = piece.kind
            for _ in range(piece.dots):
                ET.SubElement(metronome, "beat-unit-dot")
            per_minute = self.tempo_bpm * ratio
        else:
            ET.SubElement(metronome, "beat-unit").text = "quarter"
            per_minute = self.tempo_bpm * ratio * beat * 4
        ET.SubElement(metronome, "per-minute").text = f"{float(per_minute):.6g}"
        quarters = f"{float(self.tempo_bpm * ratio * beat * 4):.10g}"
        direction = measure[-1]
        ET.SubElement(direction, "sound", tempo=quarters)

    def _duration(self, length: Fraction) -> str:
        return str(int(length * 4 * self.divisions))

    def _voice(
        self,
        measure: ET.Element,
        stretches: list[_Stretch],
        start: Fraction,
        length: Fraction,
        staff: int,
        layer: str,
    ) -> None:
        """One layer's notes and rests of one bar, on one staff."""
        voice = str(self.layers.index(layer) + 1 + (len(self.layers) if staff == 2 else 0))
        at, end = start, start + length
        # One ends before the next begins, so that only the one before this bar can reach into it.
        first = max(0, bisect_right(stretches, start, key=attrgetter("start")) - 1)
        for stretch in takewhile(lambda one: one.start < end, islice(stretches, first, None)):
            if stretch.stop <= start:
                continue
            begin, stop = max(stretch.start, start), min(stretch.stop, end)
            self._rest(measure, begin - at, voice, staff)
            pieces = list(_pieces(stop - begin))
            for index, piece in enumerate(pieces):
                tie_start = index < len(pieces) - 1 or stretch.stop > end
                tie_stop = index > 0 or stretch.start < start
                for number, note in enumerate(stretch.event.notes):
                    self._note(measure, stretch, note, piece, number > 0, tie_start, tie_stop, voice, staff)
            at = stop
        self._rest(measure, end - at, voice, staff)

    def _rest(self, measure: ET.Element, length: Fraction, voice: str, staff: int) -> None:
        if length <= 0:
            return
        for piece in _pieces(length):
            element = ET.SubElement(measure, "note")
            ET.SubElement(element, "rest")
            self._look(element, piece, voice, staff)

    def _look(
        self,
        element: ET.Element,
        piece: _Piece,
        voice: str,
        staff: int,
        ties: Sequence[str] = (),
        notehead: str = "",
    ) -> None:
        """What a note and a rest have in common, in the order that the standard asks for."""
        ET.SubElement(element, "duration").text = self._duration(piece.length)
        for kind in ties:
            ET.SubElement(element, "tie", type=kind)
        ET.SubElement(element, "voice").text = voice
        if piece.kind:
            ET.SubElement(element, "type").text = piece.kind
            for _ in range(piece.dots):
                ET.SubElement(element, "dot")
        if piece.actual != 1:
            change = ET.SubElement(element, "time-modification")
            ET.SubElement(change, "actual-notes").text = str(piece.actual)
            ET.SubElement(change, "normal-notes").text = str(piece.normal)
        if notehead:
            head = ET.SubElement(element, "notehead", parentheses="yes")
            head.text = notehead
        ET.SubElement(element, "staff").text = str(staff)

    def _note(
        self, measure: ET.Element, stretch: _Stretch, note: Note, piece: _Piece, chord: bool,
        tie_start: bool, tie_stop: bool, voice: str, staff: int,
    ) -> None:  # fmt: skip
        element = ET.SubElement(measure, "note")
        if chord:
            ET.SubElement(element, "chord")
        _pitch(ET.SubElement(element, "pitch"), self.pitch(note) + self.octave)
        ties = [kind for kind, wanted in (("stop", tie_stop), ("start", tie_start)) if wanted]
        self._look(element, piece, voice, staff, ties, "normal" if note.droppable else "")
        notations = ET.SubElement(element, "notations")
        for kind in ties:
            ET.SubElement(notations, "tied", type=kind)
        if stretch.rings_on and not tie_start:
            ET.SubElement(notations, "tied", type="let-ring")
        technical = ET.SubElement(notations, "technical")
        if note.is_harmonic:
            harmonic = ET.SubElement(technical, "harmonic")
            ET.SubElement(harmonic, "artificial" if note.is_artificial else "natural")
            ET.SubElement(harmonic, "sounding-pitch")
        if note.plucking_finger:
            ET.SubElement(technical, "pluck").text = note.plucking_finger
        if note.fretting_finger:
            ET.SubElement(technical, "fingering").text = note.fretting_finger
        ET.SubElement(technical, "string").text = str(note.string + 1)
        fret = round(note.node.fret) if note.node and note.fret is None else note.fret
        ET.SubElement(technical, "fret").text = str(fret)
        if note.node is not None:
            text = written_place(note) if note.is_artificial else written_node(note, note.node)
            ET.SubElement(technical, "other-technical").text = text


def _direction(measure: ET.Element, placement: str) -> ET.Element:
    direction = ET.SubElement(measure, "direction", placement=placement)
    return ET.SubElement(direction, "direction-type")


def _pitch(element: ET.Element, midi: int, prefix: str = "") -> None:
    name = note_name(midi)
    ET.SubElement(element, f"{prefix}step").text = name[0]
    if name[1] == "#":
        ET.SubElement(element, f"{prefix}alter").text = "1"
    ET.SubElement(element, f"{prefix}octave").text = name.lstrip("ABCDEFG#")


@dataclass(frozen=True, slots=True)
class _Stretch:
    """An event as notated: whole notes from the phrase's start."""

    event: Event
    start: Fraction
    stop: Fraction
    rings_on: bool


def _stretches(phrase: Phrase, layer: str) -> Iterator[_Stretch]:
    places = []
    start = Fraction(0)
    for bar in phrase.bars:
        first = bar.meter.beats - bar.length
        for event in bar.events:
            if event.layer == layer:
                onset = start + (event.beat - first) * bar.meter.beat_whole
                places.append((onset, onset + event.hold * bar.meter.beat_whole, event))
        start += bar.length * bar.meter.beat_whole
    for index, (onset, stop, event) in enumerate(places):
        following = places[index + 1][0] if index + 1 < len(places) else stop
        yield _Stretch(event, onset, min(stop, following), stop > following)


def _divisions(drill: Drill) -> int:
    """Divisions of a quarter that carry every onset and end in the drill."""
    divisions = 1
    for phrase in drill.phrases:
        start = Fraction(0)
        for bar in phrase.bars:
            divisions = math.lcm(
                divisions, (bar.length * bar.meter.beat_whole * 4).denominator, (start * 4).denominator
            )
            for event in bar.events:
                for beat in (event.beat, event.hold):
                    divisions = math.lcm(divisions, (beat * bar.meter.beat_whole * 4).denominator)
            start += bar.length * bar.meter.beat_whole
    # Tied parts of odd lengths need finer steps than their ends.
    return divisions * 16


def _pieces(length: Fraction) -> Iterator[_Piece]:
    """A length in whole notes as notatable parts, longest first, to be tied.

    An odd denominator d makes d in the time of the next lower power of two: 1/12 is an eighth of a triplet.
    """
    odd = length.denominator
    while odd % 2 == 0:
        odd //= 2
    normal = 1 << (odd.bit_length() - 1) if odd > 1 else 1
    rest = length * odd / normal
    while rest > 0:
        base = next((value for value in _TYPES if value <= rest), None)
        if base is None:
            # Shorter than a 64th: its duration says all.
            yield _Piece(rest * normal / odd, "", 0, odd, normal)
            return
        dots = next((dots for dots in (2, 1) if base * (2 - Fraction(1, 2**dots)) <= rest), 0)
        shown = base * (2 - Fraction(1, 2**dots))
        yield _Piece(shown * normal / odd, _TYPES[base], dots, odd, normal)
        rest -= shown
