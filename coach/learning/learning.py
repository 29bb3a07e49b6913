"""All that the log's repetitions teach, as a fold over them: skills by drill, the player's habits, and each excerpt's record.

`Learnt` is what the choice, the plan, the screens and the reports read. It changes in place, one rated repetition at a
time, and turns into plain lists and back without losing a digit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import astuple, dataclass, field
from typing import Any

from coach.learning.skill import EventKeys, Habits, Skill, event_keys, view
from coach.log.entries import Rep
from coach.music.excerpt import Excerpt, Kind, LoggedPassage
from coach.rating.table import Result

MODEL = "1"
CLEAN_TO_LAND = 2
"""Clean repetitions in a row at the goal tempo, on one day, that make an excerpt landed."""
KEPT_DAYS = 7
RECENT = 8
"""Results of a node, a move or an excerpt that are remembered one by one, as bits: 1 failed."""


@dataclass(slots=True)
class Record:
    """What happened to one excerpt, in days as ordinals; 0 is never."""

    reps: int = 0
    day: int = 0
    """The last day it was played."""
    today: int = 0
    """Repetitions on that day."""
    clean_run: int = 0
    """Clean ones in a row at the goal, on that day."""
    failed_run: int = 0
    """Failed ones in a row, on that day."""
    landed: int = 0
    """The last day on which the goal was held."""
    kept: int = 0
    """The day of the last cold test after a week that it passed; 0 again once one failed."""
    cold: int = 0
    """The last day's first repetition: 1 clean, -1 failed."""
    bpm: int = 0
    """The tempo of the last repetition."""
    recent: int = 1
    """The last results as bits under a leading 1."""


@dataclass
class Learnt:
    """The state of the fold."""

    habits: Habits = field(default_factory=Habits)
    skills: dict[str, Skill] = field(default_factory=dict)
    records: dict[str, Record] = field(default_factory=dict)
    """By excerpt key."""
    results: dict[str, int] = field(default_factory=dict)
    """By node and move, as `drill/key`: the last results as bits under a leading 1."""
    _keys: dict[str, tuple[EventKeys, ...]] = field(default_factory=dict, repr=False)
    _kinds: dict[str, Excerpt] = field(default_factory=dict, repr=False)

    def skill(self, drill: str, goal_bpm: int) -> Skill:
        skill = self.skills.get(drill)
        if skill is None:
            skill = self.skills[drill] = Skill.new(goal_bpm)
        return skill

    def record(self, excerpt: str) -> Record:
        record = self.records.get(excerpt)
        if record is None:
            record = self.records[excerpt] = Record()
        return record

    def take(
        self,
        excerpt: Excerpt,
        keys: tuple[EventKeys, ...],
        bpm: int,
        goal_bpm: int,
        faults: Mapping[int, Result],
        day: int,
    ) -> None:
        """Take in one rated repetition."""
        skill = self.skill(excerpt.drill, goal_bpm)
        rows = skill.rows(keys)
        record = self.record(excerpt.key)
        away = day - max((whole[2] for whole in skill.wholes(rows) if len(whole) > 2), default=0)
        failed = any(result.fails for result in faults.values())
        skill.observe(rows, math.log(bpm), faults, day, self.habits)
        if failed or not faults:
            _recorded(record, not failed, bpm >= goal_bpm, bpm, day, away)


def _recorded(record: Record, clean: bool, at_goal: bool, bpm: int, day: int, away: int) -> None:
    if day != record.day:
        if at_goal and record.day and away >= KEPT_DAYS:
            record.kept = day if clean else 0
        record.day, record.today, record.clean_run, record.failed_run = day, 0, 0, 0
        record.cold = 1 if clean else -1
    record.reps += 1
    record.today += 1
    record.bpm = bpm
    record.failed_run = 0 if clean else record.failed_run + 1
    record.clean_run = record.clean_run + 1 if clean and at_goal else 0
    record.recent = (record.recent << 1 | (not clean)) & (1 << RECENT) - 1 | 1 << min(record.reps, RECENT)
    if record.clean_run >= CLEAN_TO_LAND:
        record.landed = day
