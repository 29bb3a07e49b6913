"""Simulated players, form B: a hand that has to get there in time and touch close enough, and a memory with two stores.

Nothing here is a product of chances by key. A rep is acted out event by event:

- The hand needs a movement time (Fitts: a + b log2(1 + distance / width)) that must fit between two onsets. What it
  lacks makes the event late, and most of that lateness carries on to the next event.
- A harmonic rings where the touch, scattered in two dimensions (a Rayleigh distance), falls within a tolerance of
  20 mm / partial. Haste widens the scatter.
- A place (phrase, bar, beat, layer) can slip from memory, or fall into a wrong habit, which every error there feeds and
  every clean repetition weakens; rest doesn't.

What is learnt, as units with a fast and a slow store each: nodes, partials in general, places in their phrase, layers
put together at a place, joins of phrases, moves, and links from one event to the next (chunks: they grow where both
were clean, break with an error and fade sooner). Halves train no link over the cut, layers alone no putting together,
nodes and moves alone their place only in part. The fast store holds for the day; the first night carries its share
into the slow store, which fades exponentially towards a part of its peak, more slowly the more nights built it, and
comes back quickly (savings). Repeating one passage at once makes it easier and teaches less (contextual interference).
Day's form, warm-up, fatigue, lapses and wrong ratings come on top; learning follows what happened, not what was rated.

Sources: Fitts 1954, J. Exp. Psychol. 47:381, for movement time; the two stores after Smith, Ghazizadeh and Shadmehr
2006, PLoS Biol. 4:e179; lateness as a queue's waiting time, Lindley 1952 (all three from memory). Of the numbers,
none is measured on players: they are chosen so that a piece of six to eight phrases needs some 3 to 12 hours.

Frozen: built without sight of `coach/learning` or of form A. Looked at while building: players of seeds 0 to 5,
pieces of seeds 0 to 2. Nobody's numbers are worth anything once this file is changed after a look at them.
"""

from __future__ import annotations

import itertools
import math
import operator
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import fields
from fractions import Fraction
from random import Random
from typing import Final

import numpy as np

from benchmarks.players import Truth
from benchmarks.players_b_hand import (
    ARRAYS,
    KNOWN,
    NUMBERS,
    Key,
    Step,
    Traits,
    Unit,
    View,
    acts,
    fitts,
    keys,
    tolerances,
    uses_hand,
)
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind, Passage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, NOT_REACHED

KINDS: Final = ("even", "uneven", "hard-nodes", "forgetful", "plateaus", "careless", "habit", "irregular")

UNUSUAL: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "even": {"unevenness": (0.05, 0.1)},
    "uneven": {"unevenness": (0.5, 0.7)},
    "hard-nodes": {},
    "forgetful": {"fade_days": (5, 8), "floor": (0.15, 0.25), "fast_weight": (0.16, 0.22)},
    "plateaus": {"stairs": (0.85, 0.97)},
    "careless": {
        "lapse": (0.006, 0.012),
        "missed": (0.15, 0.25),
        "invented": (0.005, 0.015),
        "mislabelled": (0.15, 0.3),
    },
    "habit": {"habit_gain": (0.06, 0.1), "habit_loss": (0.03, 0.05), "habit_pull": (0.5, 0.7)},
    "irregular": {"absent": (0.3, 0.36), "form": (0.06, 0.1)},
}
"""Where each kind differs from the usual player."""

