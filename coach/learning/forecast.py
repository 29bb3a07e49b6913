"""When the piece is likely to stand at its goal, and when it is likely to be kept: the choice played ahead over draws.

Each draw is one player that the log leaves possible: level and phrases drawn from their Gaussians, the rate
at which repetitions teach from what the log shows of it (`rate_of`), fading from its own Gaussian. He practises on
the days a week that this player does, each day by the choice: one look at every option's worth in the morning
(choice.py), then turn by turn to the greatest, each turn discounting its phrase as (5) does. What he plays teaches
him `GAIN` times his rate.

At its goal: the piece's rung stands there (rung.py). Kept: every phrase is expected clean, cold, at the goal after
a week (readings.py). A goal that fewer than half of the draws reach within the horizon is told as "not at this
rate". The spread covers what the log leaves open and how players differ in rate, not how wrong the model is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from coach.learning.choice import Option, Sitting, option
from coach.learning.learning import Learnt
from coach.learning.material import TURN_S, Material, Part
from coach.learning.readings import KEPT_CHANCE, rung_of
from coach.learning.skill import GAIN, MASSED, Skill, Term
from coach.music.drill import Drill

DRAWS = 20
HORIZON_DAYS = 120
RATE_SD = 0.85
"""Of the logarithm of a player's rate, where the log shows nothing of it yet."""
FIRST_TIME = 1.8
"""A goal is first held on a good day, ahead of the mean: measured on simulated players (docs/learning.md)."""
PRIOR_REPS = 40.0
"""Repetitions that the usual rate counts as, against what the log shows."""
SLOWEST, FASTEST = 0.05, 8.0
REPS_A_TURN = 5
DAYS_A_WEEK_OVER = 28
FEW_DAYS = 4
PLACES_KNOWN = 0.3
"""What practice leaves of the variance of nodes, moves and places by the time that a piece stands at its goal."""


@dataclass(frozen=True, slots=True)
class Span:
    """Days by which one draw in ten, five and nine in ten got there; None where fewer did within the horizon."""

    early: date | None
    likely: date | None
    late: date | None


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a drill's piece may expect."""

    drill: str
    goal_bpm: int
    minutes_a_day: float
    days_a_week: float
    draws: int
    at_goal: Span
    kept: Span
    rate: float
    """What a repetition teaches against the usual; under `SLOWEST` the log shows no gain."""
    practised_days: int
    holding_back: tuple[tuple[str, float], ...]
    """Phrases by excerpt key, with the chance that each is not clean, cold, at the goal: the least likely first."""
    horizon: date

    @property
    def at_this_rate(self) -> bool:
        """Whether half of the draws get there."""
        return self.at_goal.likely is not None

    @property
    def few_days(self) -> bool:
        """Whether so few days were practised that the rate is mostly assumed."""
        return self.practised_days < FEW_DAYS


def forecast(
    learnt: Learnt,
    material: Material,
    drill: Drill,
    day: date,
    minutes_a_day: float,
    draws: int = DRAWS,
    seed: int = 1,
) -> Forecast:
    """The forecast of one drill from a practice day on. The same log and seed give the same forecast."""
    week = days_a_week(learnt, day)
    rate = rate_of(learnt, drill)
    rng = Random(f"{drill.id} {seed}")
    landed, kept = [], []
    for _ in range(draws):
        got = _drawn(learnt, material, drill, day.toordinal(), minutes_a_day, week, rate, rng)
        landed.append(got[0])
        kept.append(got[1])
    sitting = Sitting(day.toordinal(), 0.0)
    phrases = [option(learnt, part, sitting) for part in _parts(material, drill)]
    weakest = sorted(
        ((each.part.key, 1.0 - each.later) for each in phrases), key=lambda pair: (-pair[1], pair[0])
    )
    return Forecast(
        drill.id,
        drill.goal_bpm,
        minutes_a_day,
        week,
        draws,
        _span(landed, day),
        _span(kept, day),
        rate,
        len(learnt.days),
        tuple(weakest[:3]),
        day + timedelta(days=HORIZON_DAYS),
    )


