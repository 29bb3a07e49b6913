"""Memories, ladders and practised time as folds over the log, and what the planner asks of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from coach.learning.evidence import EXCERPT, MOVE, NODE, day_evidence
from coach.learning.ladder import DEFAULT as DEFAULT_RULE
from coach.learning.ladder import Ladder, Rule, after_rep
from coach.learning.memory import CAP_DAYS, Memory, fold
from coach.learning.planner import History
from coach.learning.repertoire import BETWEEN_REPS_S
from coach.log.book import Pair
from coach.log.entries import Entry, Rep
from coach.log.log import Log
from coach.music.excerpt import LoggedPassage

MODEL = "4"
"""Another one whenever what follows from the same repetitions changes."""


@dataclass(slots=True)
class Learned:
    """What follows from a player's repetitions; `today` are those of the last day, which no memory holds yet."""

    memories: dict[str, Memory] = field(default_factory=dict)
    ladders: dict[str, Ladder] = field(default_factory=dict)
    days: dict[int, tuple[int, int]] = field(default_factory=dict)
    """By practice day: milliseconds practised, count-ins included, and repetitions."""
    today: list[Pair] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Folds:
    """What the player's settings say about memories and ladders; a fold over the log (`coach.log.fold`)."""

    rule: Rule = DEFAULT_RULE
    cap_days: int = CAP_DAYS

    @property
    def name(self) -> str:
        return "learned"

    @property
    def version(self) -> str:
        return f"{MODEL} {self.rule.clean_to_climb} {self.rule.target} {self.cap_days}"

    def initial(self) -> Learned:
        return Learned()

    def step(self, state: Learned, rep: Rep, passage: LoggedPassage) -> Learned:
        if state.today and state.today[0][0].day_number != rep.day_number:
            state.memories = self.memories(state)
            state.today = []
        state.today.append((rep, passage))
        ladder, _ = after_rep(state.ladders.get(rep.excerpt), rep, self.rule)
        if ladder is not None:
            state.ladders[rep.excerpt] = ladder
        duration_ms, reps = state.days.get(rep.day_number, (0, 0))
        state.days[rep.day_number] = duration_ms + rep.duration_ms, reps + 1
        return state

    def memories(self, state: Learned) -> dict[str, Memory]:
        """All memories, those of the last day's keys with that day in them."""
        memories = dict(state.memories)
        for key, evidence in day_evidence(state.today).items():
            memories[key] = fold(memories.get(key), evidence, self.cap_days)
        return memories

    def plain(self, state: Learned) -> Any:
        return {
            "memories": [memory.to_json() for memory in self.memories(state).values()],
            "ladders": {key: ladder.to_json() for key, ladder in state.ladders.items()},
            "days": list(state.days.items()),
        }

    def state(self, plain: Any) -> Learned:
        memories = [Memory.from_json(text) for text in plain["memories"]]
        return Learned(
            {memory.key: memory for memory in memories},
            {key: Ladder.from_json(text) for key, text in plain["ladders"].items()},
            {day: (duration_ms, reps) for day, (duration_ms, reps) in plain["days"]},
        )


DEFAULT_FOLDS = Folds()


def memories_of(log: Log, day: date, folds: Folds) -> dict[str, Memory]:
    """What is remembered of every node, move and excerpt the player has practised, by key of evidence."""
    return folds.memories(log.state(folds, day))


def ladders_of(log: Log, day: date, folds: Folds) -> dict[str, Ladder]:
    """Every ladder the player has begun, by excerpt key."""
    return dict(log.state(folds, day).ladders)


def history_of(log: Log, day: date, folds: Folds) -> History:
    """What the planner needs of the four weeks up to a day: minutes by day, drills set aside, and when it hurt."""
    aside: set[str] = set()
    hurt: set[date] = set()
    for entry in log.entries():
        if entry.kind in ("set-aside", "take-up"):
            drill = _drill_in(entry)
            aside = aside | {drill} if entry.kind == "set-aside" else aside - {drill}
        elif entry.kind == "hurt":
            hurt.add(entry.day)
    days = log.state(folds, day).days.items()
    since = (day - timedelta(days=28)).toordinal()
    minutes = {
        date.fromordinal(number): (duration_ms / 1000 + reps * BETWEEN_REPS_S) / 60
        for number, (duration_ms, reps) in days
        if since <= number
    }
    return History(minutes, frozenset(aside), frozenset(hurt))


def _drill_in(entry: Entry) -> str:
    """The drill that a set-aside or take-up entry names; empty where its body names none."""
    drill = entry.body.get("drill")
    return drill if isinstance(drill, str) else ""


def keys_of(passage: LoggedPassage) -> frozenset[str]:
    """The keys of evidence that a repetition of this passage can touch."""
    keys = {EXCERPT + passage.excerpt}
    for event in passage.events:
        keys.update(NODE + node for node in event.nodes)
        if event.move:
            keys.add(MOVE + event.move)
    return frozenset(keys)
