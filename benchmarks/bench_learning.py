"""How true the estimate is: intervals, cold predictions, kept, on simulated players practising by the coach.

    python -m benchmarks.bench_learning --seeds 4

Every fourth evening the estimate of each begun phrase, and of each of its nodes and moves, is laid beside the truth of
the player at hand: the tempo at which he is clean three times in five (a node or a move four times), cold, the next
morning, found by bisection. Every
cold repetition of a phrase is laid beside its chance as it was expected just before.
"""

from __future__ import annotations

import argparse
import importlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

from benchmarks.pieces import piece
from benchmarks.players import REPORTED, SHORT_SHAPES, Coach, Played, Player, Policy, run
from benchmarks.yardsticks import Yardstick
from coach.learning import skill
from coach.learning.choice import Why
from coach.learning.material import Part
from coach.learning.readings import CLEAN, CLEAN_PLACE, MIDDLE_80, CleanTempo, clean_tempo, is_kept, seen
from coach.music.excerpt import Kind

EVERY_DAYS = 4
SAFE = 0.95
"""A phrase is safe that is truly clean so often, cold, at its goal, in a week."""
BELOW, BEYOND = 0.5, 1.25
"""Tempos are compared from this part of the start tempo to this part of the goal: beyond, both count as its end."""


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
    minutes: float = 0.0
    safe_minutes: float = 0.0
    """Of phrases that truly were safe, warm-ups apart."""
    excerpts: Yardstick = field(default_factory=Yardstick)
    events: Yardstick = field(default_factory=Yardstick)
    _called: set[str] = field(default_factory=set)
    _safe: set[str] = field(default_factory=set)

    def begin(self) -> None:
        """Another player comes."""
        self._called.clear()
        self._safe.clear()
        self.excerpts.begin()
        self.events.begin()

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        assert isinstance(policy, Coach)
        part, day = played.part, played.day
        if played.cold and part.excerpt.kind is Kind.PHRASE and part.key in policy.learnt.records:
            view = seen(policy.learnt, part, day)
            chance = view.whole(math.log(played.bpm))
            self.cold.append((chance, played.clean))
            failed = {fault.label for fault in played.faults}
            for label, p in enumerate(view.chances(math.log(played.bpm)), 1):
                self.cold_events.append((p * (1 - view.lapse), label not in failed))
        if part.excerpt.kind is Kind.PHRASE:
            self._beside(part, played)
        self._count(policy, played)

    def _beside(self, part: Part, played: Played) -> None:
        """What the yardsticks see of a repetition."""
        failed = {fault.label for fault in played.faults}
        if played.cold:
            self.excerpts.cold(part.key, played.day, played.clean)
        self.excerpts.practised(part.key, played.day)
        for label, keys in enumerate(part.keys, 1):
            for key in filter(None, keys[:2]):
                if played.cold:
                    self.events.cold(key, played.day, label not in failed)
        for key in {key for event in part.keys for key in filter(None, event[:2])}:
            self.events.practised(key, played.day)

    def _count(self, policy: Coach, played: Played) -> None:
        minutes = played.part.rep_s(played.bpm) / 60
        self.minutes += minutes
        warm_up = policy.chosen is not None and policy.chosen.why is Why.WARM_UP
        if not warm_up and played.part.key in self._safe:
            self.safe_minutes += minutes

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
        week = seen(policy.learnt, part, day + 7).whole(goal)
        true_week = player.chance(part.passage, part.goal_bpm, 7).whole
        self.in_a_week.append((week, true_week))
        (self._safe.add if true_week >= SAFE else self._safe.discard)(part.key)
        if is_kept(policy.learnt, part, day) and part.key not in self._called:
            self._called.add(part.key)
            self.kept.append(true_week)
        self.at_goal.append(
            (
                morning.whole(goal),
                player.chance(part.passage, part.goal_bpm, 1).whole,
            )
        )
        if day % EVERY_DAYS:
            return
        within = _Within(BELOW * part.start_bpm, BEYOND * part.goal_bpm)
        true = _true_bpm(lambda bpm: player.chance(part.passage, bpm, 1).whole, CLEAN)
        self.phrases.append(within.pair(clean_tempo(morning), true))
        for at, event in enumerate(part.passage.events):
            if event.place:
                reach = math.sqrt(morning.shared + morning.own[at]) * MIDDLE_80
                x = morning.means[at] - math.log(CLEAN_PLACE / (1 - CLEAN_PLACE)) / skill.SLOPE
                tempo = CleanTempo(math.exp(x - reach), math.exp(x), math.exp(x + reach))
                true = _true_bpm(partial(_event_chance, player, part, at), CLEAN_PLACE)
                self.nodes.append(within.pair(tempo, true))


