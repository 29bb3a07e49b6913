"""What a session asks of learning: the one seam between them.

The machine knows states, keys and what is saved. What to practise at which tempo, what a result changes and what comes
next is asked of one frozen value, `Coaching`, which the session holds and replaces:

    (a) tempo     `rung_bpm(excerpt)` of one that was `opened`; `opened` meets an excerpt for the practice day, and
                  `entered` does so for a turn, with the tempo and the tries that the turn begins with;
                  `held_at` is the player's choice of a slower rung
    (b) result    `rated(drill, turn, rep, tries)`: the coaching after a rated repetition and what it did to the rung
    (c) relief    the same answer says how the turn goes on: `Stay` at the rung or for a try, `Instead` another excerpt
                  after failures, `Over` where the turn is done or its phrases are left for today
    (d) choice    `next_item(number)`: the turn that follows

Whatever stands behind it keeps to this: it is pure; time and day come with the repetition; the value before a
repetition is put back when its rating is taken back, so nothing of a repetition may be remembered elsewhere; a replay
of the log arrives at the same rungs. The ladder of each excerpt and the day's plan stand behind it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from coach.learning import ladder as ladders
from coach.learning.ladder import DEFAULT as DEFAULT_RULE
from coach.learning.ladder import Ladder, Moved, Release, Rule, Step
from coach.learning.plan import PlanItem, Purpose
from coach.learning.release import released, releases_for
from coach.log.entries import Rep
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt
from coach.rating.fault import verdict

OVERTIME = 1.5
"""A turn ends at the latest after so many times its planned minutes."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One item of the plan as it is practised; `number` is its place in the plan, from 0."""

    id: str
    number: int
    item: PlanItem
    started_ms: int
    reps: tuple[Rep, ...] = ()
    """Rated in this turn so far, in order."""


@dataclass(frozen=True, slots=True)
class Stay:
    """The turn goes on: at the rung, or above it while `tries` are left, that one among them."""

    tempo_bpm: int
    tries: int = 0


@dataclass(frozen=True, slots=True)
class Instead:
    """Something easier for the rest of the turn; the coaching has opened it."""

    excerpt: Excerpt
    release: Release


@dataclass(frozen=True, slots=True)
class Over:
    """The turn is done; `left` where its phrases are left alone for today."""

    left: bool = False


Then = Stay | Instead | Over


@dataclass(frozen=True, slots=True)
class Ruling:
    """What a rated repetition brought. `step` is None where it says nothing of the whole excerpt."""

    coaching: Coaching
    step: Step | None
    then: Then


