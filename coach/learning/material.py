"""Drills digested for choosing: each excerpt's events as the estimate knows them, and how long a repetition lasts.

Nothing here depends on the log, so that one digest serves many choices. Lengths are in tempo beats; seconds follow from
the rung.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field, replace
from functools import cached_property

from coach.ground.frozen import frozen
from coach.learning.skill import EventKeys, keys_of
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind, Passage, whole_phrase, whole_piece
from coach.music.passages import outline_of, passage_of
from coach.words.names import place_name

RATING_S = 4.0
"""Rating a repetition and the pause before the next count-in."""
TURN_S = 8.0
"""Reading what comes next and finding the place."""


@frozen
class Part:
    """An excerpt as the choice sees it."""

    excerpt: Excerpt
    drill: Drill
    keys: tuple[EventKeys, ...]
    beats: float
    """Count-in and passage, in beats at the drill's tempo."""
    harmonics: int
    """How many of its events have a node."""
    start_bpm: int
    goal_bpm: int
    key: str

    @cached_property
    def passage(self) -> Passage:
        """Worked out when it is first wanted: a choice needs none."""
        return passage_of(self.drill, self.excerpt)

    def rep_s(self, bpm: float) -> float:
        """Seconds from one count-in to the next."""
        return 60.0 * self.beats / bpm + RATING_S


@frozen
class Material:
    """All drills, digested on demand; of two with one id the first counts."""

    drills: tuple[Drill, ...]
    _by_id: dict[str, Drill] = field(default_factory=dict)
    _parts: dict[Excerpt, Part | None] = field(default_factory=dict)
    _wholes: dict[str, tuple[Excerpt, ...]] = field(default_factory=dict)
    _digests: dict[str, tuple[Part, ...]] = field(default_factory=dict)
    _pieces: dict[str, Excerpt] = field(default_factory=dict)

    def drill(self, drill_id: str) -> Drill | None:
        return self._by_id.get(drill_id)

    def part(self, excerpt: Excerpt) -> Part | None:
        """The digest of an excerpt; None where the drills don't have it or it has no event."""
        if excerpt not in self._parts:
            self._parts[excerpt] = self._digested(excerpt)
        return self._parts[excerpt]

    def _asked(self, drill: Drill) -> Iterator[Excerpt]:
        """The phrases and nodes that a teacher asks for by name."""
        names = {part.name for part in drill.assignment.parts} if drill.assignment else set()
        for phrase in drill.phrases:
            whole = whole_phrase(drill, phrase)
            if phrase.id in names:
                yield whole
            for key in passage_of(drill, whole).node_keys:
                name = place_name(key)
                if name in names:
                    names.remove(name)
                    yield replace(whole, kind=Kind.NODE, subject=key)

    def _digested(self, excerpt: Excerpt) -> Part | None:
        drill = self._by_id.get(excerpt.drill)
        if drill is None:
            return None
        try:
            strokes, beats = outline_of(drill, excerpt)
        except KeyError:
            return None
        if not strokes:
            return None
        keys = keys_of(excerpt, strokes)
        return Part(
            excerpt,
            drill,
            keys,
            float(beats),
            sum(node != "" for node, *_ in keys),
            min(drill.tempo.start_bpm, drill.goal_bpm),
            goal_of(drill, excerpt),
            excerpt.key,
        )

    def phrases(self, drill: Drill) -> tuple[Excerpt, ...]:
        """Every phrase whole, all layers together, in the piece's order; once each, those with no event left out.

        Where a teacher asks for parts of the drill, only these.
        """
        if drill.id not in self._wholes and drill.assignment and drill.assignment.parts:
            self._wholes[drill.id] = tuple(self._asked(drill))
        if drill.id not in self._wholes:
            order = dict.fromkeys((*drill.order, *(phrase.id for phrase in drill.phrases)))
            wholes = (whole_phrase(drill, drill.phrase(phrase)) for phrase in order)
            self._wholes[drill.id] = tuple(each for each in wholes if self.part(each))
        return self._wholes[drill.id]

    def parts(self, drill: Drill) -> tuple[Part, ...]:
        """The digests of its phrases."""
        if drill.id not in self._digests:
            digests = (self.part(each) for each in self.phrases(drill))
            self._digests[drill.id] = tuple(part for part in digests if part)
        return self._digests[drill.id]

    def piece(self, drill: Drill) -> Excerpt | None:
        """The whole piece; None where it is no more than one phrase, or only parts of it are asked for."""
        if drill.assignment and drill.assignment.parts:
            return None
        if drill.id not in self._pieces:
            layer = TOGETHER if len(drill.layers) > 1 else drill.layers[0]
            self._pieces[drill.id] = whole_piece(drill, layer)
        piece = self._pieces[drill.id]
        return piece if len(piece.phrases) > 1 and self.part(piece) else None


def goal_of(drill: Drill, excerpt: Excerpt) -> int:
    """The tempo to reach of an excerpt in bpm: what is asked of its node or of the slowest of its phrases."""
    asked = {part.name: part.goal_bpm for part in drill.assignment.parts} if drill.assignment else {}
    if not any(asked.values()):
        return drill.goal_bpm
    of_node = asked.get(place_name(excerpt.subject)) if excerpt.kind is Kind.NODE else None
    return of_node or min(asked.get(phrase) or drill.goal_bpm for phrase in excerpt.phrases)


def material_of(drills: Sequence[Drill]) -> Material:
    """The drills digested, in the order given."""
    once = {drill.id: drill for drill in reversed(drills)}
    return Material(tuple(drill for drill in drills if once[drill.id] is drill), once)
