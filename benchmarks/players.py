"""Simulated players: the protocol that any of them keeps, the runner that lets them practise, and the rival policies.

A module of players (`benchmarks/players_a.py`, `players_b.py`, anybody's) has

    KINDS: tuple[str, ...]                                    names of the kinds of player that it simulates
    make(kind: str, drills: Sequence[Drill], seed: int) -> Player     KeyError where it has no such kind

and shares no code with `coach/learning`. `make` draws the player and how hard each thing in these drills is for him.
The same kind, drills and seed give the same player, whose further luck then depends on what he is asked to play.
`benchmarks/pieces.py` invents the drills: `piece(shape, seed)` for each of its `SHAPES`, `pieces(count, seed)`.
"""

from __future__ import annotations

import argparse
import importlib
import math
import statistics
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from random import Random
from typing import NamedTuple, Protocol

from benchmarks.pieces import piece
from coach.learning.choice import BEGUN_A_DAY, REPS, Choice, Sitting, Why, choose
from coach.learning.learning import CLEAN_TO_LAND, Learnt
from coach.learning.material import TURN_S, Material, Part, material_of
from coach.learning.planner import make_plan, sitting_of
from coach.learning.readings import rung_of
from coach.learning.rung import EVENTS, TARGET, next_rung
from coach.learning.skill import MASSED
from coach.music.drill import Drill
from coach.music.excerpt import Passage
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault, results_of
from coach.session import machine
from coach.session.coaching import Coaching
from coach.session.events import Go, Rated, SessionEvent
from coach.session.session import Session
from coach.session.states import Ready, Rest


class Truth(NamedTuple):
    """What is true of a player and a passage, cold, as chances from 0 to 1."""

    events: tuple[float, ...]
    """Chance that each event is clean, in the order of `passage.events` (label 1 first), bass events among them."""
    whole: float
    """Chance that the repetition is clean from its first event to its last; events need not be independent."""


class Player(Protocol):
    """Somebody who practises. Only `play` and `rest` change him."""

    def play(self, passage: Passage, tempo_bpm: int, cold: bool) -> tuple[Fault, ...]:
        """Play the passage once and learn from it; the faults as he rates them, which need not be what sounded.

        `tempo_bpm` is the drill's tempo beat. `cold` says that it is the first repetition of this excerpt on this day.
        Fatigue and warming-up are the player's own business: `passage.seconds(tempo_bpm)` says how long it lasts.
        Labels in the faults are those of `passage.events`, each at most once.
        """

    def rest(self, days: float) -> None:
        """Let so many days pass without the bass: 1 is the night to the next day. A new day begins."""

    def chance(self, passage: Passage, tempo_bpm: int, after_days: float) -> Truth:
        """The truth: played cold, first thing on the day, after so many further days without practice (0: now).

        What sounds, not how it is rated. Changes nothing, and draws nothing from the player's luck.
        """


MASTERED = 0.9
AFTER_DAYS = 7
FIRST_DAY = 739_000
"""The ordinal of a run's first day."""


@dataclass(frozen=True, slots=True)
class Played:
    """One repetition of a run."""

    part: Part
    bpm: int
    faults: tuple[Fault, ...]
    day: int
    cold: bool

    @property
    def clean(self) -> bool:
        return not self.faults


class Policy(Protocol):
    """Chooses what is practised; sees the drills and what was rated, nothing else."""

    def turn(self, day: int, seconds: float) -> tuple[Part, int, int] | None:
        """Excerpt, repetitions at most and first tempo of the next turn; None where the session ends."""

    def after(self, played: Played) -> int:
        """The tempo of the turn's next repetition; 0 ends the turn."""


