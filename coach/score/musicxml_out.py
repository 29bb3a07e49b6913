"""A drill as MusicXML 4.0: one part with its notation staves (`notated.py`) and a tab staff below that shows the same.

Conventions: each phrase once, in the file's order, with a rehearsal mark and its cue beside it. `<pitch>` is what
sounds; a clef that sounds an octave lower says so (`clef-octave-change`), so that no staff transposes. Words in bold
are about tempo and meter, those in italics are cues. `<miscellaneous>` carries the whole drill, which `musicxml_own.py`
reads back.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from fractions import Fraction

from coach.ground.plain import plain_text
from coach.music.drill import Drill, Phrase
from coach.music.key import Key, spelling_of
from coach.music.rhythm import Meter
from coach.score.musicxml_note import add, add_pitch, bar_rest, note_elements, tab_labels
from coach.score.notated import DYNAMICS, NotatedBar, Notation, Symbol, Voice, notation_of
from coach.score.note_values import VALUE_NAMES, one_head
from coach.score.write import write_drill

SOFTWARE = "Wellrung"
_PUBLIC_ID = '"-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd"'


def musicxml_text(drill: Drill, tempo_bpm: int) -> str:
    """The drill as the text of an uncompressed MusicXML file, at a rung's tempo."""
    notation = notation_of(drill)
    root = ET.Element("score-partwise", version="4.0")
    add(add(root, "work"), "work-title", plain_text(drill.title))
    _identification(root, drill, notation, tempo_bpm)
    listed = add(add(root, "part-list"), "score-part", id="P1")
    add(listed, "part-name", plain_text(drill.title), **{"print-object": "no"})
    part = add(root, "part", id="P1")
    writer = _Writer(drill, notation, tempo_bpm)
    for phrase, bars in zip(drill.phrases, notation.phrases, strict=True):
        for index, bar in enumerate(bars):
            writer.measure(add(part, "measure"), bar, None if index else phrase)
        style = "light-heavy" if phrase is drill.phrases[-1] else "light-light"
        add(add(part[-1], "barline", location="right"), "bar-style", style)
    ET.indent(root)
    body = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<!DOCTYPE score-partwise PUBLIC {_PUBLIC_ID}>\n{body}\n'


def _identification(root: ET.Element, drill: Drill, notation: Notation, tempo_bpm: int) -> None:
    identification = add(root, "identification")
    if drill.composer:
        add(identification, "creator", plain_text(drill.composer), type="composer")
    add(add(identification, "encoding"), "software", SOFTWARE)
    fields = {
        "drill": write_drill(drill),
        "tempo_bpm": str(tempo_bpm),
        "voices": ", ".join(layer for layer, _ in notation.voices),
    }
    other = add(identification, "miscellaneous")
    for name, text in fields.items():
        add(other, "miscellaneous-field", text, name=name)


