"""The key `instrument` of a drill: a ready-made one's name, or a block of its strings and their length."""

from __future__ import annotations

from typing import Any

from coach.ground.fields import Block, Kind, Row, Rows, Values, values_by_name, word_of
from coach.ground.kinds import Items, Number, Text, Truth, Whole
from coach.ground.problem import SlipError, parted
from coach.ground.source import Node, Report, Scalar, Sequence
from coach.score.limits import MAX_NAME
from coach.score.values import Id
from coach.strings.instrument import (
    A4_HZ_RANGE,
    CAPO_RANGE,
    MEASURED_CENTS_RANGE,
    SCALE_MM_RANGE,
    SET_BACK_MM_RANGE,
    STIFFNESS_RANGE,
    STRINGS_RANGE,
    Instrument,
)
from coach.strings.ready_made import READY_MADE, ready_made, usual_scale_mm
from coach.strings.units import A4_HZ, length_from, midi_from_note

MOST_OWN = 20
_STRINGS = "[G2, D2, A1, E1]"


class OpenNote(Kind[str]):
    """The note of an open string, with its octave."""

    allowed = "a note with its octave"

    def value(self, node: Node) -> str:
        text = Text(MAX_NAME).value(node)
        midi_from_note(text)
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string"}


class Length(Number):
    """A length in mm, or in inches as `34in`."""

    def value(self, node: Node) -> float:
        word = word_of(node)
        if not word.endswith(("in", '"')):
            return super().value(node)
        length_mm = length_from(word)
        if self.low <= length_mm <= self.high:
            return length_mm
        raise SlipError(f"{word}, {length_mm:g} mm, is outside {self.allowed}")

    def schema(self) -> dict[str, Any]:
        inches = {"type": "string", "pattern": r"^\d+(\.\d+)?in$"}
        return {"anyOf": [super().schema(), inches]}


def _values(instrument: Instrument) -> dict[str, Any]:
    """What the keys of an instrument say of it."""
    set_backs_mm = instrument.set_backs_mm
    return {
        **values_by_name(instrument, OWN_INSTRUMENT),
        "strings": tuple(string.name for string in instrument.strings),
        "scale_mm": _same(instrument.scales_mm),
        "set_back_mm": set_backs_mm and _same(set_backs_mm),
        "stiffness": _same(tuple(string.stiffness_b for string in instrument.strings)),
        "measured_cents": _measured(instrument),
    }


def _same(each: tuple[float, ...]) -> tuple[float, ...]:
    """One value for all strings, or one for each where they differ."""
    return each[:1] if len(set(each)) == 1 else each


def _measured(instrument: Instrument) -> tuple[float, ...] | None:
    """What was heard of the strings, in tenths of a cent; None unless all were."""
    heard = [string.measured_cents for string in instrument.strings]
    known = tuple(round(cents, 1) for cents in heard if cents is not None)
    return known if len(known) == len(heard) else None


def _each_string(kind: Kind[Any], example: str, name: str, one_alone: bool = True) -> Items:
    """A list of one for each string, where one alone may stand for all."""
    return Items(kind, STRINGS_RANGE[1], example, 1, name, one_alone)


INSTRUMENT: dict[str, Row] = {
    "strings": Row(
        _each_string(OpenNote(), _STRINGS, "strings", one_alone=False),
        "Open notes with their octaves, highest string first, as in tab.",
        required=True,
        also_called=("tuning",),
    ),
    "scale_mm": Row(
        _each_string(Length(*SCALE_MM_RANGE, "mm"), "[838, 851, 864, 876]", "lengths"),
        "The scale, twice the distance from nut to fret wire 12, in mm or as 34in; one for each string if frets fan.",
        also_called=("scale",),
    ),
    "set_back_mm": Row(
        _each_string(Length(*SET_BACK_MM_RANGE, "mm"), "[2, 2.5, 3, 4]", "lengths"),
        "Set-back of the saddles behind the scale: one for all, or one for each string.",
    ),
    "name": Row(Id(), "A short name; the history of nodes is separate for each name.", default=""),
    "a4_hz": Row(Number(*A4_HZ_RANGE, "Hz"), "Frequency of A4 in Hz, 440 if left out.", default=A4_HZ),
    "stiffness": Row(
        _each_string(Number(*STIFFNESS_RANGE), "[0.0003, 0.0004]", "numbers"),
        "Stiffness B of the strings: one number, or one for each string.",
        default=(0.0,),
    ),
    "fretted": Row(Truth(), "Whether the neck has frets: no for a fretless one.", default=True),
}
OWN_INSTRUMENT: dict[str, Row] = {
    **INSTRUMENT,
    "capo": Row(Whole(*CAPO_RANGE, "frets"), "The fret of the capo.", default=0),
    "measured_cents": Row(
        _each_string(Number(*MEASURED_CENTS_RANGE, "cents"), "[0.4, -1.2, 0, 2]", "numbers", one_alone=False),
        "How far each open string was from its pitch when `coach tune --listen` last heard it.",
    ),
}
"""What a player says of an instrument of their own."""


