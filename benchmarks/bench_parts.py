"""What each part of the model and each rule of choice is worth: the coach without it, on the same simulated players.

    python -m benchmarks.bench_parts --seeds 40 --seed 200

A part is taken out of the text of a copy of the program, which a process of its own then runs. Two things are measured:
the minutes that the coach without it takes to the goal, as a ratio to those of the whole coach (`players.run`, the
tuning kinds); and how true the estimate without it is, on what the whole coach let these players practise: the mean
square error of each phrase's chance at the goal in a week, each evening, as a ratio too. Intervals are of 90 %, from
the players by bootstrap.
"""

from __future__ import annotations

import argparse
import importlib
import json
import math
import pickle
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchmarks.pieces import piece
from benchmarks.players import AFTER_DAYS, SHORT_SHAPES, TUNED, Coach, Played, Player, Policy, interval, run
from coach.learning.choice import Why
from coach.learning.learning import Learnt
from coach.learning.material import material_of
from coach.learning.readings import seen
from coach.music.excerpt import Excerpt
from coach.rating.fault import faults_text, parse_faults, results_of

HOME, LEARNING = Path(__file__).parent.parent, Path("coach", "learning")
Change = tuple[str, str, str]
"""A file of `coach/learning`, what stands in it exactly once, and what stands there instead."""


def _term(kind: str) -> Change:
    return "skill.py", '0.0 if key[0] == "m" else SD**2', f'0.0 if key[0] in "m{kind}" else SD**2'


PARTS: Mapping[str, tuple[Change, ...]] = {
    "no phrase twice running": (
        (
            "choice.py",
            "    recent = sitting.recent[-(PIECE_APART if excerpt.kind is Kind.PIECE else 1) :]",
            "    recent = sitting.recent[-PIECE_APART:] if excerpt.kind is Kind.PIECE else ()",
        ),
    ),
    "other items between two times through the piece": (("choice.py", "PIECE_APART = 3", "PIECE_APART = 1"),),
    "the day's discount of what was repeated": (
        ("choice.py", "gain / (1.0 + (today + 1.5) / MASSED) / cost", "gain / cost"),
    ),
    "four repetitions a turn (six)": (
        ("choice.py", "REPS, PIECE_REPS, WARM_REPS = 4, 1, 2", "REPS, PIECE_REPS, WARM_REPS = 6, 1, 2"),
    ),
    "the piece": (("choice.py", "    whole = at_hand(part, PIECE_REPS)\n", "    continue\n"),),
    "the piece no faster than its slowest phrase": (
        (
            "readings.py",
            "min(map(rung, [part, *material.parts(part.drill)] if whole else [part]))",
            "rung(part)",
        ),
    ),
    "the warm-up": (("choice.py", "None if sitting.warm or chosen is None else", "None if True else"),),
    "cold tests": (("choice.py", "TESTS_A_DAY = 3", "TESTS_A_DAY = 0"),),
    "every phrase by itself once a week": (
        ("choice.py", "return days if days >= KEPT_DAYS else 0", "return 0"),
    ),
    "what was held today last": (
        ("choice.py", "[each for each in needed if not _held(learnt, each, sitting)]", "needed"),
    ),
    "a limit to what is repeated in a day": (
        ("choice.py", "PIECES_A_DAY, REPS_A_DAY = 6, 24", "PIECES_A_DAY, REPS_A_DAY = 999, 999"),
    ),
    "no faster where it failed last": (
        ("readings.py", "(record.failed and part.harmonics <= EVENTS)", "False"),
    ),
    "a seventh at most from one turn to the next": (
        ("readings.py", "if record.rung and (bpm > record.rung or record.day == day):", "if False:"),
    ),
    "a seventh at most in a turn": (("rung.py", "STEP = 0.15", "STEP = 9.0"),),
    "the term of the node": (_term("n"),),
    "the term of the place": (
        _term("p"),
        ("skill.py", "place.variance = u - w * u * u + noise", "place.variance = u - w * u * u"),
    ),
    "the term of the whole": (
        _term("w"),
        ("skill.py", "            whole.variance += noise\n", ""),
        ("skill.py", "    whole.variance += NIGHT_NOISE * NIGHT_NOISE * nights\n", ""),
        ("skill.py", "whole.variance + NIGHT_NOISE * NIGHT_NOISE * nights)", "whole.variance)"),
    ),
    "gain": (("skill.py", "GAIN, MASSED = 0.015, 10.0", "GAIN, MASSED = 0.0, 10.0"),),
    "less gain from what was repeated today": (("skill.py", "GAIN / (1.0 + whole.today / MASSED)", "GAIN"),),
    "fading": (("skill.py", "FADING, FADING_DAYS = 0.03, 14", "FADING, FADING_DAYS = 0.0, 14"),),
    "noise of a repetition": (
        ("skill.py", "NOISE, NIGHT_NOISE = 0.015, 0.04", "NOISE, NIGHT_NOISE = 0.0, 0.04"),
    ),
    "noise of a night": (
        ("skill.py", "NOISE, NIGHT_NOISE = 0.015, 0.04", "NOISE, NIGHT_NOISE = 0.015, 0.0"),
    ),
    "slips of this player": (("skill.py", "slips.failed += slipped", "slips.failed += 0.01 * len(rows)"),),
    "slips": (("skill.py", "return self.failed / self.events", "return 1e-6"),),
    "what is not known in the slope": (
        ("skill.py", "DAMPING = math.pi * SLOPE * SLOPE / 8", "DAMPING = 0.0"),
    ),
    "what events share in the chance of a whole": (
        ("skill.py", "math.sqrt(self.shared), self.middle.slopes()", "0.0, self.middle.slopes()"),
    ),
}
"""What is taken out, by its name."""


