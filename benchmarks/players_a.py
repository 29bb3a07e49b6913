"""Simulated players, form A: every skill is a sum of practice traces that fade by a power law.

Written without a look at how the coach estimates or plans; it knows notes and passages only. What practice does to a
player follows the field's findings in sign, not in size: nobody has measured bass players at harmonics.

- *Traces.* Each day's practice of a skill leaves one trace that fades as (1 + days)^-decay, and strength is their sum
  (Anderson, Fincham and Douglass 1999, JEP:LMC 25:1120). The logarithm of strength raises the tempo that is played.
  A trace counts fully after a night only (Simmons 2012, JRME 59:357); in the same day a passing boost helps instead.
- *Skills.* One per node, per move (or join of two phrases), per event in its phrase, per joining of layers in a place.
  A part of a phrase teaches its events in their place only partly, and a node teaches its kin a little.
- *Tempo.* An event has a hidden density, in events a second, at which it is clean half the time. Density is one over
  the geometric mean of the seconds since the layer's event before and since any event before.
- *Gain.* Greatest where an event is clean three times in four (challenge point, Guadagnoli and Lee 2004), less with
  every repetition of the same thing in a row (contextual interference, Stambaugh 2011, Carter and Grahn 2016), less
  with fatigue. A wrong repetition teaches little and leaves an error behind (Duke, Simmons and Cash 2009).
- *Savings.* What was lost comes back faster than it came at first.

Units: tempo differences are natural logarithms of a ratio (0.1 is ten per cent); times are days, minutes where it
says so.

FROZEN: the constants are settled, and no planner's result had a say in them. Seeds 0 to 99 were looked at while
building; judge by others.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.players import Truth
from benchmarks.skills_a import REST_S, Floats, Prepared, Skills, prepare
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Passage
from coach.rating.fault import Fault
from coach.rating.table import CAUSES, CHOKED, DROPPED, LATE, NOT_REACHED

WIDTH = 0.15
"""Logistic scale of the chance against the logarithm of density."""
WORTH = np.array([0.11, 0.11, 0.13, 0.13])
"""What the logarithm of strength adds to ability: node, move, event in its place, joining of layers."""
GAIN = 0.42
"""Strength that one best repetition adds."""
LEAST_CHALLENGE = 0.08
FAULT_SHARE = 0.25
DAY_SHARE = 0.1
"""Of today's trace, what counts before the night."""
FAST = 0.3
FAST_FADES_MIN = 25.0
SAVINGS = 0.25
ERROR_GAIN = 0.25
ERROR_UNLEARNT = 0.93
ERROR_NIGHT = 0.96
ERROR_WORTH = 0.10
WARM_UP = 0.06
WARM_UP_MIN = 3.0
COOLING_MIN = 15.0
TIRED = 0.10
FORM_SD = 0.05
REP_SD = 0.04
STOPS = 0.1
"""Chance that the player stops at a fault."""
OVERHEAD_S = 9.0
"""Count-in and rating after each repetition."""
NIGHT_DAYS = 0.5
"""A rest at least this long holds a night."""


@dataclass(frozen=True, slots=True)
class Temper:
    """What sets one kind of player apart. Chances are per event, except `misses` per day."""

    rate: float = 1.0
    decay: float = 0.32
    slip: float = 1 / 400
    overlooks: float = 0.04
    """A fault called clean."""
    alarms: float = 0.002
    """A clean event called faulty."""
    shifts: float = 0.04
    """A fault put on the neighbouring event."""
    misses: float = 0.05
    interference: float = 0.35
    full_min: float = 20.0
    """Minutes a day on one thing after which half as much is learnt."""
    tires_min: float = 45.0
    hard_phrases: float = 0.0
    """Share of the phrases that are much harder."""
    hard_nodes: float = 0.0
    """Share of the nodes that are much harder, the hardest by nature twice as likely."""
    perfect: bool = False
    """Clean at any tempo up to the goal, slips apart, and rated rightly."""