def days_a_week(learnt: Learnt, day: date) -> float:
    """How many days a week this player practises, of the last four weeks; 7 where less than two days are known."""
    today = day.toordinal()
    known = [each for each in learnt.days if today - DAYS_A_WEEK_OVER < each <= today]
    if len(known) < 2:
        return 7.0
    return 7.0 * len(known) / (today - min(known) + 1)


def rate_of(learnt: Learnt, drill: Drill) -> float:
    """What a repetition taught this player against `GAIN`, by how far the phrases have come since their first day."""
    skill = learnt.skills.get(drill.id)
    came, expected = PRIOR_REPS * GAIN, PRIOR_REPS * GAIN
    for key, record in learnt.records.items():
        if skill is None or not record.theta_from or not key.startswith(f"{drill.id}:"):
            continue
        reps = record.reps - record.reps_from
        came += record.theta - record.theta_from
        expected += reps * GAIN
    return came / expected


def _drawn(
    learnt: Learnt,
    material: Material,
    drill: Drill,
    today: int,
    minutes: float,
    week: float,
    rate: float,
    rng: Random,
) -> tuple[int | None, int | None]:
    """Days until one draw has the piece at its goal, and every phrase kept."""
    player = Learnt(learnt.slips, {drill.id: _skill(learnt.skill(drill.id, drill.goal_bpm), rng)})
    player.records = {key: replace(record) for key, record in learnt.records.items()}
    own = max(SLOWEST, min(FASTEST, FIRST_TIME * rate * math.exp(rng.gauss(0.0, RATE_SD))))
    parts = list(_parts(material, drill))
    piece = material.piece(drill)
    whole = material.part(piece) if piece else None
    goals = [whole] if whole else parts
    landed: int | None = None
    for ahead in range(HORIZON_DAYS):
        if ahead and rng.random() * 7 >= week:
            continue
        sitting = Sitting(today + ahead, 60.0 * minutes)
        offered = [option(player, part, sitting) for part in parts]
        if (
            landed is None
            and _begun(player, parts)
            and all(rung_of(player, each, today + ahead) >= each.goal_bpm for each in goals)
        ):
            landed = ahead
        if landed is not None and all(each.later >= KEPT_CHANCE for each in offered):
            return landed, ahead
        _practise(player, drill, offered, sitting, own)
    return landed, None


def _skill(known: Skill, rng: Random) -> Skill:
    """One of the levels that an estimate leaves possible, as if it were known; places come to be known by practice."""
    drawn = Skill(_draw(known.level, rng))
    drawn.terms = {
        key: _draw(term, rng) if key[0] == "w" else replace(term, variance=PLACES_KNOWN * term.variance)
        for key, term in known.terms.items()
    }
    return drawn


def _draw(term: Term, rng: Random) -> Term:
    return replace(term, mean=rng.gauss(term.mean, math.sqrt(term.variance)), variance=0.0)


def _practise(player: Learnt, drill: Drill, offered: list[Option], sitting: Sitting, rate: float) -> None:
    """A day's turns, each to what is worth most after those before it."""
    left_s, played = sitting.seconds_left, dict.fromkeys(range(len(offered)), 0)
    while True:
        costs = [REPS_A_TURN * each.part.rep_s(each.bpm) + TURN_S for each in offered]
        fitting = [at for at, cost in enumerate(costs) if cost <= left_s]
        if not fitting:
            break
        best = max(fitting, key=lambda at: offered[at].worth / (1.0 + REPS_A_TURN * played[at] / MASSED))
        played[best] += 1
        left_s -= costs[best]
    for at, turns in played.items():
        if turns:
            part = offered[at].part
            player.expect(part, 0, sitting.day)
            player.skills[drill.id].practise(part.keys, REPS_A_TURN * turns, sitting.day, rate)


def _begun(player: Learnt, parts: list[Part]) -> bool:
    return all(part.key in player.records for part in parts)


def _parts(material: Material, drill: Drill) -> Iterator[Part]:
    return (part for each in material.phrases(drill) if (part := material.part(each)))


def _span(days: list[int | None], first: date) -> Span:
    known = sorted(HORIZON_DAYS * 10 if each is None else each for each in days)

    def by(part: float) -> date | None:
        at = known[min(int(part * len(known)), len(known) - 1)]
        return first + timedelta(days=at) if at < HORIZON_DAYS * 10 else None

    return Span(by(0.1), by(0.5), by(0.9))
