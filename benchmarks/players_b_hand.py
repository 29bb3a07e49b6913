"""The hand of simulated players of form B: what an event asks of it, and its chances to get there and touch rightly.

One model for one repetition (numbers) and for many passes of it at once (arrays): `acts`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Final

import numpy as np

from coach.music.excerpt import Passage, PlacedEvent

Key = tuple[str, ...]

CARRY = 0.7
"""Share of lateness that is still there at the next onset."""
FIRST_GAP_S = 8.0
"""Time to prepare the first event: the count-in."""
PLUCK_S = 0.06
"""What an open string needs."""
SCALE_MM, TOLERANCE_MM, FRET_MM, CROSSING_MM = 864.0, 20.0, 20.0, 10.0
"""A long-scale bass; tolerance of a touch at partial 1; width of a fret as an aim; way from string to string."""


def between(low: float, high: float) -> Any:
    """A trait that each seed draws evenly between two values."""
    return field(metadata={"range": (low, high)})


@dataclass(frozen=True, slots=True)
class Traits:
    """What a player is like, with what is usual. Times in seconds, touch in mm, fading in days; the rest are shares."""

    # Learning: how much of the fast store's room a clean event fills, and of the slow store's room a full fast
    # store overnight; the latter's spread (log) over units; where nodes stand at the start.
    gain: float = between(0.06, 0.09)
    rate: float = between(0.25, 0.4)
    unevenness: float = between(0.15, 0.25)
    known: float = between(0.15, 0.4)
    # How much of the fast store shows in playing; plateaus: 0 shows skill as it grows, near 1 in steps.
    fast_weight: float = between(0.1, 0.16)
    stairs: float = between(0.0, 0.0)
    # Fading: the slow store's time constant when new, how much a full day's practice adds to it, the part of the
    # peak that stays, and how much quicker what was lost comes back.
    fade_days: float = between(12, 20)
    deepening: float = between(0.4, 0.8)
    floor: float = between(0.3, 0.45)
    savings: float = between(0.6, 1.0)
    # Share of learning lost when the same passage comes again and again.
    interference: float = between(0.3, 0.6)
    # Movement times as multiples of Fitts's: with full skill, and what no skill adds; what layers together, or a
    # join, add where not learnt; spread (log); scale of onsets around where the hand is ready.
    quick: float = between(0.36, 0.46)
    clumsy: float = between(1.3, 1.9)
    together: float = between(0.25, 0.45)
    unsteady: float = between(0.1, 0.18)
    jitter: float = between(0.02, 0.03)
    # Scatter of the touch with full skill, and what no skill adds.
    best_touch: float = between(0.55, 0.75)
    worst_touch: float = between(2.6, 4.0)
    # Habit: share of its room that an error fills and that a clean event empties; its chance when full.
    habit_gain: float = between(0.01, 0.02)
    habit_loss: float = between(0.08, 0.12)
    habit_pull: float = between(0.4, 0.6)
    # Chance that an unknown place slips, share of slips that end the repetition, chance of an error from nowhere.
    slip: float = between(0.05, 0.15)
    stop: float = between(0.1, 0.4)
    lapse: float = between(0.001, 0.003)
    # The day's form (log), hands that aren't warm, each half-hour of playing beyond a quarter of an hour.
    form: float = between(0.03, 0.07)
    cold: float = between(0.04, 0.1)
    tiring: float = between(0.03, 0.1)
    # Rating: faults not noticed, clean events rated as faults, faults put on a neighbour. Days without practice.
    missed: float = between(0.02, 0.06)
    invented: float = between(0.001, 0.005)
    mislabelled: float = between(0.03, 0.08)
    absent: float = between(0.0, 0.0)


class Unit:
    """Something learnt, in a fast and a slow store; `level` is the skill of today, 0 to 1."""

    __slots__ = ("depth", "fade", "fast", "habit", "level", "peak", "rate", "slow")

    def __init__(self, slow: float, rate: float, fade: float) -> None:
        self.slow = self.peak = self.level = slow
        self.rate, self.fade = rate, fade
        self.depth = self.fast = self.habit = 0.0


KNOWN: Final = Unit(1.0, 0.0, 1.0)
"""Stands where an event has nothing of a sort to learn; never changed."""


@dataclass(frozen=True, slots=True)
class Step:
    """An event as the hand meets it. `limits`: minus half the squared tolerance of its two hardest nodes, in mm."""

    label: int
    fitts_s: float
    limits: tuple[float, float]
    units: tuple[Unit, ...]
    """Two nodes, partial, place, layers together or join, move, link."""
    learns: tuple[tuple[Unit, float], ...]
    """Where a repetition counts whatever its tempo, with shares."""
    hurries: tuple[Unit, ...]
    """Where it counts for more if the hand had to hurry."""
    speed: float
    """How much it counts there at most."""
    place: Unit
    link: Unit
    bass: bool
    hand: bool
    """Whether it needs the hand that touches and frets."""


class View:
    """A passage as a player meets it: its steps, those of one onset together."""

    def __init__(
        self, passage: Passage, groups: tuple[tuple[Step, ...], ...], onsets: list[Fraction]
    ) -> None:
        self.passage, self.groups, self._onsets = passage, groups, onsets
        self.steps = tuple(itertools.chain.from_iterable(groups))
        self.places = tuple(dict.fromkeys(step.place for step in self.steps))
        self.units = tuple(dict.fromkeys(unit for step in self.steps for unit in step.units))
        self._gaps: dict[int, list[float]] = {}

    def gaps(self, tempo_bpm: int) -> list[float]:
        """Seconds to each onset from the one before; where it needs the hand, from the one before that did."""
        if tempo_bpm not in self._gaps:
            self._gaps[tempo_bpm] = list(self._measured(tempo_bpm))
        return self._gaps[tempo_bpm]

    def _measured(self, tempo_bpm: int) -> Iterator[float]:
        last = last_hand = -FIRST_GAP_S
        for onset, group in zip(self._onsets, self.groups, strict=True):
            hand = any(step.hand for step in group)
            time = float(self.passage.tempo.seconds_at(onset, tempo_bpm))
            yield time - (last_hand if hand else last)
            last, last_hand = time, time if hand else last_hand


Act = tuple[Any, Any, Any, Any, Any, Any]
"""How one event goes, in numbers or arrays: seconds late, need of time as a part of what there is, chance to be in
time, to touch rightly, to fall into the habit, to slip."""
Maths = tuple[Callable[..., Any], Callable[..., Any], Callable[..., Any]]
NUMBERS: Final[Maths] = (math.exp, max, min)
ARRAYS: Final[Maths] = (np.exp, np.maximum, np.minimum)


def acts(
    view: View,
    gaps: list[float],
    level: Callable[[Unit], float],
    burden: Any,
    paces: Iterator[Any],
    traits: Traits,
    maths: Maths,
) -> Iterator[Act]:
    """Each event's act, given the skills, a burden on the hand and the noise of its pace: one pass, or arrays."""
    exp, most, least = maths
    late: Any = 0.0
    for group, gap in zip(view.groups, gaps, strict=True):
        skills = [_skills(step, level, traits) for step in group]
        need = max(own for own, *_ in skills) * burden * exp(traits.unsteady * next(paces))
        late = most(CARRY * late + need - gap, 0.0)
        rush = least((need + late) / gap, 2.5)
        haste = least(rush, 1.0)
        over = late - 0.1 - 0.08 * min(gap, 2.0)
        scatter = burden * (0.6 + 0.8 * rush)
        for step, (_, scale, aim, place) in zip(group, skills, strict=True):
            in_time = 1 / (1 + exp(least(over / scale, 50.0)))
            touched: Any = 1.0
            if not step.bass:
                sure = 1 / (aim * scatter) ** 2
                touched = 1 - exp(step.limits[0] * sure)
                if step.limits[1] > -math.inf:
                    touched = touched * (1 - exp(step.limits[1] * sure))
            habit = traits.habit_pull * step.place.habit * (1 - 0.5 * place) * haste
            yield late, rush, in_time, touched, habit, traits.slip * (1 - place) ** 4 * haste


