"""When a drill's goal tempo is likely, and what will hold it back: simulated players practise what would be planned.

Each draw is a player of `learner.py` who practises this drill alone, every day, by the planner. Reached is the first
day on which every phrase, with all its layers, is landed. The same seed gives the same forecast.

Where a draw starts:

- Nodes and moves: at a tempo drawn from the clean tempo's posterior (`tempo_estimate.py`), the results of one day
  weighing as less than their number (`memory.effective`). Half of the variance is one drawn number for all keys of the
  player: what a prior leaves open is as likely wrong for all. The prior itself lies where this player's measured keys
  lie (`_shift`), and so does what was never played, with a deviation of its own.
- Playing together: its excerpt also fails where a node or a move fails, so that its tempo is no level. Levels around
  the learner's prior are weighed by how well they explain the excerpt's results, given this draw's nodes and moves.

How fast it learns: the learner's rates times a factor. The factor's prior is log-normal with deviation `LEARN_SPREAD`;
its likelihood is that of the change of the clean tempo as measured (`trend.py`), normal around factor x the change that
`PILOTS` players with the factor 1 show from the same start. Factors are the posterior's quantiles, one a draw. It is
above 0: the learner can learn slowly, but no rule here makes practice harm, so that where tempos fell every date is too
early, which is why the command says so. Other traits are scattered around the defaults.

What it is worth: the traits are assumptions and nobody practises every day; the spread covers what the log leaves open
and how players differ in the model, not how wrong the model is.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from random import Random

from coach.learning.evidence import EXCERPT, MOVE, NODE, DayEvidence, day_evidence
from coach.learning.ladder import Ladder
from coach.learning.learner import (
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
from coach.learning.memory import SAME_DAY_CORRELATION, Memory, fold
from coach.learning.planner import History, make_plan
from coach.learning.repertoire import Repertoire, repertoire_of
from coach.learning.tempo_estimate import (
    LOGIT,
    PRIOR_DEVIATION,
    PRIOR_PART_OF_GOAL,
    CleanTempo,
    clean_tempos,
    discounted,
)
from coach.learning.trend import NOTHING, Trend, trend_of
from coach.music.drill import TOGETHER, Drill, Phrase

DRAWS = 20
HORIZON_DAYS = 120
DAYS_A_DRAW = 40
"""Simulated days for each draw, all together: where few get there, the horizon comes nearer and the answer in time."""
TRAIT_SPREAD = 0.5
"""Players forget at very different speeds: half or one and a half times the default is usual."""
LEARN_SPREAD = 0.8
"""Deviation of the logarithm of how fast a player learns, before it is measured: 0.36 to 2.8 times, four in five."""
PILOTS, PILOT_DAYS = 3, 3
LEVEL_SPREAD = 0.3
"""Deviation, in log-tempo, of where a player lies as a whole when nothing is measured."""
SHARED = 0.5
"""Part of the keys' variance that one drawn number has."""
TOGETHER_DEVIATION = 0.5
FEW_DAYS = 4
"""Practised days below which the learning speed is mostly assumed."""
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
    """No draw was followed beyond this day."""
    trend: Trend = NOTHING
    """How the drill's tempos moved of late, as measured."""
    learning: float = 1.0
    """The median factor on the model's learning speed."""

    @property
    def few_days(self) -> bool:
        return self.trend.days < FEW_DAYS


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
    recent: Iterable[DayEvidence] = (),
) -> Forecast:
    """Simulate `draws` players from today's state. ValueError where the drill has no playable phrase.

    `recent` is the evidence of the drill's excerpts over the last weeks.
    """
    repertoire = repertoire_of([drill])
    if not any(repertoire.parts(drill, phrase) for phrase in drill.phrases):
        raise ValueError(f"{drill.id} has nothing to play")
    start = starting(drill, repertoire, memories, day)
    trend = trend_of(recent, day)

    def run(name: str, factor: float) -> _Run:
        rng = Random(f"{seed} {name}")
        return _Run(drawn(start, factor, rng), start, dict(memories), dict(ladders), minutes_a_day)

    pilot = 0.0
    if trend.change is not None:
        pilot = sum(_gain(run(f"pilot {number}", 1.0)) for number in range(PILOTS)) / PILOTS
    factors = _factors(trend, pilot, draws, Random(f"{seed} factors"))
    runs = [run(str(draw), factor) for draw, factor in enumerate(factors)]
    # All draws go on day by day, so that what is left out for the sake of time is left out of all.
    budget, number = DAYS_A_DRAW * draws, 0
    while number < horizon_days and (waiting := [each for each in runs if not each.arrived(number)]):
        if budget < len(waiting):
            break
        for each in waiting:
            each.practise(number)
        budget -= len(waiting)
        number += 1
    days = [each.reached for each in runs if each.reached is not None]
    weakest: dict[str, float] = defaultdict(float)
    for each in runs:
        for key, share in each.weakest.items():
            weakest[key] += share
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
        day + timedelta(days=number if number < horizon_days and len(days) < draws else horizon_days),
        trend,
        sorted(factors)[draws // 2],
    )


