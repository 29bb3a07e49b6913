"""A class of thirty simulated students whose true troubles are known, for the teacher's overview.

Each is a player of the learning yardstick (`players_a`, `players_b`) who practises by the coach, some with a trouble
laid over: a node that chokes at any tempo, a move that comes late, held notes let go, ratings that are always clean.
What is true of them is measured from what they play and from their `chance`, never from their ratings or from a report;
whether they meet their date, by letting them practise on to it. Nothing here knows `coach/report`.

FROZEN before the advice was tuned: it was looked at for how many students have which trouble, and for nothing else.
Even seeds are for tuning, odd ones for the result.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from random import Random

from benchmarks import players_a, players_b
from benchmarks.pieces import piece
from benchmarks.players import FIRST_DAY, POLICIES, Coach, Played, Player, Policy, Truth, run
from coach.learning.material import material_of
from coach.learning.readings import standing
from coach.music.drill import Assignment, Drill, Event
from coach.music.excerpt import Passage, PlacedEvent
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, Result

DUE_AFTER, NOW_AFTER = 35, 17
"""Days after the first one at which the drill is due, and on which the teacher looks."""
MINUTES = 20
CHOKES, COMES_LATE, LETS_GO = 0.45, 0.5, 0.35
"""Chance at each event that a trouble strikes."""
NODE_BAD, NODE_GOOD, NODE_BELOW = 0.65, 0.75, 0.2
"""True chance at the tempo of its practice below which a node is trouble, above which it is none; and how far below the
student's median node it must lie."""
HELD_BAD, HELD_GOOD = 0.2, 0.1
"""Part of the low notes of a week that were let go."""
TRULY_CLEAN, RATED_CLEAN = 0.6, 0.97
DAYS_BAD, DAYS_GOOD = 1.5, 3.0
"""Days a week, from the first day to the reply, below which practice is too little and above which it is enough."""
LANDED_BAD, LANDED_GOOD = 0.75, 1.0
"""Part of the phrases that stand at the goal on the due day."""
ROLES: Mapping[str, int] = {
    "well": 9,
    "chokes": 5,
    "late move": 1,
    "lets go": 2,
    "marks nothing": 2,
    "typed": 1,
    "never replied": 2,
    "replied long ago": 1,
    "lazy": 2,
    "goal too fast": 2,
    "cut": 1,
    "two machines": 1,
    "retitled": 1,
}
KINDS = (
    *((players_a, kind) for kind in ("even", "uneven", "quick", "forgetful", "irregular", "careless")),
    *((players_b, kind) for kind in ("even", "uneven", "plateaus", "habit", "irregular")),
)

Trouble = tuple[str, str]
"""What is wrong (`node`, `move`, `held`, `rating`, `silent`, `practice`, `date`, `version`) and with what: the key of a
node or a move, else empty."""
WORST_FIRST = ("silent", "version", "rating", "practice", "node", "move", "held", "date")
TECHNIQUE = ("node", "move", "held")


@dataclass
class Troubled:
    """A player with a trouble of his own; keeps what truly sounded."""

    player: Player
    luck: Random
    chokes: str = ""
    comes_late: str = ""
    lets_go: bool = False
    marks: bool = True
    sounded: list[tuple[int, bool, int, int]] = field(default_factory=list)
    """Of each repetition its day, whether it was clean, low notes played and let go."""
    day: int = FIRST_DAY

    def play(self, passage: Passage, tempo_bpm: int, cold: bool) -> tuple[Fault, ...]:
        faults = {fault.label: fault for fault in self.player.play(passage, tempo_bpm, cold)}
        low = [event for event in passage.events if not event.is_harmonic]
        for event in passage.events:
            trouble = self._trouble(event.place, event.move)
            if trouble and self.luck.random() < trouble[1] and event.label not in faults:
                faults[event.label] = Fault(event.label, trouble[0])
        dropped = sum(fault.result is DROPPED for fault in faults.values())
        self.sounded.append((self.day, not faults, len(low), dropped))
        return tuple(faults[label] for label in sorted(faults)) if self.marks else ()

    def _trouble(self, place: str, move: str) -> tuple[Result, float] | None:
        if place and place == self.chokes:
            return CHOKED, CHOKES
        if move and move == self.comes_late:
            return LATE, COMES_LATE
        return (DROPPED, LETS_GO) if not place and self.lets_go else None

    def rest(self, days: float) -> None:
        self.day += round(days)
        self.player.rest(days)

    def chance(self, passage: Passage, tempo_bpm: int, after_days: float) -> Truth:
        truth = self.player.chance(passage, tempo_bpm, after_days)
        spoilt = []
        for event, chance in zip(passage.events, truth.events, strict=True):
            trouble = self._trouble(event.place, event.move)
            spoilt.append(chance * (1 - trouble[1]) if trouble else chance)
        return Truth(tuple(spoilt), truth.whole)


