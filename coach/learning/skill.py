"""The estimate: at which tempo can this player play this event, and how sure is that?

Everything that the coach says about learning is read from here. Of one drill the tempo at which an event goes is, in
ln bpm,

    theta = level + node + move + place + whole                                                          (1)

`level` is the player's in this drill, `node` and `move` are what the hand does there, `place` is that move in this
phrase, `whole` is the phrase in this layer with all that joins it. Each is a Gaussian of its own (mean, variance), so
that what one repetition shows at one place moves the level, and with it all others, and is felt most at that place. An
event at b bpm is clean with chance

    T = (1 - lapse) p,    p = 1 / (1 + exp(-kappa (theta - ln b))),    kappa = SLOPE / sqrt(1 + pi SLOPE^2 v / 8)   (2)

where v is the variance of theta: the logistic curve averaged over what is not known (MacKay 1992, Neural Comput. 4:720).
After each event, with a = kappa (1 - p) and the information f = T / (1 - T),

    h = f a^2 v,   theta += a v / (1 + h) where clean, -f a v / (1 + h) where not,   v -= v h / (1 + h)              (3)

which is one scoring step to the mode of the posterior; each term takes the part of the step that its own variance is of
v (assumed-density filtering: the terms stay independent). A repetition teaches a little (`GAIN`) and leaves room for
what has changed unseen (`_NOISE`). A day without a phrase takes `fading` x ln(1 + days) from it, the first repetition
of a day stands `warming` lower; both belong to the player, and his cold repetitions teach them: what the repetition
changed in the term changes them by their share of its variance (the conditional mean of two joint Gaussians).

An excerpt is clean where all its events are: the product of (2), averaged over what its events share.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from coach.music.drill import TOGETHER
from coach.music.excerpt import Excerpt, LoggedPassage
from coach.rating.table import Result, Says

SLOPE = 9.0
"""Of the logistic curve over ln bpm: a tenth faster turns .9 into .79."""
START_BELOW_GOAL = 0.3
"""Where the level is expected before anything is heard: so far under ln goal."""
LEVEL_SD, NODE_SD, MOVE_SD, PLACE_SD, WHOLE_SD = 0.25, 0.12, 0.12, 0.10, 0.12
GAIN = 0.006
"""What one repetition adds to its phrase, in ln bpm; less the more of them there were today (`MASSED`)."""
MASSED = 10.0
LEVEL_NOISE, WHOLE_NOISE, PLACE_NOISE = 0.01, 0.025, 0.015
NIGHT_NOISE = 0.04
FADING, FADING_SD = 0.03, 0.02
WARMING, WARMING_SD = 0.03, 0.03
WARM_AFTER = 3.0
"""Repetitions of the day after which warming-up is down to a third."""
LAPSES, EVENTS = 2.0, 198.0
"""The Beta prior of slips that skill does not explain."""
WIDEST_STEP = 0.25

_DAMPING = math.pi * SLOPE * SLOPE / 8
_GAUSS_HERMITE = ((-math.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (math.sqrt(3.0), 1 / 6))

_NOTHING = [0.0, 0.0]

Term = list[float]
"""Mean and variance; of a `whole` also the last day and the repetitions of that day."""
Row = tuple[Term, Term, Term, Term]
"""An event's terms: node, move, place, whole."""
EventKeys = tuple[str, str, str, str]


def event_keys(passage: LoggedPassage) -> tuple[EventKeys, ...]:
    """The keys of (1) for each event of a passage, in order; empty where it has no such term."""
    excerpt = Excerpt.parse(passage.excerpt)
    mixed = excerpt.layer == TOGETHER
    keys = []
    for event in passage.events:
        phrase = event.phrase or excerpt.phrases[0]
        node = "n:" + "+".join(event.nodes) if event.nodes else ""
        move = "m:" + event.move if event.move else ""
        place = f"p:{phrase}:{move or node or event.text}"
        whole = f"w:{phrase}:{TOGETHER if mixed else event.layer}{'?' if excerpt.easier else ''}"
        keys.append((node, move, place, whole))
    return tuple(keys)