def _skills(step: Step, level: Callable[[Unit], float], traits: Traits) -> tuple[float, float, float, float]:
    """Movement time, scale of onsets, scatter of the touch, and how well the place is known."""
    node, other, partial, place, together, move, link = map(level, step.units)
    touch = 0.275 * (node + other) + 0.15 * partial + 0.3 * place
    # A chunk holds or it doesn't: little in between.
    motor = 0.3 * place + 0.4 * move + 0.3 * link * link * (3 - 2 * link)
    if traits.stairs:
        touch, motor = _on_stairs(touch, traits.stairs), _on_stairs(motor, traits.stairs)
    strange = traits.together * (1 - together)
    own = step.fitts_s * (traits.quick + traits.clumsy * (1 - motor)) * (1 + strange)
    aim = (traits.best_touch + traits.worst_touch * (1 - touch) ** 1.5) * (1 + 0.5 * strange)
    return own, traits.jitter * (1.5 - 0.5 * motor), aim, place


def _on_stairs(skill: float, steepness: float) -> float:
    """Skill as it shows where it grows in steps: three plateaus on the way from nothing to all."""
    turn = 6 * math.pi
    return skill - steepness * math.sin(turn * skill) / turn


def keys(passage: Passage) -> Iterator[tuple[Key, ...]]:
    """The units of each event, in the order of `Step.units`; an empty key is `KNOWN`."""
    bars, alone = passage.bars, len(passage.layers) < 2
    entries = [index for index, bar in enumerate(bars) if index and bar.number == 1]
    before: Key = ()
    hands: dict[str, str] = {}
    for event in passage.events:
        bar = bars[event.bar]
        place = (passage.excerpt.drill, bar.phrase, str(bar.number), str(event.beat), event.layer)
        nodes = sorted(((n.note.node.partial, n.node_key) for n in event.notes if n.note.node), reverse=True)
        touched: list[Key] = [("node", key) for _, key in nodes] or [()]
        together: Key = () if alone else ("together", *place)
        if before and entries and entries[0] <= event.bar:
            entries = [index for index in entries if index > event.bar]
            together = ("join", *before, *place)
        text = event.place or "+".join(f"{n.note.string}:{n.note.fret}" for n in event.notes)
        yield (
            touched[0],
            touched[min(1, len(touched) - 1)],
            ("partial", str(nodes[0][0])) if nodes else (),
            ("place", *place),
            together,
            ("move", f"{hands.get(event.layer, '')}>{text}"),
            ("link", *before, *place) if before else (),
        )
        hands[event.layer], before = text, place


