"""How true the estimate is: intervals, cold predictions, kept, on simulated players practising by the coach.

    python -m benchmarks.bench_learning benchmarks.players_a benchmarks.players_b --seeds 5

Every fourth evening the estimate of each begun phrase, and of each of its nodes and moves, is laid beside the truth of
the player at hand: the tempo at which he is clean four times in five, cold, the next morning, found by bisection. Every
cold repetition of a phrase is laid beside its chance as it was expected just before.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from benchmarks.players import Coach, Played, Player, Policy
from coach.learning import skill
from coach.learning.learning import trusted
from coach.learning.material import Part
from coach.learning.readings import CLEAN, CleanTempo, clean_tempo, seen
from coach.music.excerpt import Kind

EVERY_DAYS = 4


@dataclass
class Watch:
    """Collects pairs of what was expected and what is true."""

    cold: list[tuple[float, bool]] = field(default_factory=list)
    """Cold repetitions of whole phrases: expected chance, clean."""
    cold_events: list[tuple[float, bool]] = field(default_factory=list)
    at_goal: list[tuple[float, float]] = field(default_factory=list)
    """Phrases at the goal the next morning: expected, true."""
    in_a_week: list[tuple[float, float]] = field(default_factory=list)
    phrases: list[tuple[CleanTempo, float]] = field(default_factory=list)
    nodes: list[tuple[CleanTempo, float]] = field(default_factory=list)
    kept: list[float] = field(default_factory=list)
    """True chance, a week on, of each phrase on the first day that it was called kept."""
    _day: int = 0
    _called: set[str] = field(default_factory=set)

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        assert isinstance(policy, Coach)
        part, day = played.part, played.day
        if played.cold and part.excerpt.kind is Kind.PHRASE and part.key in policy.learnt.records:
            view = seen(policy.learnt, part, day)
            chance = trusted(view.whole(math.log(played.bpm)), policy.learnt.habits)
            self.cold.append((chance, played.clean))
            failed = {fault.label for fault in played.faults}
            for label, p in enumerate(view.chances(math.log(played.bpm)), 1):
                self.cold_events.append((p * (1 - view.lapse), label not in failed))

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        assert isinstance(policy, Coach)
        for drill in policy.material.drills:
            for excerpt in policy.material.phrases(drill):
                part = policy.material.part(excerpt)
                if part and part.key in policy.learnt.records:
                    self._look(policy, player, part, day)

    def _look(self, policy: Coach, player: Player, part: Part, day: int) -> None:
        goal = math.log(part.goal_bpm)
        morning = seen(policy.learnt, part, day + 1)
        week = trusted(seen(policy.learnt, part, day + 7).whole(goal), policy.learnt.habits)
        true_week = player.chance(part.passage, part.goal_bpm, 7).whole
        self.in_a_week.append((week, true_week))
        record = policy.learnt.records[part.key]
        if (record.kept or (record.landed and week >= 0.9)) and part.key not in self._called:
            self._called.add(part.key)
            self.kept.append(true_week)
        self.at_goal.append(
            (
                trusted(morning.whole(goal), policy.learnt.habits),
                player.chance(part.passage, part.goal_bpm, 1).whole,
            )
        )
        if day % EVERY_DAYS:
            return
        self.phrases.append(
            (clean_tempo(morning), _true_bpm(lambda bpm: player.chance(part.passage, bpm, 1).whole))
        )
        for at, event in enumerate(part.passage.events):
            if event.place:
                mean, reach = morning.means[at], math.sqrt(morning.shared + morning.own[at]) * 1.2816
                x = mean - math.log(CLEAN / (1 - CLEAN)) / skill.SLOPE
                tempo = CleanTempo(math.exp(x - reach), math.exp(x), math.exp(x + reach))
                self.nodes.append(
                    (tempo, _true_bpm(lambda bpm, at=at: player.chance(part.passage, bpm, 1).events[at]))
                )  # type: ignore[misc]


def _true_bpm(chance: Callable[[int], float]) -> float:
    low, high = 15, 400
    while high - low > 1:
        middle = round(math.sqrt(low * high))
        middle = min(max(middle, low + 1), high - 1)
        low, high = (middle, high) if chance(middle) >= CLEAN else (low, middle)
    return float(low)


def covered(pairs: list[tuple[CleanTempo, float]]) -> tuple[float, float]:
    """Share of true tempos inside the middle 80 %, and the mean bias in ln bpm."""
    inside = sum(tempo.low_bpm <= true <= tempo.high_bpm for tempo, true in pairs)
    bias = sum(math.log(tempo.bpm / true) for tempo, true in pairs) / len(pairs)
    return inside / len(pairs), bias


def log_loss(pairs: list[tuple[float, bool]]) -> float:
    total = 0.0
    for chance, clean in pairs:
        chance = min(max(chance, 1e-3), 1 - 1e-3)
        total -= math.log(chance if clean else 1 - chance)
    return total / len(pairs)
