"""The estimate: at which tempo can this player play this event, and how sure is that?

Everything that the coach says about learning is read from here. Of one drill the tempo at which an event goes is, in
ln bpm,

    theta = level + node + place + whole                                                                 (1)

`level` is the player's in this drill, `node` is what the hand does there, `place` is that move in this phrase, `whole`
is the phrase in this layer with all that joins it. Each is a Gaussian of its own, so that what one repetition shows at
one place moves the level, and with it all others, and is felt most at that place. An event at b bpm is clean with the
chance

    T = (1 - lapse) p,    p = 1 / (1 + exp(-kappa (theta - ln b))),    kappa = SLOPE / sqrt(1 + pi SLOPE^2 v / 8)   (2)

where v is the variance of theta: the logistic curve averaged over what is not known
(MacKay 1992, Neural Comput. 4:720; from memory).
After each event, with a = kappa (1 - p) and the information f = T / (1 - T),

    h = f a^2 v,   theta += a v / (1 + h) where clean, -f a v / (1 + h) where not,   v -= v h / (1 + h)              (3)

which is one scoring step to the mode of the posterior; each term takes the part of the step that its own variance is of
v (assumed-density filtering: the terms stay independent). A repetition teaches a little (`GAIN`) and leaves room for
what has changed unseen (`NOISE`); a day without a phrase takes `FADING` from it.

An excerpt is clean where all its events are: the product of (2), averaged over what its events share.

The numbers below were chosen on simulated players (docs/learning.md); nobody has fitted them to people.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import field

from coach.ground.frozen import frozen, mutable
from coach.music.drill import TOGETHER
from coach.music.excerpt import Excerpt, LoggedPassage, Stroke
from coach.rating.table import Result, Says

SLOPE = 6.0
"""Of the logistic curve over ln bpm: a tenth faster turns .9 into .83."""
START_BELOW_GOAL = 0.3
"""Where the level is expected before anything is heard: so far under ln goal."""
SD = 0.3
"""Of each term of (1) before anything is heard of it."""
GAIN, MASSED = 0.015, 10.0
"""What one repetition adds to its phrase, in ln bpm; after so many of them on one day, half of it."""
NOISE, NIGHT_NOISE = 0.015, 0.04
"""Deviations that a repetition, or a night, leaves room for."""
FADING, FADING_DAYS = 0.03, 14
"""What a day takes from a phrase, in ln bpm, for so many days at most."""
RECENT = 8
"""Results that are remembered one by one."""

DAMPING = math.pi * SLOPE * SLOPE / 8
_GAUSS_HERMITE = ((-math.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (math.sqrt(3.0), 1 / 6))


@mutable
class Term:
    """One Gaussian of (1), and when and how it was last played. A move is no part of (1): only its results are kept."""

    mean: float = 0.0
    variance: float = SD**2
    day: int = 0
    """The last day, as its ordinal: of a whole."""
    today: int = 0
    """Repetitions of that day: of a whole."""
    recent: int = 1
    """The last results of a node or a move, as bits under a leading 1; 1 failed."""

    def copy(self) -> Term:
        return Term(self.mean, self.variance, self.day, self.today, self.recent)


Row = tuple[Term, Term, Term, Term]
"""An event's terms: node, move, place, whole."""
EventKeys = tuple[str, str, str, str]
"""Their keys; empty where the event has no such term."""


def event_keys(passage: LoggedPassage) -> tuple[EventKeys, ...]:
    """The keys of (1) for each event of a passage, in order."""
    return keys_of(Excerpt.parse(passage.excerpt), [event.stroke for event in passage.events])


def keys_of(excerpt: Excerpt, strokes: Sequence[Stroke]) -> tuple[EventKeys, ...]:
    """The same where the excerpt's strokes are at hand."""
    keys = []
    for within, layer, place, moved, text in strokes:
        phrase = within or excerpt.phrases[0]
        node, move = place and "n:" + place, moved and "m:" + moved
        voice = TOGETHER if excerpt.layer == TOGETHER else layer
        whole = f"w:{phrase}:{voice}{'?' if excerpt.easier else ''}"
        keys.append((node, move, f"p:{phrase}:{move or node or text}", whole))
    return tuple(keys)


@mutable
class Slips:
    """What this player fails in any drill that skill does not explain: a Beta posterior."""

    failed: float = 2.0
    events: float = 200.0

    @property
    def lapse(self) -> float:
        return self.failed / self.events


