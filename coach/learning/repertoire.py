"""Drills digested for planning: what each phrase and layer contains and how long a repetition takes.

Times are in seconds at a rung: count-in and passage from exact fractions, plus what rating and the pause before the
next count-in take. Nothing here depends on the log, so that one repertoire serves many plans.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

from coach.learning.evidence import MOVE, NODE
from coach.learning.ladder import Release
from coach.learning.release import releases_for
from coach.music.drill import TOGETHER, Drill, Phrase
from coach.music.excerpt import (
    Excerpt,
    Kind,
    Passage,
    bars_key,
    cut,
    joins_of,
    layer_choices,
    passage_of,
    whole_of,
    whole_phrase,
    whole_piece,
)
from coach.words.names import excerpt_name

BETWEEN_REPS_S = 4.0
"""Rating a repetition and the pause before the next count-in."""
BETWEEN_TURNS_S = 8.0
"""Reading what comes next and finding the place."""


@dataclass(frozen=True)
class Part:
    """One phrase of one drill in one layer (or together), and its shorter excerpts; worked out when asked for."""

    drill: Drill
    phrase: Phrase
    excerpt: Excerpt

    @property
    def layer(self) -> str:
        return self.excerpt.layer

    @cached_property
    def passage(self) -> Passage:
        return passage_of(self.drill, self.excerpt)

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """Evidence keys of its nodes, then of its moves, as `keys_of` its passage gives them.

        Read from the bars directly: a plan looks at every phrase that was ever begun, and exact onsets take time.
        """
        nodes: dict[str, None] = {}
        moves: dict[str, None] = {}
        last: dict[str, str] = {}
        order = self.phrase.layers
        for bar in self.phrase.bars:
            for event in sorted(bar.events, key=lambda event: (event.beat, order.index(event.layer))):
                if self.layer not in (TOGETHER, event.layer):
                    continue
                played = [
                    self.drill.instrument.node_key(note.string, note.node)
                    for note in event.notes
                    if note.node
                ]
                nodes.update(dict.fromkeys(played))
                place = "+".join(played)
                before = last.get(event.layer, "")
                if place and before and place != before:
                    moves[f"{before}>{place}"] = None
                last[event.layer] = place or before
        return (*(NODE + node for node in nodes), *(MOVE + move for move in moves))

    @cached_property
    def shorter(self) -> tuple[Excerpt, ...]:
        """Its nodes and moves as excerpts of their own, and its halves where it is long enough for them."""
        found = [
            replace(
                self.excerpt, kind=Kind.NODE if key.startswith(NODE) else Kind.MOVE, subject=key[len(NODE) :]
            )
            for key in self.keys
        ]
        events = sum(
            self.layer in (TOGETHER, event.layer) for bar in self.phrase.bars for event in bar.events
        )
        if events >= 4:
            found += [replace(self.excerpt, kind=Kind.HALF, subject=half) for half in ("1", "2")]
        return tuple(found)


@dataclass(frozen=True)
class Repertoire:
    """All drills, digested on demand."""

    drills: tuple[Drill, ...]
    _by_id: dict[str, Drill]
    _parts: dict[tuple[str, str], tuple[Part, ...]] = field(default_factory=dict)
    _passages: dict[str, Passage | None] = field(default_factory=dict)
    _wholes: dict[tuple[object, ...], Passage] = field(default_factory=dict)
    _beats: dict[str, tuple[float, float]] = field(default_factory=dict)
    _releases: dict[str, tuple[Release, ...]] = field(default_factory=dict)

    def parts(self, drill: Drill, phrase: Phrase) -> tuple[Part, ...]:
        """A phrase in each layer, in the order in which layers are built up; empty where it has no event."""
        place = (drill.id, phrase.id)
        if place not in self._parts:
            self._parts[place] = tuple(
                Part(drill, phrase, whole_phrase(drill, phrase, layer)) for layer in layer_choices(phrase)
            )
        return self._parts[place]

    def drill(self, drill_id: str) -> Drill | None:
        """The drill with this id; None where there is none."""
        return self._by_id.get(drill_id)

    def passage(self, excerpt: Excerpt) -> Passage | None:
        """What an excerpt plays; None where the drills don't have it."""
        key = excerpt.key
        if key not in self._passages:
            try:
                found = cut(self._whole(excerpt), excerpt)
            except KeyError:
                found = None
            self._passages[key] = found if found and found.events else None
        return self._passages[key]

    def _whole(self, excerpt: Excerpt) -> Passage:
        key = bars_key(excerpt)
        if key not in self._wholes:
            self._wholes[key] = whole_of(self._by_id[excerpt.drill], excerpt)
        return self._wholes[key]

    def keys(self, excerpt: Excerpt) -> tuple[str, ...]:
        """Evidence keys of an excerpt's nodes, then of its moves; empty where the drills don't have it."""
        passage = self.passage(excerpt)
        return keys_of(passage) if passage else ()

    def releases(self, excerpt: Excerpt) -> tuple[Release, ...]:
        """What can be changed where the excerpt stays choked."""
        key, drill = excerpt.key, self.drill(excerpt.drill)
        if key not in self._releases:
            self._releases[key] = releases_for(drill, excerpt) if drill else (Release.LEAVE,)
        return self._releases[key]

    def rep_s(self, excerpt: Excerpt, tempo_bpm: int) -> float:
        """Seconds from one count-in to the next at a rung; KeyError where the drills don't have the excerpt."""
        key = excerpt.key
        if key not in self._beats:
            passage, drill = self.passage(excerpt), self.drill(excerpt.drill)
            if passage is None or drill is None:
                raise KeyError(key)
            bar = passage.bars[0]
            count_in = drill.count_in_bars * bar.meter.beats * bar.beat_length
            music_s = float(passage.tempo.seconds_at(passage.length, Fraction(60)))
            self._beats[key] = (float(count_in / passage.tempo.spans[0].start_ratio), music_s)
        count_in_beats, beats = self._beats[key]
        return (count_in_beats + beats) * 60 / tempo_bpm + BETWEEN_REPS_S


def repertoire_of(drills: Sequence[Drill]) -> Repertoire:
    """The drills digested, in the order given; of two with one id the first counts."""
    once = {drill.id: drill for drill in reversed(drills)}
    kept = tuple(drill for drill in drills if once[drill.id] is drill)
    return Repertoire(kept, once)


def keys_of(passage: Passage) -> tuple[str, ...]:
    """Evidence keys of a passage's nodes, then of its moves."""
    nodes = tuple(NODE + node for node in passage.node_keys)
    return nodes + tuple(MOVE + move for move in passage.moves)


def joins_and_piece(drill: Drill) -> tuple[tuple[Excerpt, ...], Excerpt | None]:
    """The joins of a drill's phrases and its whole piece, together; the piece only where it is more than a phrase."""
    layer = TOGETHER if len(drill.layers) > 1 else drill.layers[0]
    piece = whole_piece(drill, layer)
    return joins_of(drill, layer), piece if len(piece.phrases) > 1 else None


def title_of(repertoire: Repertoire, excerpt: Excerpt) -> str:
    """An excerpt as players call it, with the title of its passage in the drills as they are now."""
    passage = repertoire.passage(excerpt)
    return excerpt_name(excerpt, passage.title if passage else "+".join(excerpt.phrases))
