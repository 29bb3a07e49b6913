"""All that the log's repetitions teach, as a fold over them: skills by drill, the player's slips, excerpts' records.

`Learnt` is what the choice, the plan, the screens and the reports read. It changes in place, one rated repetition at a
time, and turns into plain lists and back without losing a digit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field, fields, replace
from datetime import date
from operator import attrgetter
from typing import Any

from coach.ground.frozen import mutable
from coach.learning.known import Known, digest_of, known_of, taken_in
from coach.learning.material import Part
from coach.learning.skill import EventKeys, Skill, Slips, Term, event_keys, view, with_result
from coach.log.entries import Rep
from coach.log.log import Log
from coach.music.excerpt import Excerpt, Kind, LoggedPassage
from coach.rating.fault import results_of
from coach.rating.table import Result

MODEL = "10"
WARM_UP = "warm-up"
"""The purpose of repetitions that are slow on purpose."""
CLEAN_TO_LAND = 2
"""Clean repetitions in a row at the goal tempo, on one day, that make an excerpt landed."""
HARMONICS_A_SLIP = 48
"""Nobody plays hundreds of events without a slip: for so many harmonics of an excerpt one event may fail at the goal,
but not the same one twice."""
KEPT_DAYS = 7


@mutable
class Record:
    """What happened to one excerpt, in days as ordinals; 0 is never."""

    reps: int = 0
    day: int = 0
    """The last day it was played."""
    today: int = 0
    """Repetitions on that day."""
    clean_run: int = 0
    """Those in a row that held the goal, on that day."""
    goal: int = 0
    """The fastest goal that it was practised for, in bpm;"""
    landed: int = 0
    """the last day on which that was held,"""
    kept: int = 0
    """and the day of the last cold test after a week that it passed there; 0 again once one failed."""
    cold: int = 0
    """The last day's first repetition: 1 clean, -1 failed."""
    bpm: int = 0
    """The tempo of the last repetition."""
    rung: int = 0
    """The rung in bpm at that time, or what the player has said since; 0 where a forecast has."""
    recent: int = 1
    """The last results, as in `Term.recent`."""
    theta: float = 0.0
    """Level and whole, in ln bpm, after the last repetition;"""
    theta_from: float = 0.0
    """at the end of its first day, once there is a second."""
    slipped: int = 0
    """The events that failed in the last repetition, as bits by label."""

    def landed_at(self, goal_bpm: int) -> int:
        """The last day on which this goal was held; 0 where it was not, or only a slower one."""
        return self.landed if goal_bpm <= self.goal else 0

    def kept_at(self, goal_bpm: int) -> int:
        """The day of the last cold test after a week that it passed at this goal; 0 for none."""
        return self.kept if goal_bpm <= self.goal else 0

    @property
    def failed(self) -> bool:
        """Whether the last repetition failed."""
        return bool(self.recent & 1 and self.reps)

    def add(
        self, slipped: int, spared: int, bpm: int, rung_bpm: int, goal_bpm: int, day: int, away: int
    ) -> None:
        """One more result: the events that failed, as bits by label, and how many of them may where it holds its goal.

        `away` is how many days ago any of it was last played.
        """
        clean, at_goal = not slipped, bpm >= goal_bpm
        held = slipped.bit_count() <= spared
        if goal_bpm > self.goal:
            self.goal, self.landed, self.kept = goal_bpm, 0, 0
        if day != self.day:
            if at_goal and self.day and away >= KEPT_DAYS:
                self.kept = day if held else 0
            self.day, self.today, self.clean_run = day, 0, 0
            self.cold = 1 if clean else -1
        self.reps += 1
        self.today += 1
        self.bpm, self.rung = bpm, rung_bpm
        again = bool(self.clean_run and slipped & self.slipped)
        self.clean_run = self.clean_run + 1 if held and at_goal and not again else 0
        self.slipped = slipped
        self.recent = with_result(self.recent, not clean)
        if self.clean_run >= CLEAN_TO_LAND:
            self.landed = day