@mutable
class Skill:
    """What is known of one player in one drill. Only `observe` and `practise` change it."""

    level: Term
    terms: dict[str, Term] = field(default_factory=dict)
    _rows: dict[int, tuple[tuple[EventKeys, ...], list[Row], bool]] = field(
        default_factory=dict, repr=False, compare=False
    )
    """By the identity of the keys, which it holds: to hash nested tuples takes as long as half a repetition."""

    @classmethod
    def new(cls, goal_bpm: int) -> Skill:
        return cls(Term(math.log(goal_bpm) - START_BELOW_GOAL))

    def copy(self) -> Skill:
        """A skill of its own."""
        return Skill(self.level.copy(), {key: term.copy() for key, term in self.terms.items()})

    def rows(self, keys: tuple[EventKeys, ...], keep: bool = False) -> list[Row]:
        """The terms of a passage's events; those never met are as expected, and stay so unless they are to be kept."""
        known = self._rows.get(id(keys))
        if known is None or keep > known[2]:
            fresh, met = self.terms if keep else {}, len(self.terms)

            def term(key: str) -> Term:
                if not key:
                    return Term(0.0, 0.0)
                known = self.terms.get(key) or fresh.get(key)
                if known is None:
                    known = fresh[key] = Term(0.0, 0.0 if key[0] == "m" else SD**2)
                return known

            # A long passage has few rows of its own.
            distinct = {
                (n, m, p, w): (term(n), term(m), term(p), term(w)) for n, m, p, w in dict.fromkeys(keys)
            }
            rows = [distinct[each] for each in keys]
            if len(self.terms) > met:
                self._rows.clear()  # Others may hold a term of their own for a key that is kept from now on.
            known = self._rows[id(keys)] = keys, rows, keep
        return known[1]

    def observe(
        self, keys: tuple[EventKeys, ...], ln_bpm: float, faults: Mapping[int, Result], day: int, slips: Slips
    ) -> None:
        """Take in one rated repetition; `faults` by label. Days never go back."""
        rows = self.rows(keys, keep=True)
        wholes = wholes_of(rows)
        for whole in wholes:
            _wake(whole, day)
        level, level_v = self.level.mean, self.level.variance
        sqrt, exp = math.sqrt, math.exp
        lapse = slips.lapse
        sound, slipped, noise = 1.0 - lapse, 0.0, NOISE * NOISE
        full, most, half = 2 << RECENT, (1 << RECENT) - 1, 1 << RECENT
        for label, (node, move, place, whole) in enumerate(rows, 1):
            v = level_v + node.variance + place.variance + whole.variance
            kappa = SLOPE / sqrt(1.0 + DAMPING * v)
            p = 1.0 / (1.0 + exp(kappa * (ln_bpm - level - node.mean - place.mean - whole.mean)))
            chance = sound * p
            a = kappa * (1.0 - p)
            f = chance / (1.0 - chance)
            w = f * a * a
            damped = 1.0 + w * v
            fault = faults.get(label) if faults else None
            if fault is None:
                g = a / damped
                # `with_result`, spelt out: twice an event, a call would cost a fifth of the whole.
                recent = node.recent << 1
                node.recent = recent if recent < full else recent & most | half
                recent = move.recent << 1
                move.recent = recent if recent < full else recent & most | half
            elif not fault.fails:
                continue
            else:
                g = -f * a / damped
                slipped += lapse / (1.0 - chance)
                if fault.node is not Says.NOTHING:
                    node.recent = with_result(node.recent, fault.node is Says.FAILED)
                if fault.move is not Says.NOTHING:
                    move.recent = with_result(move.recent, fault.move is Says.FAILED)
                if fault.node is not Says.FAILED:
                    node = _NOTHING
            w /= damped
            level += g * level_v
            level_v -= w * level_v * level_v
            u = node.variance
            node.mean += g * u
            node.variance = u - w * u * u
            u = place.variance
            place.mean += g * u
            place.variance = u - w * u * u + noise
            u = whole.variance
            whole.mean += g * u
            whole.variance = u - w * u * u
        slips.failed += slipped
        slips.events += len(rows)
        self.level.mean, self.level.variance = level, level_v + noise
        for whole in wholes:
            whole.variance += noise
            _gain(whole)

    def theta(self, keys: tuple[EventKeys, ...]) -> float:
        """Level and whole of a passage's phrases, in ln bpm: their mean."""
        wholes = wholes_of(self.rows(keys))
        return self.level.mean + sum(whole.mean for whole in wholes) / len(wholes)

    def practise(self, keys: tuple[EventKeys, ...], reps: int, day: int) -> None:
        """What so many repetitions teach, without a word on how they went."""
        for whole in wholes_of(self.rows(keys, keep=True)):
            _wake(whole, day)
            for _ in range(reps):
                _gain(whole)


