"""A player: what the drill asks for, as fingers on strings, with what goes wrong and the truth about it.

A clean touch rests on the node within about 2 mm, lets go 30 to 80 ms after the pluck and takes up to 3 dB from the
note. A choked one lies off the node or stays too long, by just as much as takes the wanted dB away: `touch_db` is the
energy of the touched partial and its multiples 200 ms after the pluck, against a light touch exactly on the node.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from benchmarks.sounds.drills import Wanted, WantedEvent
from benchmarks.sounds.instruments import Model
from benchmarks.sounds.strings import CORE_RATE_HZ, Contact, Pluck, String, ring

CLEAN_DB = -3.0
"""No clean touch takes more."""
CHOKES_DB = (-6.0, -12.0, -20.0)
LATE_S = (0.020, 0.080)
_LEVEL_AFTER_S = 0.2
_LIFT_STEPS = ((0.0, 1.0), (0.006, 0.5), (0.012, 0.2))
_LIFT_S = 0.018
STAYS_S = 1.2
"""When a finger that stays is lifted at last."""


@dataclass(frozen=True, slots=True)
class Touch:
    """A finger on a node: how far off it (mm, toward the bridge), how firm (kg/s), how wide, when it comes and goes."""

    offset_mm: float = 0.0
    resistance: float = 1.0
    """In impedances of the string."""
    width_mm: float = 8.0
    before_s: float = 0.05
    after_s: float = 0.05


@dataclass(frozen=True, slots=True)
class Gesture:
    """One string struck once. `partial` 1 is an open or fretted note; `place` is the node's, from the nut."""

    string: int
    fret: int
    partial: int
    place: float
    onset_s: float
    stop_s: float
    """When a hand stops it; infinite where it rings on."""
    level_db: float
    pluck_place: float
    angle: float
    touch: Touch | None
    cut_db: float = 0.0
    """For sampled notes, which know no touch: how much lower they are after 200 ms."""

    @property
    def start_s(self) -> float:
        """When the first finger comes down."""
        return self.onset_s - max(0.012, self.touch.before_s if self.touch else 0.0)


def contacts_of(gesture: Gesture, string: String, sample: Callable[[float], int]) -> list[Contact]:
    """The fingers of a gesture; `sample` gives the sample of a time in seconds."""
    pluck, firm = gesture.pluck_place, string.impedance
    contacts = [Contact(sample(gesture.onset_s - 0.012), sample(gesture.onset_s), pluck, 8.0, firm)]
    touch = gesture.touch
    if touch:
        place = 1 - gesture.place - touch.offset_mm / 1000 / string.length_m
        starts = [gesture.onset_s - touch.before_s]
        starts += [min(gesture.onset_s + touch.after_s, gesture.stop_s) + step for step, _ in _LIFT_STEPS]
        shares = (1.0, *(share for _, share in _LIFT_STEPS))
        for start, stop, share in zip(starts, [*starts[1:], starts[1] + _LIFT_S], shares, strict=True):
            resistance = share * touch.resistance * firm
            contacts.append(Contact(sample(start), sample(stop), place, touch.width_mm, resistance))
    if math.isfinite(gesture.stop_s):
        stopped = sample(gesture.stop_s), sample(gesture.stop_s + 0.06)
        contacts.append(Contact(*stopped, 0.37, 15.0, firm))
    return [contact for contact in contacts if contact.stop > contact.start]


def pluck_of(gesture: Gesture, model: Model, at: int) -> Pluck:
    height_mm = model.height_mm * 10 ** (gesture.level_db / 20)
    return Pluck(at, gesture.pluck_place, height_mm, 8.0, gesture.angle)


@lru_cache(maxsize=4096)
def _energy(string: String, partial: int, place: float, pluck_place: float, touch: Touch) -> float:
    """Energy in the touched partial and its multiples, 200 ms after a pluck of 1 mm from rest."""
    gesture = Gesture(0, 0, partial, place, 0.1, math.inf, 0.0, pluck_place, 0.0, touch)

    def sample(time_s: float) -> int:
        return min(max(0, round(time_s * CORE_RATE_HZ)), end)

    end = round((0.1 + _LEVEL_AFTER_S) * CORE_RATE_HZ)
    onset = round(0.1 * CORE_RATE_HZ)
    contacts = contacts_of(gesture, string, sample)
    deaf = np.zeros((1, 2, string.modes), complex)
    _, state = ring(string, 0.0, end, contacts, [Pluck(onset, pluck_place, 1.0, 8.0, 0.0)], deaf)
    speed = np.abs(state[0]) * string.partials_hz()
    return float(np.sum(speed[partial - 1 :: partial] ** 2))