@mutable
class Learnt:
    """The state of the fold."""

    slips: Slips = field(default_factory=Slips)
    skills: dict[str, Skill] = field(default_factory=dict)
    """By drill id."""
    records: dict[str, Record] = field(default_factory=dict)
    """By excerpt key."""
    cold: list[list[float]] = field(default_factory=lambda: [[0, 0.0, 0] for _ in range(10)])
    """Cold repetitions by tenths of the chance that was expected: how many, the sum of chances, how many clean."""
    days: dict[int, list[int]] = field(default_factory=dict)
    """Repetitions of each practice day, and the milliseconds of playing in them."""
    heard: int = 0
    """How many of the player's words on what they play already are taken in."""
    _owned: set[str] = field(default_factory=set, repr=False, compare=False)
    """Drills and excerpts whose skill or record no other state shares."""
    _keys: dict[str, tuple[EventKeys, ...]] = field(default_factory=dict, repr=False, compare=False)
    _excerpts: dict[str, Excerpt] = field(default_factory=dict, repr=False, compare=False)

    def skill(self, drill: str, goal_bpm: int) -> Skill:
        """What is known of a drill, to read; as expected where it was never played."""
        return self.skills.get(drill) or Skill.new(goal_bpm)

    def copy(self) -> Learnt:
        """A state of its own, for what may be taken back. Either copies of what both share only what it changes."""
        self._owned.clear()
        return Learnt(
            replace(self.slips),
            dict(self.skills),
            dict(self.records),
            [list(row) for row in self.cold],
            dict(self.days),
            self.heard,
        )

    def rep(self, excerpt: Excerpt, keys: tuple[EventKeys, ...], rep: Rep) -> None:
        """Take in a repetition of the log; one that is not rated says nothing, but it took its time."""
        day = rep.day_number
        self.count(day, rep.duration_ms)
        if rep.faults is None:
            return
        if rep.purpose != WARM_UP:
            faults = results_of(rep.faults)
            self.take(excerpt, keys, rep.tempo_bpm, rep.goal_bpm, faults, day, rep.rung_bpm)

    def take(
        self,
        excerpt: Excerpt,
        keys: tuple[EventKeys, ...],
        bpm: int,
        goal_bpm: int,
        faults: Mapping[int, Result],
        day: int,
        rung_bpm: int = 0,
    ) -> None:
        """Take in one rated repetition; one that was only broken off says nothing. Days (ordinals) never go back.

        `rung_bpm` is the rung at the time, where that was not its tempo.
        """
        failed = any(result.fails for result in faults.values()) if faults else False
        if not keys or (faults and not failed):
            return
        skill, record = self._own_skill(excerpt.drill, goal_bpm), self._own_record(excerpt.key)
        ln_bpm = math.log(bpm)
        away = 0
        if record.day not in (0, day):
            rows = skill.rows(keys)
            away = day - max(row[3].day for row in rows)
            if excerpt.kind in (Kind.PHRASE, Kind.PIECE):
                self._expect(view(rows, skill.level, self.slips.lapse, day).whole(ln_bpm), not failed)
        skill.observe(keys, ln_bpm, faults, day, self.slips)
        if record.day and day != record.day and not record.theta_from:
            record.theta_from = record.theta
        slipped, spared = sum(1 << label for label in faults), 0
        if failed and all(result.fails for result in faults.values()):
            spared = sum(node != "" for node, *_ in keys) // HARMONICS_A_SLIP
        record.add(slipped, spared, bpm, rung_bpm or bpm, goal_bpm, day, away)
        record.theta = skill.theta(keys)

    def hear(self, known: Known) -> None:
        """Take in what the player says that they play already: its excerpts count as begun."""
        drill = known.excerpts[0][0].drill
        skill = self._own_skill(drill, known.goal_bpm)
        taken_in(skill, [keys for _, keys in known.excerpts], known.bpm, self.slips, known.day)
        for excerpt, keys in known.excerpts:
            record = self._own_record(excerpt.key)
            if not record.reps:
                record.bpm = known.bpm
            record.rung = known.bpm
            record.theta = skill.theta(keys)
        self.heard += 1

    def count(self, day: int, duration_ms: int) -> None:
        """One more repetition of a day."""
        reps, spent_ms = self.days.get(day, (0, 0))
        self.days[day] = [reps + 1, spent_ms + duration_ms]

    def expect(self, part: Part, reps: int, day: int, bpm: int) -> None:
        """As if so many repetitions had gone as expected: what they teach, and that they were played, and clean."""
        self._own_skill(part.excerpt.drill, part.goal_bpm).practise(part.keys, reps, day)
        record = self._own_record(part.key)
        if record.day != day:
            record.day, record.today, record.clean_run = day, 0, 0
        record.rung = 0
        record.reps += reps
        record.today += reps
        record.clean_run += reps if bpm >= part.goal_bpm else 0
        if record.clean_run >= CLEAN_TO_LAND:
            record.goal, record.landed = max(record.goal, part.goal_bpm), day

    def _own_skill(self, drill: str, goal_bpm: int) -> Skill:
        """What is known of a drill, to change."""
        skill = self.skills.get(drill)
        if skill is None or drill not in self._owned:
            skill = self.skills[drill] = skill.copy() if skill else Skill.new(goal_bpm)
            self._owned.add(drill)
        return skill

    def _own_record(self, key: str) -> Record:
        record = self.records.get(key)
        if record is None or key not in self._owned:
            record = self.records[key] = replace(record) if record else Record()
            self._owned.add(key)
        return record

    def _expect(self, chance: float, clean: bool) -> None:
        row = self.cold[min(int(chance * 10), 9)]
        row[0] += 1
        row[1] += chance
        row[2] += clean


