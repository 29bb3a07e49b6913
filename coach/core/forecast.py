"""When a drill's goal tempo is likely, and what will hold it back: simulated players practise what would be planned.

Each draw is a player of `learner.py` whose nodes, moves and phrases start at tempos drawn from their clean tempos'
posteriors (`tempo_estimate.py`; the learner's prior where nothing is known) and whose other traits are scattered around
the defaults. It practises this drill alone, every day, by the planner. Reached is the first day on which every phrase,
with all its layers, is landed. The same seed gives the same forecast.

What it is worth: the traits are assumptions and nobody practises every day; the spread covers how players differ in the
model, not how wrong the model is.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from coach.core.drill import TOGETHER, Drill
from coach.core.evidence import EXCERPT, NODE, day_evidence
from coach.core.ladder import Ladder
from coach.core.learner import (
    Learner,
    Traits,
    add_skill,
    chance,
    move_gap,
    node_gap,
    practise_day,
    together_key,
    varied,
)
from coach.core.memory import Memory, fold
from coach.core.planner import History, make_plan
from coach.core.repertoire import Repertoire, repertoire_of
from coach.core.tempo_estimate import LOGIT, CleanTempo, of_memories

DRAWS = 20
HORIZON_DAYS = 120
TRAIT_SPREAD = 0.5
"""Players learn and forget at very different speeds: half or one and a half times the default is usual."""
WIDTH = 2.563
"""Standard deviations between the 10th and the 90th percentile of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days are practice days; None where fewer draws got there within the horizon."""

    drill: str
    goal_bpm: int
    minutes_a_day: float
    draws: int
    reached: int
    early: date | None
    likely: date | None
    late: date | None
    """One draw in ten, five in ten, nine in ten have reached it by then."""
    holding_back: tuple[tuple[str, float], ...]
    """Evidence keys of nodes, and the share that each has in the nodes' chances of failing at the goal until then.

    A node by itself, not with the moves to it: those would blame the easiest node for a long way to it. Not how often
    it was the weakest: late on the way all are nearly safe, and it says nothing which is the least so.
    """
    horizon: date


def forecast(
    drill: Drill,
    memories: Mapping[str, Memory],
    ladders: Mapping[str, Ladder],
    day: date,
    minutes_a_day: float,
    *,
    seed: int = 1,
    draws: int = DRAWS,
    horizon_days: int = HORIZON_DAYS,
) -> Forecast:
    """Simulate `draws` players from today's state. ValueError where the drill has no playable phrase."""
    repertoire = repertoire_of([drill])
    if not any(repertoire.parts(drill, phrase) for phrase in drill.phrases):
        raise ValueError(f"{drill.id} has nothing to play")
    tempos = of_memories(memories, day)
    days: list[int] = []
    weakest: dict[str, float] = defaultdict(float)
    for draw in range(draws):
        rng = Random(f"{seed} {draw}")
        learner = _drawn(drill, repertoire, memories, tempos, rng)
        reached = _run(
            learner,
            drill,
            repertoire,
            dict(memories),
            dict(ladders),
            day,
            minutes_a_day,
            horizon_days,
            weakest,
        )
        if reached is not None:
            days.append(reached)
    days.sort()

    def by(part: float) -> date | None:
        needed = max(1, math.ceil(part * draws))
        return day + timedelta(days=days[needed - 1]) if len(days) >= needed else None

    total = sum(weakest.values())
    ranked = sorted(weakest.items(), key=lambda item: (-item[1], item[0]))
    return Forecast(
        drill.id,
        drill.goal_bpm,
        minutes_a_day,
        draws,
        len(days),
        by(0.1),
        by(0.5),
        by(0.9),
        tuple((key, count / total) for key, count in ranked[:5]),
        day + timedelta(days=horizon_days),
    )


def _drawn(
    drill: Drill,
    repertoire: Repertoire,
    memories: Mapping[str, Memory],
    tempos: Mapping[str, CleanTempo],
    rng: Random,
) -> Learner:
    traits = replace(
        varied(Traits(), rng, TRAIT_SPREAD), blind=rng.uniform(0, 0.1), harsh=rng.uniform(0, 0.02)
    )
    learner = Learner(traits, rng)
    goal = math.log(drill.goal_bpm)

    def add(skill: str, key: str, gap: float) -> None:
        known = _level(tempos[key], traits, rng) if key in tempos else None
        add_skill(learner, skill, goal, gap, known)
        memory = memories.get(key)
        if memory and known is not None:
            learner.skills[skill].day = memory.last_day.toordinal()
            learner.skills[skill].stability = max(traits.stability, memory.stability)

    for phrase in drill.phrases:
        parts = repertoire.parts(drill, phrase)
        if not parts:
            continue
        for key in parts[-1].keys:
            add(key, key, node_gap(key, traits) if key.startswith(NODE) else move_gap(key, traits))
        if parts[-1].layer == TOGETHER:
            add(together_key(drill.id, phrase.id), EXCERPT + parts[-1].excerpt.key, traits.together_gap)
    return learner


def _level(tempo: CleanTempo, traits: Traits, rng: Random) -> float:
    """A level drawn from a clean tempo's posterior: where the learner's own curve is clean four times in five."""
    deviation = math.log(tempo.high_bpm / tempo.low_bpm) / WIDTH
    return math.log(tempo.bpm) + rng.gauss(0, deviation) + LOGIT / traits.steepness


def _run(
    learner: Learner,
    drill: Drill,
    repertoire: Repertoire,
    memories: dict[str, Memory],
    ladders: dict[str, Ladder],
    first: date,
    minutes: float,
    horizon_days: int,
    weakest: dict[str, float],
) -> int | None:
    """Days until every phrase is landed, today being 0; None beyond the horizon. Adds up `weakest`."""
    wholes = [parts[-1].excerpt.key for phrase in drill.phrases if (parts := repertoire.parts(drill, phrase))]
    # Today's practice is in the memories already; the simulation goes on tomorrow.
    started = max((memory.last_day for memory in memories.values()), default=None)
    offset = 1 if started == first else 0
    history: dict[date, float] = {}
    for number in range(offset, horizon_days):
        if all(key in ladders and ladders[key].landed for key in wholes):
            return max(0, number - 1)
        day = first + timedelta(days=number)
        plan = make_plan(day, minutes, [drill], memories, ladders, History(history), repertoire)
        done = practise_day(learner, plan, repertoire, ladders)
        ladders = done.ladders
        history[day] = done.seconds / 60
        for key, evidence in day_evidence(done.reps).items():
            memories[key] = fold(memories.get(key), evidence)
        chances = {
            key: chance(learner, key, drill.goal_bpm, day.toordinal(), rested_days=1)
            for key in learner.skills
            if key.startswith(NODE)
        }
        for key, good in chances.items():
            weakest[key] += 1 - good
    return None
