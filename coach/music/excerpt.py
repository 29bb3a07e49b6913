"""Excerpts of a drill (what one repetition covers) and the passage that each one plays.

An `Excerpt` names a part of a drill and keeps its key when the drill is edited. A `Passage` is its content now: every
event with its label, its exact place in tempo beats and its sounding notes. The screen draws it, the sound engine
plays it, the log stores its `LoggedPassage` once.

Key of an excerpt: `drill:phrase[+phrase]:layer:kind:full|easier:subject`. The subject is a node key, a move
(`place>place`), or `1` or `2` for the half of a phrase; a place is the node keys of one event joined by `+`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction
from functools import cached_property

from coach.ground.codec import plain_of
from coach.ground.frozen import frozen
from coach.music.drill import TOGETHER, Drill, Note, Phrase
from coach.music.rhythm import Meter, TempoMap, count_text


class Kind(StrEnum):
    """What one repetition covers."""

    NODE = "node"
    MOVE = "move"
    HALF = "half"
    PHRASE = "phrase"
    JOIN = "join"
    SECTION = "section"
    PIECE = "piece"


@frozen
class Excerpt:
    """A named part of a drill; equal excerpts are the same thing to practise on any day."""

    drill: str
    phrases: tuple[str, ...]
    layer: str = TOGETHER
    kind: Kind = Kind.PHRASE
    easier: bool = False
    subject: str = ""

    @property
    def key(self) -> str:
        ease = "easier" if self.easier else "full"
        return self.bars_key + ":".join([self.layer, self.kind, ease, self.subject])

    @property
    def bars_key(self) -> str:
        """With it begin the keys of all layers and parts of these bars."""
        return f"{self.drill}:{'+'.join(self.phrases)}:"

    @classmethod
    def parse(cls, key: str) -> Excerpt:
        """The excerpt with this key; ValueError where it is none."""
        parts = key.split(":", 5)
        if len(parts) != 6 or parts[4] not in ("full", "easier"):
            raise ValueError(f"{key!r} is not an excerpt key: drill:phrases:layer:kind:full|easier:subject")
        return cls(
            parts[0], tuple(parts[1].split("+")), parts[2], Kind(parts[3]), parts[4] == "easier", parts[5]
        )


@frozen
class PlacedNote:
    """A note of a passage with its sounding pitch."""

    note: Note
    node_key: str
    sounding_hz: float


@frozen
class PlacedEvent:
    """An event in its passage. `onset` and `hold` are in tempo beats, `beat` in the bar's counted beats."""

    label: int
    layer: str
    onset: Fraction
    hold: Fraction
    bar: int
    beat: Fraction
    notes: tuple[PlacedNote, ...]
    place: str = ""
    """The node keys of its harmonics joined by `+`; empty where it has none."""
    move_from: str = ""
    """The place that the hand comes from, where the layer has an earlier harmonic in this passage."""
    hold_written: bool = False
    """Whether the author wrote the hold."""

    @property
    def move(self) -> str:
        """`place>place`, or empty where the hand stays where it was."""
        return move_of(self.move_from, self.place)

    @property
    def is_harmonic(self) -> bool:
        return bool(self.place)

    @property
    def count(self) -> str:
        """Its place in the bar as players count: `2&`."""
        return count_text(self.beat)


@frozen
class PassageBar:
    """A bar, or the part of one that the passage covers, from `start` for `length` tempo beats."""

    number: int
    """As printed: through the piece."""
    phrase: str
    start: Fraction
    length: Fraction
    meter: Meter
    beat_length: Fraction
    """One counted beat of its meter, in tempo beats."""
    first_beat: Fraction
    """Counted beats of the bar that lie before the passage's start (0 for a whole bar)."""
    cue: str = ""
    dynamics: str = ""


Stroke = tuple[str, str, str, str, str]
"""An event but for when it sounds: phrase, layer, place, move, and its text where it has no harmonic."""


@frozen
class LoggedEvent:
    """What the log keeps of an event: enough to rate nodes and moves without the drill."""

    label: int
    layer: str
    text: str
    onset: str
    nodes: tuple[str, ...] = ()
    move: str = ""
    phrase: str = ""
    """Id of the phrase that it stands in: a join or the piece has several."""

    @property
    def stroke(self) -> Stroke:
        """The same but for its onset."""
        return self.phrase, self.layer, "+".join(self.nodes), self.move, "" if self.nodes else self.text


