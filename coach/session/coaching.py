"""What a session asks of learning: the one seam between them.

The machine knows states, keys and what is saved. What to practise at which tempo, what a result changes and what comes
next is asked of one frozen value, `Coaching`, which the session holds and replaces:

    (a) tempo     `rung_bpm(excerpt)` of one that was `opened`; `opened` meets an excerpt for the practice day,
                  `entered` for a turn, with the tempo that it begins with; `held_at` is the player's choice
    (b) result    `rated(drill, excerpt, turn, rep)`: the coaching after a rated repetition, and what it did to the rung
    (c) relief    the same answer says how the turn goes on: `Stay` at a tempo, `Instead` another excerpt after failures
                  or back to the whole, `Over` where the turn is done or left for today
    (d) choice    `next_item(number)`: the turn that follows, chosen anew when the one before it was over

It is pure: time and day come with the repetition, and the value before a repetition is put back when its rating is
taken back. What a repetition teaches goes into a copy of what was learnt, by the same function as the log's fold.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from datetime import date
from enum import StrEnum

from coach.ground.frozen import frozen
from coach.learning.choice import BEGUN_A_DAY, Bars, bars_of
from coach.learning.learning import CLEAN_TO_LAND, Learnt
from coach.learning.material import Material, Part, goal_of, material_of
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.planner import free_time, played_ahead, sitting_of, with_breaks
from coach.learning.readings import Rung, rung_of, rung_standing, taken_up
from coach.learning.relief import CLEAN_TO_RETURN, FAILS_IN_ROW, SLOWER, Release, reliefs
from coach.learning.rung import Moved, Step, next_rung
from coach.log.entries import Rep
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import was_clean

OVERTIME = 1.5
"""A turn ends at the latest after so many times its planned minutes."""
RELIEF_REPS = 4
"""Repetitions that a turn may last longer for each change that it needed."""
OFF_RUNG = (Purpose.COLD, Purpose.WARM_UP)
"""Purposes of turns that are played at a tempo of their own."""


@frozen
class Turn:
    """One item of the plan as it is practised; `number` is its place in the plan, from 0."""

    id: str
    number: int
    item: PlanItem
    started_ms: int
    reps: tuple[Rep, ...] = ()
    """Rated in this turn so far, in order."""


@frozen
class Stay:
    """The turn goes on at this tempo."""

    tempo_bpm: int
    release: Release | None = None
    """Why it is much slower, where it is."""


@frozen
class Instead:
    """Another excerpt for the rest of the turn: an easier one, or the whole again. The coaching has opened it."""

    excerpt: Excerpt
    release: Release


class Ending(StrEnum):
    """Why a turn is over, in the player's words; empty where the rating itself says it."""

    DONE = ""
    """All its repetitions are played, or its goal is reached."""
    LATE = "time is up"
    LEFT = "enough for today, it comes back another day"


@frozen
class Over:
    """The turn is over."""

    ending: Ending = Ending.DONE


Then = Stay | Instead | Over


@frozen
class Ruling:
    """What a rated repetition brought. `step` is None where it says nothing of the whole excerpt."""

    coaching: Coaching
    step: Step | None
    then: Then