def wholes_of(rows: Sequence[Row]) -> list[Term]:
    """The phrases of a passage."""
    return list({id(row[3]): row[3] for row in rows}.values())


def nights_since(whole: Term, day: int) -> int:
    """The nights that count since a phrase was last played."""
    return min(day - whole.day, FADING_DAYS) if whole.day and day > whole.day else 0


def _wake(whole: Term, day: int) -> None:
    """Take from a phrase what the nights since it was played take."""
    nights = nights_since(whole, day)
    whole.mean -= FADING * nights
    whole.variance += NIGHT_NOISE * NIGHT_NOISE * nights
    if day > whole.day:
        whole.day, whole.today = day, 0


def _gain(whole: Term) -> None:
    whole.mean += GAIN / (1.0 + whole.today / MASSED)
    whole.today += 1


_NOTHING = Term(0.0, 0.0)
"""In the place of a node that rang where the event came late."""


def with_result(recent: int, failed: int) -> int:
    longer = recent << 1 | failed
    return longer if longer < 2 << RECENT else longer & (1 << RECENT) - 1 | 1 << RECENT


def late_results(recent: int) -> tuple[int, int]:
    """How many failed of how many remembered."""
    known = recent.bit_length() - 1
    return (recent ^ 1 << known).bit_count(), known


@frozen
class View:
    """The events of an excerpt on some day: mean and own variance of each theta, and the variance they share."""

    means: tuple[float, ...]
    own: tuple[float, ...]
    shared: float
    lapse: float

    @property
    def middle(self) -> View:
        """Without the doubt that all events share: that moves a tempo as a whole, and no player down for it alone."""
        return View(self.means, self.own, 0.0, self.lapse)

    def slopes(self) -> list[float]:
        """The kappa (2) of each event."""
        shared, sqrt = self.shared, math.sqrt
        return [SLOPE / sqrt(1.0 + DAMPING * (own + shared)) for own in self.own]

    def chances(self, ln_bpm: float) -> list[float]:
        """The chance (2) of each event without the lapse."""
        exp = math.exp
        return [
            1.0 / (1.0 + exp(kappa * (ln_bpm - mean)))
            for kappa, mean in zip(self.slopes(), self.means, strict=True)
        ]

    def ease(self, ln_bpm: float, slopes: Sequence[float]) -> tuple[float, float]:
        """The sum of ln p over the events, and its derivative by ln bpm; `slopes` are `self.slopes()`."""
        total = slope = 0.0
        exp, log1p = math.exp, math.log1p
        for kappa, mean in zip(slopes, self.means, strict=True):
            odds = exp(kappa * (ln_bpm - mean))
            total -= log1p(odds)
            slope -= kappa * odds / (1.0 + odds)
        return total, slope

    def whole(self, ln_bpm: float) -> float:
        """The chance that every event is clean, slips included."""
        spread, slopes = math.sqrt(self.shared), self.middle.slopes()
        total = 0.0
        for at, weight in _GAUSS_HERMITE:
            total += weight * math.exp(self.ease(ln_bpm - at * spread, slopes)[0])
        return total * (1.0 - self.lapse) ** len(self.means)


def view(rows: Sequence[Row], level: Term, lapse: float, day: int) -> View:
    """What `rows` are expected to be on a day (its ordinal)."""
    means, own, shared, mean = [], [], 0.0, 0.0
    before: Term | None = None
    for node, _, place, whole in rows:
        if whole is not before:  # Most events have the phrase of the event before.
            before, nights = whole, nights_since(whole, day)
            mean = level.mean + whole.mean - FADING * nights
            shared = max(shared, whole.variance + NIGHT_NOISE * NIGHT_NOISE * nights)
        means.append(mean + node.mean + place.mean)
        own.append(node.variance + place.variance)
    return View(tuple(means), tuple(own), level.variance + shared, lapse)
