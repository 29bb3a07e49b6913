"""Reads back what `musicxml_out.py` wrote: the same drill, from its notes and the words beside them.

Conventions as there and in `musicxml_note.py`. Nothing is arranged: each note has its string and place, and is checked
against its `<pitch>`. A file that another program wrote, or that disagrees with itself, is no export of ours, and
`foreign.py` reads it as any other score.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from xml.etree.ElementTree import Element

from coach.ground.digits import exact_number
from coach.ground.problem import CoachError
from coach.ground.source import read_bytes
from coach.music.drill import Bar, Drill, Event, Phrase
from coach.music.key import Key, Mode, Spelling
from coach.music.rhythm import Meter
from coach.score.beats import NotationError, write_beat
from coach.score.foreign import MUSIC_FILE
from coach.score.load import read_drill
from coach.score.music import Resolver, sounding_midi
from coach.score.musicxml_out import SOFTWARE
from coach.score.notation import read_events
from coach.score.unpack import parse_xml, unpacked
from coach.score.write import write_drill

_STUB = "\nphrases: [{id: stub, bars: [{layer: '1 1:0'}]}]\n"
_GRADUAL = re.compile(r"(?:ritardando|accelerando) to (\d+(?:\.\d+)?)%")


class _NotOursError(Exception):
    """The file is no export of this program, or was changed since."""


def own_export(path: Path | str) -> tuple[Drill, str] | None:
    """The drill in an export of this program, and its text; None for any other file."""
    data = read_bytes(path, MUSIC_FILE)
    if data.startswith(b"MThd"):
        return None
    data = unpacked(data, str(path))
    if f"<software>{SOFTWARE}</software>".encode() not in data:
        return None
    try:
        text = write_drill(_drill(parse_xml(data, str(path)), str(path)))
        drill, _ = read_drill(text, str(path))
    except (_NotOursError, CoachError, NotationError, ValueError, LookupError, ZeroDivisionError):
        return None
    return None if drill is None else (drill, text)


def _drill(root: Element, where: str) -> Drill:
    path = "identification/miscellaneous/miscellaneous-field"
    fields = {item.get("name", ""): item.text or "" for item in root.findall(path)}
    head, _ = read_drill(fields["drill"] + _STUB, where)
    if head is None:
        raise _NotOursError
    layers = [tuple(names.split(", ")) for names in fields["layers"].split("; ")]
    ids = fields["phrases"].split(", ")
    quarters = int(fields["tempo_bpm"]) * head.tempo.beat_whole * 4
    voices = {str(number): layer for number, layer in enumerate(fields["voices"].split(", "), 1)}
    reader = _Reader(head, voices, quarters)
    phrases: list[tuple[str, str, int, list[Bar]]] = []
    for measure in root.findall("part/measure"):
        bar = reader.bar(measure)
        mark = measure.find("direction/direction-type/rehearsal/../..")
        if mark is not None:
            name = mark.findtext("direction-type/rehearsal") or ""
            phrases.append((name, _cue(mark), int(measure.get("number", "")), []))
        phrases[-1][-1].append(bar)
    if len(phrases) != len(ids):
        raise _NotOursError
    return replace(
        head,
        phrases=tuple(
            Phrase(phrase, name, tuple(bars), names, cue, first_bar)
            for phrase, names, (name, cue, first_bar, bars) in zip(ids, layers, phrases, strict=True)
        ),
        order=tuple(filter(None, fields.get("order", "").split(", "))),
    )


def _cue(direction: Element) -> str:
    return direction.findtext("direction-type/words") or ""


@dataclass
class _Reader:
    """Reads one measure after another; keeps what lasts from bar to bar."""

    head: Drill
    voices: dict[str, str]
    """The layer of each voice's number."""
    quarters: Fraction
    """The rung in quarters a minute."""
    divisions: int = 1
    staves: int = 2
    meter: Meter | None = None
    key: Key | None = None
    ratio: Fraction = Fraction(1)
    resolver: Resolver = field(init=False)

    def __post_init__(self) -> None:
        self.resolver = Resolver(self.head.instrument)

    def bar(self, measure: Element) -> Bar:
        """The bar in a measure."""
        directions = [item for item in measure.findall("direction") if item.find(".//rehearsal") is None]
        bold = [text for item in directions for text in _texts(item, "font-weight", "bold")]
        self._attributes(measure, bold)
        if self.meter is None:
            raise _NotOursError
        for sound in measure.iter("sound"):
            self.ratio = _percent(exact_number(sound.get("tempo", "")) * 100 / self.quarters)
        start_ratio = self.ratio
        for text in bold:
            if gradual := _GRADUAL.fullmatch(text):
                self.ratio = _percent(Fraction(gradual[1]))
        pickup = measure.get("implicit") == "yes"
        length, events = self._events(measure, self.meter, pickup)
        italic = [(item, text) for item in directions for text in _texts(item, "font-style", "italic")]
        marks = [mark.tag for mark in measure.findall("direction/direction-type/dynamics/*")]
        return Bar(
            self.meter,
            length,
            tuple(events),
            next((text for item, text in italic if item.get("placement") == "above"), ""),
            next((text for item, text in italic if item.get("placement") == "below"), "".join(marks)),
            start_ratio,
            self.ratio,
            self.key,
            length < self.meter.beats and not pickup,
        )

    def _attributes(self, measure: Element, bold: list[str]) -> None:
        attributes = measure.find("attributes")
        if attributes is None:
            return
        self.divisions = int(attributes.findtext("divisions") or self.divisions)
        self.staves = int(attributes.findtext("staves") or self.staves)
        key, time = attributes.find("key"), attributes.find("time")
        if key is not None:
            mode: Mode = "minor" if key.findtext("mode") == "minor" else "major"
            self.key = Key(int(key.findtext("fifths") or 0), mode)
        if time is not None:
            counted = next((int(text[3:]) for text in bold if re.fullmatch(r"in \d+", text)), None)
            self.meter = _meter(time, counted)

    def _events(self, measure: Element, meter: Meter, pickup: bool) -> tuple[Fraction, list[Event]]:
        """The bar's length in counted beats, and its events."""
        unit = Fraction(1, 4 * self.divisions) / meter.beat_whole
        struck: dict[tuple[str, int], list[Element]] = {}
        at = onset = furthest = 0
        for item in measure:
            ticks = int(item.findtext("duration") or 0)
            if item.tag == "backup":
                at -= ticks
            elif item.tag == "note":
                if item.find("chord") is None:
                    onset, at = at, at + ticks
                if item.find("notations/technical/other-technical") is not None:
                    layer = self.voices[item.findtext("voice") or ""]
                    struck.setdefault((layer, onset), []).append(item)
            furthest = max(furthest, at)
        length = furthest * unit
        first = meter.beats - length if pickup else Fraction(0)
        return length, [
            self._event(layer, onset * unit + first, notes)
            for (layer, onset), notes in sorted(struck.items(), key=lambda item: item[0][1])
        ]

    def _event(self, layer: str, beat: Fraction, notes: list[Element]) -> Event:
        """The event of notes that one layer strikes at once; on two staves they stand by string."""
        if len({note.findtext("staff") for note in notes}) > 1:
            notes = sorted(notes, key=_string)
        texts, more = zip(*(self._note(note) for note in notes), strict=True)
        tail = re.sub(r"\b(?:stated|touch)\b", "", more[0])
        ((_, written),), faults = read_events(f"{write_beat(beat)} {'+'.join(texts)} {tail}")
        if faults:
            raise faults[0]
        read = [replace(self.resolver.note(note), ending=written.ending) for note in written.notes]
        if [sounding_midi(self.head.instrument, note) for note in read] != [
            _spelling(note).midi for note in notes
        ]:
            raise _NotOursError
        held = written.hold is not None
        return Event(layer, written.beat, written.hold or Fraction(1), tuple(read), held)

    def _note(self, note: Element) -> tuple[str, str]:
        """A note as the drill's notation has it, and the words about it that MusicXML has no place for."""
        technical = note.find("notations/technical")
        if technical is None:
            raise _NotOursError
        place, *rest = [item.text or "" for item in technical.findall("other-technical")]
        more = "".join(rest)
        natural = technical.find("harmonic/natural") is not None
        text = f"{self.head.instrument.string_label(_string(note) - 1)}:{f'<{place}>' if natural else place}"
        head = note.find("notehead")
        if head is not None and head.get("parentheses") == "yes":
            text += "?"
        if "stated" in more.split():
            text += f"={_spelling(note)}"
        fingers = "".join(
            item.text or "" for tag in ("fingering", "pluck") for item in technical.findall(tag)
        )
        words = " ".join(filter(None, (fingers, "touch" if "touch" in more.split() else "")))
        return text + (f"({words})" if words else ""), more


def _texts(direction: Element, look: str, wanted: str) -> Iterator[str]:
    """The words of a direction that look so."""
    for words in direction.findall("direction-type/words"):
        if words.get(look) == wanted:
            yield words.text or ""


def _percent(percent: Fraction) -> Fraction:
    """A ratio from percents; a drill has them to a thousandth."""
    return Fraction(round(percent * 1000), 100_000)


def _meter(time: Element, counted: int | None) -> Meter:
    groups = [int(group) for group in (time.findtext("beats") or "").split("+")]
    lower = int(time.findtext("beat-type") or 0)
    if len(groups) == 1:
        return Meter.of(groups[0], lower, counted)
    return (Meter.grouped if counted is None else Meter.in_large)(sum(groups), lower, groups)


def _string(note: Element) -> int:
    return int(note.findtext("notations/technical/string") or 0)


def _spelling(note: Element) -> Spelling:
    octave, alter = int(note.findtext("pitch/octave") or 0), int(note.findtext("pitch/alter") or 0)
    return Spelling(note.findtext("pitch/step") or "", alter, octave)