@frozen
class LoggedPassage:
    """What the log keeps of a passage, once; its id is a digest of all the rest."""

    id: str
    excerpt: str
    revision: str
    title: str
    events: tuple[LoggedEvent, ...]

    @classmethod
    def of(cls, excerpt: str, revision: str, title: str, events: tuple[LoggedEvent, ...]) -> LoggedPassage:
        unnamed = cls("", excerpt, revision, title, events)
        text = json.dumps(plain_of(unnamed), sort_keys=True, separators=(",", ":"))
        return replace(unnamed, id=hashlib.sha256(text.encode()).hexdigest()[:16])


@frozen
class Passage:
    """What an excerpt plays: events in order, bars, tempo, in tempo beats from 0 to `length`."""

    excerpt: Excerpt
    title: str
    revision: str
    events: tuple[PlacedEvent, ...]
    bars: tuple[PassageBar, ...]
    length: Fraction
    tempo: TempoMap
    layers: tuple[str, ...]

    @cached_property
    def logged_events(self) -> tuple[LoggedEvent, ...]:
        return tuple(
            LoggedEvent(
                event.label,
                event.layer,
                event_text(event),
                str(event.onset),
                tuple(placed.node_key for placed in event.notes if placed.node_key),
                event.move,
                self.bars[event.bar].phrase,
            )
            for event in self.events
        )

    @cached_property
    def logged(self) -> LoggedPassage:
        return LoggedPassage.of(self.excerpt.key, self.revision, self.title, self.logged_events)

    @cached_property
    def node_keys(self) -> tuple[str, ...]:
        """Every node played, once each, in order of first use."""
        return tuple(
            dict.fromkeys(note.node_key for event in self.events for note in event.notes if note.node_key)
        )

    @cached_property
    def bar_shapes(self) -> tuple[int, ...]:
        """For each bar the index of the first that has its meter, its part of it and its length, as most bars have.

        Shapes are compared as whole numbers: a repetition starts with a look at thousands, and fractions are slow.
        """
        firsts: dict[tuple[object, ...], int] = {}
        return tuple(
            firsts.setdefault(
                (
                    *(bar.meter.numerator, bar.meter.denominator, bar.meter.groups, bar.meter.large),
                    *(bar.first_beat.as_integer_ratio(), bar.length.as_integer_ratio()),
                    bar.beat_length.as_integer_ratio(),
                ),
                index,
            )
            for index, bar in enumerate(self.bars)
        )

    @cached_property
    def moves(self) -> tuple[str, ...]:
        """Every move made, once each, in order."""
        return tuple(dict.fromkeys(event.move for event in self.events if event.move))

    def seconds(self, tempo_bpm: int) -> Fraction:
        """How long one repetition lasts at a rung, without its count-in."""
        return self.tempo.seconds_at(self.length, tempo_bpm)

    def event(self, label: int) -> PlacedEvent:
        """The event with this label; KeyError where there is none."""
        if not 1 <= label <= len(self.events):
            raise KeyError(label)
        return self.events[label - 1]


def event_text(event: PlacedEvent) -> str:
    """An event as the drill file writes it, without its beat: `3:<7>+2:<7>` by string number."""
    return notes_text([placed.note for placed in event.notes])


def notes_text(notes: Iterable[Note]) -> str:
    """The notes of an event, likewise."""
    return "+".join([f"{note.string + 1}:{note.position_text}" for note in notes])


def move_of(before: str, place: str) -> str:
    """`place>place` from the place before in its layer; empty where the hand stays, or comes from nowhere."""
    return f"{before}>{place}" if before and place and before != place else ""


def layer_choices(phrase: Phrase) -> tuple[str, ...]:
    """What a phrase can be practised as: each layer alone, then together where there is more than one."""
    return phrase.layers if len(phrase.layers) < 2 else (*phrase.layers, TOGETHER)


def whole_phrase(drill: Drill, phrase: Phrase, layer: str | None = None) -> Excerpt:
    """The whole phrase in one layer, or with all its layers together."""
    return Excerpt(drill.id, (phrase.id,), layer or layer_choices(phrase)[-1])


def whole_piece(drill: Drill, layer: str = TOGETHER) -> Excerpt:
    """The piece from its first phrase to its last, repeats played."""
    return Excerpt(drill.id, drill.played, layer, Kind.PIECE)
