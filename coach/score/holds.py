"""How long events sound where nothing is written: stopped notes to the layer's next event, harmonics ring on."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import groupby

from coach.ground.frozen import frozen
from coach.music.drill import Note


@frozen
class Struck:
    """An event of a phrase; `onset` and `hold` in whole notes from the phrase's start, None where none is written."""

    layer: str
    onset: Fraction
    notes: tuple[Note, ...]
    hold: Fraction | None


def default_holds(events: Sequence[Struck], end: Fraction) -> list[tuple[Fraction, Fraction]]:
    """How long each event sounds, and when one of its strings is struck again, at most the phrase's `end`.

    In whole notes, for events in order of onset.

    A fretted or open note is held until the next event of its layer; a harmonic rings until its string is played
    again by any layer; both at most to the phrase's end. An event with both kinds holds until its layer's next
    event. One with several harmonics rings until the last of their strings is played again.
    """
    in_layer: dict[str, Fraction] = {}
    on_string: dict[int, Fraction] = {}
    holds: list[tuple[Fraction, Fraction]] = []
    # Exact fractions compare slowly, and two onsets differ by far more than rounding.
    for _, group in groupby(reversed(events), key=lambda event: float(event.onset)):
        together = list(group)
        onset = together[0].onset
        # Events of one moment don't cut each other short.
        for event in together:
            again = [on_string.get(note.string, end) for note in event.notes]
            if event.hold is not None:
                stop = min(onset + event.hold, end)
            elif all(note.is_natural for note in event.notes):
                stop = max(again)
            else:
                stop = in_layer.get(event.layer, end)
            holds.append((stop - onset, min(again)))
        for event in together:
            in_layer[event.layer] = onset
            on_string |= dict.fromkeys((note.string for note in event.notes), onset)
    return holds[::-1]