@dataclass
class Rung:
    """The classical ladder of the rivals: three clean climb a step, one failure drops, tries at the start of a turn."""

    part: Part
    bpm: int
    row: int = 0
    direction: int = 0
    step: float = 0.05
    regain: int = 0
    day: int = 0
    tries: int = 0
    failed_bpm: int = 0
    recent: tuple[bool, ...] = ()

    def open(self, day: int, tries: bool) -> int:
        """The tempo of a turn's first repetition."""
        if self.day and day > self.day:
            self.regain, self.bpm = (
                max(self.bpm, self.regain),
                max(MIN_BPM, round(max(self.bpm, self.regain) / 1.05)),
            )
            self.row, self.step, self.direction = 0, 0.05, 0
        self.day, self.failed_bpm = day, 0
        lately = self.recent[-6:]
        self.tries = 3 if tries and lately and 3 * sum(lately) > len(lately) else 0
        return self._try(self.bpm * 1.1)

    def _try(self, bpm: float) -> int:
        goal = self.part.goal_bpm
        tried = min(goal, round(bpm))
        if self.tries and tried >= min(round(self.bpm * 1.05), goal) and tried > self.bpm:
            self.tries -= 1
            return tried
        self.tries = 0
        return self.bpm

    def after(self, bpm: int, clean: bool) -> int:
        self.recent = (*self.recent[-8:], clean)
        goal = self.part.goal_bpm
        if bpm > self.bpm:
            if clean:
                self.bpm, self.row = bpm, 0
                return self._try(
                    self.bpm * 1.1 if not self.failed_bpm else math.sqrt(self.bpm * self.failed_bpm)
                )
            self.failed_bpm = bpm
            return self._try(math.sqrt(self.bpm * bpm))
        if clean:
            self.row += 1
            if self.bpm < self.regain:
                self.bpm, self.row = min(self.regain, round(self.bpm * 1.05) + 1), 0
            elif self.row >= 3:
                self.step = max(self.step / 2, 0.00625) if self.direction < 0 else self.step
                self.bpm, self.row, self.direction = (
                    min(goal, max(self.bpm + 1, round(self.bpm * (1 + self.step)))),
                    0,
                    1,
                )
        else:
            self.step = max(self.step / 2, 0.00625) if self.direction > 0 else self.step
            self.bpm = max(MIN_BPM, min(self.bpm - 1, round(self.bpm / (1 + self.step))))
            self.row, self.direction, self.regain = 0, -1, 0
        return self.bpm


def wholes_of(material: Material) -> list[Part]:
    """Every phrase of the drills, whole, all layers."""
    excerpts = (excerpt for drill in material.drills for excerpt in material.phrases(drill))
    return [part for excerpt in excerpts if (part := material.part(excerpt))]