@dataclass(frozen=True, slots=True)
class Start:
    """What the log says of a drill's keys, before anything is drawn."""

    drill: Drill
    repertoire: Repertoire
    day: date
    memories: Mapping[str, Memory]
    tempos: Mapping[str, CleanTempo]
    shift: float
    """How far above a usual player this one lies, in log-tempo."""
    shift_deviation: float


def starting(drill: Drill, repertoire: Repertoire, memories: Mapping[str, Memory], day: date) -> Start:
    """What the memories say of a drill's nodes and moves on a day."""
    keys = {
        key
        for phrase in drill.phrases
        if (parts := repertoire.parts(drill, phrase))
        for key in parts[-1].keys
    }
    known = {key: memories[key] for key in sorted(keys) if key in memories and memories[key].tempos}
    rows = [_rows(memory, day) for memory in known.values()]
    goals = [memory.goal_bpm or drill.goal_bpm for memory in known.values()]
    shift, measured = _shift(clean_tempos(rows, goals), goals)
    moved = [max(1, round(goal * math.exp(shift))) for goal in goals]
    tempos = dict(zip(known, clean_tempos(rows, moved), strict=True))
    return Start(drill, repertoire, day, memories, tempos, shift, LEVEL_SPREAD / math.sqrt(1 + measured))


def _rows(memory: Memory, day: date) -> list[tuple[int, float, float]]:
    """A memory's results by tempo, with weights that allow for how much results of one day resemble each other."""
    rows = discounted(memory, day)
    a_day = sum(clean + failed for _, clean, failed in memory.tempos) / max(1, memory.days)
    worth = 1 / (1 + max(0.0, a_day - 1) * SAME_DAY_CORRELATION)
    return [(bpm, clean * worth, failed * worth) for bpm, clean, failed in rows]


def _shift(tempos: Sequence[CleanTempo], goals: Sequence[int]) -> tuple[float, float]:
    """How far the measured keys lie above the prior's centre, and how many keys' worth of measurement that is.

    A posterior of deviation s under a prior of deviation p holds 1 - s^2 / p^2 of a measurement, so that the sum of
    what posteriors moved, over the sum of these parts, is the measurements' mean; one more unit draws it to 0.
    """
    moved = measured = 0.0
    for tempo, goal in zip(tempos, goals, strict=True):
        measured += max(0.0, 1 - (_deviation(tempo) / PRIOR_DEVIATION) ** 2)
        moved += math.log(tempo.bpm / (PRIOR_PART_OF_GOAL * goal))
    return moved / (1 + measured), measured


def _deviation(tempo: CleanTempo) -> float:
    return math.log(tempo.high_bpm / tempo.low_bpm) / WIDTH


def _factors(trend: Trend, pilot: float, draws: int, rng: Random) -> list[float]:
    """How fast each draw learns: quantiles of the factor's posterior, in a drawn order."""
    points = [LEARN_SPREAD * (index - 60) / 20 for index in range(121)]
    weights = []
    for point in points:
        score = -0.5 * (point / LEARN_SPREAD) ** 2
        if trend.change is not None:
            score -= 0.5 * ((trend.change - math.exp(point) * pilot) / trend.deviation) ** 2
        weights.append(score)
    top = max(weights)
    weights = [math.exp(score - top) for score in weights]
    total = sum(weights)
    found: list[float] = []
    below = 0.0
    for point, weight in zip(points, weights, strict=True):
        below += weight / total
        while len(found) < draws and (len(found) + 0.5) / draws <= below:
            found.append(math.exp(point))
    found += [math.exp(points[-1])] * (draws - len(found))
    rng.shuffle(found)
    return found


def drawn(start: Start, factor: float, rng: Random) -> Learner:
    """A simulated player who may stand where the log stands; `factor` is on the usual learning speed."""
    usual = Traits()
    traits = varied(usual, rng, TRAIT_SPREAD)
    traits = replace(
        traits,
        learn_clean=usual.learn_clean * factor,
        learn_choked=usual.learn_choked * factor,
        blind=rng.uniform(0, 0.1),
        harsh=rng.uniform(0, 0.02),
    )
    learner = Learner(traits, rng)
    drill, goal = start.drill, math.log(start.drill.goal_bpm)
    common = rng.gauss(0, 1)
    shift = start.shift + start.shift_deviation * common

    def settle(skill: str, evidence_key: str, known: float) -> None:
        """Practice has brought the skill to this level, whatever a usual player's is."""
        now, memory = learner.skills[skill], start.memories[evidence_key]
        now.level, now.start = known, min(now.start, known)
        now.day = memory.last_day.toordinal()
        now.stability = max(traits.stability, memory.stability)

    for phrase in drill.phrases:
        parts = start.repertoire.parts(drill, phrase)
        if not parts:
            continue
        for key in parts[-1].keys:
            if key in learner.skills:
                continue
            gap = node_gap(key, traits) if key.startswith(NODE) else move_gap(key, traits)
            add_skill(learner, key, goal, gap - shift)
            if tempo := start.tempos.get(key):
                drawn = math.sqrt(SHARED) * common + math.sqrt(1 - SHARED) * rng.gauss(0, 1)
                # The learner's own curve is clean four times in five there.
                level = math.log(tempo.bpm) + _deviation(tempo) * drawn + LOGIT / traits.steepness
                settle(key, key, level)
        if parts[-1].layer == TOGETHER:
            skill, excerpt_key = together_key(drill.id, phrase.id), EXCERPT + parts[-1].excerpt.key
            add_skill(learner, skill, goal, traits.together_gap - shift)
            memory = start.memories.get(excerpt_key)
            if memory and memory.tempos:
                settle(skill, excerpt_key, _together_level(learner, start, phrase, skill, memory))
    return learner