def fitts(events: Sequence[PlacedEvent]) -> Iterator[float]:
    """Movement time of each event, in seconds, from where the hand was last wanted before; an open string's pluck."""
    was = here = (0.3 * SCALE_MM, 0.0)
    onset = None
    for event in events:
        if not uses_hand(event):
            yield PLUCK_S
            continue
        if event.onset != onset:
            was, onset = here, event.onset
        aims = [
            SCALE_MM * (float(n.note.node.fraction) if n.note.node else 1 - 2 ** (-(n.note.fret or 0) / 12))
            for n in event.notes
        ]
        here = (sum(aims) / len(aims), sum(n.note.string for n in event.notes) / len(aims))
        way = abs(here[0] - was[0]) + CROSSING_MM * abs(here[1] - was[1])
        width = min(FRET_MM, 2 * min(tolerances(event)))
        yield 0.15 + 0.055 * math.log2(1 + way / width) + 0.03 * (len(aims) - 1)


def uses_hand(event: PlacedEvent) -> bool:
    """Whether a node is touched or a string stopped: open strings leave that hand free."""
    return any(placed.note.node or placed.note.fret for placed in event.notes)


def tolerances(event: PlacedEvent) -> tuple[float, float]:
    """How far off a touch may be, in mm, at the event's two hardest nodes; infinite where there is none."""
    partials = sorted((n.note.node.partial for n in event.notes if n.note.node), reverse=True)
    first, second, *_ = (*(TOLERANCE_MM / partial for partial in partials), math.inf, math.inf)
    return first, second
