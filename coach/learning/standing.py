"""Where the player stands today: what is started, at which rung, how likely each key is clean, what is due.

A view of (repertoire, memories, ladders) on one day; it computes and caches, and changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from coach.learning.evidence import EXCERPT
from coach.learning.ladder import Ladder, open_day
from coach.learning.memory import COMPARABLE, Kin, Memory, is_due, kin_of, kin_prior
from coach.learning.repertoire import Part, Repertoire, joins_and_piece
from coach.learning.tempo_estimate import (
    coarse,
    discounted,
    expected_bpm,
    expected_clean,
    expected_gap,
    sure_bpm,
)
from coach.music.drill import TOGETHER, Assignment, Drill, Phrase
from coach.music.excerpt import Excerpt
from coach.words.amounts import short_day
from coach.words.names import assigned_by

READY = 0.7
"""Part of the goal at which a layer is ready to be joined with the others, ..."""
READY_REPS = 6
"""... and rated repetitions after which it is, wherever it stands: the others are what it is for."""
READY_REPS_PLAIN = 3
"""The same for a layer without any node."""
SOLID = 0.8
"""Part of the goal from which a phrase makes room for new material."""
DOUBT = 0.25
"""Probability that a key is slower than its `sure_bpm`."""
MARGIN = 1.25
"""A node that is clean four times in five at 25 % over the goal is safe at it, also after a week of rest."""


def open_assignment(drill: Drill, day: date) -> Assignment | None:
    """The drill's assignment while it counts: until its due date, that day included; without one, always."""
    given = drill.assignment
    return given if given and (given.due is None or day <= given.due) else None


def said_of_assignment(reason: str, given: Assignment | None, today: date) -> str:
    """The reason, with who assigned the drill and for when, where it is assigned."""
    if given is None:
        return reason
    due = f", due {short_day(given.due, today)}" if given.due else ""
    return f"{reason.removesuffix('.')}; {assigned_by(given)}{due}."


