"""A log filled with years of practice by a simple simulated player, for benchmarks and for looking at reports.

The player is not a model of learning: every node has a chance to ring that grows with its repetitions towards a
ceiling and falls with tempo. Only the shape of a real log matters here: passages, days, corrections, causes.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from coach.ground.places import builtin_drills
from coach.log.entries import Named, Rep, new_id
from coach.log.lines import line_of
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind, LoggedPassage, layer_choices
from coach.music.passages import excerpts_of, passage_of
from coach.rating.fault import Fault
from coach.rating.table import CAUSES, CHOKED, DROPPED, LATE
from coach.score.load import load_drill


def built_in() -> list[Drill]:
    """The drills that come with the program."""
    return [load_drill(path) for path in builtin_drills()]


@dataclass
class Player:
    """A simulated player. `skill` is the log-tempo by which each node is ahead of the drill's goal."""

    rng: random.Random
    skill: dict[str, float] = field(default_factory=dict)

    def rate(self, passage: LoggedPassage, part_of_goal: float) -> tuple[Fault, ...]:
        faults = []
        for event in passage.events:
            for node in event.nodes:
                skill = self.skill.setdefault(node, self.rng.uniform(-0.8, 0.1))
                chance = 1 / (1 + 2.718281828 ** (-(1.4 + 4 * (skill - part_of_goal + 0.9))))
                self.skill[node] = skill + 0.004 * (0.6 - skill)
                if self.rng.random() > chance:
                    cause = self.rng.choice((None, *CAUSES))
                    faults.append(Fault(event.label, CHOKED, cause))
                    break
            else:
                if self.rng.random() < 0.01:
                    faults.append(Fault(event.label, self.rng.choice((LATE, DROPPED))))
        return tuple(sorted(faults))


def passages_of(drills: Sequence[Drill]) -> list[tuple[LoggedPassage, int, int]]:
    """Every phrase in every layer and its shorter excerpts, with start and goal in bpm."""
    found = []
    for drill in drills:
        for phrase in drill.phrases:
            for layer in layer_choices(phrase):
                whole = Excerpt(drill.id, (phrase.id,), layer, Kind.PHRASE)
                for excerpt in (whole, *excerpts_of(drill, phrase, layer)):
                    logged = passage_of(drill, excerpt).logged
                    if logged.events:
                        found.append((logged, drill.tempo.start_bpm, drill.goal_bpm))
    return found


def reps_of(
    player_id: str, drills: Sequence[Drill], first: date, days: int, reps_a_day: int, rng: random.Random
) -> Iterator[tuple[Rep, LoggedPassage]]:
    """Reps of so many days, some days left out; turns of four reps at a rung that creeps up to the goal."""
    passages = passages_of(drills)
    # Whole phrases are practised more than single nodes.
    weights = [1 + sum(len(event.nodes) for event in passage.events) ** 2 for passage, _, _ in passages]
    player, rungs = Player(rng), {}
    number = 0
    for index in range(days):
        if rng.random() < 0.15:
            continue
        start = datetime.combine(first + timedelta(days=index), time(18), UTC)
        at_ms = round(start.timestamp() * 1000)
        for turn in range(max(1, reps_a_day // 4)):
            passage, low, goal = rng.choices(passages, weights)[0]
            rung = rungs.get(passage.excerpt, low)
            for _ in range(4):
                at_ms += 24_000
                number += 1
                faults = player.rate(passage, rung / goal)
                rung = min(goal, rung + 1) if not faults else max(low, rung - 1)
                yield (
                    Rep(
                        new_id(at_ms, hashlib.blake2b(f"{number}".encode(), digest_size=10).digest()),
                        player_id,
                        at_ms,
                        0,
                        passage.id,
                        passage.excerpt,
                        rung,
                        goal,
                        faults,
                        rung,
                        "climb" if turn else "cold",
                        duration_ms=20_000,
                    ),
                    passage,
                )
            rungs[passage.excerpt] = rung


def fill(log: Log, drills: Sequence[Drill], first: date, days: int, reps_a_day: int, seed: int) -> int:
    """Put those reps into a file of the log at once; returns the number of node results."""
    results = 0
    pairs = list(reps_of(log.player.id, drills, first, days, reps_a_day, random.Random(seed)))
    log.folder.mkdir(parents=True, exist_ok=True)
    with (log.folder / f"bench-{seed}.jsonl").open("wb") as file:
        file.write(line_of(Named(log.player.id, log.player.id, 0, log.player.name)))
        file.writelines(line_of(passage) for passage in dict.fromkeys(passage for _, passage in pairs))
        for rep, passage in pairs:
            file.write(line_of(rep))
            results += sum(len(event.nodes) for event in passage.events)
    log.refresh()
    return results