@dataclass(frozen=True)
class Simulated:
    """One student: what he practised, and what is true of him on the day on which the teacher looks."""

    name: str
    role: str
    assigned: Drill
    """As the teacher assigned it."""
    copy: Drill
    """As he practises it."""
    due: int
    replied: int | None
    """The day of his last reply as an ordinal; None where he never replied."""
    reps: tuple[Played, ...]
    """All of them up to that day."""
    troubles: tuple[Trouble, ...]
    """The worst first."""
    unsure: tuple[Trouble, ...]
    """Neither clearly so nor clearly not."""

    @property
    def right(self) -> tuple[Trouble, ...]:
        """What a teacher has to hear of first: one of these is enough. Who hardly practises misses the date by that."""
        if not self.troubles:
            return ()
        worst = self.troubles[0]
        if worst[0] == "practice":
            return worst, ("date", "")
        if worst[0] in TECHNIQUE:
            return tuple(one for one in self.troubles if one[0] in TECHNIQUE)
        return (worst,)


@dataclass
class Looker:
    """Keeps the repetitions, and measures on the evening of one day."""

    drill: Drill
    on: int
    reps: list[Played] = field(default_factory=list)
    nodes: dict[str, float] = field(default_factory=dict)
    moves: dict[str, float] = field(default_factory=dict)
    landed: float = 0.0

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        self.reps.append(played)

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        assert isinstance(policy, Coach)
        if day <= self.on:
            self.nodes, self.moves = _place_chances(player, self.drill, self.reps)
        material = material_of([self.drill])
        stands = [
            standing(policy.learnt, material, each, date.fromordinal(day))
            for each in material.phrases(self.drill)
        ]
        self.landed = statistics.fmean(one is not None and one.landed is not None for one in stands)


def _place_chances(
    player: Player, drill: Drill, reps: Sequence[Played]
) -> tuple[dict[str, float], dict[str, float]]:
    """True chance of each node and each move, at the tempos at which whole phrases are practised."""
    material, last = material_of([drill]), {each.part.key: each.bpm for each in reps}
    by_node: dict[str, list[float]] = {}
    by_move: dict[str, list[float]] = {}
    for excerpt in material.phrases(drill):
        part = material.part(excerpt)
        if part is None or part.key not in last:
            continue
        truth = player.chance(part.passage, last[part.key], 0)
        for event, chance in zip(part.passage.events, truth.events, strict=True):
            if event.move:
                by_move.setdefault(event.move, []).append(chance)
            # A note that comes late says nothing against its node.
            if event.place and not (
                isinstance(player, Troubled) and event.move and event.move == player.comes_late
            ):
                by_node.setdefault(event.place, []).append(chance)
    return _means(by_node), _means(by_move)


def _means(rows: Mapping[str, Sequence[float]]) -> dict[str, float]:
    return {key: statistics.fmean(values) for key, values in rows.items()}


def classroom(seed: int) -> list[Simulated]:
    """The class of a seed, in an order drawn like all else."""
    rng = Random(f"class {seed}")
    drill = piece("short", 5_000 + seed)
    shared = rng.choice(_places(drill))
    roles = [role for role, count in ROLES.items() for _ in range(count)]
    rng.shuffle(roles)
    return [
        _student(number, role, drill, shared, Random(f"{seed} {number}")) for number, role in enumerate(roles)
    ]


def _student(number: int, role: str, drill: Drill, shared: str, rng: Random) -> Simulated:
    module, kind = rng.choice(KINDS)
    seed = rng.randrange(100, 10**6)
    goal_bpm = round(drill.goal_bpm * (1.7 if role == "goal too fast" else 0.85))
    name = f"{NAMES[number % len(NAMES)]} {number + 1}"
    assigned = replace(drill, assignment=Assignment(name, goal_bpm=goal_bpm))
    chokes = (shared if rng.random() < 0.6 else rng.choice(_places(drill))) if role == "chokes" else ""
    copy = without(assigned, rng.choice(_places(drill))) if role == "cut" else assigned
    if role == "retitled":
        copy = replace(copy, title=f"My {drill.title}")
    player = Troubled(
        module.make(kind, (drill,), seed),
        Random(f"trouble {seed}"),
        chokes,
        rng.choice(_moves(drill)) if role == "late move" else "",
        role == "lets go",
        role not in ("marks nothing", "typed"),
    )
    replied = FIRST_DAY + (5 if role == "replied long ago" else NOW_AFTER - rng.randint(1, 4))
    watch = Looker(copy, replied)
    missed = 1 - (0.9 if role == "lazy" else rng.uniform(4.5, 6.5)) / 7
    run(player, (copy,), MINUTES, DUE_AFTER, POLICIES["coach"], seed, missed, watch, mastered=2.0)
    reps = tuple(each for each in watch.reps if each.day <= replied)
    silent = role in ("never replied", "replied long ago")
    troubles, unsure = _troubles(role, player, watch, reps, replied, silent)
    return Simulated(
        name,
        role,
        assigned,
        copy,
        FIRST_DAY + DUE_AFTER,
        None if role == "never replied" else replied,
        reps,
        tuple(sorted(troubles, key=lambda one: WORST_FIRST.index(one[0]))),
        tuple(unsure),
    )