@dataclass
class Habits:
    """What is the player's in every drill: (mean, variance) each, and the counts of slips."""

    fading: Term = field(default_factory=lambda: [FADING, FADING_SD**2])
    warming: Term = field(default_factory=lambda: [WARMING, WARMING_SD**2])
    slips: Term = field(default_factory=lambda: [LAPSES, EVENTS])
    trust: Term = field(default_factory=lambda: [0.0, TRUST_SD**2])
    """A shift of the logit of an excerpt's cold chance, by how this player's cold repetitions came out."""

    @property
    def lapse(self) -> float:
        return self.slips[0] / (self.slips[0] + self.slips[1])


TRUST_SD = 0.4


@dataclass
class Skill:
    """What is known of one player in one drill."""

    level: Term
    terms: dict[str, Term] = field(default_factory=dict)
    day: int = 0
    """The last day, as its ordinal, and how many repetitions it had."""
    reps_today: int = 0
    _rows: dict[tuple[EventKeys, ...], list[Row]] = field(default_factory=dict, repr=False)

    @classmethod
    def new(cls, goal_bpm: int) -> Skill:
        return cls([math.log(goal_bpm) - START_BELOW_GOAL, LEVEL_SD**2])

    def rows(self, keys: tuple[EventKeys, ...]) -> list[Row]:
        """The terms of a passage's events; those never met are new."""
        rows = self._rows.get(keys)
        if rows is None:
            rows = self._rows[keys] = [
                (self._term(n, NODE_SD), self._term(m, MOVE_SD), self._term(p, PLACE_SD), self._term(w, WHOLE_SD))
                for n, m, p, w in keys
            ]
        return rows

    def _term(self, key: str, deviation: float) -> Term:
        if not key:
            return [0.0, 0.0]
        term = self.terms.get(key)
        if term is None:
            term = self.terms[key] = [0.0, deviation**2, 0, 0] if key[0] == "w" else [0.0, deviation**2]
        return term

    def wholes(self, rows: Sequence[Row]) -> list[Term]:
        return list({id(row[3]): row[3] for row in rows}.values())

    def observe(
        self, rows: list[Row], ln_bpm: float, faults: Mapping[int, Result], day: int, habits: Habits
    ) -> None:
        """Take in one rated repetition; `faults` by label."""
        if day != self.day:
            self.day, self.reps_today = day, 0
        wholes = self.wholes(rows)
        shifts = [self._open(whole, day, habits) for whole in wholes]
        level, level_v = self.level
        sqrt, exp = math.sqrt, math.exp
        lapse = habits.lapse
        sound = 1.0 - lapse
        slipped = 0.0
        noise = PLACE_NOISE * PLACE_NOISE
        for label, (node, move, place, whole) in enumerate(rows, 1):
            fault = faults.get(label) if faults else None
            v = level_v + node[1] + move[1] + place[1] + whole[1]
            kappa = SLOPE / sqrt(1.0 + _DAMPING * v)
            p = 1.0 / (1.0 + exp(kappa * (ln_bpm - level - node[0] - move[0] - place[0] - whole[0])))
            clean = sound * p
            a = kappa * (1.0 - p)
            f = clean / (1.0 - clean)
            if fault is None:
                g = a
            elif not fault.fails:
                continue
            else:
                if fault.node is not Says.FAILED:
                    node = _NOTHING
                g = -f * a
                slipped += lapse / (1.0 - clean)
            w = f * a * a
            damped = 1.0 + w * v
            g /= damped
            w /= damped
            if g * v < -WIDEST_STEP:
                g = -WIDEST_STEP / v
            level += g * level_v
            level_v -= w * level_v * level_v
            u = node[1]
            node[0] += g * u
            node[1] = u - w * u * u
            u = move[1]
            move[0] += g * u
            move[1] = u - w * u * u
            u = place[1]
            place[0] += g * u
            place[1] = u - w * u * u + noise
            u = whole[1]
            whole[0] += g * u
            whole[1] = u - w * u * u
        habits.slips[0] += slipped
        habits.slips[1] += len(rows) - slipped
        self.level[0], self.level[1] = level, level_v + LEVEL_NOISE * LEVEL_NOISE
        for whole, shift in zip(wholes, shifts, strict=True):
            self._close(whole, shift, habits)
        self.reps_today += 1

    def _open(self, whole: Term, day: int, habits: Habits) -> tuple[float, ...]:
        """Take the night from a phrase, and the cold hands; what `_close` needs to give them back."""
        nights = math.log1p(day - whole[2]) if whole[2] and day > whole[2] else 0.0
        cold = math.exp(-self.reps_today / WARM_AFTER)
        if day > whole[2]:
            whole[2], whole[3] = day, 0
        fading, warming = habits.fading, habits.warming
        whole[0] -= fading[0] * nights + warming[0] * cold
        whole[1] += fading[1] * nights * nights + warming[1] * cold * cold + NIGHT_NOISE**2 * nights
        return nights, cold, whole[0], whole[1]

    def _close(self, whole: Term, shift: tuple[float, ...], habits: Habits) -> None:
        nights, cold, mean, variance = shift
        changed, less = (whole[0] - mean) / variance, (variance - whole[1]) / variance**2
        for habit, by in ((habits.fading, nights), (habits.warming, cold)):
            shared = -habit[1] * by
            if by > 0.05:
                habit[0] += shared * changed
                habit[1] = max(habit[1] - shared * shared * less, 1e-6)
        whole[0] += habits.warming[0] * cold + GAIN / (1.0 + whole[3] / MASSED)
        whole[1] = min(whole[1] + WHOLE_NOISE**2, 2 * WHOLE_SD**2)
        whole[3] += 1


