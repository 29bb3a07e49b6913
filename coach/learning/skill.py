"""The estimate: at which tempo can this player play this event, and how sure is that?

Everything that the coach says about learning is read from here. Of one drill the tempo at which an event goes is, in
ln bpm,

    theta = level + node + move + place + whole                                                          (1)

`level` is the player's in this drill, `node` and `move` are what the hand does there, `place` is that move in this
phrase, `whole` is the phrase in this layer with all that joins it. Each is a Gaussian of its own, so that what one
repetition shows at one place moves the level, and with it all others, and is felt most at that place. An event at b bpm
is clean with chance

    T = (1 - lapse) p,    p = 1 / (1 + exp(-kappa (theta - ln b))),    kappa = SLOPE / sqrt(1 + pi SLOPE^2 v / 8)   (2)

where v is the variance of theta: the logistic curve averaged over what is not known
(MacKay 1992, Neural Comput. 4:720; from memory).
After each event, with a = kappa (1 - p) and the information f = T / (1 - T),

    h = f a^2 v,   theta += a v / (1 + h) where clean, -f a v / (1 + h) where not,   v -= v h / (1 + h)              (3)

which is one scoring step to the mode of the posterior; each term takes the part of the step that its own variance is of
v (assumed-density filtering: the terms stay independent). A repetition teaches a little (`GAIN`) and leaves room for
what has changed unseen (`_NOISE`). A day without a phrase takes `fading` from it, the first repetition
of a day stands `warming` lower; both belong to the player, and his cold repetitions teach them: what the repetition
changed in the term changes them by their share of its variance (the conditional mean of two joint Gaussians).

An excerpt is clean where all its events are: the product of (2), averaged over what its events share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from coach.music.drill import TOGETHER
from coach.music.excerpt import Excerpt, LoggedPassage
from coach.rating.table import Result, Says

SLOPE = 6.0
"""Of the logistic curve over ln bpm: a tenth faster turns .9 into .83."""
START_BELOW_GOAL = 0.3
"""Where the level is expected before anything is heard: so far under ln goal."""
LEVEL_SD, NODE_SD, MOVE_SD, PLACE_SD, WHOLE_SD = 0.25, 0.3, 0.22, 0.18, 0.16
GAIN = 0.015
"""What one repetition adds to its phrase, in ln bpm; less the more of them there were today (`MASSED`)."""
MASSED = 10.0
LEVEL_NOISE, WHOLE_NOISE, PLACE_NOISE, NIGHT_NOISE = 0.01, 0.025, 0.015, 0.04
"""Deviations that a repetition, or the logarithm of the nights, leaves room for."""
FADING, FADING_SD, FADING_DAYS = 0.02, 0.01, 14
"""What a day takes from a phrase, in ln bpm, for so many days at most."""
WARMING, WARMING_SD = 0.03, 0.03
WARM_AFTER = 3.0
"""Repetitions of the day after which warming-up is down to a third."""
LAPSES, EVENTS = 2.0, 198.0
"""The Beta prior of slips that skill does not explain."""
TRUST_SD = 0.4
WIDEST_STEP = 0.25
UNHEARD_DAYS = 7
"""A place that was not played in its phrase for longer counts as unknown."""
RECENT = 8
"""Results that are remembered one by one."""

_DAMPING = math.pi * SLOPE * SLOPE / 8
_GAUSS_HERMITE = ((-math.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (math.sqrt(3.0), 1 / 6))


@dataclass(slots=True)
class Term:
    """One Gaussian of (1), and when and how it was last played."""

    mean: float
    variance: float
    day: int = 0
    """The last day, as its ordinal: of a place or a whole."""
    today: int = 0
    """Repetitions of that day: of a whole."""
    recent: int = 1
    """The last results of a node or a move, as bits under a leading 1; 1 failed."""


Row = tuple[Term, Term, Term, Term]
"""An event's terms: node, move, place, whole."""
EventKeys = tuple[str, str, str, str]
"""Their keys; empty where the event has no such term."""
_DEVIATION = {"n": NODE_SD, "m": MOVE_SD, "p": PLACE_SD, "w": WHOLE_SD}


