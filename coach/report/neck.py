"""Where the player's nodes lie on their instruments, and the sign that each gets on a heat map.

A sign, a word and a colour say the same, so that none of them is needed alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from coach.ground.frozen import frozen
from coach.learning.readings import Place
from coach.music.drill import Drill
from coach.report.figures import FEW, PlaceFigures
from coach.report.reply import PlaceReply
from coach.strings.fretboard import Board, Mark
from coach.strings.instrument import Instrument
from coach.strings.node import Node, touch_label
from coach.strings.units import midi_from_note
from coach.words.amounts import percent
from coach.words.names import place_name

Touched = tuple[int, Node, int]
"""A string, a node of what sounds of it, and the fret at which it is stopped; 0 for a natural harmonic."""

Results = Place | PlaceReply
"""What is known of a node: in the player's own estimate (`n:` before its key), or in a reply."""

REACH = 1.06
"""How far beyond its last node a neck is drawn."""


@frozen
class Grade:
    """How likely a node is clean at the goal tempo, cold."""

    sign: str
    word: str
    at_least: float
    """The chance."""
    ink: str
    """Colour on paper; the scale is readable with the usual colour deficiencies."""
    terminal: int
    """Colour in a terminal: the SGR code of ECMA-48."""


GRADES = (
    Grade("●", "9 of 10 ring", 0.9, "#1b6b5a", 32),
    Grade("◐", "3 of 4", 0.75, "#4b7fb0", 36),
    Grade("○", "half", 0.5, "#b07a12", 33),
    Grade("×", "fewer", 0.0, "#a3225b", 35),
)
UNKNOWN = Grade("·", "too few results", 0.0, "#6b6b6b", 2)


@frozen
class Rings:
    """How a node goes, alone and with others, in all drills that have it."""

    name: str
    chance: float
    """That it is clean at the goal, cold: the mean of its results of late."""
    failed: int
    """Of the last `of` results of each place that it is part of."""
    of: int

    @property
    def grade(self) -> Grade:
        if self.of < FEW:
            return UNKNOWN
        return next(grade for grade in GRADES if self.chance >= grade.at_least)


@frozen
class Neck:
    """One instrument with the graded nodes on it."""

    instrument: Instrument
    places: tuple[tuple[Touched, Rings], ...]

    @property
    def board(self) -> Board:
        """The part of the fretboard that is in use."""
        reach_mm = max(self.instrument.position_mm(*place) for place, _ in self.places)
        return Board.of(self.instrument, (0.0, min(self.instrument.longest_mm, reach_mm * REACH)))

    @property
    def marks(self) -> list[Mark]:
        """The nodes with the signs of their grades, the lower partial over the higher; a mark's kind is the grade."""
        places = sorted(self.places, key=lambda place: -place[0][1].partial)
        return [self._mark(place, rings) for place, rings in places]

    def _mark(self, place: Touched, rings: Rings) -> Mark:
        string, node, stop = place
        late = f"failed {rings.failed} of the last {rings.of}"
        hint = f"{rings.name}: {percent(rings.chance)} clean at the goal, cold; {late}"
        grade = rings.grade
        label = f"{stop}<{touch_label(node, stop)}>" if stop else node.label
        return Mark(string, self.instrument.position_mm(*place), grade.sign, grade.word, label, hint)


def necks(nodes: Iterable[Results], instruments: Iterable[Instrument]) -> list[Neck]:
    """The instruments that the nodes are on, the one with most nodes first.

    A node is drawn once: of several instruments that have it, on that which has most of the nodes, or else the first.
    """
    parts: dict[str, list[Results]] = {}
    for one in nodes:
        for key in one.key.removeprefix("n:").split("+"):
            parts.setdefault(key, []).append(one)
    on = {
        instrument: {key: place for key in parts if (place := _place(instrument, key))}
        for instrument in dict.fromkeys(instruments)
    }
    drawn: list[Neck] = []
    left = set(parts)
    for instrument, places in sorted(on.items(), key=lambda item: -len(item[1])):
        if here := [key for key in places if key in left]:
            drawn.append(Neck(instrument, tuple((places[key], _together(key, parts[key])) for key in here)))
            left -= set(here)
    return sorted(drawn, key=lambda neck: -len(neck.places))


def necks_of(nodes: Sequence[PlaceFigures], drills: Iterable[Drill]) -> list[Neck]:
    """The necks of the drills that have the nodes, no other drill's of the same tuning."""
    ids = {one.drill for one in nodes}
    return necks((one.place for one in nodes), (drill.instrument for drill in drills if drill.id in ids))


def _place(instrument: Instrument, key: str) -> Touched | None:
    """Where a node's key (`A1|1/3`; `A1@5|1/2` on a stopped string) is touched.

    None where the instrument has no such string, or a student's file holds no such key.
    """
    strings = [string.midi for string in instrument.strings]
    try:
        *named, place, fraction = key.split("|")
        note, _, stop = place.partition("@")
        if instrument.name != "".join(named) or midi_from_note(note) not in strings:
            return None
        return strings.index(midi_from_note(note)), Node.parse(fraction), int(stop or 0)
    except ValueError:
        return None


def _together(key: str, places: Sequence[Results]) -> Rings:
    of = sum(one.of for one in places)
    chance = sum(one.chance * one.of for one in places) / of if of else places[0].chance
    return Rings(place_name(key), chance, sum(one.failed for one in places), of)