def _troubles(
    role: str, player: Troubled, watch: Looker, reps: Sequence[Played], replied: int, silent: bool
) -> tuple[list[Trouble], list[Trouble]]:
    """What is wrong, and what may be."""
    if silent:
        return [("silent", "")], []
    sure: list[Trouble] = [("version", "")] if role == "cut" else []
    unsure: list[Trouble] = []
    week = [one for one in player.sounded if replied - 7 < one[0] <= replied]
    sounded = sum(one[1] for one in week) / max(len(week), 1)
    rated = sum(each.clean for each in reps) / max(len(reps), 1)
    if week and rated >= RATED_CLEAN:
        (sure if sounded < TRULY_CLEAN else unsure).append(("rating", ""))
    for kind, chances in (("node", watch.nodes), ("move", watch.moves)):
        median = statistics.median(chances.values()) if chances else 0.0
        for key, chance in chances.items():
            # A move to a node that chokes is no trouble of its own.
            to = key.partition(">")[2]
            if kind == "move" and player.comes_late != key and watch.nodes.get(to, 1.0) < NODE_GOOD:
                continue
            if chance < NODE_BAD and chance < median - NODE_BELOW:
                sure.append((kind, key))
            elif chance < NODE_GOOD and chance < median - NODE_BELOW / 2:
                unsure.append((kind, key))
    low = sum(one[2] for one in week)
    let_go = sum(one[3] for one in week) / low if low else 0.0
    _sort_in(("held", ""), let_go, HELD_BAD, HELD_GOOD, sure, unsure)
    a_week = 7 * len({each.day for each in reps}) / (replied - FIRST_DAY + 1)
    _sort_in(("practice", ""), -a_week, -DAYS_BAD, -DAYS_GOOD, sure, unsure)
    _sort_in(("date", ""), -watch.landed, -LANDED_BAD, -LANDED_GOOD, sure, unsure)
    return sure, unsure


def _sort_in(
    trouble: Trouble, value: float, bad: float, good: float, sure: list[Trouble], unsure: list[Trouble]
) -> None:
    if value > bad:
        sure.append(trouble)
    elif value > good:
        unsure.append(trouble)


def without(drill: Drill, place: str) -> Drill:
    """The drill with every event at a place cut out."""
    phrases = []
    for phrase in drill.phrases:
        bars = tuple(
            replace(bar, events=tuple(event for event in bar.events if _place(drill, event) != place))
            for bar in phrase.bars
        )
        phrases.append(replace(phrase, bars=bars))
    return replace(drill, phrases=tuple(phrases))


def _place(drill: Drill, event: Event) -> str:
    return "+".join(drill.instrument.node_key(note.string, note.node) for note in event.notes if note.node)


def _events(drill: Drill) -> Iterator[PlacedEvent]:
    material = material_of([drill])
    for excerpt in material.phrases(drill):
        if part := material.part(excerpt):
            yield from part.passage.events


def _places(drill: Drill) -> list[str]:
    """The places that come at least twice."""
    all_of = [event.place for event in _events(drill) if event.place]
    return sorted({place for place in all_of if all_of.count(place) > 1})


def _moves(drill: Drill) -> list[str]:
    all_of = [event.move for event in _events(drill) if event.move]
    return sorted({move for move in all_of if all_of.count(move) > 1})


NAMES = (
    "Ana",
    "Bo",
    "Cy",
    "Dee",
    "Ed",
    "Fay",
    "Gus",
    "Hal",
    "Ida",
    "Jo",
    "Kit",
    "Lea",
    "Max",
    "Nia",
    "Oz",
    "Pia",
    "Rex",
    "Sol",
    "Tia",
    "Uma",
    "Val",
    "Wim",
    "Xia",
    "Yan",
    "Zoe",
)