@dataclass(frozen=True)
class _Within:
    """Tempos cut to the range that anybody plays at: nobody is asked for more than the goal."""

    low_bpm: float
    high_bpm: float

    def pair(self, tempo: CleanTempo, true: float) -> tuple[CleanTempo, float]:
        low, middle, high, cut_true = (
            min(max(bpm, self.low_bpm), self.high_bpm)
            for bpm in (tempo.low_bpm, tempo.bpm, tempo.high_bpm, true)
        )
        return CleanTempo(low, middle, high), cut_true


def _event_chance(player: Player, part: Part, at: int, bpm: int) -> float:
    return player.chance(part.passage, bpm, 1).events[at]


def _true_bpm(chance: Callable[[int], float], clean: float) -> float:
    low, high = 15, 400
    while high - low > 1:
        middle = round(math.sqrt(low * high))
        middle = min(max(middle, low + 1), high - 1)
        low, high = (middle, high) if chance(middle) >= clean else (low, middle)
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


def reliability(pairs: list[tuple[float, float]]) -> Iterator[str]:
    """`expected > came out (how many)` for each tenth with thirty pairs or more."""
    for tenth in range(10):
        inside = [pair for pair in pairs if min(int(10 * pair[0]), 9) == tenth]
        if len(inside) >= 30:
            expected, seen_part = (sum(column) / len(inside) for column in zip(*inside, strict=True))
            yield f"{expected:.2f} > {seen_part:.2f} ({len(inside)})"


def entropy(part: float) -> float:
    """Log loss of whoever always says the base rate."""
    return -(part * math.log(part) + (1 - part) * math.log(1 - part))


def rows(watch: Watch) -> Iterator[str]:
    """What one form of players showed."""
    for name, pairs in (("phrases", watch.phrases), ("nodes", watch.nodes)):
        inside, bias = covered(pairs)
        yield f"{name}: {inside:.0%} of {len(pairs)} inside the middle 80 %, bias {100 * math.expm1(bias):+.1f} %"
    for name, results in (("excerpts", watch.cold), ("nodes and moves", watch.cold_events)):
        base = sum(clean for _, clean in results) / len(results)
        yield f"cold {name}: log loss {log_loss(results):.3f}, base rate {entropy(base):.3f}, of {len(results)}"
    yield watch.excerpts.row("cold excerpts")
    yield watch.events.row("cold nodes and moves, by key")
    yield f"minutes on phrases that are truly safe: {watch.safe_minutes / watch.minutes:.1%}"
    yield "cold excerpts: " + ", ".join(reliability([(chance, float(clean)) for chance, clean in watch.cold]))
    yield "at the goal next day: " + ", ".join(reliability(watch.at_goal))
    yield "at the goal in a week: " + ", ".join(reliability(watch.in_a_week))
    if watch.kept:
        yield f"called kept: {sum(watch.kept) / len(watch.kept):.0%} pass a week later, of {len(watch.kept)}"


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.bench_learning", description=__doc__)
    parser.add_argument("--seeds", type=int, default=4, help="players of each kind (default: 4)")
    parser.add_argument("--seed", type=int, default=2100, help="the first seed (default: 2100)")
    parser.add_argument("--days", type=int, default=40)
    options = parser.parse_args(argv)
    for form, kinds in REPORTED.items():
        make, watch = importlib.import_module(f"benchmarks.{form}").make, Watch()
        for kind in kinds:
            for seed in range(options.seed, options.seed + options.seeds):
                drills = (piece(SHORT_SHAPES[seed % len(SHORT_SHAPES)], seed),)
                watch.begin()
                run(make(kind, drills, seed), drills, 20, options.days, Coach, seed, watch=watch)
        print(f"\n{form}: {', '.join(kinds)}; seeds {options.seed} to {options.seed + options.seeds - 1}")
        print("\n".join(rows(watch)), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
