"""How true the forecast is: on simulated players' fifth evening, the day foreseen against the day on which it came.

    python -m benchmarks.bench_forecast

At its goal is the first evening on which the rung of the piece stands there, all phrases begun. Who was there
already is left out. A day that never came within `--days` lies beyond any interval that has an end before then.
"""

from __future__ import annotations

import argparse
import importlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from benchmarks.pieces import piece
from benchmarks.players import FIRST_DAY, REPORTED, SHORT_SHAPES, Coach, Played, Player, Policy, run
from coach.learning.forecast import Forecast, forecast
from coach.learning.readings import rung_of

EVENING = 4


@dataclass
class Evenings:
    """The forecast of one evening, and when the goal was reached."""

    foreseen: Forecast | None = None
    reached: int | None = None

    def done(self) -> bool:
        """Whether there is nothing left to see."""
        return self.reached is not None

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        pass

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        if not isinstance(policy, Coach) or self.reached is not None:
            return
        material, learnt = policy.material, policy.learnt
        (drill,) = material.drills
        piece_of = material.piece(drill)
        part = material.part(piece_of) if piece_of else None
        begun = all(each.key in learnt.records for each in material.phrases(drill))
        if part and begun and rung_of(learnt, part, day) >= part.goal_bpm:
            self.reached = day
        elif self.foreseen is None and day - FIRST_DAY >= EVENING:
            self.foreseen = forecast(learnt, material, drill, date.fromordinal(day + 1), 20)


def verdict(evenings: Evenings, last: int) -> str:
    """Whether the day came `early`, `in` the interval, or `late`; empty where nothing was foreseen."""
    if evenings.foreseen is None:
        return ""
    span, came = evenings.foreseen.at_goal, evenings.reached or last + 1
    if span.early and came < span.early.toordinal():
        return "early"
    return "late" if span.late and came > span.late.toordinal() else "in"


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.bench_forecast", description=__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="players of each kind (default: 10)")
    parser.add_argument("--seed", type=int, default=2200, help="the first seed (default: 2200)")
    parser.add_argument("--days", type=int, default=60)
    options = parser.parse_args(argv)
    everyone: Counter[str] = Counter()
    for form, kinds in REPORTED.items():
        make, ended = importlib.import_module(f"benchmarks.{form}").make, Counter[str]()
        for kind in kinds:
            for seed in range(options.seed, options.seed + options.seeds):
                drills, evenings = (piece(SHORT_SHAPES[seed % len(SHORT_SHAPES)], seed),), Evenings()
                player = make(kind, drills, seed)
                run(
                    player,
                    drills,
                    20,
                    options.days,
                    Coach,
                    seed,
                    watch=evenings,
                    mastered=2.0,
                    until=evenings.done,
                )
                ended[verdict(evenings, FIRST_DAY + options.days)] += 1
        print(form, dict(ended), flush=True)
        everyone += ended
    known = sum(count for word, count in everyone.items() if word)
    print({word: f"{count / known:.0%}" for word, count in everyone.items() if word}, f"of {known}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
