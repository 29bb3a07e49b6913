"""What MEI says of notes beside them: ties, fingers, the arcs of what rings on, octave lines."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import groupby

from coach.ground.frozen import frozen
from coach.score.notated import NotatedBar, Symbol


@frozen
class Placed:
    """A symbol with the id of its first note, the measure that it stands in, and where there it begins."""

    name: str
    measure: ET.Element
    symbol: Symbol
    bar: NotatedBar


def add_marks(strand: Sequence[Placed], staff: int, staves: int) -> None:
    """Ties, fingers, and the arcs of what rings on, of one layer on one staff."""
    below = staff == staves - 1 and staves > 1
    for at, place in enumerate(strand):
        symbol = place.symbol
        # An arc goes where no finger stands.
        fingers = any(head.note.finger_text for head in symbol.heads)
        away = {"curvedir": "above" if below else "below"} if fingers else {}
        for number in range(len(symbol.heads)):
            name = f"{place.name}-{number}"
            if symbol.tied_on and at + 1 < len(strand):
                ET.SubElement(
                    place.measure, "tie", {"startid": f"#{name}", "endid": f"#{strand[at + 1].name}-{number}"}
                )
            if symbol.rings_on:
                ET.SubElement(
                    place.measure,
                    "lv",
                    {"startid": f"#{name}", "tstamp2": f"0m+{_stamp(place, Fraction(1, 2))}", **away},
                )
        if not symbol.tied_from:
            _fingers(place, staff, below)


def _fingers(place: Placed, staff: int, below: bool) -> None:
    """The fingers of a symbol's notes, which stand away from the staff in the order of the notes."""
    heads = sorted(place.symbol.heads, key=lambda head: head.spelling.midi, reverse=below)
    for text in (head.note.finger_text for head in heads):
        if text:
            # With a time and not a note's id the engraver keeps it off the stem.
            where = {"staff": str(staff + 1), "tstamp": _stamp(place, Fraction(0))}
            ET.SubElement(
                place.measure, "fing", {**where, "place": "below" if below else "above"}
            ).text = text


def _stamp(place: Placed, part: Fraction) -> str:
    """A part of a symbol's length after its beginning as a time stamp: beats of the meter's lower number, from 1."""
    after = place.symbol.onset + place.symbol.value.length * part
    return f"{float(after * place.bar.bar.meter.denominator + 1):.4f}"


def add_octaves(places: Mapping[tuple[str, int], Sequence[Placed]]) -> None:
    """The octave lines of each staff: runs of notes that are written so much lower."""
    for staff in sorted({staff for _, staff in places}):
        moments = sorted(
            (
                place
                for (_, other), strand in places.items()
                if other == staff
                for place in strand
                if place.symbol.event
            ),
            key=lambda place: place.bar.start + place.symbol.onset,
        )
        for up, run in groupby(moments, key=lambda place: place.symbol.octaves_up):
            if up:
                members = list(run)
                line = {"dis": str(7 * up + 1), "dis.place": "above", "staff": str(staff + 1)}
                ends = {"startid": f"#{members[0].name}-0", "endid": f"#{members[-1].name}-0"}
                ET.SubElement(members[0].measure, "octave", line | ends)