TEMPERS = {
    "even": Temper(),
    "uneven": Temper(hard_phrases=0.3),
    "hard-nodes": Temper(hard_nodes=0.3),
    "forgetful": Temper(decay=0.5),
    "crammer": Temper(full_min=8.0, tires_min=14.0),
    "careless": Temper(slip=1 / 50, overlooks=0.2, alarms=0.01, shifts=0.15),
    "quick": Temper(rate=1.9),
    "irregular": Temper(misses=1 / 3),
    "never-fails": Temper(slip=0.0, misses=0.0, perfect=True),
    "slips-1-in-100": Temper(slip=1 / 100, misses=0.0, perfect=True),
    "slips-1-in-30": Temper(slip=1 / 30, misses=0.0, perfect=True),
}
KINDS = tuple(TEMPERS)


class PlayerA:
    """One player of form A; `benchmarks.players.Player` says what each method promises."""

    def __init__(self, temper: Temper, drills: Sequence[Drill], seed: int) -> None:
        self._temper = temper
        self._seed = seed
        self._rng = np.random.default_rng([seed, 0xA])
        self._luck = random.Random(f"{seed} luck")
        self._goals = {drill.id: drill.goal_bpm for drill in drills}
        self._skills = Skills(drills, seed, temper.hard_nodes, temper.hard_phrases)
        self._prepared: dict[Excerpt, Prepared] = {}
        self._days: list[tuple[float, Floats]] = []
        """Time of each practised day and the traces it left."""
        self._time = 0.0
        self._lasting, self._today, self._fast, self._peak, self._errors, self._now = np.zeros((6, 256))
        self._minutes = 0.0
        self._since_pause = 0.0
        self._on_thing: dict[tuple[str, tuple[str, ...]], float] = {}
        self._last: tuple[tuple[str, tuple[str, ...]], int] | None = None
        self._form = self._drawn_form()

    def play(self, passage: Passage, tempo_bpm: int, cold: bool) -> tuple[Fault, ...]:
        """The faults as he rates them. He knows by himself what is cold; `cold` is not used."""
        prepared = self._prepare(passage)
        if self._temper.perfect:
            chances = _perfect(prepared, tempo_bpm)
        else:
            luck = self._form + self._condition() + REP_SD * self._rng.standard_normal()
            ability = self._ability(prepared, self._now) + luck
            chances = _chances(prepared, ability, tempo_bpm)
        clean = self._rng.random(len(chances)) < chances * (1.0 - self._temper.slip)
        wrong = [at for at, good in enumerate(clean.tolist()) if not good]
        if self._temper.perfect:
            return tuple(self._fault(prepared, at) for at in wrong)
        reached = self._reached(wrong, len(chances))
        self._learn(prepared, chances, clean, reached)
        self._pass(prepared, tempo_bpm)
        return self._rated(prepared, wrong, reached)

    def rest(self, days: float) -> None:
        """A shorter rest than a night's only rests; a night makes today's traces last."""
        self._time += days
        minutes = days * 24 * 60
        self._since_pause *= math.exp(-minutes / COOLING_MIN)
        if days < NIGHT_DAYS:
            self._minutes = max(0.0, self._minutes - minutes / 3)
            self._fast *= math.exp(-minutes / FAST_FADES_MIN)
            self._now = self._lasting - (1.0 - DAY_SHARE) * self._today + self._fast
            return
        self._peak = np.maximum(self._peak, self._lasting)
        if self._today.any():
            self._days.append((self._time - days, self._today))
        self._today, self._fast = np.zeros((2, len(self._lasting)))
        self._lasting = self._strength(self._time)
        self._now = self._lasting.copy()
        self._errors *= ERROR_NIGHT ** min(days, 14.0)
        self._minutes = 0.0
        self._on_thing.clear()
        self._last = None
        self._form = self._drawn_form()

    def chance(self, passage: Passage, tempo_bpm: int, after_days: float) -> Truth:
        """Averaged over the form of that day, which is known only where no night lies between."""
        prepared = self._prepare(passage)
        if self._temper.perfect:
            chances = _perfect(prepared, tempo_bpm)
        else:
            night = after_days >= NIGHT_DAYS
            strength, errors = self._now, self._errors
            if night:
                fade = (1.0 + after_days) ** -self._temper.decay
                strength = self._strength(self._time + after_days) + fade * self._today
                errors = errors * ERROR_NIGHT ** min(after_days, 14.0)
            spread = math.hypot(FORM_SD, REP_SD) if night else REP_SD
            ability = self._ability(prepared, strength, errors) - WARM_UP + (0.0 if night else self._form)
            chances = _chances(prepared, ability + spread * _POINTS[:, None], tempo_bpm)
        clean = np.atleast_2d(chances * (1.0 - self._temper.slip))
        weights = _WEIGHTS if len(clean) > 1 else np.ones(1)
        return Truth(tuple((weights @ clean).tolist()), float(weights @ clean.prod(axis=1)))

    def practises_on(self, day: int) -> bool:
        """Whether he takes up the bass on this day, counted from 0; the same answer whenever asked."""
        return random.Random(f"{self._seed} day {day}").random() >= self._temper.misses

    def _drawn_form(self) -> float:
        return FORM_SD * float(self._rng.standard_normal())

    def _condition(self) -> float:
        """Warming up and tiring."""
        tired = max(0.0, self._minutes / self._temper.tires_min - 0.5)
        return -WARM_UP * math.exp(-self._since_pause / WARM_UP_MIN) - TIRED * tired

    def _strength(self, time: float) -> Floats:
        total = np.zeros(len(self._lasting))
        for day, traces in self._days:
            total[: len(traces)] += traces * (1.0 + time - day) ** -self._temper.decay
        return total

    def _ability(self, prepared: Prepared, strength: Floats, errors: Floats | None = None) -> Floats:
        errors = self._errors if errors is None else errors
        known = np.log1p(strength[prepared.skills]) @ WORTH
        return prepared.ability + known - ERROR_WORTH * np.log1p(errors[prepared.skills[:, 2]])

    def _reached(self, wrong: Sequence[int], count: int) -> int:
        """How many events were played before he stopped, the one that he stopped at among them."""
        return next((at + 1 for at in wrong if self._luck.random() < STOPS), count)

    def _learn(self, prepared: Prepared, chances: Floats, clean: NDArray[np.bool_], reached: int) -> None:
        in_a_row = self._last[1] if self._last and self._last[0] == prepared.thing else 0
        context = 1.0 - self._temper.interference * (1.0 - 0.6**in_a_row)
        self._last = (prepared.thing, in_a_row + 1)
        best = GAIN * self._temper.rate * self._freshness(prepared)
        challenge = LEAST_CHALLENGE + chances * np.sqrt(chances * (1.0 - chances)) * _CHALLENGE_NORM
        gain = best * challenge * np.where(clean, 1.0, FAULT_SHARE)
        gain[reached:] = 0.0
        taught = prepared.taught
        given = prepared.teaching @ gain
        lost = np.maximum(self._peak[taught] - self._lasting[taught], 0.0)
        more = context * given * (1.0 + SAVINGS * lost)
        passing = (2.0 - context) * FAST * given
        self._today[taught] += more
        self._lasting[taught] += more
        self._fast[taught] += passing
        self._now[taught] += DAY_SHARE * more + passing
        spots = prepared.skills[:reached, 2]
        errors = self._errors[spots]
        self._errors[spots] = np.where(clean[:reached], errors * ERROR_UNLEARNT, errors + ERROR_GAIN)

    def _freshness(self, prepared: Prepared) -> float:
        on_thing = self._on_thing.get(prepared.thing, 0.0) / self._temper.full_min
        return 1.0 / ((1.0 + on_thing**2) * (1.0 + (self._minutes / (2 * self._temper.tires_min)) ** 3))

    def _pass(self, prepared: Prepared, tempo_bpm: int) -> None:
        minutes = (prepared.seconds * 60.0 / tempo_bpm + OVERHEAD_S) / 60.0
        self._minutes += minutes
        self._since_pause += minutes
        self._on_thing[prepared.thing] = self._on_thing.get(prepared.thing, 0.0) + minutes
        fading = self._fast * (1.0 - math.exp(-minutes / FAST_FADES_MIN))
        self._fast -= fading
        self._now -= fading

    def _rated(self, prepared: Prepared, wrong: Sequence[int], reached: int) -> tuple[Fault, ...]:
        temper, luck = self._temper, self._luck
        count = len(prepared.harmonic)
        faults: dict[int, Fault] = {}
        for at in wrong:
            # He knows that he stopped, whatever he heard before.
            stopped = at == reached - 1 < count - 1
            if at < reached and (stopped or luck.random() >= temper.overlooks):
                heard_at = at if luck.random() >= temper.shifts else self._beside(at, reached)
                faults[heard_at] = self._fault(prepared, heard_at)
        if luck.random() < 1.0 - (1.0 - temper.alarms) ** reached:
            at = luck.randrange(reached)
            faults.setdefault(at, self._fault(prepared, at))
        for at in range(reached, count):
            faults[at] = Fault(at + 1, NOT_REACHED)
        return tuple(faults[at] for at in sorted(faults))

    def _beside(self, at: int, reached: int) -> int:
        return min(max(at + self._luck.choice((-1, 1)), 0), reached - 1)

    def _fault(self, prepared: Prepared, at: int) -> Fault:
        draw = self._luck.random()
        if not prepared.harmonic[at] or draw < 0.25:
            return Fault(at + 1, LATE if draw < 0.7 else DROPPED)
        cause = (None, *CAUSES)[int(draw * 16) % (1 + len(CAUSES))]
        one_of = prepared.notes[at] if draw > 0.6 else 1
        return Fault(at + 1, CHOKED, cause, 1 + int(draw * 100) % one_of if one_of > 1 else 0)

    def _prepare(self, passage: Passage) -> Prepared:
        prepared = self._prepared.get(passage.excerpt)
        if prepared is None:
            prepared = prepare(passage, self._skills, self._goals[passage.excerpt.drill])
            self._prepared[passage.excerpt] = prepared
            self._grow(len(self._skills.hard))
        return prepared

    def _grow(self, count: int) -> None:
        more = count - len(self._lasting)
        if more <= 0:
            return
        for name in ("_lasting", "_today", "_fast", "_peak", "_errors", "_now"):
            setattr(self, name, np.pad(getattr(self, name), (0, more + 256)))


def make(kind: str, drills: Sequence[Drill], seed: int) -> PlayerA:
    """The player of this kind who holds these drills; KeyError for another kind than `KINDS`."""
    return PlayerA(TEMPERS[kind], drills, seed)


_POINTS, _SUM = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _SUM / _SUM.sum()
_CHALLENGE_NORM = 1.0 / (0.75 * math.sqrt(0.75 * 0.25))


def _chances(prepared: Prepared, ability: Floats, tempo_bpm: int) -> Floats:
    density = np.maximum(prepared.density + math.log(tempo_bpm / 60.0), -math.log(REST_S))
    return 1.0 / (1.0 + np.exp((density - ability) / WIDTH))


def _perfect(prepared: Prepared, tempo_bpm: int) -> Floats:
    """1 up to the goal; above it a fifth less for every twentieth part of the goal."""
    over = max(0.0, tempo_bpm / prepared.goal_bpm - 1.0)
    return np.full(len(prepared.ability), max(0.0, 1.0 - 4.0 * over))
