"""Strings and instruments: what a node of a string sounds, and where nodes and frets lie on it in mm.

Conventions: a `string` argument counts from 0, the highest string, which is number 1 on paper and in messages. Nodes
are those of `node.py`. Frets are equal-tempered and may be fractions.

Formulas: fret f lies at L (1 - 2^(-f/12)) from the nut (equal temperament; the luthiers' rule of 17.817); a stiff
string's partial n sounds n f0 sqrt(1 + B n^2), with f0 the ideal string's frequency (Fletcher, JASA 36 (1964) 203).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from coach.ground.frozen import frozen
from coach.strings.node import Node
from coach.strings.units import (
    A4_HZ,
    cents_between,
    detuned_hz,
    hz_from_midi,
    midi_from_note,
    note_name,
    stiffening,
)

STRINGS_RANGE = (1, 12)
SCALE_MM_RANGE = (100.0, 2000.0)
A4_HZ_RANGE = (380.0, 480.0)
STIFFNESS_RANGE = (0.0, 0.01)
SET_BACK_MM_RANGE = (0.0, 20.0)
MEASURED_CENTS_RANGE = (-200.0, 200.0)
B_DIGITS = 7
"""A measured B is kept to 1e-7, a hundredth of what thin strings have."""
SET_BACK_UPTO = 5.0 / 864.0
"""As much of its scale a saddle may be set back where nobody measured it: 5 mm on a bass, 3.8 mm on a guitar (1.6 to
4 mm on guitars: Eubanks 2010; the bass's from memory)."""
MEASURED_TO_MM = 1.0
"""How well a ruler measures a string."""
CAPO_RANGE = (0, 12)
LAST_WIRE = 24
"""Wires beyond this one, counted from the nut, are not on the neck."""


@frozen
class OpenString:
    """One open string: its equal-tempered pitch and how stiff it is."""

    midi: int
    name: str
    """The open note as its owner writes it, with its octave: `D2`, `Bb1`."""
    stiffness_b: float = 0.0
    """Fletcher's inharmonicity coefficient B, without unit; a real low bass string has about 3e-4."""
    set_back_mm: float | None = None
    """By how much the string is longer than its scale: its saddle is set back so that stopped notes are in tune.
    None where nobody measured it; it then counts as 0."""
    scale_mm: float | None = None
    """Its own scale where frets fan; None for the instrument's."""
    measured_cents: float | None = None
    """How far from its pitch it was when a microphone last heard it, B measured with it; None where none did."""

    def __post_init__(self) -> None:
        _require_range("stiffness B", self.stiffness_b, STIFFNESS_RANGE)
        _require_range("set-back", self.set_back_mm or 0.0, SET_BACK_MM_RANGE, " mm")
        _require_range("measured offset", self.measured_cents or 0.0, MEASURED_CENTS_RANGE, " cents")
        if self.scale_mm is not None:
            _require_range("scale", self.scale_mm, SCALE_MM_RANGE, " mm")

    @classmethod
    def of(
        cls,
        note: str,
        stiffness_b: float = 0.0,
        set_back_mm: float | None = None,
        scale_mm: float | None = None,
    ) -> OpenString:
        """The string that sounds `note` when open; ValueError when that is no note."""
        name = note.strip()[:1].upper() + note.strip()[1:]
        return cls(midi_from_note(note), name, stiffness_b, set_back_mm, scale_mm)

    @property
    def letter(self) -> str:
        """The name without its octave: `D`, `Bb`."""
        return self.name.rstrip("0123456789").removesuffix("-")


@frozen
class Instrument:
    """A stringed instrument: open strings, highest first, and its scale in mm.

    The scale is what frets are cut for. A string sounds over its scale and its saddle's set-back, so that nodes and
    wires of one string are computed each from its own length: on 864 mm, a set-back of 5 mm moves the node at 12 by
    2.5 mm against the wire. Under a capo the strings keep their names; frets and mm count from it, what sounds is
    higher by its frets, and B grows as 1 / L^2 (Fletcher 1964).
    """

    strings: tuple[OpenString, ...]
    scale_mm: float
    a4_hz: float = A4_HZ
    name: str = ""
    fretted: bool = True
    """Whether the neck has wires; a violin's and a fretless bass's have none."""
    capo: int = 0
    """The fret at which a capo sits; 0 is none."""

    def __post_init__(self) -> None:
        fewest, most = STRINGS_RANGE
        if not fewest <= len(self.strings) <= most:
            raise ValueError(f"{len(self.strings)} strings is outside {fewest} to {most} strings")
        _require_range("scale", self.scale_mm, SCALE_MM_RANGE, " mm")
        _require_range("A4", self.a4_hz, A4_HZ_RANGE, " Hz")
        _require_range("capo", self.capo, CAPO_RANGE)

    @classmethod
    def of(
        cls,
        notes: Sequence[str],
        scale_mm: float | Sequence[float],
        a4_hz: float = A4_HZ,
        name: str = "",
        stiffness_b: float | Sequence[float] = 0.0,
        fretted: bool = True,
        set_back_mm: float | Sequence[float] | None = None,
        capo: int = 0,
        measured_cents: Sequence[float | None] = (),
    ) -> Instrument:
        """An instrument from its open notes, highest first; scale, stiffness B and set-back for all or one for each."""
        scales_mm = _each(scale_mm, len(notes), "scale lengths")
        fan = len(set(scales_mm)) > 1
        rows = zip(
            notes,
            _each(stiffness_b, len(notes), "stiffness values"),
            [None] * len(notes) if set_back_mm is None else _each(set_back_mm, len(notes), "set-backs"),
            scales_mm,
            measured_cents or [None] * len(notes),
            strict=True,
        )
        strings = tuple(
            replace(OpenString.of(note, b, back_mm, own_mm if fan else None), measured_cents=cents)
            for note, b, back_mm, own_mm, cents in rows
        )
        return cls(strings, max(scales_mm, default=0.0), a4_hz, name, fretted, capo)

    def string_at(self, string: int) -> OpenString:
        """The string at index `string`, 0 the highest; ValueError when there is none."""
        if not 0 <= string < len(self.strings):
            raise ValueError(f"string {string + 1} is outside 1 to {len(self.strings)} (1 is the highest)")
        return self.strings[string]

    def with_measured(self, string: int, f0_hz: float, stiffness_b: float) -> Instrument:
        """With what a microphone heard of one open string: its ideal frequency and B, both as they sound with the capo.

        ValueError where either is out of its range.
        """
        heard = replace(
            self.string_at(string),
            stiffness_b=round(stiffness_b / 2.0 ** (self.capo / 6.0), B_DIGITS),
            measured_cents=cents_between(f0_hz, self.open_hz(string)),
        )
        return replace(self, strings=(*self.strings[:string], heard, *self.strings[string + 1 :]))

    def measured_hz(self, string: int) -> float | None:
        """Frequency of the ideal open string when it was last heard; None where it never was."""
        cents = self.string_at(string).measured_cents
        return None if cents is None else detuned_hz(self.open_hz(string), cents)

    def open_midi(self, string: int) -> int:
        """What the open string sounds, from its capo where it has one."""
        return self.string_at(string).midi + self.capo

    def open_hz(self, string: int) -> float:
        """Frequency in Hz of the ideal open string."""
        return hz_from_midi(self.open_midi(string), self.a4_hz)

    def stiffness(self, string: int) -> float:
        """B of the open string: it grows as 1 / L^2 above a capo."""
        return float(self.string_at(string).stiffness_b * 2.0 ** (self.capo / 6.0))

    def sounding_hz(self, string: int, node: Node, fret: int = 0) -> float:
        """Frequency in Hz that rings at a node of the string stopped at `fret`: n f sqrt(1 + B n^2).

        f is that of the ideal string stopped there; B grows as 1 / length^2 (Fletcher 1964).
        """
        n = node.partial
        stiffness_b = self.stiffness(string) * 2.0 ** (fret / 6.0)
        return n * self.fretted_hz(string, fret) * stiffening(n, stiffness_b)

    def fretted_hz(self, string: int, fret: float) -> float:
        """Equal-tempered frequency in Hz of a stopped note; fret 0 is the open string."""
        return self.open_hz(string) * math.pow(2.0, fret / 12.0)

    @property
    def scales_mm(self) -> tuple[float, ...]:
        """The scale that each string's frets are cut for, from the nut whether there is a capo or not."""
        return tuple(self._cut_for_mm(string) for string in self.strings)

    @property
    def set_backs_mm(self) -> tuple[float, ...] | None:
        """How far each saddle is set back; None where nobody measured them."""
        each = tuple(string.set_back_mm for string in self.strings if string.set_back_mm is not None)
        return each if len(each) == len(self.strings) else None

    def string_scale_mm(self, string: int) -> float:
        """One of `scales_mm`, from the capo where there is one."""
        return float(self._cut_for_mm(self.string_at(string)) * 2.0 ** (-self.capo / 12.0))

    def _cut_for_mm(self, string: OpenString) -> float:
        return string.scale_mm or self.scale_mm

    def length_mm(self, string: int) -> float:
        """The sounding length of an open string: its scale and its set-back."""
        return self.string_scale_mm(string) + (self.string_at(string).set_back_mm or 0.0)

    @property
    def longest_mm(self) -> float:
        """The sounding length of the longest string."""
        return max(self.length_mm(string) for string in range(len(self.strings)))

    @property
    def fans(self) -> bool:
        """Whether the frets fan: not every string has one scale."""
        return len(set(self.scales_mm)) > 1

    @property
    def measured(self) -> bool:
        """Whether every string's length is known: without wires it is the scale, else it needs the set-back."""
        return not self.fretted or self.set_backs_mm is not None

    def position_mm(self, string: int, node: Node, fret: int = 0) -> float:
        """Distance of a node from the nut, or the capo, in mm: k/n of what sounds beyond the stop at `fret`."""
        stop_mm = self.fret_mm(string, fret)
        return stop_mm + (self.length_mm(string) - stop_mm) * node.numerator / node.partial

    def position_error_mm(self, string: int, node: Node) -> tuple[float, float]:
        """By how much a node may lie nearer to the nut than `position_mm` says, and nearer to the bridge.

        To a mm of string where it was measured; else as far as its saddle may be set back.
        """
        part = node.numerator / node.partial
        if self.measured:
            return MEASURED_TO_MM * part, MEASURED_TO_MM * part
        return 0.0, SET_BACK_UPTO * self.length_mm(string) * part

    def fret_mm(self, string: int, fret: float) -> float:
        """Distance of a fret from the nut, or the capo, in mm, on this string's scale L: L (1 - 2^(-fret / 12))."""
        return self.string_scale_mm(string) * (1.0 - float(2.0 ** (-fret / 12.0)))

    def along_mm(self, string: int, position_mm: float) -> float:
        """Where a place of a string lies for the hand: at one fret, one place, in mm of the instrument's scale.

        It differs from `position_mm` only where frets fan, and there each string's nut lies elsewhere.
        """
        return position_mm * self.scale_mm / self._cut_for_mm(self.strings[string])

    def fret_at(self, along_mm: float) -> float:
        """The fret, or the part between two, at a place that `along_mm` gives."""
        scale_mm = self.scale_mm * 2.0 ** (-self.capo / 12.0)
        return -12.0 * math.log2(max(1.0 - along_mm / scale_mm, 0.001))

    def node_key(self, string: int, node: Node, fret: int = 0) -> str:
        """Identity of a node across drills and edits: the instrument's name, open note, k/n; `fretless|D2|1/6`.

        Without a name it is `D2|1/6`; on the string stopped at 5, it is `D2@5|1/6`. Nothing in it is measured, so that
        a better measure or another neck leaves it as it is.
        """
        stop = f"@{fret}" if fret else ""
        place = f"{note_name(self.string_at(string).midi)}{stop}|{node.key}"
        return f"{self.name}|{place}" if self.name else place

    @property
    def strings_by_name(self) -> dict[str, int]:
        """Strings by what a player may call them: the number, 1 the highest; letter and note where only one has it."""
        by_name = {str(index + 1): index for index in range(len(self.strings))}
        for names in ([string.letter for string in self.strings], [string.name for string in self.strings]):
            by_name |= {name: index for index, name in enumerate(names) if names.count(name) == 1}
        return by_name

    @property
    def last_fret(self) -> int:
        """The last fret at which a string is stopped, counted from the capo."""
        return LAST_WIRE - self.capo

    def string_label(self, string: int) -> str:
        """The string's name on screen: its letter where that is unique, else with octave, else its number."""
        chosen = self.string_at(string)
        if sum(other.letter == chosen.letter for other in self.strings) == 1:
            return chosen.letter
        if sum(other.name == chosen.name for other in self.strings) == 1:
            return chosen.name
        return str(string + 1)


def _each(value: float | Sequence[float], count: int, what: str) -> list[float]:
    """One value for all strings, or one for each."""
    if isinstance(value, int | float):
        return [float(value)] * count
    if len(value) == 1:
        return [float(value[0])] * count
    if len(value) != count:
        raise ValueError(f"{len(value)} {what} for {count} strings; give one, or one for each")
    return [float(each) for each in value]


def _require_range(what: str, value: float, allowed: tuple[float, float], unit: str = "") -> None:
    low, high = allowed
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{what} {value:g}{unit} is outside {low:g} to {high:g}{unit}")
