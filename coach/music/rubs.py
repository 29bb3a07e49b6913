"""Harmonics left ringing into a neighbour: two pitches a semitone apart on two strings, the first not stopped.

Conventions: all layers together, as they sound. A harmonic rings to the end of its hold, where nothing is written until
its string is played again. What is struck together is meant, and so is what is marked to `ring`. Common practice, no
source: a semitone between two ringing notes is heard as an accident, a ninth or a seventh as a colour.
"""

from __future__ import annotations

from collections.abc import Iterator

from coach.ground.frozen import frozen
from coach.music.excerpt import Passage, PlacedEvent, PlacedNote
from coach.strings.units import cents_between

RUB_CENTS = (50.0, 150.0)
"""What is heard as a semitone, partials off equal temperament included."""


@frozen
class Rub:
    """A harmonic that still rings when its neighbour is struck."""

    earlier: PlacedEvent
    ringing: PlacedNote
    """The harmonic, one of `earlier`."""
    event: PlacedEvent
    struck: PlacedNote
    """Its neighbour, one of `event`."""


def rubs(passage: Passage) -> Iterator[Rub]:
    """Every harmonic of a passage that rings into a neighbour a semitone away, in the order in which they meet."""
    ringing: dict[int, tuple[PlacedEvent, PlacedNote]] = {}
    for event in passage.events:
        for struck in event.notes:
            for earlier, note in ringing.values():
                if _rings_into(earlier, note, event, struck):
                    yield Rub(earlier, note, event, struck)
        for struck in event.notes:
            ringing.pop(struck.note.string, None)
            if struck.note.is_harmonic and struck.note.ending != "ring":
                ringing[struck.note.string] = event, struck


def _rings_into(earlier: PlacedEvent, note: PlacedNote, event: PlacedEvent, struck: PlacedNote) -> bool:
    if note.note.string == struck.note.string:
        return False
    least, most = RUB_CENTS
    # Times are exact and compare slowly: few pairs are asked for theirs.
    if not least <= abs(cents_between(note.sounding_hz, struck.sounding_hz)) <= most:
        return False
    return earlier.onset < event.onset < earlier.onset + earlier.hold
