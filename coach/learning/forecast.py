"""When the piece is likely at its goal, and when kept, over players whom the log leaves possible.

Each draw is one such player: level and phrases from their Gaussians, and a rate at which repetitions teach him. (To
read that rate off the log made the forecasts of simulated players worse.) He practises on the days a week that this
player does; a day's minutes go to the phrases in proportion to the chance that each is not clean, cold, in a week.
n repetitions of a phrase on one day add

    rate x GAIN x MASSED ln(1 + n / MASSED)                                                                      (6)

to it: what a repetition teaches, summed over the day (skill.py), nights taken off. At its goal: the piece's rung stands
there, by (4), and it was played there: the first day of practice that begins with the rung at the goal. Kept: every
phrase is expected clean, cold, at the goal after a week, where as much is unknown as at its start, and never sooner
than that week after the goal. What fewer than half of the draws reach within the horizon is told as "not at this
rate", and so is any goal where tempos have fallen so far; after few days no date is told. The spread covers
what the log leaves open and how players differ, not how wrong the model is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from coach.ground.frozen import frozen
from coach.learning.choice import AHEAD, BEGUN_A_DAY, REPS, option
from coach.learning.learning import KEPT_DAYS, Learnt, Record
from coach.learning.material import TURN_S, Material, Part
from coach.learning.planner import sitting_of
from coach.learning.readings import KEPT_CHANCE, at_goal, seen
from coach.learning.rung import EVENTS, TARGET
from coach.learning.skill import DAMPING, FADING, GAIN, MASSED, SD, SLOPE
from coach.music.drill import Drill

DRAWS = 200
HORIZON_DAYS = 120
RATE, RATE_SD = 1.5, 0.65
"""The middle of players' rates, and the deviation of its logarithm, by simulated players (docs/learning.md)."""
DAYS_A_WEEK_OVER = 28
FEW_DAYS = 4
FELL = 0.05
"""How far tempos must have fallen, in ln bpm, to count after few days."""
PLACES_KNOWN = 0.3
"""What practice leaves of the variance of nodes and places by the time that a piece stands at its goal."""

Floats = NDArray[np.float64]


@frozen
class Span:
    """Days by which one draw in ten, five and nine in ten got there; None where fewer did within the horizon."""

    early: date | None
    likely: date | None
    late: date | None


@frozen
class Forecast:
    """What a drill's piece may expect."""

    drill: str
    goal_bpm: int
    minutes_a_day: float
    days_a_week: float
    draws: int
    at_goal: Span
    """Where `there`, the day of the forecast."""
    there: bool
    """Whether the piece, or each part where no piece is asked for, stands at its goal, and was played there."""
    kept: Span
    rise: float
    """How far the phrases have come since the end of each one's first day, in ln bpm."""
    practised_days: int
    """Days of practice; 1 where no phrase of the drill was practised on a second one, 0 where none ever was."""
    holding_back: tuple[tuple[str, float], ...]
    """Phrases by excerpt key, with the chance that each is not clean, cold, at the goal: the least likely first."""
    horizon: date

    @property
    def at_this_rate(self) -> bool:
        """Whether half of the draws get there, and tempos have not fallen over the days that are known."""
        return self.at_goal.likely is not None and (self.rise >= 0.0 or self.too_early)

    @property
    def too_early(self) -> bool:
        """Whether no date can be told yet: few days were practised, and tempos have not clearly fallen."""
        return self.few_days and self.rise >= -FELL

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
    """The forecast of one drill from a practice day on. The same log and seed give the same forecast.

    The practice that it foresees begins on that day, or on the next one where some of it is done.
    """
    week = days_a_week(learnt, day)
    parts = material.parts(drill)
    piece = material.piece(drill)
    whole = material.part(piece) if piece else None
    there = all(at_goal(learnt, part, day.toordinal()) for part in ([whole] if whole else parts))
    rng = np.random.default_rng([seed, *drill.id.encode()])
    reached, kept = _days(learnt, parts, day.toordinal(), there, 60 * minutes_a_day, week, draws, rng)
    sitting = sitting_of(learnt, material, day, 0.0, BEGUN_A_DAY)
    records = [record for key, record in learnt.records.items() if key.startswith(f"{drill.id}:")]
    came = [record.theta - record.theta_from for record in records if record.theta_from]
    failing = [(part.key, 1.0 - option(learnt, part, sitting).later) for part in parts]
    return Forecast(
        drill.id,
        drill.goal_bpm,
        minutes_a_day,
        week,
        draws,
        _span(reached, day),
        there,
        _span(kept, day),
        sum(came) / len(came) if came else 0.0,
        len(learnt.days) if came else min(1, sum(record.reps for record in records)),
        tuple(sorted(failing, key=lambda pair: (-pair[1], pair[0]))[:3]),
        day + timedelta(days=HORIZON_DAYS),
    )