Reps = list[tuple[int, str, int, str]]
"""Of each repetition the day, the excerpt's key, its tempo and its faults."""
Truths = list[tuple[int, str, float]]
"""Of each evening the day, a phrase's key, and its chance at the goal in a week."""


@dataclass
class Diary:
    """What a run was, so that another estimate can be laid beside the truth."""

    reps: Reps = field(default_factory=list)
    truths: Truths = field(default_factory=list)

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        assert isinstance(policy, Coach)
        if policy.chosen and policy.chosen.why is not Why.WARM_UP:
            self.reps.append((played.day, played.part.key, played.bpm, faults_text(played.faults)))

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        assert isinstance(policy, Coach)
        for part in (part for drill in policy.material.drills for part in policy.material.parts(drill)):
            if part.key in policy.learnt.records:
                chance = player.chance(part.passage, part.goal_bpm, AFTER_DAYS).whole
                self.truths.append((day, part.key, chance))


def players(seeds: range) -> Iterator[tuple[str, str, int]]:
    """Form, kind and seed of each player."""
    for form, kinds in TUNED.items():
        yield from ((form, kind, seed) for kind in kinds for seed in seeds)


def minutes_of(form: str, kind: str, seed: int, diary: Diary | None = None) -> float:
    """The minutes of this program's coach with a player."""
    drill = piece(SHORT_SHAPES[seed % len(SHORT_SHAPES)], seed)
    player = importlib.import_module(f"benchmarks.{form}").make(kind, (drill,), seed)
    return run(player, (drill,), 20, 60, Coach, seed, watch=diary).minutes