@dataclass(frozen=True)
class Standing:
    """The player on one practice day."""

    day: date
    repertoire: Repertoire
    memories: Mapping[str, Memory]
    ladders: Mapping[str, Ladder]
    _coarse: dict[tuple[str, int], list[float]] = field(default_factory=dict)
    _known: dict[tuple[str, str, int], float] = field(default_factory=dict)

    @cached_property
    def kin(self) -> Kin:
        return kin_of(self.memories)

    def started(self, excerpt: Excerpt) -> bool:
        return excerpt.key in self.ladders

    def rung(self, excerpt: Excerpt, otherwise: int | None = None) -> int:
        """Today's rung of an excerpt; without a ladder `otherwise`, else the drill's start."""
        drill = self.repertoire.drill(excerpt.drill)
        assert drill is not None
        ladder = self.ladders.get(excerpt.key)
        if ladder:
            return open_day(ladder, self.day, drill.goal_bpm).rung_bpm
        return min(otherwise or drill.tempo.start_bpm, drill.goal_bpm)

    def last_rung(self, excerpt: Excerpt) -> int:
        """Where the excerpt's ladder ended; 0 where it has none."""
        ladder = self.ladders.get(excerpt.key)
        return ladder.rung_bpm if ladder else 0

    def reached(self, excerpt: Excerpt) -> float:
        """The last rung as a part of the goal; 0 where the excerpt is not started. Landed is 1."""
        ladder, drill = self.ladders.get(excerpt.key), self.repertoire.drill(excerpt.drill)
        if ladder is None or drill is None:
            return 0.0
        return 1.0 if self.landed(excerpt) else min(1.0, ladder.rung_bpm / drill.goal_bpm)

    def landed(self, excerpt: Excerpt) -> bool:
        """Whether today's goal tempo has held its criterion on two days."""
        ladder, drill = self.ladders.get(excerpt.key), self.repertoire.drill(excerpt.drill)
        return bool(ladder and drill and ladder.landed and ladder.goal_bpm >= drill.goal_bpm)

    def secure(self, excerpt: Excerpt) -> bool:
        """Whether it holds nearly its goal tempo today and its last cold repetition was clean."""
        drill, memory = self.repertoire.drill(excerpt.drill), self.memories.get(EXCERPT + excerpt.key)
        if drill is None or not self.started(excerpt) or memory is None or memory.cold_run <= 0:
            return False
        return self.landed(excerpt) or self.rung(excerpt) >= SOLID * drill.goal_bpm

    def played_clean_bpm(self, excerpt: Excerpt) -> int:
        """The fastest tempo at which the excerpt was ever clean, as far as is remembered; 0 where it never was."""
        memory = self.memories.get(EXCERPT + excerpt.key)
        return max((bpm for bpm, clean, _ in memory.tempos if clean > 0), default=0) if memory else 0

    def waited(self, excerpt: Excerpt) -> int:
        """Days since the excerpt was last practised; 0 where it never was."""
        ladder = self.ladders.get(excerpt.key)
        return max(0, (self.day - ladder.last_day).days) if ladder and ladder.last_day else 0

    def between(self, key: str, low_bpm: int, high_bpm: int) -> tuple[float, float]:
        """Discounted weights of a key's clean and failed results from one tempo to another, both included."""
        memory = self.memories.get(key)
        rows = [
            (clean, failed)
            for bpm, clean, failed in (discounted(memory, self.day) if memory else [])
            if low_bpm <= bpm <= high_bpm
        ]
        return sum(clean for clean, _ in rows), sum(failed for _, failed in rows)

    def fastest(self, *keys: str) -> int:
        """The fastest tempo at which any of these keys was played, as far as is remembered; 0 for none."""
        known = (memory for key in keys if (memory := self.memories.get(key)))
        return max((bpm for memory in known for bpm, *_ in memory.tempos), default=0)

    def clean(self, key: str, goal_bpm: int) -> float:
        """Probability that a key's next result is clean at the goal tempo."""
        return self._once("clean", key, goal_bpm)

    def gap(self, key: str, goal_bpm: int) -> float:
        """Log-tempo by which a key's clean tempo is expected to lie under the goal and a margin of `MARGIN`."""
        return self._once("gap", key, goal_bpm)

    def clean_bpm(self, key: str, goal_bpm: int) -> float:
        """The tempo at which a key is expected to be clean four times in five."""
        return self._once("clean_bpm", key, goal_bpm)

    def sure_bpm(self, key: str, goal_bpm: int) -> float:
        """A tempo at which a key is clean four times in five with some certainty: slow where little is known."""
        return self._once("sure_bpm", key, goal_bpm)

    def _once(self, what: str, key: str, goal_bpm: int) -> float:
        """One of the estimates, worked out once: a plan asks for each many times."""
        asked = (what, key, goal_bpm)
        if asked not in self._known:
            if what == "clean":
                memory = self.memories.get(key)
                tempos = discounted(memory, self.day) if memory else []
                found = expected_clean(tempos, goal_bpm, goal_bpm, self._prior(key))
            elif what == "gap":
                found = expected_gap(self._weights(key, goal_bpm), goal_bpm * MARGIN)
            elif what == "clean_bpm":
                found = expected_bpm(self._weights(key, goal_bpm))
            else:
                found = sure_bpm(self._weights(key, goal_bpm), DOUBT)
            self._known[asked] = found
        return self._known[asked]

    def _weights(self, key: str, goal_bpm: int) -> list[float]:
        if (key, goal_bpm) not in self._coarse:
            memory = self.memories.get(key)
            tempos = discounted(memory, self.day) if memory else []
            self._coarse[key, goal_bpm] = coarse(tempos, goal_bpm, self._prior(key), self._events(key))
        return self._coarse[key, goal_bpm]

    def _events(self, key: str) -> int:
        """How many harmonics must be clean for a result of this key to be."""
        if not key.startswith(EXCERPT):
            return 1
        passage = self.repertoire.passage(Excerpt.parse(key.removeprefix(EXCERPT)))
        return max(1, sum(event.is_harmonic for event in passage.events)) if passage else 1

    def _prior(self, key: str) -> tuple[float, float]:
        return (0.0, 0.0) if key.startswith(EXCERPT) else kin_prior(key, self.memories, self.day, self.kin)

    def phrases(self) -> Iterator[tuple[Drill, Phrase]]:
        for drill in self.repertoire.drills:
            for phrase in drill.phrases:
                yield drill, phrase

    def begun(self, drill: Drill, phrase: Phrase) -> bool:
        """Whether any layer of the phrase was practised; looks at no passage, so that many drills cost little."""
        return any(
            Excerpt(drill.id, (phrase.id,), layer).key in self.ladders for layer in (*phrase.layers, TOGETHER)
        )

    def top(self, drill: Drill, phrase: Phrase) -> Part:
        """The furthest layer that is started, else the first."""
        parts = self.repertoire.parts(drill, phrase)
        return next((part for part in reversed(parts) if self.started(part.excerpt)), parts[0])

    def work(self, drill: Drill, phrase: Phrase) -> tuple[Part, ...]:
        """What to work on now: layers alone while they are little known, and all together once each was played.

        A layer that failed cold last stays until all are played together; there the ladder goes back to it when needed.
        """
        parts = self.repertoire.parts(drill, phrase)
        met = tuple(part for part in parts[:-1] if self._layer_met(part))
        unmet = tuple(part for part in parts[:-1] if part not in met)
        if self.started(parts[-1].excerpt):
            return (*unmet, parts[-1])
        failed = tuple(part for part in met if self._failed_cold(part))
        both = all(self.started(part.excerpt) for part in parts[:-1])
        return (*unmet, *failed, *(parts[-1:] if both else ()))

    def _layer_met(self, part: Part) -> bool:
        ladder = self.ladders.get(part.excerpt.key)
        enough = READY_REPS if part.keys else READY_REPS_PLAIN
        return self.reached(part.excerpt) >= READY or (ladder is not None and ladder.reps >= enough)

    def _failed_cold(self, part: Part) -> bool:
        memory = self.memories.get(EXCERPT + part.excerpt.key)
        return memory is not None and memory.cold_run < 0

    def solid(self, drill: Drill, phrase: Phrase) -> bool:
        """Whether the phrase, with everything in it, holds nearly its goal tempo."""
        return self.reached(self.repertoire.parts(drill, phrase)[-1].excerpt) >= SOLID

    def reference(self, excerpt: Excerpt, key: str = "") -> int:
        """The tempo of a cold rep: the reference rung of what it tests, else today's rung."""
        drill = self.repertoire.drill(excerpt.drill)
        assert drill is not None
        memory = self.memories.get(key or EXCERPT + excerpt.key)
        if memory and memory.reference_bpm:
            return min(memory.reference_bpm, drill.goal_bpm)
        return self.rung(excerpt)

    def is_due(self, key: str) -> bool:
        memory = self.memories.get(key)
        return memory is not None and memory.last_day < self.day and is_due(memory, self.day)

    def tests(self, key: str, tempo_bpm: int) -> bool:
        """Whether a cold rep at this tempo can be compared with the key's reference rung, clean or not."""
        memory = self.memories.get(key)
        if memory is None or not memory.reference_bpm:
            return True
        return abs(tempo_bpm / memory.reference_bpm - 1) <= COMPARABLE

    def joins(self, drill: Drill) -> list[Excerpt]:
        """Joins whose phrases both hold nearly their goal tempo: before that, minutes do more inside the phrases."""
        found, _ = joins_and_piece(drill)
        return [join for join in found if self._reached(drill, join) >= SOLID]

    def piece(self, drill: Drill) -> Excerpt | None:
        """The whole piece, where every phrase of it is ready together."""
        _, piece = joins_and_piece(drill)
        return piece if piece and self._reached(drill, piece) >= READY else None

    def _reached(self, drill: Drill, excerpt: Excerpt) -> float:
        """The least that the phrases of an excerpt have reached, all layers together."""
        parts = [self.repertoire.parts(drill, drill.phrase(each)) for each in dict.fromkeys(excerpt.phrases)]
        return min(self.reached(found[-1].excerpt) if found else 0.0 for found in parts)