def days_a_week(learnt: Learnt, day: date) -> float:
    """How many days a week this player practises, of the last four weeks; 7 where less than two days are known."""
    today = day.toordinal()
    known = [each for each in learnt.days if today - DAYS_A_WEEK_OVER < each <= today]
    if len(known) < 2:
        return 7.0
    return 7.0 * len(known) / (today - min(known) + 1)


def _days(
    learnt: Learnt,
    parts: Sequence[Part],
    today: int,
    there: bool,
    seconds: float,
    week: float,
    draws: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Days until each draw has the piece at its goal, and every phrase kept; infinite where not within the horizon."""
    first = int(today in learnt.days)
    views = [seen(learnt, part, today + first) for part in parts]
    lengths = [len(view.means) for view in views]
    phrase, starts = np.repeat(np.arange(len(parts)), lengths), np.cumsum([0, *lengths[:-1]])
    above = np.concatenate(
        [np.subtract(v.means, math.log(p.goal_bpm)) for v, p in zip(views, parts, strict=True)]
    )
    own = np.concatenate([view.own for view in views])
    kappa = SLOPE / np.sqrt(1.0 + DAMPING * PLACES_KNOWN * own)
    kappa_later = SLOPE / np.sqrt(1.0 + DAMPING * (PLACES_KNOWN * own + SD**2))
    slips = np.array(lengths) * math.log1p(-learnt.slips.lapse)
    level = learnt.skill(parts[0].excerpt.drill, parts[0].goal_bpm).level.variance
    spread = np.sqrt([view.shared - level for view in views])
    skill = rng.normal(0.0, math.sqrt(level), (draws, 1)) + rng.normal(0.0, spread, (draws, len(parts)))
    rate = RATE * rng.lognormal(0.0, RATE_SD, (draws, 1))
    rep_s = np.array([part.rep_s(part.goal_bpm) + TURN_S / REPS for part in parts])
    share = min(1.0, EVENTS / max(1, sum(part.harmonics for part in parts)))
    unbegun = sum(part.key not in learnt.records for part in parts)
    reached, kept = np.full(draws, 0.0 if there else np.inf), np.full(draws, np.inf)
    for ahead in range(first, HORIZON_DAYS):
        x = above + skill[:, phrase]
        now = -np.logaddexp(0.0, -kappa * x).sum(axis=1)
        ln_later = -np.add.reduceat(np.logaddexp(0.0, kappa_later * (AHEAD * FADING - x)), starts, axis=1)
        later = np.exp(ln_later)
        practised = (rng.random((draws, 1)) * 7 < week) | (ahead == 0)
        held = (share * now >= math.log(TARGET)) & ((ahead - first) * BEGUN_A_DAY >= unbegun)
        reached[held & practised[:, 0] & (reached == np.inf)] = ahead
        sure = (reached < np.inf) & (ln_later + slips >= math.log(KEPT_CHANCE)).all(axis=1)
        kept[sure & (kept == np.inf)] = ahead
        need = 1.0 - later + 1e-9
        reps = seconds * need / need.sum(axis=1, keepdims=True) / rep_s
        skill += practised * rate * GAIN * MASSED * np.log1p(reps / MASSED)
    shown = all(learnt.records.get(part.key, Record()).kept_at(part.goal_bpm) for part in parts)
    return reached, np.maximum(kept, reached + (0 if shown else KEPT_DAYS))


def _span(days: Floats, first: date) -> Span:
    def by(part: float) -> date | None:
        at = float(np.sort(days)[min(int(part * len(days)), len(days) - 1)])
        return first + timedelta(days=int(at)) if at < HORIZON_DAYS else None

    return Span(by(0.1), by(0.5), by(0.9))