def _together_level(learner: Learner, start: Start, phrase: Phrase, skill: str, memory: Memory) -> float:
    """A level of playing together, drawn by how well it explains the phrase's results with this learner's hands."""
    passage = start.repertoire.parts(start.drill, phrase)[-1].passage
    keys = [NODE + note.node_key for event in passage.events for note in event.notes if note.node_key]
    keys += [MOVE + event.move for event in passage.events if event.move]
    centre = learner.skills[skill].start
    points = [centre + TOGETHER_DEVIATION * (index - 30) / 10 for index in range(51)]
    scores = [-0.5 * ((point - centre) / TOGETHER_DEVIATION) ** 2 for point in points]
    for bpm, clean, failed in _rows(memory, start.day):
        # Day 0 lies before all practice: nothing is forgotten.
        rest = math.prod(chance(learner, key, bpm, 0) for key in keys if key in learner.skills)
        for index, point in enumerate(points):
            both = rest / (1 + math.exp(learner.traits.steepness * (math.log(bpm) - point)))
            both = min(max(both, 1e-6), 1 - 1e-6)
            scores[index] += clean * math.log(both) + failed * math.log1p(-both)
    top = max(scores)
    return learner.rng.choices(points, [math.exp(score - top) for score in scores])[0]


def _gain(run: _Run) -> float:
    """Log-change of the clean tempo of the phrases that were played already, for each of `PILOT_DAYS` days."""
    before = _phrase_levels(run)
    for number in range(1, PILOT_DAYS + 1):
        run.practise(number)
    gained = [after - level for level, after in zip(before, _phrase_levels(run), strict=True)]
    return sum(gained) / len(gained) / PILOT_DAYS if gained else 0.0


def _phrase_levels(run: _Run) -> list[float]:
    """Up to a constant, the log-tempo at which each phrase played already fails equally often: its weakest decide.

    Where failures are few, a skill fails with exp(steepness (ln v - now)), and a phrase with the sum of these.
    """
    start, learner = run.start, run.learner
    steepness = learner.traits.steepness
    found = []
    for phrase in start.drill.phrases:
        parts = start.repertoire.parts(start.drill, phrase)
        if not parts or not any(key in start.tempos for key in parts[-1].keys):
            continue
        keys = {*parts[-1].keys, together_key(start.drill.id, phrase.id)}
        skills = [skill for key, skill in learner.skills.items() if key in keys]
        levels = [skill.start + (skill.level - skill.start) * skill.kept for skill in skills]
        lowest = min(levels)
        found.append(
            lowest - math.log(sum(math.exp(steepness * (lowest - each)) for each in levels)) / steepness
        )
    return found


@dataclass(slots=True)
class _Run:
    """One simulated player's way to the goal; days are numbered from today, which is 0."""

    learner: Learner
    start: Start
    memories: dict[str, Memory]
    ladders: dict[str, Ladder]
    minutes: float
    history: dict[date, float] = field(default_factory=dict)
    weakest: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    reached: int | None = None

    def arrived(self, number: int) -> bool:
        """Whether every phrase is landed before this day's practice."""
        if self.reached is None:
            drill, repertoire = self.start.drill, self.start.repertoire
            wholes = [
                parts[-1].excerpt.key
                for phrase in drill.phrases
                if (parts := repertoire.parts(drill, phrase))
            ]
            if all(key in self.ladders and self.ladders[key].landed for key in wholes):
                self.reached = max(0, number - 1)
        return self.reached is not None

    def practise(self, number: int) -> None:
        drill, repertoire = self.start.drill, self.start.repertoire
        if number == 0 and any(memory.last_day == self.start.day for memory in self.memories.values()):
            return  # Today's practice is in the memories already.
        day = self.start.day + timedelta(days=number)
        plan = make_plan(
            day, self.minutes, [drill], self.memories, self.ladders, History(self.history), repertoire
        )
        done = practise_day(self.learner, plan, repertoire, self.ladders)
        self.ladders = done.ladders
        self.history[day] = done.seconds / 60
        for key, evidence in day_evidence(done.reps).items():
            self.memories[key] = fold(self.memories.get(key), evidence)
        for key in self.learner.skills:
            if key.startswith(NODE):
                good = chance(self.learner, key, drill.goal_bpm, day.toordinal(), rested_days=1)
                self.weakest[key] += 1 - good