class LearningFold:
    """The fold for the log's cache; a repetition that is not rated, or whose passage was lost, only takes time.

    `known` is what the player says that they play already, in order; another word folds anew.
    """

    name = "learning"

    def __init__(self, known: tuple[Known, ...] = ()) -> None:
        self.known = known
        self.version = f"{MODEL} {digest_of(known)}".strip()

    def initial(self) -> Learnt:
        return Learnt()

    def step(self, state: Learnt, rep: Rep, passage: LoggedPassage) -> Learnt:
        if rep.tempo_bpm < 1:
            return state
        if state.heard < len(self.known):
            self.hear(state, rep.day_number, rep.id)
        keys = state._keys.get(rep.passage)
        if keys is None:
            keys = state._keys[rep.passage] = event_keys(passage)
            state._excerpts[rep.passage] = Excerpt.parse(passage.excerpt)
        state.rep(state._excerpts[rep.passage], keys, rep)
        return state

    def hear(self, state: Learnt, day: int, before: str = "") -> Learnt:
        """Let the state take in what was said up to a day, or up to the id of an entry of that day."""
        for known in self.known[state.heard :]:
            if known.day > day or (before and known.day == day and known.id > before):
                break
            state.hear(known)
        return state

    def plain(self, state: Learnt) -> Any:
        return {
            "slips": [state.slips.failed, state.slips.events],
            "skills": {
                drill: [[*_term(skill.level)], {key: [*_term(term)] for key, term in skill.terms.items()}]
                for drill, skill in state.skills.items()
            },
            "records": {key: [*_record(record)] for key, record in state.records.items()},
            "cold": [list(row) for row in state.cold],
            "days": {str(day): list(spent) for day, spent in state.days.items()},
            "heard": state.heard,
        }

    def state(self, plain: Any) -> Learnt:
        return Learnt(
            Slips(*plain["slips"]),
            {
                drill: Skill(Term(*level), {key: Term(*term) for key, term in terms.items()})
                for drill, (level, terms) in plain["skills"].items()
            },
            {key: Record(*row) for key, row in plain["records"].items()},
            [list(row) for row in plain["cold"]],
            {int(day): list(spent) for day, spent in plain["days"].items()},
            plain["heard"],
        )


_term, _record = (attrgetter(*(each.name for each in fields(one))) for one in (Term, Record))


def learnt_of(log: Log, day: date) -> Learnt:
    """What the player's repetitions and words up to a practice day have taught."""
    fold = LearningFold(known_of(log.entries("known")))
    learnt = log.state(fold, day)
    # The state belongs to the log: what was said after the last repetition goes into a copy.
    return fold.hear(learnt.copy(), day.toordinal()) if learnt.heard < len(fold.known) else learnt
