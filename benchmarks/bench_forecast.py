"""How true the forecast is: on simulated players' fifth evening, the day foreseen against the day on which it came.

    python -m benchmarks.bench_forecast

At its goal is the first evening on which the rung of the piece stands there, and it was played there; kept, on which
each phrase is called so. Who was there already is left out. A day that never came within `--days` lies beyond any end
that comes before then.
"""

from __future__ import annotations

import argparse
import importlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from benchmarks.pieces import piece
from benchmarks.players import FIRST_DAY, REPORTED, SHORT_SHAPES, InSession, Played, Player, Policy, run
from coach.learning.forecast import Forecast, Span, forecast
from coach.learning.readings import at_goal, is_kept

EVENING = 4


@dataclass
class Evenings:
    """The forecast of one evening, and the days on which the piece was at its goal and all of it kept."""

    foreseen: Forecast | None = None
    at_goal: int | None = None
    kept: int | None = None
    evening_day: int = 0

    def done(self) -> bool:
        """Whether there is nothing left to see."""
        return self.at_goal is not None and self.kept is not None and self.foreseen is not None

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        pass

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        assert isinstance(policy, InSession)
        material, learnt = policy.material, policy.learnt
        (drill,) = material.drills
        piece_of = material.piece(drill)
        whole = material.part(piece_of) if piece_of else None
        parts = [part for each in material.phrases(drill) if (part := material.part(each))]
        if whole and self.at_goal is None and at_goal(learnt, whole, day):
            self.at_goal = day
        if self.kept is None and all(is_kept(learnt, part, day) for part in parts):
            self.kept = day
        if self.foreseen is None and day - FIRST_DAY >= EVENING:
            self.foreseen = forecast(learnt, material, drill, date.fromordinal(day), 20)
            self.evening_day = day

    def verdicts(self, last: int) -> Iterator[str]:
        """Of each of the two whether the day came `early`, `in` the interval, or `late`; none of what was there."""
        if self.foreseen:
            for name, span, came in (
                ("at goal", self.foreseen.at_goal, self.at_goal),
                ("kept", self.foreseen.kept, self.kept),
            ):
                if came is None or came > self.evening_day:
                    yield f"{name} {verdict(span, came, last)}"


def verdict(span: Span, came: int | None, last: int) -> str:
    """`early`, `in` or `late`; a day that never came lies beyond any end that is known."""
    if came and (span.early is None or came < span.early.toordinal()):
        return "early"
    return "late" if span.late and (came or last + 1) > span.late.toordinal() else "in"


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
                    InSession,
                    seed,
                    watch=evenings,
                    mastered=2.0,
                    until=evenings.done,
                )
                ended.update(evenings.verdicts(FIRST_DAY + options.days))
        print(form, dict(sorted(ended.items())), flush=True)
        everyone += ended
    for name in ("at goal", "kept"):
        counts = {word: everyone[f"{name} {word}"] for word in ("early", "in", "late")}
        known = max(1, sum(counts.values()))
        print(name, {word: f"{count / known:.0%}" for word, count in counts.items()}, f"of {known}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