def error_of(seed: int, diary: Diary) -> float:
    """The mean square error of this program's estimate over the evenings of a run."""
    material = material_of((piece(SHORT_SHAPES[seed % len(SHORT_SHAPES)], seed),))
    learnt, reps, errors = Learnt(), iter(diary.reps), list[float]()
    waiting = next(reps, None)
    for day, key, true in diary.truths:
        while waiting and waiting[0] <= day:
            part = material.part(Excerpt.parse(waiting[1]))
            assert part is not None
            faults = results_of(parse_faults(waiting[3]))
            learnt.take(part.excerpt, part.keys, waiting[2], part.goal_bpm, faults, waiting[0])
            waiting = next(reps, None)
        part = material.part(Excerpt.parse(key))
        assert part is not None
        expected = seen(learnt, part, day + AFTER_DAYS).whole(math.log(part.goal_bpm))
        errors.append((expected - true) ** 2)
    return statistics.fmean(errors)


def measured(seeds: range, diaries: Sequence[Diary]) -> list[tuple[float, float]]:
    """Minutes and error of this program, player by player."""
    return [
        (minutes_of(*player), error_of(player[2], diary))
        for player, diary in zip(players(seeds), diaries, strict=True)
    ]


def texts_without(changes: Sequence[Change]) -> dict[str, str]:
    """The files of `coach/learning` that change, by name; ValueError where a change does not fit the text."""
    texts: dict[str, str] = {}
    for name, old, instead in changes:
        text = texts.get(name) or (HOME / LEARNING / name).read_text(encoding="utf-8")
        if text.count(old) != 1:
            raise ValueError(f"{name} has {text.count(old)} times, and not once: {old}")
        texts[name] = text.replace(old, instead)
    return texts


def without(changes: Sequence[Change], home: Path) -> None:
    """A copy of the program with these changes."""
    for room in ("coach", "benchmarks"):
        shutil.copytree(HOME / room, home / room, ignore=shutil.ignore_patterns("__pycache__"))
    for name, text in texts_without(changes).items():
        (home / LEARNING / name).write_text(text, encoding="utf-8")


def ratio(ours: Sequence[float], theirs: Sequence[float]) -> str:
    mean, low, high = interval([one / other for one, other in zip(ours, theirs, strict=True)])
    return f"{mean:.3f} ({low:.3f} to {high:.3f})"


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.bench_parts", description=__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="players of each kind (default: 10)")
    parser.add_argument("--seed", type=int, default=200, help="the first seed (default: 200)")
    parser.add_argument("--only", action="append", choices=PARTS, metavar="PART", help="without this part")
    parser.add_argument("--diaries", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args(argv)
    seeds = range(options.seed, options.seed + options.seeds)
    if options.diaries:
        print(json.dumps(measured(seeds, pickle.loads(options.diaries.read_bytes()))))
        return 0
    diaries = [Diary() for _ in players(seeds)]
    whole = [minutes_of(*player, diary) for player, diary in zip(players(seeds), diaries, strict=True)]
    errors = [error_of(player[2], diary) for player, diary in zip(players(seeds), diaries, strict=True)]
    half = len(diaries) // len(TUNED)
    print(
        f"{len(diaries)} players, seeds {seeds.start} to {seeds.stop - 1}; mean square error in a week:",
        end=" ",
    )
    print(", ".join(f"{statistics.fmean(part):.4f}" for part in (errors[:half], errors[half:])))
    print(
        "\n| without | minutes: all | A | B | error: A | B |\n| --- | --- | --- | --- | --- | --- |",
        flush=True,
    )
    for name in options.only or PARTS:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            without(PARTS[name], home)
            (home / "diaries").write_bytes(pickle.dumps(diaries))
            words = ["--seeds", str(options.seeds), "--seed", str(options.seed), "--diaries", "diaries"]
            command = [sys.executable, "-m", "benchmarks.bench_parts", *words]
            done = subprocess.run(command, cwd=home, capture_output=True, text=True, check=True)
        minutes, error = zip(*json.loads(done.stdout), strict=True)
        cells = [
            ratio(minutes, whole),
            *(ratio(minutes[part], whole[part]) for part in (slice(half), slice(half, None))),
            *(ratio(error[part], errors[part]) for part in (slice(half), slice(half, None))),
        ]
        print(f"| {name} | {' | '.join(cells)} |", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