@dataclass(frozen=True, slots=True)
class View:
    """The events of an excerpt on some day: mean and own variance of each theta, and the variance they share."""

    means: tuple[float, ...]
    own: tuple[float, ...]
    shared: float
    lapse: float

    def chances(self, ln_bpm: float) -> list[float]:
        """The chance (2) of each event without the lapse."""
        sqrt, exp, found = math.sqrt, math.exp, []
        for mean, own in zip(self.means, self.own, strict=True):
            kappa = SLOPE / sqrt(1.0 + _DAMPING * (own + self.shared))
            found.append(1.0 / (1.0 + exp(kappa * (ln_bpm - mean))))
        return found

    def ease(self, ln_bpm: float) -> tuple[float, float]:
        """The sum of ln p over the events, and its derivative by ln bpm."""
        total = slope = 0.0
        sqrt, exp, log1p = math.sqrt, math.exp, math.log1p
        for mean, own in zip(self.means, self.own, strict=True):
            kappa = SLOPE / sqrt(1.0 + _DAMPING * (own + self.shared))
            odds = exp(kappa * (ln_bpm - mean))
            total -= log1p(odds)
            slope -= kappa * odds / (1.0 + odds)
        return total, slope

    def whole(self, ln_bpm: float) -> float:
        """The chance that every event is clean, slips included."""
        spread = math.sqrt(self.shared)
        total = 0.0
        for at, weight in _GAUSS_HERMITE:
            shifted = ln_bpm - at * spread
            log_chance = 0.0
            for mean, own in zip(self.means, self.own, strict=True):
                kappa = SLOPE / math.sqrt(1.0 + _DAMPING * own)
                log_chance -= math.log1p(math.exp(kappa * (shifted - mean)))
            total += weight * math.exp(log_chance)
        return total * (1.0 - self.lapse) ** len(self.means)


def view(skill: Skill, rows: Sequence[Row], habits: Habits, day: int, cold: bool = True) -> View:
    """What `rows` are expected to be on a day (its ordinal), cold or as they stand now."""
    level, level_v = skill.level
    fading, fading_v = habits.fading
    warming, warming_v = habits.warming if cold else (0.0, 0.0)
    means, own, shared, shifts = [], [], 0.0, {}
    for node, move, place, whole in rows:
        shift = shifts.get(id(whole))
        if shift is None:
            nights = math.log1p(day - whole[2]) if len(whole) > 2 and whole[2] and day > whole[2] else 0.0
            variance = whole[1] + fading_v * nights * nights + warming_v + NIGHT_NOISE**2 * nights
            shift = shifts[id(whole)] = level + whole[0] - fading * nights - warming
            shared = max(shared, variance)
        means.append(shift + node[0] + move[0] + place[0])
        own.append(node[1] + move[1] + place[1])
    return View(tuple(means), tuple(own), level_v + shared, habits.lapse)