class _Writer:
    """Writes one measure after another; remembers meter, key, tempo and octave lines."""

    def __init__(self, drill: Drill, notation: Notation, tempo_bpm: int) -> None:
        self.drill, self.notation, self.tempo_bpm = drill, notation, tempo_bpm
        self.staves = len(notation.staves.clefs)
        self.voices = {key: number for number, key in enumerate(notation.voices, 1)}
        self.divisions = _divisions(notation)
        self.meter: Meter | None = None
        self.key: Key | None = None
        self.ratio: Fraction | None = None
        self.octaves_up = [0] * self.staves

    def measure(self, measure: ET.Element, notated: NotatedBar, phrase: Phrase | None) -> None:
        """Fill one measure; `phrase` where one begins here."""
        measure.set("number", str(notated.number))
        if notated.bar.first_beat:
            measure.set("implicit", "yes")
        self._attributes(measure, notated)
        self._directions(measure, notated, phrase)
        last = notated is self.notation.phrases[-1][-1]
        for index, voice in enumerate(notated.voices):
            if index:
                self._back(measure, notated.length)
            self._voice(measure, voice, notated, last)
        struck = [voice for voice in notated.voices if any(symbol.heads for symbol in voice.symbols)]
        for voice in struck or notated.voices[:1]:
            self._back(measure, notated.length)
            self._tab_voice(measure, voice)

    def duration(self, length: Fraction) -> str:
        """A length in whole notes as divisions."""
        return str(int(length * 4 * self.divisions))

    def _back(self, measure: ET.Element, length: Fraction) -> None:
        add(add(measure, "backup"), "duration", self.duration(length))

    def _attributes(self, measure: ET.Element, notated: NotatedBar) -> None:
        bar, first = notated.bar, self.meter is None
        if not first and bar.meter == self.meter and bar.key == self.key:
            return
        attributes = add(measure, "attributes")
        if first:
            add(attributes, "divisions", self.divisions)
        if bar.key != self.key:
            key = add(attributes, "key")
            add(key, "fifths", bar.key.fifths if bar.key else 0)
            if bar.key:
                add(key, "mode", bar.key.mode)
        if bar.meter != self.meter:
            time = add(attributes, "time")
            grouped = len(bar.meter.groups) > 1
            add(time, "beats", "+".join(map(str, bar.meter.groups)) if grouped else bar.meter.numerator)
            add(time, "beat-type", bar.meter.denominator)
        if first:
            self._staves(attributes)
        self.meter, self.key = bar.meter, bar.key

    def _staves(self, attributes: ET.Element) -> None:
        add(attributes, "staves", self.staves + 1)
        for number, clef in enumerate(self.notation.staves.clefs, 1):
            element = add(attributes, "clef", number=str(number))
            add(element, "sign", clef.sign)
            add(element, "line", clef.line)
            if clef.octave:
                add(element, "clef-octave-change", clef.octave)
        strings = self.drill.instrument.strings
        tab = str(self.staves + 1)
        element = add(attributes, "clef", number=tab)
        add(element, "sign", "TAB")
        add(element, "line", max(1, (len(strings) + 1) // 2))
        details = add(attributes, "staff-details", number=tab)
        add(details, "staff-lines", len(strings))
        # Line 1 is the bottom line, the lowest string.
        for line, string in enumerate(reversed(strings), 1):
            tuning = add(details, "staff-tuning", line=str(line))
            add_pitch(tuning, "tuning-", spelling_of(string.midi, None, string.name))

    def _directions(self, measure: ET.Element, notated: NotatedBar, phrase: Phrase | None) -> None:
        bar = notated.bar
        if phrase is not None:
            direction = _direction(measure, "rehearsal", plain_text(phrase.name))
            if phrase.cue:
                _words(direction, phrase.cue, italic=True)
        counted = bar.meter.counting.partition(" as ")[0]
        if counted and measure.find("attributes/time") is not None:
            _words(_direction(measure), f"in {counted}")
        if bar.start_ratio != self.ratio:
            self._tempo(measure, bar.start_ratio)
        gradual = bar.stop_ratio != bar.start_ratio
        if gradual:
            word = "ritardando" if bar.stop_ratio < bar.start_ratio else "accelerando"
            _words(_direction(measure), f"{word} to {float(bar.stop_ratio * 100):g}%")
        self.ratio = None if gradual else bar.stop_ratio
        if bar.cue:
            _words(_direction(measure), bar.cue, italic=True)
        if bar.dynamics:
            direction = _direction(measure, placement="below")
            if bar.dynamics in DYNAMICS:
                add(add(add(direction, "direction-type"), "dynamics"), bar.dynamics)
            else:
                _words(direction, bar.dynamics, italic=True)
            add(direction, "staff", self.staves)

    def _tempo(self, measure: ET.Element, ratio: Fraction) -> None:
        beat = self.drill.tempo.beat_whole
        per_minute = self.tempo_bpm * ratio
        single = one_head(beat)
        base, dots = single or (Fraction(1, 4), 0)
        direction = _direction(measure)
        metronome = add(add(direction, "direction-type"), "metronome")
        add(metronome, "beat-unit", VALUE_NAMES[base])
        for _ in range(dots):
            add(metronome, "beat-unit-dot")
        shown = per_minute if single else per_minute * beat * 4
        add(metronome, "per-minute", f"{float(shown):.6g}")
        add(direction, "sound", tempo=f"{float(per_minute * beat * 4):.10g}")

    def _voice(self, measure: ET.Element, voice: Voice, notated: NotatedBar, last: bool) -> None:
        """One voice on its notation staff, with the octave lines of all that stand there where it is to bear them."""
        number, staff = self.voices[voice.layer, voice.staff], voice.staff + 1
        shared = [other for other in notated.voices if other.staff == voice.staff]
        stem = "" if len(shared) == 1 else "up" if shared[0] is voice else "down"
        whole = notated.bar.length == notated.bar.meter.beats
        if whole and not any(symbol.heads for symbol in voice.symbols):
            measure.append(bar_rest(self.duration(notated.length), number, staff))
            return
        bears = self._bearer(shared) is voice
        for symbol in voice.symbols:
            if bears:
                self._octave_lines(measure, symbol, shared)
            measure.extend(note_elements(symbol, self.duration(symbol.value.length), number, staff, stem))
        if last and bears:
            self._octave_line(measure, voice.staff, 0)

    def _tab_voice(self, measure: ET.Element, voice: Voice) -> None:
        """The same notes on the tab staff, with a label where a whole fret can't say the place."""
        number, staff = self.voices[voice.layer, voice.staff] + len(self.voices), self.staves + 1
        for symbol in voice.symbols:
            if label := "" if symbol.tied_from else tab_labels(symbol, self.drill.instrument):
                look = {"font-size": "8", "font-style": "normal"}
                direction = _direction(measure, "words", label, "below", **look)
                add(direction, "staff", self.staves)
            duration = self.duration(symbol.value.length)
            measure.extend(note_elements(symbol, duration, number, staff, "none", tab=True))

    def _bearer(self, voices: Sequence[Voice]) -> Voice:
        """The first voice of a staff with a symbol wherever the octave line changes in a bar, else the first of all."""
        lines = sorted((one.onset, one.octaves_up) for voice in voices for one in voice.symbols)
        before = [self.octaves_up[voices[0].staff], *(up for _, up in lines)]
        changes = {onset for (onset, up), last in zip(lines, before, strict=False) if up != last}
        fitting = (voice for voice in voices if changes <= {one.onset for one in voice.symbols})
        return next(fitting, voices[0])

    def _octave_lines(self, measure: ET.Element, symbol: Symbol, voices: Sequence[Voice]) -> None:
        """The octave line of a staff at a symbol, and where other voices change it meanwhile."""
        stop = symbol.onset + symbol.value.length
        at = {one.onset: one.octaves_up for voice in voices for one in voice.symbols}
        for onset in sorted(onset for onset in at if symbol.onset <= onset < stop):
            self._octave_line(measure, voices[0].staff, at[onset], onset - symbol.onset)

    def _octave_line(
        self, measure: ET.Element, staff: int, octaves_up: int, later: Fraction = Fraction(0)
    ) -> None:
        before = self.octaves_up[staff]
        if octaves_up == before:
            return
        for kind, octaves in (("stop", before), ("down", octaves_up)):
            if octaves:
                size = str(7 * octaves + 1)
                direction = _direction(measure, "octave-shift", type=kind, size=size)
                if later:
                    add(direction, "offset", self.duration(later))
                add(direction, "staff", staff + 1)
        self.octaves_up[staff] = octaves_up


def _direction(
    measure: ET.Element, tag: str = "", text: str | None = None, placement: str = "above", **look: str
) -> ET.Element:
    """A direction that says this, or nothing yet."""
    direction = add(measure, "direction", placement=placement)
    if tag:
        add(add(direction, "direction-type"), tag, text, **look)
    return direction


def _words(direction: ET.Element, text: str, italic: bool = False) -> None:
    """Words of a direction: in italics a cue, else in bold what is about tempo and meter."""
    look = {"font-style": "italic"} if italic else {"font-weight": "bold"}
    add(add(direction, "direction-type"), "words", plain_text(text), **look)


def _divisions(notation: Notation) -> int:
    """Divisions of a quarter that carry every length."""
    bars = (bar for phrase in notation.phrases for bar in phrase)
    lengths = {symbol.value.length for bar in bars for voice in bar.voices for symbol in voice.symbols}
    return math.lcm(*((length * 4).denominator for length in lengths))