HARD_NODES, HARD_RATE = (2, 3), 0.2
"""A 'hard-nodes' player has so many nodes, at least and at most, that are learnt at this part of the rate."""
SKIPPED_S = 0.6
"""An event that would be later than this is left out."""
ERROR_TEACHES = 0.2
"""What an event that failed teaches, against a clean one."""
LATE_S, LATE_FEEDS = 0.1, 0.3
"""Where the hand comes later than this, the fault is lateness, which feeds a habit less than a wrong move does."""
BETWEEN_REPS_S = 8.0
"""Count-in and rating, as the player's own clock counts them."""
SHORTER = {Kind.NODE: 0.35, Kind.MOVE: 0.5, Kind.HALF: 0.75}
"""How much of a repetition counts for the place in its phrase, where less than the phrase was played."""
ALONE = 0.4
"""The same where one of the layers was left out; so much less is learnt of speed, too."""
NIGHT = 0.5
"""Days from which on a rest holds a night."""
FADING = {"link": 0.6, "node": 1.2, "partial": 1.5}
"""Factors of `fade_days`, where not 1."""

LEVEL = operator.attrgetter("level")
PASSES = 64
_NOISE = np.random.default_rng(20261126)
_FORMS = _NOISE.standard_normal(PASSES)
_PACES = _NOISE.standard_normal((5000, PASSES))


def make(kind: str, drills: Sequence[Drill], seed: int) -> Player:
    """A player of a kind in `KINDS`, KeyError for another; the same seed is the same player."""
    ranges = UNUSUAL[kind]
    rng = Random(f"{kind} {seed}")
    traits = Traits(**{f.name: rng.uniform(*ranges.get(f.name, f.metadata["range"])) for f in fields(Traits)})
    nodes = sorted(set(_nodes(drills)))
    hard = rng.sample(nodes, min(len(nodes), rng.randint(*HARD_NODES))) if kind == "hard-nodes" else ()
    layered = {
        (drill.id, phrase.id) for drill in drills for phrase in drill.phrases if len(phrase.layers) > 1
    }
    return Player(traits, frozenset(hard), frozenset(layered), seed)


def _nodes(drills: Sequence[Drill]) -> Iterator[str]:
    for drill in drills:
        bars = (bar for phrase in drill.phrases for bar in phrase.bars)
        notes = (note for bar in bars for event in bar.events for note in event.notes)
        yield from (drill.instrument.node_key(note.string, note.node) for note in notes if note.node)


