"""How well cold results are predicted on simulated logs: retention alone, the key's own share of clean cold days, and
the mean of both (`memory.expected_cold`), against a forecaster who knew only the overall rate.

Learners of `bench_planner.DEVELOPMENT` practise by the planner on irregular days for 40 sessions. Brier score and log
loss, lower is better; per learner type and kind of key.

    python -m benchmarks.bench_calibration [--seeds N]
"""

from __future__ import annotations

import argparse
import math
from collections import defaultdict
from datetime import timedelta
from random import Random

from benchmarks.bench_planner import DEVELOPMENT, FIRST_DAY, drill_of
from coach.learning.evidence import day_evidence
from coach.learning.ladder import Ladder
from coach.learning.learner import Traits, new_learner, practise_day, varied
from coach.learning.memory import Memory, expected_cold, fold, retention
from coach.learning.planner import make_plan
from coach.learning.repertoire import repertoire_of

KINDS = {"n": "nodes", "m": "moves", "x": "excerpts"}
Row = tuple[float, float, float, bool]


def predictions(traits: Traits, seed: int, sessions: int = 40) -> dict[str, list[Row]]:
    """Per kind of key: retention, share, mean of both, and whether the cold result was clean."""
    drill = drill_of(Random(f"piece {seed}"))
    repertoire = repertoire_of([drill])
    rng = Random(f"learner {seed}")
    learner = new_learner(varied(traits, rng), [drill], repertoire, rng)
    memories: dict[str, Memory] = {}
    ladders: dict[str, Ladder] = {}
    by_subject: dict[str, list[Row]] = defaultdict(list)
    day = FIRST_DAY
    for _ in range(sessions):
        day += timedelta(days=rng.choice((1, 1, 1, 2, 3, 7)))
        plan = make_plan(day, 20, [drill], memories, ladders, None, repertoire)
        done = practise_day(learner, plan, repertoire, ladders)
        ladders = done.ladders
        for key, evidence in day_evidence(done.reps).items():
            before = memories.get(key)
            memories[key] = fold(before, evidence)
            if before and before.cold_day and memories[key].cold_days > before.cold_days:
                kept, both = retention(before, day), expected_cold(before, day)
                by_subject[key[0]].append((kept, 2 * both - kept, both, bool(evidence.cold_clean)))
    return by_subject


def scores(predicted: list[float], clean: list[bool]) -> str:
    chances = [min(max(chance, 1e-3), 1 - 1e-3) for chance in predicted]
    brier = sum((chance - hit) ** 2 for chance, hit in zip(chances, clean, strict=True)) / len(clean)
    loss = -sum(math.log(chance if hit else 1 - chance) for chance, hit in zip(chances, clean, strict=True))
    return f"{brier:.4f} {loss / len(clean):.4f}"


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=4, help="learners a type (default 4)")
    options = parser.parse_args(argv)
    print(
        f"{'learner':<16} {'of':<9} {'results':>7}  base rate      retention      own share      mean of both"
    )
    for name, traits in DEVELOPMENT.items():
        rows: dict[str, list[Row]] = defaultdict(list)
        for seed in range(1, options.seeds + 1):
            for kind, more in predictions(traits, seed).items():
                rows[kind] += more
        for kind, of_kind in rows.items():
            clean = [row[3] for row in of_kind]
            base = sum(clean) / len(clean)
            columns = [scores([base] * len(clean), clean)]
            columns += [scores([row[index] for row in of_kind], clean) for index in range(3)]
            print(f"{name:<16} {KINDS[kind]:<9} {len(of_kind):>7}  {'  '.join(columns)}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