@dataclass
class Rival:
    """A policy with the classical ladder; what is chosen is its subclass's business."""

    material: Material
    rng: Random
    tries: bool = True
    reps: int = 6
    rungs: dict[str, Rung] = field(default_factory=dict)
    number: int = 0
    turns_today: dict[str, int] = field(default_factory=dict)
    today: int = 0
    last: str = ""

    @property
    def wholes(self) -> list[Part]:
        return wholes_of(self.material)

    def rung(self, part: Part) -> Rung:
        return self.rungs.setdefault(part.key, Rung(part, part.start_bpm))

    def choose(self, day: int) -> Part:
        """Uniform: every phrase in turn, whole, all layers; tomorrow goes on where today stopped."""
        wholes = self.wholes
        return wholes[self.number % len(wholes)]

    def turn(self, day: int, seconds: float) -> tuple[Part, int, int] | None:
        if day != self.today:
            self.today, self.turns_today = day, {}
        part = self.choose(day)
        rung = self.rung(part)
        bpm = rung.open(day, self.tries)
        reps = min(self.reps, int((seconds - TURN_S) // part.rep_s(bpm)))
        if reps < 1:
            return None
        self.number += 1
        self.turns_today[part.key] = self.turns_today.get(part.key, 0) + 1
        self.last = part.key
        return part, reps, bpm

    def after(self, played: Played) -> int:
        return self.rung(played.part).after(played.bpm, played.clean)


class Plain(Rival):
    """Uniform, by the ladder alone."""

    def __init__(self, material: Material, rng: Random) -> None:
        super().__init__(material, rng, tries=False)


class Gap(Rival):
    """Whole phrases in proportion to the gap to the goal, discounted per turn today, never the same twice running."""

    def gap(self, part: Part) -> float:
        return math.log(part.goal_bpm * 1.1 / self.rung(part).bpm)

    def choose(self, day: int) -> Part:
        others = [part for part in self.wholes if part.key != self.last] or self.wholes
        return max(
            others, key=lambda part: (self.gap(part) / (1 + self.turns_today.get(part.key, 0)), part.key)
        )


class Weakest(Gap):
    """The phrase that is furthest from its goal, again and again; the two furthest take turns."""

    def choose(self, day: int) -> Part:
        others = [part for part in self.wholes if part.key != self.last] or self.wholes
        return max(others, key=lambda part: (self.gap(part), part.key))


class Blocked(Rival):
    """One phrase until it stands at its goal, then the next; from the start again when all do."""

    def choose(self, day: int) -> Part:
        wholes = self.wholes
        waiting = [part for part in wholes if self.rung(part).bpm < part.goal_bpm]
        return waiting[0] if waiting else wholes[self.number % len(wholes)]


class Chance(Rival):
    """Any phrase or half, each as likely."""

    def choose(self, day: int) -> Part:
        return self.rng.choice(self.wholes)


class DoublingWaits(Rival):
    """Cold clean near the goal doubles a phrase's wait, up to 32 days; a failure sets it back to a day."""

    def __init__(self, material: Material, rng: Random) -> None:
        super().__init__(material, rng)
        self.wait: dict[str, int] = {}
        self.seen: dict[str, int] = {}

    def choose(self, day: int) -> Part:
        def until(part: Part) -> tuple[float, str]:
            due = self.seen.get(part.key, 0) + self.wait.get(part.key, 1)
            return (due - day + 2 * self.turns_today.get(part.key, 0), part.key)

        others = [part for part in self.wholes if part.key != self.last] or self.wholes
        return min(others, key=until)

    def after(self, played: Played) -> int:
        if played.cold:
            up = played.clean and played.bpm >= 0.9 * played.part.goal_bpm
            self.wait[played.part.key] = min(2 * self.wait.get(played.part.key, 1), 32) if up else 1
            self.seen[played.part.key] = played.day
        return super().after(played)


@dataclass
class Coach:
    """The choice under test, driven without the session's machine: a light harness."""

    material: Material
    rng: Random
    learnt: Learnt = field(default_factory=Learnt)
    sitting: Sitting | None = None
    chosen: Choice | None = None

    def turn(self, day: int, seconds: float) -> tuple[Part, int, int] | None:
        if self.sitting is None or day != self.sitting.day:
            today = date.fromordinal(day)
            self.sitting = sitting_of(self.learnt, self.material, today, seconds, BEGUN_A_DAY)
        elif self.chosen:
            self.sitting = replace(self.sitting.after(self.chosen), seconds_left=seconds)
        self.chosen = choose(self.learnt, self.material, self.sitting)
        return (self.chosen.option.part, self.chosen.reps, self.chosen.bpm) if self.chosen else None

    def after(self, played: Played) -> int:
        part, day = played.part, played.day
        assert self.chosen is not None
        self.learnt.count(day, 0)
        if self.chosen.why is Why.WARM_UP:
            return played.bpm
        self.learnt.take(part.excerpt, part.keys, played.bpm, part.goal_bpm, results_of(played.faults), day)
        record = self.learnt.records[part.key]
        if record.clean_run >= CLEAN_TO_LAND and record.today > 2:
            return 0
        return next_rung(played.bpm, played.clean, rung_of(self.learnt, part, day))


@dataclass
class Oracle:
    """The coach's choice (5), told the truth: each chance, and the fastest tempo with the chance that is meant."""

    material: Material
    rng: Random
    player: Player | None = None
    """The runner says who practises."""
    day: int = 0
    last: str = ""
    known: dict[str, tuple[float, int]] = field(default_factory=dict)
    """By phrase: the sum of chances to fail at the goal in a week, and the tempo; what was played is asked again."""
    reps_today: dict[str, int] = field(default_factory=dict)

    def turn(self, day: int, seconds: float) -> tuple[Part, int, int] | None:
        if day != self.day:
            self.day, self.last = day, ""
            self.known.clear()
            self.reps_today.clear()
        offered = [part for part in wholes_of(self.material) if part.key != self.last]
        offered = [part for part in offered if part.rep_s(self._truth(part)[1]) + TURN_S <= seconds]
        if not offered:
            return None
        chosen = max(offered, key=lambda part: (self._worth(part), part.key))
        self.last = chosen.key
        return chosen, REPS, self._truth(chosen)[1]

    def after(self, played: Played) -> int:
        key = played.part.key
        self.reps_today[key] = self.reps_today.get(key, 0) + 1
        self.known.pop(key, None)
        return played.bpm

    def _worth(self, part: Part) -> float:
        failing, bpm = self._truth(part)
        crammed = 1 + (self.reps_today.get(part.key, 0) + 1.5) / MASSED
        return failing / crammed / (part.rep_s(bpm) + TURN_S / REPS)

    def _truth(self, part: Part) -> tuple[float, int]:
        if part.key not in self.known and self.player:
            player, passage = self.player, part.passage
            share = min(1.0, EVENTS / max(part.harmonics, 1))
            failing = sum(1 - chance for chance in player.chance(passage, part.goal_bpm, AFTER_DAYS).events)
            low, high = MIN_BPM, part.goal_bpm + 1
            while high - low > 1:
                middle = (low + high) // 2
                good = player.chance(passage, middle, 0).whole ** share >= TARGET
                low, high = (middle, high) if good else (low, middle)
            self.known[part.key] = failing, low
        return self.known[part.key]


class InSession:
    """The coach as a player meets it: today's plan in the session's machine, with relief, landing and choice anew."""

    def __init__(self, material: Material, rng: Random) -> None:
        self.material = material
        self.session: Session | None = None
        self.day = 0
        self.now_ms = 0

    @property
    def learnt(self) -> Learnt:
        return self.session.coaching.learnt if self.session else Learnt()

    def turn(self, day: int, seconds: float) -> tuple[Part, int, int] | None:
        if self.session is None or day != self.day:
            self._begin(day, seconds / 60)
        while self.session and isinstance(self.session.state, Rest):
            self._receive(Go())
        ready = self.session.state if self.session else None
        if not isinstance(ready, Ready):
            return None
        part = self.material.part(ready.task.excerpt)
        fits = part is not None and part.rep_s(ready.task.tempo_bpm) + TURN_S <= seconds
        self.now_ms += round(1000 * TURN_S)
        return (part, 1_000, ready.task.tempo_bpm) if part and fits else None

    def after(self, played: Played) -> int:
        before = self.session.state if self.session else None
        self.now_ms += round(1000 * played.part.rep_s(played.bpm))
        self._receive(Rated(played.faults))
        after = self.session.state if self.session else None
        if not isinstance(before, Ready) or not isinstance(after, Ready):
            return 0
        same = (before.turn.id, before.task.excerpt) == (after.turn.id, after.task.excerpt)
        return after.task.tempo_bpm if same else 0

    def _begin(self, day: int, minutes: float) -> None:
        drills, learnt = self.material.drills, self.learnt
        self.day = day
        self.now_ms = (day - UNIX_DAY) * 86_400_000 + 18 * 3_600_000
        plan = make_plan(date.fromordinal(day), minutes, drills, learnt, None, self.material)
        coaching = replace(Coaching.of(plan, learnt, drills), material=self.material)
        by_id = {drill.id: drill for drill in drills}
        self.session, _ = machine.start(
            plan,
            by_id,
            coaching,
            self.now_ms,
            0,
            player="x",
            nonce=bytes(8),
            pause_s=2.0,
            run_on_pause_s=2.0,
        )

    def _receive(self, event: SessionEvent) -> None:
        if self.session:
            self.session, _ = machine.receive(self.session, event, self.now_ms, 0)


UNIX_DAY = 719_163
"""The ordinal of 1970-01-01."""
POLICIES: Mapping[str, Callable[[Material, Random], Policy]] = {
    "coach": Coach,
    "coach in session": InSession,
    "uniform": Plain,
    "uniform with tries": Rival,
    "gap": Gap,
    "doubling": DoublingWaits,
    "weakest": Weakest,
    "blocked": Blocked,
    "random": Chance,
    "oracle": Oracle,
}


@dataclass(frozen=True)
class Run:
    """What became of one player under one policy."""

    minutes: float
    """Until the goal, or all of them."""
    reached: bool
    days: int
    by_day: tuple[float, ...]
    """Share of the nodes that are at their goal, evening by evening."""
    repetitions: int


def node_chances(player: Player, material: Material, after_days: float) -> dict[tuple[str, str], float]:
    """Chance that each node of each phrase is clean at the goal tempo, in its phrase, all layers, cold."""
    found: dict[tuple[str, str], list[float]] = {}
    for drill in material.drills:
        for excerpt in material.phrases(drill):
            part = material.part(excerpt)
            if part is None:
                continue
            truth = player.chance(part.passage, part.goal_bpm, after_days)
            for event, chance in zip(part.passage.events, truth.events, strict=True):
                if event.place:
                    found.setdefault((part.key, event.place), []).append(chance)
    return {key: statistics.fmean(chances) for key, chances in found.items()}


class Watcher(Protocol):
    """Looks on at a run, and changes nothing."""

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        """A repetition was played and not yet taken in."""

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        """A practice day is over."""


def run(
    player: Player,
    drills: Sequence[Drill],
    minutes: float,
    days: int,
    policy: Callable[[Material, Random], Policy],
    seed: int = 0,
    missed: float = 1 / 7,
    watch: Watcher | None = None,
    mastered: float = MASTERED,
    until: Callable[[], bool] = lambda: False,
) -> Run:
    """Let a player practise so many minutes a day until every node is 90 % clean, cold, at its goal, a week on."""
    material = material_of(drills)
    chooser = policy(material, Random(f"policy {seed}"))
    if isinstance(chooser, Oracle):
        chooser.player = player
    off = Random(f"days {seed}")
    spent, by_day, count = 0.0, [], 0
    for day in range(FIRST_DAY, FIRST_DAY + days):
        if day > FIRST_DAY and off.random() < missed:
            player.rest(1)
            by_day.append(by_day[-1])
            continue
        left, heard = 60.0 * minutes, set()
        while (turn := chooser.turn(day, left)) is not None:
            part, reps, bpm = turn
            left -= TURN_S
            for _ in range(reps):
                faults = player.play(part.passage, bpm, part.key not in heard)
                played = Played(part, bpm, tuple(faults), day, part.key not in heard)
                if watch:
                    watch(chooser, played, player)
                heard.add(part.key)
                left -= part.rep_s(bpm)
                count += 1
                bpm = chooser.after(played)
                if not bpm or left < part.rep_s(bpm):
                    break
        spent += minutes - max(left, 0.0) / 60
        if watch:
            watch.evening(chooser, player, day)
        chances = node_chances(player, material, AFTER_DAYS)
        by_day.append(sum(chance >= mastered for chance in chances.values()) / len(chances))
        player.rest(1)
        if until() or min(chances.values()) >= mastered:
            return Run(spent, True, day - FIRST_DAY + 1, tuple(by_day), count)
    return Run(spent, False, days, tuple(by_day), count)


REPORTED: Mapping[str, tuple[str, ...]] = {
    "players_a": ("uneven", "hard-nodes", "careless", "quick", "irregular"),
    "players_b": ("uneven", "hard-nodes", "careless", "habit", "irregular"),
}
"""Kinds of the report. The coach was tuned on `TUNED`, at seeds below 100, and these were left alone."""
TUNED: Mapping[str, tuple[str, ...]] = {
    "players_a": ("even", "forgetful", "crammer"),
    "players_b": ("even", "forgetful", "plateaus"),
}
SHORT_SHAPES = ("short", "usual", "few-hard-nodes", "shared-nodes")


@dataclass(frozen=True)
class Pair:
    """One player under every policy, by its name."""

    kind: str
    seed: int
    runs: Mapping[str, Run]

    def ratio(self, policy: str, base: str) -> float:
        return self.runs[policy].minutes / self.runs[base].minutes


def paired(
    make: Callable[[str, Sequence[Drill], int], Player],
    kinds: Sequence[str],
    seeds: Sequence[int],
    policies: Sequence[str],
    minutes: float,
    days: int,
) -> Iterator[Pair]:
    """The same player, piece and days off for each policy. Shapes of pieces take turns by seed."""
    for kind in kinds:
        for seed in seeds:
            drills = (piece(SHORT_SHAPES[seed % len(SHORT_SHAPES)], seed),)
            yield Pair(
                kind,
                seed,
                {
                    name: run(make(kind, drills, seed), drills, minutes, days, POLICIES[name], seed)
                    for name in policies
                },
            )


def interval(values: Sequence[float], level: float = 0.9) -> tuple[float, float, float]:
    """Geometric mean of ratios with its bootstrap interval (percentile method, 2,000 draws)."""
    rng, logs = Random(1), [math.log(value) for value in values]
    means = sorted(statistics.fmean(rng.choices(logs, k=len(logs))) for _ in range(2000))
    low, high = means[int((1 - level) / 2 * 2000)], means[int((1 + level) / 2 * 2000) - 1]
    return math.exp(statistics.fmean(logs)), math.exp(low), math.exp(high)


def table(pairs: Sequence[Pair], base: str) -> Iterator[str]:
    """A row for each policy, as the documents show it."""
    yield f"| policy | minutes / {base} (90 %) | slower by a tenth | reached, of {len(pairs)} | day 10 |"
    yield "| --- | --- | --- | --- | --- |"
    for name in pairs[0].runs:
        ratios = [pair.ratio(name, base) for pair in pairs]
        mean, low, high = interval(ratios)
        slower, reached = sum(ratio > 1.1 for ratio in ratios), sum(pair.runs[name].reached for pair in pairs)
        tenth = statistics.fmean(
            pair.runs[name].by_day[min(9, len(pair.runs[name].by_day) - 1)] for pair in pairs
        )
        yield f"| {name} | {mean:.3f} ({low:.2f} to {high:.2f}) | {slower} | {reached} | {tenth:.2f} |"


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.players", description=__doc__)
    parser.add_argument(
        "players",
        nargs="*",
        metavar="MODULE:MAKE",
        default=["benchmarks.players_a:make", "benchmarks.players_b:make"],
        help="players to let practise (default: both of the project's own forms)",
    )
    parser.add_argument("--kinds", help="kinds, by commas (default: those of the report, or all)")
    parser.add_argument("--seeds", type=int, default=8, help="players of each kind (default: 8)")
    parser.add_argument("--seed", type=int, default=2000, help="the first seed (default: 2000)")
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument(
        "--days", type=int, default=60, help="days after which a run is given up (default: 60)"
    )
    parser.add_argument("--only", action="append", choices=POLICIES, help="these policies, and the base")
    options = parser.parse_args(argv)
    base = "uniform with tries"
    policies = list(dict.fromkeys([base, *(options.only or POLICIES)]))
    everyone: list[Pair] = []
    for named in options.players:
        module, _, maker = named.partition(":")
        make = getattr(importlib.import_module(module), maker or "make")
        known = REPORTED.get(module.rpartition(".")[2])
        kinds = options.kinds.split(",") if options.kinds else known or importlib.import_module(module).KINDS
        seeds = range(options.seed, options.seed + options.seeds)
        pairs = list(paired(make, kinds, seeds, policies, options.minutes, options.days))
        everyone += pairs
        print(f"\n{module}: {', '.join(kinds)}; seeds {seeds.start} to {seeds.stop - 1}\n")
        print("\n".join(table(pairs, base)), flush=True)
    if len(options.players) > 1:
        print("\nall together\n")
        print("\n".join(table(everyone, base)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