@frozen
class Coaching:
    """What was learnt, the day's plan, and today's rung of each excerpt that was opened.

    With `adapts` false (an answers file) each turn has the excerpt and the number of repetitions of its item: away
    from the screen nobody saw them change, and the labels of the results belong to what the plan said. With `chooses`
    false (the player changed the plan) the items follow each other as they stand.
    """

    items: tuple[PlanItem, ...]
    learnt: Learnt
    """Never changed here: a copy is."""
    material: Material
    day: date
    adapts: bool = True
    chooses: bool = True
    pace: int = BEGUN_A_DAY
    rungs: Mapping[str, int] = field(default_factory=dict)
    """By excerpt key."""
    lowered: Mapping[str, int] = field(default_factory=dict)
    """By excerpt key the rung from which the player has lowered it since the last rating."""
    left_alone: frozenset[Bars] = frozenset()
    """Left alone for today, in every layer and part."""
    spare_s: float = 0.0
    """What is left of the session beyond its items."""
    free: str = ""
    """Why minutes are left, for the player; empty where none are."""

    @classmethod
    def of(cls, plan: Plan, learnt: Learnt, drills: Iterable[Drill], adapts: bool = True) -> Coaching:
        """At the start of a session on a plan."""
        return cls(
            plan.items,
            learnt,
            material_of([drill for drill in drills if drill.id in plan.drills]),
            plan.day,
            adapts,
            plan.chosen,
            plan.begun_a_day,
            spare_s=60 * (plan.minutes - sum(item.minutes for item in plan.items)),
        )

    def rung(self, excerpt: Excerpt) -> Rung:
        """Where an excerpt that was opened stands; as it was left, where an edit took it from the drill."""
        if self.material.part(excerpt) is None:
            return Rung(self.rungs[excerpt.key], MIN_BPM, self.rungs[excerpt.key], landed=False, kept=False)
        return rung_standing(self.learnt, self._part(excerpt), self.rungs[excerpt.key], self.day)

    def rung_bpm(self, excerpt: Excerpt) -> int:
        """The tempo at which an excerpt that was opened is practised."""
        return self.rungs[excerpt.key]

    def rung_before_bpm(self, excerpt: Excerpt) -> int:
        """The rung to which the player can go back at once: where it was before it was lowered by hand."""
        return max(self.lowered.get(excerpt.key, 0), self.rungs[excerpt.key])

    def next_rung_bpm(self, excerpt: Excerpt) -> int:
        """The rung at which the next plan takes up an excerpt that was opened, as the report gives it."""
        part = self.material.part(excerpt)
        if part is None:
            return self.rungs[excerpt.key]
        return taken_up(self.learnt, self.material, part, self.day.toordinal())

    def next_item(self, number: int) -> tuple[int, PlanItem] | None:
        """The first item from `number` on that is not left alone today; None at the plan's end."""
        for at, item in enumerate(self.items[number:], number):
            if item.excerpt is None or bars_of(item.excerpt) not in self.left_alone:
                return at, item
        return None

    def opened(self, drill: Drill, excerpt: Excerpt, day: date) -> Coaching:
        """With the excerpt's rung for the day; once it moved today, it counts. KeyError where the drill lacks it."""
        coaching = self._with_drill(drill)
        if day != self.day:
            coaching = replace(coaching, day=day, rungs={}, lowered={}, left_alone=frozenset())
        bpm = coaching.rungs.get(excerpt.key) or rung_of(
            self.learnt, coaching._part(excerpt), day.toordinal()
        )
        return coaching._at(excerpt, min(bpm, goal_of(drill, excerpt)))

    def entered(self, drill: Drill, excerpt: Excerpt, item: PlanItem, day: date) -> tuple[Coaching, int]:
        """The coaching at the start of a turn on `excerpt`, and the tempo of its first repetition."""
        coaching = self.opened(drill, excerpt, day)
        if item.tempo_bpm and (item.purpose in OFF_RUNG or not self.adapts):
            return coaching, min(item.tempo_bpm, goal_of(drill, excerpt))
        if self.adapts:
            rung = coaching.rung_bpm(excerpt)
            read = rung_of(self.learnt, coaching._part(excerpt), day.toordinal())
            bpm = next_rung(rung, read > rung, read)
            # The plan takes a piece no faster than its slowest phrase.
            slow = excerpt.kind is Kind.PIECE and 0 < item.tempo_bpm < bpm
            coaching = coaching._at(excerpt, item.tempo_bpm if slow else bpm)
        return coaching, coaching.rung_bpm(excerpt)

    def held_at(self, excerpt: Excerpt, tempo_bpm: int) -> Coaching:
        """The player's own tempo: a slower one is the rung at once, and so is the way back until a repetition is rated.

        A faster one is so only by a clean repetition.
        """
        before_bpm = self.rung_before_bpm(excerpt)
        if tempo_bpm > before_bpm:
            return self
        return replace(self._at(excerpt, tempo_bpm), lowered={**self.lowered, excerpt.key: before_bpm})

    def no_faster_than(self, excerpt: Excerpt, eased: Excerpt) -> Coaching:
        """With the rung of an easier version no faster than that of the excerpt itself, until it was played."""
        record = self.learnt.records.get(eased.key)
        if record and record.reps:
            return self
        return self._at(eased, min(self.rungs[eased.key], self.rungs[excerpt.key]))

    def rated(self, drill: Drill, excerpt: Excerpt, turn: Turn, rep: Rep) -> Ruling:
        """What a rated repetition of the excerpt brings; `turn` is as it stood before it."""
        turn = replace(turn, reps=(*turn.reps, rep))
        clean = was_clean(rep.faults)
        if clean is None:
            learnt = self.learnt.copy()
            learnt.count(rep.day_number, rep.duration_ms)
            return replace(self, learnt=learnt)._going_on(turn, excerpt, None)
        coaching, step = self._taken(drill, excerpt, turn, rep, clean)
        if not self.adapts or turn.item.purpose in OFF_RUNG:
            return coaching._going_on(turn, excerpt, step)
        whole, changes, run = _course(turn)
        # A longer run is what the player chose to play, and no relief.
        eased = excerpt != whole and len(excerpt.phrases) <= len(whole.phrases)
        if not clean and run == 0:
            return coaching._relieved(drill, whole, excerpt, turn, step, changes)
        if clean and eased and run >= CLEAN_TO_RETURN and coaching._ending(turn, step) is None:
            return Ruling(coaching.opened(drill, whole, rep.day), step, Instead(whole, Release.BACK))
        return coaching._going_on(turn, excerpt, step)

    def if_clean(self, drill: Drill, excerpt: Excerpt, turn: Turn, rep: Rep) -> Then:
        """How the turn goes on where this repetition is clean: known before it is rated."""
        return replace(self, chooses=False).rated(drill, excerpt, turn, rep).then

    def _taken(
        self, drill: Drill, excerpt: Excerpt, turn: Turn, rep: Rep, clean: bool
    ) -> tuple[Coaching, Step]:
        coaching = self._with_drill(drill)
        part, learnt, day = coaching._part(excerpt), self.learnt.copy(), rep.day.toordinal()
        learnt.rep(part.excerpt, part.keys, rep)
        rung = self.rungs.get(excerpt.key, rep.tempo_bpm)
        to = rung
        if rep.purpose != Purpose.WARM_UP and (rep.tempo_bpm >= rung or not clean):
            read = rung_of(learnt, part, day)
            if clean and rep.tempo_bpm > rung:
                to = rep.tempo_bpm
            else:
                to = next_rung(rung, clean, read)
        record = learnt.records.get(part.key)
        landed = record is not None and record.day == day and record.clean_run == CLEAN_TO_LAND
        before = self.learnt.records.get(part.key)
        again = before is not None and before.landed_at(part.goal_bpm) > 0
        stays = not clean and rep.tempo_bpm == rung > MIN_BPM and rep.purpose not in OFF_RUNG
        if landed:
            kind = Moved.HELD if again else Moved.LANDED
        elif to != rung:
            kind = Moved.CLIMB if to > rung else Moved.DROP
        else:
            kind = Moved.STAY if stays else Moved.HOLD
        lowered = {key: bpm for key, bpm in self.lowered.items() if key != excerpt.key}
        return replace(coaching, learnt=learnt, lowered=lowered)._at(excerpt, to), Step(kind, rung, to)

    def _relieved(
        self, drill: Drill, whole: Excerpt, excerpt: Excerpt, turn: Turn, step: Step, changes: int
    ) -> Ruling:
        """Something changes after failures in a row: the next of what the whole excerpt has; the last leaves it."""
        failed = {
            fault.label
            for rep in turn.reps
            if rep.excerpt == whole.key
            for fault in rep.faults or ()
            if fault.result.fails
        }
        slower = round(SLOWER * self.rungs[excerpt.key])
        offered = [
            relief
            for relief in reliefs(self.material, whole, failed)
            if slower >= MIN_BPM or relief.release is not Release.SLOWER
        ]
        relief = offered[min(changes, len(offered)) - 1]
        if relief.release is Release.LEAVE:
            without = replace(self, left_alone=self.left_alone | {bars_of(whole)})
            return Ruling(without._chosen_anew(turn), step, Over(Ending.LEFT))
        if relief.excerpt is None:
            return Ruling(self._at(excerpt, slower), step, Stay(slower, Release.SLOWER))
        eased = self.opened(drill, relief.excerpt, self.day)
        bpm = min(eased.rungs[relief.excerpt.key], self.rungs[excerpt.key])
        return Ruling(eased._at(relief.excerpt, bpm), step, Instead(relief.excerpt, relief.release))

    def _going_on(self, turn: Turn, excerpt: Excerpt, step: Step | None) -> Ruling:
        if (ending := self._ending(turn, step)) is not None:
            return Ruling(self._chosen_anew(turn), step, Over(ending))
        return Ruling(self, step, Stay(self.turn_bpm(turn, excerpt, turn.reps[-1].tempo_bpm)))

    def turn_bpm(self, turn: Turn, excerpt: Excerpt, last_bpm: int) -> int:
        """The tempo of an excerpt's next repetition in a turn: the rung, but for turns at a tempo of their own."""
        off_rung = turn.item.purpose in OFF_RUNG and turn.item.excerpt == excerpt
        return last_bpm if off_rung else self.rungs[excerpt.key]

    def reps_left(self, turn: Turn) -> int:
        """How many repetitions the turn has left."""
        changes = _course(turn)[1] if self.adapts and turn.reps else 0
        return max(turn.item.reps, 1) + RELIEF_REPS * changes - len(turn.reps)

    def _ending(self, turn: Turn, step: Step | None) -> Ending | None:
        """Why the turn is over; None where it goes on."""
        at_goal = step is not None and step.kind in (Moved.LANDED, Moved.HELD)
        if self.reps_left(turn) <= 0 or (self.adapts and at_goal):
            return Ending.DONE
        late = turn.reps[-1].at_ms - turn.started_ms > turn.item.minutes * OVERTIME * 60_000
        return Ending.LATE if self.adapts and late else None

    def _chosen_anew(self, turn: Turn) -> Coaching:
        """With the rest of the plan chosen from what just happened, in the time that is left of it."""
        done, rest = self.items[: turn.number + 1], self.items[turn.number + 1 :]
        if not (self.adapts and self.chooses):
            return self
        spent_s = (turn.reps[-1].at_ms - turn.started_ms) / 1000
        breaks = sum(item.purpose is Purpose.BREAK for item in rest)
        planned_s = 60 * sum(item.minutes for item in (turn.item, *rest) if item.excerpt)
        seconds = self.spare_s + planned_s - spent_s
        sitting = sitting_of(self.learnt, self.material, self.day, seconds, self.pace, done, self.left_alone)
        anew = played_ahead(self.learnt, self.material, sitting)
        left_alone = self.left_alone
        if left_alone and not anew.items:
            left_alone = frozenset()
            anew = played_ahead(self.learnt, self.material, replace(sitting, left_alone=left_alone))
        items = (*done, *with_breaks(anew.items, breaks))
        why_free, spare_s = free_time(anew), anew.seconds_left
        return replace(self, items=items, spare_s=spare_s, free=why_free, left_alone=left_alone)

    def left_early(self, turn: Turn, now_ms: int) -> Coaching:
        """The player went on: what the item left of its minutes, or took beyond them, changes those at the end."""
        spent_s = (now_ms - turn.started_ms) / 1000
        return replace(self, spare_s=self.spare_s + 60 * turn.item.minutes - spent_s)

    def _at(self, excerpt: Excerpt, bpm: int) -> Coaching:
        return replace(self, rungs={**self.rungs, excerpt.key: bpm})

    def _with_drill(self, drill: Drill) -> Coaching:
        """With the drill as it is now, after an edit."""
        if self.material.drill(drill.id) == drill:
            return self
        others = [each for each in self.material.drills if each.id != drill.id]
        return replace(self, material=material_of([*others, drill]))

    def part_of(self, drill: Drill, excerpt: Excerpt) -> Part | None:
        """The digest of an excerpt of the drill as it is now; None where it plays nothing."""
        return self._with_drill(drill).material.part(excerpt)

    def _part(self, excerpt: Excerpt) -> Part:
        part = self.material.part(excerpt)
        if part is None:
            raise KeyError(excerpt.key)
        return part


def _course(turn: Turn) -> tuple[Excerpt, int, int]:
    """Of a turn's repetitions: the excerpt that it is about, how often it had to change, and the row at its end.

    The row counts clean ones in a row, or failed ones since the last change: 0 where one is due now.
    """
    whole, changes, run = turn.item.excerpt or Excerpt.parse(turn.reps[0].excerpt), 0, 0
    before: tuple[str, bool] | None = None
    for rep in turn.reps:
        clean = was_clean(rep.faults)
        if clean is None:
            continue
        run = run + 1 if (rep.excerpt, clean) == before else 1
        before = (rep.excerpt, clean)
        if not clean and run == FAILS_IN_ROW:
            changes, run = changes + 1, 0
    return whole, changes, run
