"""What the signs of tab mean, in text and on a page."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from coach.ground.frozen import frozen
from coach.music.drill import Drill, Note


@frozen
class Sign:
    """A sign as text tab writes it, what it means, and which notes have it."""

    text: str
    meaning: str
    has: Callable[[Note], object]
    is_finger: bool = False
    """Whether it stands at the note and not on the string's line."""


LEFT_OUT = Sign("?", "may be left out", lambda note: note.droppable)
SIGNS = (
    Sign("<7>", "natural harmonic, touched at 7", lambda note: note.is_natural),
    Sign("5<17>", "artificial harmonic, stopped at 5, touched at 17", lambda note: note.is_artificial),
    Sign("0", "open string", lambda note: note.fret == 0),
    LEFT_OUT,
    Sign("1 2 3 4 T", "fingers of the fretting hand", lambda note: note.fretting_finger, is_finger=True),
    Sign("1-4", "stops with 1, touches with 4", lambda note: note.touching_finger, is_finger=True),
    Sign("p i m a c", "fingers of the plucking hand", lambda note: note.plucking_finger, is_finger=True),
    Sign("t", "the plucking hand touches the node", lambda note: note.plucking_hand_touch, is_finger=True),
)


def signs_of(drill: Drill) -> Iterator[Sign]:
    """Those that some note of the drill has."""
    notes = list(drill.notes)
    return (sign for sign in SIGNS if any(sign.has(note) for note in notes))