@dataclass(frozen=True, slots=True)
class Coaching:
    """The ladders of all excerpts, by their keys, and the day's plan.

    With `adapts` false (an answers file) each turn has the excerpt and the number of repetitions of its item, and
    none is a try: away from the screen nobody saw them change, and the labels of the results belong to what the plan
    said. What was tried above the rung says so itself.
    """

    items: tuple[PlanItem, ...]
    ladders: Mapping[str, Ladder]
    rule: Rule = DEFAULT_RULE
    adapts: bool = True
    left: frozenset[str] = field(default_factory=frozenset)
    """Phrase and drill (`drill:phrase`) left alone for today."""

    def ladder(self, excerpt: Excerpt) -> Ladder:
        """The ladder of an excerpt that was opened."""
        return self.ladders[excerpt.key]

    def rung_bpm(self, excerpt: Excerpt) -> int:
        """The tempo at which an excerpt that was opened is practised."""
        return self.ladders[excerpt.key].rung_bpm

    def next_item(self, number: int) -> tuple[int, PlanItem] | None:
        """The first item from `number` on that is not left alone today; None at the plan's end."""
        for at, item in enumerate(self.items[number:], number):
            if item.excerpt is None or not _phrases(item.excerpt) & self.left:
                return at, item
        return None

    def opened(self, drill: Drill, excerpt: Excerpt, day: date, start_bpm: int = 0) -> Coaching:
        """With the excerpt's ladder opened for the day.

        `start_bpm` is where it starts today, 0 for where it stands; once it was climbed today, its rung counts.
        """
        old = self.ladders.get(excerpt.key)
        if old is not None and not old.reps:
            # What was never played loses nothing over a night, and the log knows nothing of it.
            old = replace(old, last_day=day)
        ladder = old or ladders.new_ladder(min(drill.tempo.start_bpm, drill.goal_bpm), drill.goal_bpm)
        ladder = ladders.open_day(ladder, day, drill.goal_bpm)
        if start_bpm and old is None:
            ladder = ladders.moved(ladder, self._within_layers(drill, excerpt, start_bpm))
        elif start_bpm and old is not None and old.last_day != day:
            ladder = ladders.moved(ladder, start_bpm)
        return self._with(excerpt, ladder)

    def entered(self, drill: Drill, excerpt: Excerpt, item: PlanItem, day: date) -> tuple[Coaching, int, int]:
        """The coaching at the start of a turn on `excerpt`, the tempo of its first repetition, and tries left."""
        if item.purpose in ladders.OFF_LADDER:
            known = self.opened(drill, excerpt, day)
            return known, item.tempo_bpm or known.rung_bpm(excerpt), 0
        known = self.opened(drill, excerpt, day, item.tempo_bpm)
        rung_bpm, try_bpm = known.rung_bpm(excerpt), min(item.probe_bpm, drill.goal_bpm)
        if self.adapts and ladders.is_probe(rung_bpm, try_bpm, drill.goal_bpm):
            return known, try_bpm, ladders.PROBES
        return known, rung_bpm, 0

    def held_at(self, excerpt: Excerpt, tempo_bpm: int) -> Coaching:
        """The player's own tempo: a slower one is the rung at once, a faster one only by a clean repetition."""
        ladder = self.ladders[excerpt.key]
        return self if tempo_bpm > ladder.rung_bpm else self._with(excerpt, ladders.moved(ladder, tempo_bpm))

    def rated(self, drill: Drill, excerpt: Excerpt, turn: Turn, rep: Rep, tries: int) -> Ruling:
        """What a rated repetition of the excerpt brings; `turn` is as it stood before it."""
        clean = verdict(rep.faults)
        turn = replace(turn, reps=(*turn.reps, rep))
        if clean is None:
            return Ruling(self, None, self._going_on(drill, excerpt, turn, None, tries))
        failed = _failed_lately(turn, excerpt)
        ladder, step = ladders.after(
            self.ladders[excerpt.key],
            clean,
            rep.day,
            rep.tempo_bpm,
            self.rule,
            releases_for(drill, excerpt, failed),
        )
        known = self._with(excerpt, ladder)
        if step.release and self.adapts and turn.item.purpose is not Purpose.COLD:
            return known._relieved(drill, excerpt, rep.day, step, step.release, failed)
        return Ruling(known, step, known._going_on(drill, excerpt, turn, step, tries))

    def _with(self, excerpt: Excerpt, ladder: Ladder) -> Coaching:
        return replace(self, ladders={**self.ladders, excerpt.key: ladder})

    def _within_layers(self, drill: Drill, excerpt: Excerpt, tempo_bpm: int) -> int:
        """Where all layers are first joined: as planned, but no faster than each of them goes by now."""
        if excerpt.layer != TOGETHER:
            return tempo_bpm
        alone = [replace(excerpt, layer=layer).key for layer in drill.layers]
        return min([tempo_bpm, *(self.ladders[key].rung_bpm for key in alone if key in self.ladders)])

    def _relieved(
        self, drill: Drill, excerpt: Excerpt, day: date, step: Step, release: Release, failed: set[int]
    ) -> Ruling:
        """Something changes after repeated failures: what the ladder asks for, or the turn ends for today."""
        instead = released(drill, excerpt, release, failed)
        if instead is None:
            return Ruling(replace(self, left=self.left | _phrases(excerpt)), step, Over(left=True))
        slower = 0 if instead.key in self.ladders else self.rung_bpm(excerpt)
        return Ruling(self.opened(drill, instead, day, slower), step, Instead(instead, release))

    def _going_on(self, drill: Drill, excerpt: Excerpt, turn: Turn, step: Step | None, tries: int) -> Then:
        over = len(turn.reps) >= max(turn.item.reps, 1)
        if self.adapts:
            over = over or turn.reps[-1].at_ms - turn.started_ms > turn.item.minutes * OVERTIME * 60_000
            over = over or (step is not None and step.kind is Moved.LANDED)
        if over:
            return Over()
        ladder = self.ladders[excerpt.key]
        failed_bpm = min(
            (rep.tempo_bpm for rep in turn.reps if rep.faults and rep.tempo_bpm > rep.rung_bpm), default=0
        )
        try_bpm = ladders.probe_after(ladder, step, failed_bpm) if tries > 1 else 0
        return Stay(try_bpm, tries - 1) if try_bpm else Stay(ladder.rung_bpm)


def _phrases(excerpt: Excerpt) -> set[str]:
    return {f"{excerpt.drill}:{phrase}" for phrase in excerpt.phrases}


def _failed_lately(turn: Turn, excerpt: Excerpt) -> set[int]:
    """Labels of what failed in this turn's repetitions of the excerpt."""
    return {
        fault.label
        for rep in turn.reps
        if rep.excerpt == excerpt.key
        for fault in rep.faults or ()
        if fault.result.fails
    }
