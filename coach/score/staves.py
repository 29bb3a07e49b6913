"""On which staff a drill's notes stand, with which clef, and where an octave line helps.

Conventions: the pitches of all staves are the sounding ones; a clef that sounds an octave below where it is written
bears an 8 (`octave` -1). A bass reads its own notes in the bass clef with 8, a guitar in the treble clef with 8 (common
practice), and harmonics stand at sounding pitch in a clef without. All of it is one staff where nothing lies far beyond
it, else two: the instrument's own below, and harmonics above in the treble clef, in the bass clef where that needs far
fewer ledger lines. `MOST_LEDGERS` and the other limits are our choice.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from coach.ground.frozen import frozen
from coach.music.drill import Drill, Note
from coach.music.key import Key, Spelling, spelling_of
from coach.score.music import sounding_midi
from coach.strings.instrument import Instrument

MOST_LEDGERS = 3
"""Beyond so many ledger lines above the staff a note goes under an octave line."""
_ONE_STAFF_LEDGERS = 2
"""Beyond so many above it one staff becomes two; below it a player's own lowest notes stand as they always do."""
MOST_VOICES = 2
"""More layers than these on one staff can't be told apart by their stems."""
_BASS_BELOW_MIDI, _GUITAR_BELOW_MIDI = 36, 48
"""An instrument whose lowest string lies below C2 reads as a bass, below C3 as a guitar (common practice)."""
_LETTERS = "CDEFGAB"


@frozen
class Clef:
    """A clef: its sign, the line that it names (from below), and by how many octaves it sounds off its usual place."""

    sign: Literal["G", "F"]
    line: int
    octave: int = 0

    @property
    def bottom(self) -> int:
        """The place of its lowest line: E4 in the treble clef, G2 in the bass clef."""
        return (30 if self.sign == "G" else 18) + 7 * self.octave

    def ledgers(self, place: int) -> int:
        """Ledger lines that a place needs: below 0 under the staff, above 0 over it."""
        above, below = place - self.bottom - 8, self.bottom - place
        return above // 2 if above > 0 else -(below // 2) if below > 0 else 0


TREBLE, TREBLE_8, BASS, BASS_8 = Clef("G", 2), Clef("G", 2, -1), Clef("F", 4), Clef("F", 4, -1)


def place(spelling: Spelling) -> int:
    """The staff place of a pitch: letters counted from C0, so that C4 is 28."""
    return 7 * spelling.octave + _LETTERS.index(spelling.letter)


def spelled(instrument: Instrument, note: Note, key: Key | None) -> Spelling:
    """The pitch that a note sounds, as its author states it, else as the key spells it."""
    return spelling_of(sounding_midi(instrument, note), key, note.asserted)


@dataclass(frozen=True)
class Staves:
    """The staves of a drill from above, and which notes stand where."""

    clefs: tuple[Clef, ...]
    mixed: frozenset[str] = frozenset()
    """Layers with harmonics, whose stopped notes stand where they need fewer ledger lines."""

    def staff(self, layer: str, note: Note, at: int) -> int:
        """The staff of a note at a staff place, counted from 0 at the top."""
        if len(self.clefs) == 1 or note.is_harmonic:
            return 0
        if layer not in self.mixed:
            return 1
        upper, lower = (abs(clef.ledgers(at)) for clef in self.clefs)
        return 0 if upper <= lower else 1


def staves_of(drill: Drill) -> Staves:
    """The staves that a drill is written on."""
    own = _own_clef(drill.instrument)
    written = [
        (event.layer, note, place(spelled(drill.instrument, note, bar.key)))
        for phrase in drill.phrases
        for bar in phrase.bars
        for event in bar.events
        for note in event.notes
    ]
    layers = {layer for layer, _, _ in written}
    if len(layers) <= MOST_VOICES and all(own.ledgers(at) <= _ONE_STAFF_LEDGERS for _, _, at in written):
        return Staves((own,))
    harmonics = [at for _, note, at in written if note.is_harmonic]
    if not harmonics:
        return Staves((own,))
    cost = {clef: sum(clef.ledgers(at) ** 2 for at in harmonics) for clef in (TREBLE, BASS)}
    upper = BASS if 2 * cost[BASS] < cost[TREBLE] else TREBLE
    both = Staves((upper, own), frozenset(layer for layer, note, _ in written if note.is_harmonic))
    return both if any(both.staff(*one) for one in written) else Staves((upper,))


def _own_clef(instrument: Instrument) -> Clef:
    lowest = min(string.midi for string in instrument.strings)
    return BASS_8 if lowest < _BASS_BELOW_MIDI else TREBLE_8 if lowest < _GUITAR_BELOW_MIDI else TREBLE


def octave_lines(clef: Clef, moments: Sequence[Iterable[int]]) -> list[int]:
    """For each moment of a staff, by its places, the octaves that it is written too low: 0, 1 (8va), 2 (15ma).

    A line begins at a note that would need more than `MOST_LEDGERS` lines and goes on to the next such note where all
    between them stay on the staff or a ledger line below it.
    """
    lows, highs = [min(at) for at in moments], [max(at) for at in moments]
    lines = [next((up for up in (0, 1) if clef.ledgers(high - 7 * up) <= MOST_LEDGERS), 2) for high in highs]
    raised = [index for index, up in enumerate(lines) if up]
    for first, last in itertools.pairwise(raised):
        between = range(first + 1, last)
        up = min(lines[first], lines[last])
        if all(clef.ledgers(lows[index] - 7 * up) >= -1 for index in between):
            lines[first + 1 : last] = [up] * len(between)
    return lines
