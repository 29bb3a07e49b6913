"""Where the player's nodes lie on their instruments, and the sign that each gets on a heat map.

A sign, a word and a colour say the same, so that none of them is needed alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from coach.learning.evidence import NODE
from coach.music.drill import Drill
from coach.report.figures import PlaceFigures
from coach.strings.fretboard import Board, Mark, Place
from coach.strings.instrument import SCALE_MM_RANGE, Instrument, Node
from coach.strings.units import midi_from_note, note_name
from coach.words.amounts import percent

USUAL_SCALE_MM = 864.0
REACH = 1.06
"""How far beyond its last node a neck is drawn."""


@dataclass(frozen=True, slots=True)
class Grade:
    """How well a node rings near its goal tempo."""

    sign: str
    word: str
    at_least: float
    """Share that rings."""
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


@dataclass(frozen=True, slots=True)
class Neck:
    """One instrument with the graded nodes on it."""

    instrument: Instrument
    places: tuple[tuple[Place, PlaceFigures], ...]

    @property
    def board(self) -> Board:
        """The part of the fretboard that is in use."""
        reach_mm = max(self.instrument.position_mm(node) for (_, node), _ in self.places)
        return Board.of(self.instrument, (0.0, min(self.instrument.scale_mm, reach_mm * REACH)))

    @property
    def marks(self) -> list[Mark]:
        """The nodes with the signs of their grades, the lower partial over the higher; a mark's kind is the grade."""
        places = sorted(self.places, key=lambda place: -place[0][1].partial)
        return [self._mark(string, node, figures) for (string, node), figures in places]

    def _mark(self, string: int, node: Node, figures: PlaceFigures) -> Mark:
        grade, fail = grade_of(figures), figures.fail
        where = "near the goal tempo" if figures.near_goal else "at slower tempos"
        ends = f"{percent(1 - fail.high)} to {percent(1 - fail.low)}"
        hint = f"{figures.name}: {percent(1 - fail.mean)} ring {where} ({ends})"
        return Mark(string, self.instrument.position_mm(node), grade.sign, grade.word, node.label, hint)


def grade_of(figures: PlaceFigures) -> Grade:
    """The grade of a node."""
    if not figures.known:
        return UNKNOWN
    return next(grade for grade in GRADES if 1 - figures.fail.mean >= grade.at_least)


def necks(nodes: Iterable[PlaceFigures], drills: Sequence[Drill]) -> list[Neck]:
    """The instruments that the nodes are on, the one with most nodes first; what is no node's key is left out."""
    known = {drill.instrument.key: drill.instrument for drill in drills}
    by_key: dict[str, list[tuple[int, Node, PlaceFigures]]] = {}
    for figures in nodes:
        parts = figures.key.removeprefix(NODE).rsplit("|", 2)
        try:
            key, midi, node = parts[0], midi_from_note(parts[1]), Node.parse(parts[2])
        except (ValueError, IndexError):
            continue
        by_key.setdefault(key, []).append((midi, node, figures))
    drawn = []
    for key, items in by_key.items():
        instrument = known.get(key) or _guessed(key, {midi for midi, _, _ in items})
        strings = {string.midi: index for index, string in enumerate(instrument.strings)}
        places = tuple(((strings[midi], node), figures) for midi, node, figures in items if midi in strings)
        if places:
            drawn.append(Neck(instrument, places))
    return sorted(drawn, key=lambda neck: -len(neck.places))


def _guessed(key: str, midis: set[int]) -> Instrument:
    """An instrument whose drill is not at hand: the strings that were played, the scale that its key tells."""
    _, _, scale = key.partition("x")
    low, high = SCALE_MM_RANGE
    scale_mm = float(scale) if scale.isdecimal() and low <= int(scale) <= high else USUAL_SCALE_MM
    return Instrument.of([note_name(midi) for midi in sorted(midis, reverse=True)[:12]], scale_mm)