def event_keys(passage: LoggedPassage) -> tuple[EventKeys, ...]:
    """The keys of (1) for each event of a passage, in order."""
    excerpt = Excerpt.parse(passage.excerpt)
    keys = []
    for event in passage.events:
        phrase = event.phrase or excerpt.phrases[0]
        node = "n:" + "+".join(event.nodes) if event.nodes else ""
        move = "m:" + event.move if event.move else ""
        place = f"p:{phrase}:{move or node or event.text}"
        layer = TOGETHER if excerpt.layer == TOGETHER else event.layer
        keys.append((node, move, place, f"w:{phrase}:{layer}{'?' if excerpt.easier else ''}"))
    return tuple(keys)


@dataclass(slots=True)
class Habits:
    """What is the player's in every drill."""

    fading: Term = field(default_factory=lambda: Term(FADING, FADING_SD**2))
    warming: Term = field(default_factory=lambda: Term(WARMING, WARMING_SD**2))
    trust: Term = field(default_factory=lambda: Term(0.0, TRUST_SD**2))
    """A shift of the logit of a cold chance, by how this player's cold repetitions came out."""
    slips: float = LAPSES
    events: float = EVENTS

    @property
    def lapse(self) -> float:
        return self.slips / (self.slips + self.events)


@dataclass
class Skill:
    """What is known of one player in one drill. Only `observe` changes it."""

    level: Term
    terms: dict[str, Term] = field(default_factory=dict)
    day: int = 0
    reps_today: int = 0
    _rows: dict[int, tuple[tuple[EventKeys, ...], list[Row]]] = field(
        default_factory=dict, repr=False, compare=False
    )
    _wholes: dict[int, tuple[tuple[EventKeys, ...], list[Term]]] = field(
        default_factory=dict, repr=False, compare=False
    )
    """Both by the identity of the keys, which they hold: to hash nested tuples takes as long as half a repetition."""

    @classmethod
    def new(cls, goal_bpm: int) -> Skill:
        return cls(Term(math.log(goal_bpm) - START_BELOW_GOAL, LEVEL_SD**2))

    def rows(self, keys: tuple[EventKeys, ...]) -> list[Row]:
        """The terms of a passage's events, to read; those never met are as expected and not kept."""
        known = self._rows.get(id(keys))
        if known is None:
            fresh: dict[str, Term] = {}
            rows = [
                (self._term(n, fresh), self._term(m, fresh), self._term(p, fresh), self._term(w, fresh))
                for n, m, p, w in keys
            ]
            known = self._rows[id(keys)] = keys, rows
        return known[1]

    def _term(self, key: str, fresh: dict[str, Term]) -> Term:
        term = self.terms.get(key) or fresh.get(key)
        if term is None:
            term = fresh[key] = Term(0.0, _DEVIATION[key[0]] ** 2 if key else 0.0)
        return term

    def wholes(self, keys: tuple[EventKeys, ...]) -> list[Term]:
        """The phrases of a passage; its terms are kept from now on."""
        known = self._wholes.get(id(keys))
        if known is None:
            met = [key for event in keys for key in event if key and key not in self.terms]
            for key in dict.fromkeys(met):
                self.terms[key] = Term(0.0, _DEVIATION[key[0]] ** 2)
            if met:
                self._rows.clear()
            known = self._wholes[id(keys)] = keys, list({key: self.terms[key] for *_, key in keys}.values())
        return known[1]

    def observe(
        self,
        keys: tuple[EventKeys, ...],
        ln_bpm: float,
        faults: Mapping[int, Result],
        day: int,
        habits: Habits,
    ) -> None:
        """Take in one rated repetition; `faults` by label. Days never go back."""
        if day != self.day:
            self.day, self.reps_today = day, 0
        wholes = self.wholes(keys)
        rows = self.rows(keys)
        shifts = [self._open(whole, day, habits) for whole in wholes]
        level, level_v = self.level.mean, self.level.variance
        sqrt, exp = math.sqrt, math.exp
        lapse = habits.lapse
        sound = 1.0 - lapse
        slips = 0.0
        noise = PLACE_NOISE * PLACE_NOISE
        full, most, half = 2 << RECENT, (1 << RECENT) - 1, 1 << RECENT
        for label, (node, move, place, whole) in enumerate(rows, 1):
            v = level_v + node.variance + move.variance + place.variance + whole.variance
            kappa = SLOPE / sqrt(1.0 + _DAMPING * v)
            p = 1.0 / (1.0 + exp(kappa * (ln_bpm - level - node.mean - move.mean - place.mean - whole.mean)))
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
                g = max(-f * a / damped, -WIDEST_STEP / v)
                slips += lapse / (1.0 - chance)
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
            u = move.variance
            move.mean += g * u
            move.variance = u - w * u * u
            u = place.variance
            place.mean += g * u
            place.variance = u - w * u * u + noise
            place.day = day
            u = whole.variance
            whole.mean += g * u
            whole.variance = u - w * u * u
        habits.slips += slips
        habits.events += len(rows) - slips
        self.level.mean, self.level.variance = level, level_v + LEVEL_NOISE * LEVEL_NOISE
        for whole, shift in zip(wholes, shifts, strict=True):
            _close(whole, shift, habits)
        self.reps_today += 1

    def practise(self, keys: tuple[EventKeys, ...], reps: int, day: int, rate: float = 1.0) -> None:
        """What so many repetitions teach, without a word on how they went; `rate` against the usual."""
        for whole in self.wholes(keys):
            if day > whole.day:
                whole.day, whole.today = day, 0
            for _ in range(reps):
                whole.mean += rate * GAIN / (1.0 + whole.today / MASSED)
                whole.today += 1
        for *_, place, _ in self.rows(keys):
            place.day = day

    def _open(self, whole: Term, day: int, habits: Habits) -> tuple[float, float, float, float]:
        """Take the night from a phrase, and the cold hands; what `_close` needs to give them back."""
        nights = nights_since(whole, day)
        cold = math.exp(-self.reps_today / WARM_AFTER)
        if day > whole.day:
            whole.day, whole.today = day, 0
        fading, warming = habits.fading, habits.warming
        whole.mean -= fading.mean * nights + warming.mean * cold
        whole.variance += (
            fading.variance * nights * nights + warming.variance * cold * cold + NIGHT_NOISE**2 * nights
        )
        return nights, cold, whole.mean, whole.variance