def touch_db(string: String, partial: int, place: float, pluck_place: float, touch: Touch) -> float:
    """What a touch leaves of the note against a light one on the node, in dB (below 0 where it takes more)."""
    best = _energy(string, partial, place, pluck_place, Touch())
    return 10 * math.log10(_energy(string, partial, place, pluck_place, touch) / best + 1e-12)


_Ways = Callable[[Gesture], Callable[[float], Gesture]]


class Player:
    """One player of one instrument; every choice comes from `random`."""

    def __init__(self, model: Model, strings: tuple[String, ...], random: np.random.RandomState) -> None:
        self.model, self.strings, self.random = model, strings, random

    def gesture(self, note: Wanted, onset_s: float, stop_s: float) -> Gesture:
        """A good try at a note, as it comes out on this day."""
        random, harmonic = self.random, note.fret is None
        touch = None
        if harmonic:
            touch = Touch(
                random.normal(0, 1.0), random.uniform(0.5, 1.5), random.uniform(6, 11),
                random.uniform(0.03, 0.08), random.uniform(0.03, 0.08),
            )  # fmt: skip
        gesture = Gesture(
            note.string, note.fret or 0, note.partial, note.place, onset_s, stop_s, self.level_db(note),
            self._pluck_place(note), random.uniform(-0.6, 0.6), touch,
        )  # fmt: skip
        while touch and self.touch_db(gesture) < CLEAN_DB:
            touch = replace(touch, offset_mm=touch.offset_mm / 2, after_s=0.03, width_mm=6.0)
            if gesture.touch == touch:
                break
            gesture = replace(gesture, touch=touch)
        return gesture

    def level_db(self, note: Wanted) -> float:
        """How loud this one is plucked: 10 dB from softest to loudest; harmonics are plucked harder than low notes."""
        return float(self.random.uniform(-5, 5) + (3 if note.fret is None else -3))

    def touch_db(self, gesture: Gesture) -> float:
        """See `touch_db`; 0 for a note that is not touched."""
        if gesture.touch is None:
            return 0.0
        string = self.strings[gesture.string]
        return touch_db(string, gesture.partial, gesture.place, gesture.pluck_place, gesture.touch)

    def choked(self, gesture: Gesture, wanted_db: float) -> Gesture:
        """The same pluck under a touch that takes `wanted_db` (below 0) away, found by halving; at best within 1 dB."""
        tries: list[_Ways] = [self._off_node, self._staying]
        if self.random.uniform() < 0.5:
            tries.reverse()
        found = _halved(tries[0](gesture), wanted_db, self.touch_db)
        if abs(self.touch_db(found) - wanted_db) < 1:
            return found
        second = _halved(tries[1](gesture), wanted_db, self.touch_db)
        return min(found, second, key=lambda one: abs(self.touch_db(one) - wanted_db))

    def _off_node(self, gesture: Gesture) -> Callable[[float], Gesture]:
        side = 1 if self.random.uniform() < 0.5 else -1
        after_s = self.random.uniform(0.12, 0.3)
        # A quarter of the partial's wave off the node is its belly.
        belly_mm = 1000 * self.strings[gesture.string].length_m / gesture.partial / 4

        def at(share: float) -> Gesture:
            touch = Touch(side * share * belly_mm, 1.5, 9.0, 0.05, after_s)
            return replace(gesture, touch=touch)

        return at

    def _staying(self, gesture: Gesture) -> Callable[[float], Gesture]:
        offset_mm = self.random.uniform(2, 5) * (1 if self.random.uniform() < 0.5 else -1)

        def at(share: float) -> Gesture:
            return replace(gesture, touch=Touch(offset_mm, 0.02 * 250**share, 10.0, 0.05, STAYS_S))

        return at

    def _pluck_place(self, note: Wanted) -> float:
        """Where the player plucks: within the model's usual stretch, away from the touched partial's own nodes."""
        nearest, farthest = self.model.pluck_place
        place = self.random.uniform(nearest, farthest)
        away = abs(math.sin(math.pi * place * note.partial))
        return float(place if away > 0.5 else min(farthest, max(nearest, 0.5 / note.partial)))


