"""What the player must know at one moment of a passage: what sounds now, what comes next, how the hand moves there.

Conventions: beats are tempo beats of the passage; mm along the neck from the nut (`Instrument.along_mm`). Where a
passage has harmonics, now and next are harmonics, and the other notes are what is held meanwhile; else they are the
notes of all layers.
"""

from __future__ import annotations

import math
from typing import Literal

from coach.ground.frozen import frozen
from coach.music.excerpt import Passage, PlacedEvent, PlacedNote
from coach.strings.instrument import Instrument

Way = Literal["", "bridge", "nut"]


@frozen
class Focus:
    """Now, next, and what is held under them; before its first note a passage has no now."""

    now: PlacedEvent | None
    next: PlacedEvent | None
    held: tuple[PlacedEvent, ...] = ()
    """Events of other layers that sound now, in order."""
    next_held: PlacedEvent | None = None
    """The next event of the other layers."""
    until: float = math.inf
    """The beat at which something of this changes."""

    @property
    def labels(self) -> tuple[int, ...]:
        """Labels of all that sounds now."""
        shown = (self.now, *self.held) if self.now else self.held
        return tuple(event.label for event in shown)

    @property
    def keeps(self) -> bool:
        """Whether what is held stays down while the hand goes to the next note."""
        if self.next is None or not self.held:
            return False
        return self.held[-1].onset + self.held[-1].hold > self.next.onset


@frozen
class Move:
    """How the hand comes from one event to the next."""

    way: Way
    distance_mm: float
    """Along the string; 0 where the hand stays or the next note is open."""
    distance_frets: float
    crosses: bool
    """Whether another string is played."""
    placed: bool = True
    """Whether both notes have a place for the hand: open strings have none."""


def leads(passage: Passage, event: PlacedEvent) -> bool:
    """Whether an event belongs to what is shown as now and next."""
    return event.is_harmonic or not passage.node_keys


def focus_at(passage: Passage, beat: float | None) -> Focus:
    """The focus at a beat, in the count-in too; with None, where nothing plays, the hands on the first note."""
    main = [event for event in passage.events if leads(passage, event)]
    others = [event for event in passage.events if not leads(passage, event)]
    at = float(main[0].onset) if beat is None else beat
    # As floats, since exact fractions compare slowly.
    begun = [event for event in main if float(event.onset) <= at]
    held = tuple(event for event in others if float(event.onset) <= at < float(event.onset + event.hold))
    coming = next(iter(main[len(begun) :]), None)
    next_held = next((event for event in others if float(event.onset) > at), None)
    changes = [event.onset + event.hold for event in held]
    changes += [event.onset for event in (coming, next_held) if event]
    return Focus(begun[-1] if begun else None, coming, held, next_held, float(min(changes, default=math.inf)))


def strings_shown(passage: Passage, instrument: Instrument, most: int) -> tuple[int, ...]:
    """The strings that are drawn: all where they have room, else those that the passage uses."""
    strings = tuple(range(len(instrument.strings)))
    if len(strings) <= most:
        return strings
    used = {placed.note.string for event in passage.events for placed in event.notes}
    return tuple(string for string in strings if string in used)[:most]


def place_mm(event: PlacedEvent, instrument: Instrument) -> float | None:
    """Where on the string the fretting hand is for an event; None for open strings and plucking-hand touches."""
    places = [at for placed in event.notes if (at := _place_mm(placed, instrument)) is not None]
    return (min(places) + max(places)) / 2 if places else None


def _place_mm(placed: PlacedNote, instrument: Instrument) -> float | None:
    note = placed.note
    if note.node is not None and not note.plucking_hand_touch and not note.stop:
        return instrument.along_mm(note.string, instrument.position_mm(note.string, note.node))
    return instrument.along_mm(note.string, instrument.fret_mm(note.string, note.fret)) if note.fret else None


def move_between(before: PlacedEvent, after: PlacedEvent, instrument: Instrument) -> Move:
    """The hand's way from one event to another."""
    start, stop = place_mm(before, instrument), place_mm(after, instrument)
    crosses = {placed.note.string for placed in before.notes} != {
        placed.note.string for placed in after.notes
    }
    if start is None or stop is None or abs(stop - start) < 0.5:
        return Move("", 0.0, 0.0, crosses, start is not None and stop is not None)
    frets = abs(instrument.fret_at(stop) - instrument.fret_at(start))
    return Move("bridge" if stop > start else "nut", abs(stop - start), frets, crosses)