class InstrumentKey(Kind[Instrument]):
    """An instrument by its name or by its strings."""

    def __init__(self, rows: Rows) -> None:
        self.block = Block(rows, f"{{strings: {_STRINGS}, scale_mm: 864}}")

    allowed = "the name of a ready-made instrument, or its strings"

    def read(self, node: Node, where: str, report: Report) -> Instrument | None:
        if not isinstance(node, Scalar):
            block = self.block.read(node, where, report)
            return None if block is None else _built(block, where, report)
        return super().read(node, where, report)

    def value(self, node: Node) -> Instrument:
        return ready_made(Text(MAX_NAME).value(node))

    def write(self, value: Instrument) -> str:
        return self.block.write(_values(value))

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [self.block.schema(), {"enum": list(READY_MADE)}]}


class OwnInstruments(Kind[tuple[Instrument, ...]]):
    """A player's own instruments: one, or a list of them."""

    one = InstrumentKey(OWN_INSTRUMENT)

    allowed = f"up to {MOST_OWN} instruments"

    def read(self, node: Node, where: str, report: Report) -> tuple[Instrument, ...] | None:
        items = node.items if isinstance(node, Sequence) else (node,)
        if len(items) > MOST_OWN:
            report.error(node, f"{len(items)} instruments; at most {MOST_OWN}", "", where)
            return None
        read = [self.one.read(item, where, report) for item in items]
        own = tuple(instrument for instrument in read if instrument)
        for item, instrument in zip(items, read, strict=True):
            if instrument and (note := _shared(instrument, own)):
                named = f"are both called {instrument.name}" if instrument.name else "have no name"
                report.error(
                    item,
                    f"two instruments {named} and have a string {note}; the log could not keep their nodes apart",
                    "`name: short-scale`, say",
                    where,
                )
                return None
        return own if len(own) == len(items) else None

    def write(self, value: tuple[Instrument, ...]) -> str:
        return f"[{', '.join(self.one.write(instrument) for instrument in value)}]"

    def schema(self) -> dict[str, Any]:
        return {"type": "array", "items": self.one.schema(), "maxItems": MOST_OWN}


def _shared(instrument: Instrument, own: tuple[Instrument, ...]) -> str:
    """A string that another instrument of the same name has too; empty where there is none."""
    notes = {string.midi: string.name for string in instrument.strings}
    others = (one for one in own if one is not instrument and one.name == instrument.name)
    return next((notes[string.midi] for one in others for string in one.strings if string.midi in notes), "")


def _built(block: Values, where: str, report: Report) -> Instrument | None:
    """The instrument of a block whose keys could all be read."""
    notes = block.get("strings")
    if notes is None or len(block.values) < len(block.node.pairs):
        return None
    pitches = [midi_from_note(note) for note in notes]
    if len(pitches) > 1 and pitches == sorted(set(pitches)):
        report.warn(
            block.spot("strings"),
            "these strings go upward; write the highest string first, as in tab",
            "reverse the list",
            f"{where}.strings",
        )
    given = {"scale_mm": usual_scale_mm(notes), **block.values}
    del given["strings"]
    stiffness_b = given.pop("stiffness", 0.0)
    try:
        return Instrument.of(notes, stiffness_b=stiffness_b, **given)
    except ValueError as error:
        report.error(block.spot("strings"), *parted(error), f"{where}.strings")
        return None