class Player:
    """One simulated player."""

    def __init__(
        self, traits: Traits, hard: frozenset[str], layered: frozenset[tuple[str, str]], seed: int
    ) -> None:
        self.traits, self._hard, self._layered, self._seed = traits, hard, layered, seed
        self._rng = Random(f"luck {seed}")
        self.units: dict[Key, Unit] = {}
        self._views: dict[tuple[object, str], View] = {}
        self._last: View | None = None
        self._run, self._minutes = 0, 0.0
        self._form = self._rng.gauss(0, 1)

    def practises_on(self, day: int) -> bool:
        """Whether this player practises at all on a day, counted from 0."""
        return Random(f"day {self._seed} {day}").random() >= self.traits.absent

    def rest(self, days: float) -> None:
        """So many days pass, of which each has its night; less than half a day is a break."""
        self._last, self._run, self._minutes = None, 0, self._minutes / 2
        if days < NIGHT:
            return
        for unit in self.units.values():
            unit.slow, unit.peak, unit.depth = _rested(unit, days, self.traits)
            unit.fast, unit.level = 0.0, unit.slow
        self._minutes, self._form = 0.0, self._rng.gauss(0, 1)

    def chance(self, passage: Passage, tempo_bpm: int, after_days: float) -> Truth:
        """True clean chances, cold, after so many days without practice; 0 is today, as learnt so far."""
        view, traits = self._view(passage), self.traits
        levels = {KNOWN: 1.0}
        for unit in view.units:
            if after_days < NIGHT or unit is KNOWN:
                levels[unit] = unit.level
            else:
                levels[unit] = _rested(unit, after_days, traits)[0]
        burden = (1 + traits.cold) * np.exp(traits.form * _FORMS)
        gaps, paces = view.gaps(tempo_bpm), itertools.cycle(_PACES)
        events, whole, reached = [], 1.0, 1.0
        played = acts(view, gaps, levels.__getitem__, burden, paces, traits, ARRAYS)
        for _, _, in_time, touched, habit, slip in played:
            clean = in_time * touched * (1 - habit) * (1 - slip) * (1 - traits.lapse)
            events.append(float(np.mean(reached * clean)))
            whole = whole * clean
            reached = reached * (1 - traits.stop * slip)
        return Truth(tuple(events), float(np.mean(whole)))

    def play(self, passage: Passage, tempo_bpm: int, cold: bool) -> tuple[Fault, ...]:
        """One repetition, learnt from, with the faults as rated; `cold`: the excerpt's first on this day."""
        view, traits, chance = self._view(passage), self.traits, self._rng.random
        self._run = self._run + 1 if self._last is view and not cold else 0
        self._last = view
        primed = 1 - 0.6**self._run
        gain = traits.gain * (1 - traits.interference * primed)
        paces = iter(lambda: self._rng.gauss(0, 1), None)
        burden, gaps = self._burden(primed), view.gaps(tempo_bpm)
        played = acts(view, gaps, LEVEL, burden, paces, traits, NUMBERS)
        faults: list[Fault] = []
        before_clean = True
        for step, (late, rush, in_time, touched, habit, slip) in zip(view.steps, played, strict=True):
            slipped = chance() < slip
            wrong = chance() > touched or chance() < habit or chance() < traits.lapse
            clean = not (slipped or wrong or chance() > in_time)
            if not clean:
                self._err(step, late)
            self._learn(step, clean, before_clean, gain if clean else gain * ERROR_TEACHES, rush)
            before_clean = clean
            if not clean:
                skipped = slipped or late > SKIPPED_S or (wrong and step.bass)
                sounded = CHOKED if wrong else LATE
                faults.append(Fault(step.label, DROPPED if skipped else sounded))
            if slipped and chance() < traits.stop:
                faults += [Fault(later.label, NOT_REACHED) for later in view.steps[step.label :]]
                break
        self._minutes += (float(passage.length) * 60 / tempo_bpm + BETWEEN_REPS_S) / 60
        return self._rated(view, faults)

    def _burden(self, primed: float) -> float:
        """A factor on times and scatter: form, hands not warm, fatigue, and the ease of having just played it."""
        traits = self.traits
        stiff = traits.cold * math.exp(-self._minutes / 3)
        tired = traits.tiring * max(0.0, self._minutes - 15) / 30
        return math.exp(traits.form * self._form) * (1 + stiff + tired) * (1 - 0.08 * primed)

    def _err(self, step: Step, late: float) -> None:
        place, link = step.place, step.link
        fed = self.traits.habit_gain * (1.0 if late < LATE_S else LATE_FEEDS)
        place.habit += fed * (1 - place.habit)
        if link is not KNOWN:
            link.fast *= 0.6
            link.slow *= 0.98
            link.level = link.slow + self.traits.fast_weight * link.fast * (1 - link.slow)

    def _learn(self, step: Step, clean: bool, before_clean: bool, gain: float, rush: float) -> None:
        place, shows = step.place, self.traits.fast_weight
        if clean:
            place.habit -= self.traits.habit_loss * place.habit
        for unit, share in step.learns:
            unit.fast += gain * share * (1 - unit.fast)
            unit.level = unit.slow + shows * unit.fast * (1 - unit.slow)
        # Speed is learnt where the hand has to hurry, and a link where both of its events were clean.
        gain *= step.speed * (0.4 + 0.6 * min(rush, 1.0))
        for unit in step.hurries if clean and before_clean else step.hurries[:1]:
            unit.fast += gain * (1 - unit.fast)
            unit.level = unit.slow + shows * unit.fast * (1 - unit.slow)

    def _rated(self, view: View, faults: list[Fault]) -> tuple[Fault, ...]:
        """The faults as the player notices and writes them down."""
        traits, rng, count = self.traits, self._rng, len(view.steps)
        rated: dict[int, Fault] = {}
        broke_off = bool(faults) and faults[-1].result is NOT_REACHED
        for fault in faults:
            label = fault.label
            if fault.result is not NOT_REACHED:
                if not broke_off and rng.random() < traits.missed:
                    continue
                if rng.random() < traits.mislabelled:
                    label = min(max(label + rng.choice((-1, 1)), 1), count)
            rated.setdefault(label, Fault(label, fault.result))
        if rng.random() < traits.invented * count:
            step = rng.choice(view.steps)
            rated.setdefault(step.label, Fault(step.label, LATE if step.bass else CHOKED))
        return tuple(rated[label] for label in sorted(rated))

    def _view(self, passage: Passage) -> View:
        key = passage.excerpt, passage.revision
        if key not in self._views:
            by_onset = itertools.groupby(self._steps(passage), key=lambda pair: pair[0])
            groups = {onset: tuple(step for _, step in steps) for onset, steps in by_onset}
            self._views[key] = View(passage, tuple(groups.values()), list(groups))
        return self._views[key]

    def _steps(self, passage: Passage) -> Iterator[tuple[Fraction, Step]]:
        alone = self._alone(passage.excerpt)
        share = SHORTER.get(passage.excerpt.kind, 1.0) * (ALONE if alone else 1.0)
        asked = zip(passage.events, keys(passage), fitts(passage.events), strict=True)
        for event, wanted, seconds in asked:
            units = tuple(self._unit(key) for key in wanted)
            shares = (1.0, 1.0, 1.0, share, share)
            learns = {unit: part for unit, part in zip(units[:5], shares, strict=True) if unit is not KNOWN}
            hurries = tuple(unit for unit in units[5:] if unit is not KNOWN)
            first, second = (-(mm**2) / 2 for mm in tolerances(event))
            yield (
                event.onset,
                Step(
                    label=event.label,
                    fitts_s=seconds,
                    limits=(first, second),
                    units=units,
                    learns=tuple(learns.items()),
                    hurries=hurries,
                    speed=ALONE if alone else 1.0,
                    place=units[3],
                    link=units[6],
                    bass=not event.place,
                    hand=uses_hand(event),
                ),
            )

    def _alone(self, excerpt: Excerpt) -> bool:
        """Whether a layer is left out."""
        phrases = {(excerpt.drill, phrase) for phrase in excerpt.phrases}
        return excerpt.layer != TOGETHER and not self._layered.isdisjoint(phrases)

    def _unit(self, key: Key) -> Unit:
        if not key:
            return KNOWN
        if key not in self.units:
            traits, rng = self.traits, Random(zlib.crc32(repr((self._seed, key)).encode()))
            known = traits.known * (1.0 if key[0] in ("node", "partial") else 0.3)
            slow = min(max(known * (1 + 0.4 * rng.gauss(0, 1)), 0.0), 0.6)
            rate = min(traits.rate * math.exp(traits.unevenness * rng.gauss(0, 1)), 0.55)
            rate *= HARD_RATE if key[-1] in self._hard else 1.0
            fade = traits.fade_days * FADING.get(key[0], 1.0) * math.exp(0.2 * rng.gauss(0, 1))
            self.units[key] = Unit(slow, rate, fade)
        return self.units[key]


def _rested(unit: Unit, days: float, traits: Traits) -> tuple[float, float, float]:
    """Slow store, its peak and its depth after so many days, of which the first night consolidates."""
    depth = unit.depth + unit.fast
    grown = unit.rate * unit.fast * (1 - unit.slow) * (1 + traits.savings * (unit.peak - unit.slow))
    slow = unit.slow + grown
    peak = max(unit.peak, slow)
    kept = min(traits.floor * peak, slow)
    left = math.exp(-days / (unit.fade * (1 + traits.deepening * depth)))
    return kept + (slow - kept) * left, peak, depth
