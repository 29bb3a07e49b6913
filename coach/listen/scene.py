"""What may ring around one note of a passage: the note's own partials, those of other strings, and other notes instead.

A string that is struck anew, or touched, gives up what rang on it, so that an earlier note of the same string is never
counted as hiding a later one. On every other string the last note struck rings on, and so do those due at the same
time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Values
from coach.listen.open_string import MeasuredString
from coach.listen.partials import Rings, note_hz, stopped_hz
from coach.music.drill import Note
from coach.music.excerpt import Passage, PlacedEvent

TOGETHER_S = 0.06
"""Notes due within this of each other begin together."""
REACH_S = 0.28
"""What begins later than this after a note does not touch its judgement."""
LONG_AGO_S = 0.2
"""What began so long before a note is whole in the window before it."""
LOUDER_AGAIN = 1.5
"""How much louder a partial may be than in the window before: two that beat can have been at their lowest."""
UNKNOWN_LEVEL = 0.1
"""How loud a partial may be where nothing is known of it; full scale is 1."""
_OTHER_NODES = (2, 3, 4, 5, 6, 7)
_OWN_NUMBERS = range(1, 17)


@frozen
class Beside:
    """Another string's note: when it begins against the note in question, and its partials."""

    key: str
    after_s: float
    hz: Values

    @property
    def is_long_ago(self) -> bool:
        """Whether it is whole in the window before the note: it only fades by now, or was stopped."""
        return self.after_s < -LONG_AGO_S


@dataclass(frozen=True)
class Scene:
    """A passage on strings that were measured: what sounds when, by theory."""

    passage: Passage
    tempo_bpm: int
    strings: Mapping[int, MeasuredString]
    ratios: Mapping[str, Values] = field(default_factory=dict)
    """By note: by what its partials were found to lie off theory."""

    @cached_property
    def onsets_s(self) -> dict[int, float]:
        """Label to when the event is due after beat 1."""
        tempo = self.passage.tempo
        return {e.label: float(tempo.seconds_at(e.onset, self.tempo_bpm)) for e in self.passage.events}

    def hz(self, note: Note) -> Values:
        """A note's partials, where they were found, else by theory."""
        hz = self.theory_hz(note)
        ratios = self.ratios.get(note_key(note), np.zeros(0))[: len(hz)]
        return np.asarray(hz * np.concatenate([ratios, np.ones(len(hz) - len(ratios))]))

    def theory_hz(self, note: Note) -> Values:
        return note_hz(self.strings[note.string], note)

    def own_others_hz(self, note: Note) -> Values:
        """The string's partials that a touch at the note's node silences."""
        step = note.node.partial if note.node else 1
        return stopped_hz(self.strings[note.string], note.stop, [m for m in _OWN_NUMBERS if m % step])

    def alternatives(self, note: Note) -> tuple[Values, ...]:
        """Partials, without the note's own, of what may sound on its string instead: nodes, open, the next frets."""
        string = self.strings[note.string]
        if note.node:
            step = note.node.partial
            numbers = [range(1, 8), *([q, 2 * q, 3 * q] for q in _OTHER_NODES)]
            kept = [[m for m in each if m % step] for each in numbers]
            return tuple(hz for each in kept if each and len(hz := stopped_hz(string, note.stop, each)))
        frets = [fret for fret in (note.stop - 1, note.stop + 1, 0) if fret >= 0 and fret != note.stop]
        return tuple(stopped_hz(string, fret, range(1, 6)) for fret in frets)

    def beside(self, event: PlacedEvent, note: Note) -> tuple[Beside, ...]:
        """What other strings play: on each the last note before this one, and what begins with it or soon after."""
        due_s = self.onsets_s[event.label]
        by_string: dict[int, list[tuple[float, Note]]] = {}
        for other in self.passage.events:
            after_s = self.onsets_s[other.label] - due_s
            for placed in other.notes:
                if after_s <= REACH_S and placed.note.string != note.string:
                    by_string.setdefault(placed.note.string, []).append((after_s, placed.note))
        kept: list[tuple[float, Note]] = []
        for each in by_string.values():
            kept += [one for one in each if one[0] < -TOGETHER_S][-1:]
            kept += [one for one in each if one[0] >= -TOGETHER_S]
        return tuple(Beside(note_key(other), after_s, self.hz(other)) for after_s, other in kept)

    def until_next_s(self, event: PlacedEvent) -> float:
        """How long after this event the next one is due that does not begin with it; infinite after the last."""
        due_s = self.onsets_s[event.label]
        later_s = [onset_s - due_s for onset_s in self.onsets_s.values() if onset_s - due_s > TOGETHER_S]
        return min(later_s, default=math.inf)

    def alone(self, event: PlacedEvent) -> bool:
        """Whether no other event begins together with this one."""
        due_s = self.onsets_s[event.label]
        return all(
            label == event.label or abs(onset_s - due_s) > TOGETHER_S
            for label, onset_s in self.onsets_s.items()
        )


def note_key(note: Note) -> str:
    """What a note is on its instrument, for what is learnt of it: string, stop, node; `2:0:1/5`, `3:2:`."""
    return f"{note.string}:{note.stop}:{note.node.key if note.node else ''}"


def rings(
    beside: Sequence[Beside],
    until_s: float,
    known: Mapping[str, Values],
    loud_before: Sequence[Values | None],
) -> Rings:
    """What of other strings may ring until a moment after the note's beat, and how loud at most.

    `known` has notes' usual levels; `loud_before` says of each that began long ago how loud its partials were just
    before the note.
    """
    parts = []
    for one, loud in zip(beside, loud_before, strict=True):
        if one.after_s <= until_s:
            level = known.get(one.key, np.full(len(one.hz), UNKNOWN_LEVEL / 2.0))
            # Of a string that was tuned since, a partial more or less is within what is heard.
            hz, expected = one.hz[: len(level)], 2.0 * level[: len(one.hz)]
            if loud is not None:
                expected = np.minimum(expected, LOUDER_AGAIN * loud[: len(hz)])
            parts.append(Rings(hz, expected))
    return Rings.of(parts)