def _halved(at: Callable[[float], Gesture], wanted_db: float, measure: Callable[[Gesture], float]) -> Gesture:
    low, high = 0.0, 1.0
    for _ in range(7):
        middle = (low + high) / 2
        left_db = measure(at(middle))
        if abs(left_db - wanted_db) < 0.4:
            break
        if left_db > wanted_db:
            low = middle
        else:
            high = middle
    return at(middle)


@dataclass(frozen=True, slots=True)
class Played:
    """What became of one event of the drill, and the gestures that made it."""

    event: WantedEvent
    result: str
    beat_s: float
    hold_s: float
    gestures: tuple[Gesture, ...]
    touch_db: float
    released_s: float | None = None


HARMONIC_FAULTS = (("choked", 0.24), ("missing", 0.06), ("other", 0.08), ("late", 0.08), ("released", 0.04))
LOW_FAULTS = (("missing", 0.06), ("other", 0.06), ("late", 0.08), ("released", 0.15))


def played(
    player: Player, events: tuple[WantedEvent, ...], beats_s: Callable[[float], float], faulty: bool
) -> list[Played]:
    """All events of a passage; `beats_s` gives the time of a beat. Without `faulty` every note is clean."""
    return [_played(player, event, beats_s, faulty) for event in events]


def _played(player: Player, event: WantedEvent, beats_s: Callable[[float], float], faulty: bool) -> Played:
    random = player.random
    beat_s, end_s = beats_s(event.beat), beats_s(event.beat + event.hold)
    harmonic = event.notes[0].fret is None
    result = _drawn(random, HARMONIC_FAULTS if harmonic else LOW_FAULTS) if faulty else "clean"
    if result == "released" and end_s - beat_s < 0.7:
        result = "clean"
    onset_s = beat_s + float(np.clip(random.normal(0, 0.006), -0.014, 0.014))
    if result == "late":
        onset_s = beat_s + random.uniform(*LATE_S)
    stop_s = math.inf if harmonic else end_s - random.uniform(0, 0.03)
    if result == "released":
        stop_s = beat_s + random.uniform(0.3, 0.6) * (end_s - beat_s)
    gestures = [player.gesture(note, onset_s + random.uniform(0, 0.002), stop_s) for note in event.notes]
    if result == "choked":
        gestures[0] = player.choked(gestures[0], CHOKES_DB[random.randint(len(CHOKES_DB))])
    elif result == "other":
        gestures[0] = _other(player, event.notes[0], gestures[0])
    elif result == "missing":
        gestures = []
    left_db = min((player.touch_db(gesture) for gesture in gestures), default=0.0)
    released_s = stop_s if result == "released" else None
    return Played(event, result, beat_s, end_s - beat_s, tuple(gestures), left_db, released_s)


def _drawn(random: np.random.RandomState, faults: tuple[tuple[str, float], ...]) -> str:
    point = random.uniform()
    for name, share in faults:
        if point < share:
            return name
        point -= share
    return "clean"


_NEIGHBOURS = {3: (4, 1 / 4), 4: (5, 1 / 5), 5: (6, 1 / 6), 6: (5, 1 / 5), 7: (6, 1 / 6)}
"""Partial to the one that a touch at the next node, and its place from the nut, brings out."""


def _other(player: Player, note: Wanted, gesture: Gesture) -> Gesture:
    """Another note than the one asked for: the next node, the open string, or the next fret."""
    if note.fret is not None:
        return replace(gesture, fret=note.fret + 1)
    if player.random.uniform() < 0.25:
        return replace(gesture, partial=1, place=0.0, touch=None)
    partial, place = (3, 1 / 3) if note.place > 0.35 else _NEIGHBOURS[note.partial]
    return replace(gesture, partial=partial, place=place, touch=Touch(after_s=0.05, width_mm=7.0))