def _close(whole: Term, shift: tuple[float, float, float, float], habits: Habits) -> None:
    nights, cold, mean, variance = shift
    changed, less = (whole.mean - mean) / variance, (variance - whole.variance) / variance**2
    for habit, by in ((habits.fading, nights), (habits.warming, cold)):
        if by > 0.05:
            shared = -habit.variance * by
            habit.mean += shared * changed
            habit.variance = max(habit.variance - shared * shared * less, 1e-6)
    whole.mean += habits.warming.mean * cold + GAIN / (1.0 + whole.today / MASSED)
    whole.variance = min(whole.variance + WHOLE_NOISE**2, 2 * WHOLE_SD**2)
    whole.today += 1


def nights_since(whole: Term, day: int) -> float:
    """The nights that count since a phrase was last played."""
    return float(min(day - whole.day, FADING_DAYS)) if whole.day and day > whole.day else 0.0


_NOTHING = Term(0.0, 0.0)
"""In the place of a node that rang where the event came late."""


def with_result(recent: int, failed: int) -> int:
    longer = recent << 1 | failed
    return longer if longer < 2 << RECENT else longer & (1 << RECENT) - 1 | 1 << RECENT


def late_results(recent: int) -> tuple[int, int]:
    """How many failed of how many remembered."""
    known = recent.bit_length() - 1
    return (recent ^ 1 << known).bit_count(), known


@dataclass(frozen=True, slots=True)
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
        return [SLOPE / sqrt(1.0 + _DAMPING * (own + shared)) for own in self.own]

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


def view(rows: Sequence[Row], level: Term, habits: Habits, day: int, cold: bool = True) -> View:
    """What `rows` are expected to be on a day (its ordinal), cold or as they stand now."""
    fading, warming = habits.fading, habits.warming
    warm, warm_v = (warming.mean, warming.variance) if cold else (0.0, 0.0)
    means, own, shared = [], [], 0.0
    shifts: dict[int, float] = {}
    for node, move, place, whole in rows:
        shift = shifts.get(id(whole))
        if shift is None:
            nights = nights_since(whole, day)
            room = fading.variance * nights * nights + warm_v + NIGHT_NOISE**2 * nights
            shift = shifts[id(whole)] = level.mean + whole.mean - fading.mean * nights - warm
            shared = max(shared, whole.variance + room)
        variance = node.variance + move.variance + place.variance
        if place.day and whole.day - place.day > UNHEARD_DAYS:
            variance += PLACE_SD**2
        means.append(shift + node.mean + move.mean + place.mean)
        own.append(variance)
    return View(tuple(means), tuple(own), level.variance + shared, habits.lapse)
