"""Minutes to mastery: the planner against uniform, blocked, random and weakest-only practice, on simulated learners.

Mastery: every node is clean with probability 0.9 at the goal tempo, in its phrase with all layers, cold, after a week's
rest (`learner.node_chances`, read from the learner's true state each evening). All policies practise the same minutes a
day with the same ladder, releases and the same minute of tuning; they differ in what they choose. Every turn of the
other policies has the planner's length of a first turn, which is close to their best; the planner's later ones are
shorter, and it alone spends minutes on a warm-up, cold repetitions, layers alone, joins and the piece, and joins layers
slower than they went alone: a player needs these, mastery as defined here does not ask for them. It alone tries a
faster tempo at the start of a turn, since that comes from the log's estimates; the others climb by the ladder alone,
and "uniform, tries" shows what tries do without the planner's choices.
A run that has not got there after `--days` counts as that many days (censored), which flatters the slower policy.

    python -m benchmarks.bench_planner              the whole table, about ten minutes on two slow cores
    python -m benchmarks.bench_planner --quick      three seeds each

The learner types of the table (`TYPES`) were written down before they were first run. They were run at seeds from 2000
and from 3000 while the last things were mended (what a phrase lacks beyond its weakest part, no leap beyond what is
known, more room for slips); "together is hard" was also used to mend the first of these. When the start above the rung
was given up for the player's trust, four of the types (all but "slips, mis-rates" and "drawn at random") were run at
seeds 1000 to 1003 to choose among remedies, and all types at 4000 to 4003 between steps, then and when tries were
built; at 5000 to 5003 once; at 6000 to 6009 four times while the last things were mended. The table in DEVELOPERS.md
is of 7000 to 7009, run twice; from 8000 on seeds are fresh. All other building and tuning was done on `DEVELOPMENT`
(`--development`) at seeds below 1100.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from random import Random

from coach.learning.candidates import probe_bpm
from coach.learning.evidence import day_evidence
from coach.learning.ladder import Ladder
from coach.learning.learner import Learner, Traits, new_learner, node_chances, practise_day, varied
from coach.learning.memory import Memory, fold
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.planner import History, make_plan
from coach.learning.repertoire import BETWEEN_TURNS_S, Part, Repertoire, repertoire_of
from coach.learning.standing import Standing
from coach.learning.turns import FIRST_REPS
from coach.music.drill import Bar, Drill, Event, Note, Phrase, Tempo
from coach.music.excerpt import Excerpt, Kind
from coach.music.rhythm import Meter
from coach.strings.instrument import Instrument, Node, OpenString

MASTERED = 0.9
FIRST_DAY = date(2026, 1, 5)

DEVELOPMENT = {
    "even": Traits(),
    "uneven": Traits(unevenness=0.3, blind=0.1, harsh=0.03),
    "forgetful": Traits(stability=1.5, forget_power=0.45, fit_width=0.6, learn_clean=0.03),
    "quick, forgets": Traits(
        learn_clean=0.06, learn_choked=0.015, stability=1.2, forget_power=0.5, spacing=3.0
    ),
    "slow, keeps": Traits(
        learn_clean=0.02, learn_choked=0.004, stability=5.0, forget_power=0.25, spacing=6.0
    ),
    "moves are hard": Traits(node_gap=0.15, move_gap=0.55, unevenness=0.25, massed_after=8.0),
    "chokes hurt": Traits(learn_choked=-0.012, fatigue=0.2, unevenness=0.2),
    "mis-rates": Traits(blind=0.25, harsh=0.06, unevenness=0.2),
    "any tempo": Traits(fit_width=2.0, learn_clean=0.02, unevenness=0.25),
    "few hard nodes": Traits(node_gap=0.3, unevenness=0.4, learn_clean=0.04),
}
"""Seen while the planner was built and tuned; seeds below 1100."""
TYPES = {
    "together is hard": Traits(together_gap=0.55, unevenness=0.2),
    "tires, crams": Traits(fatigue=0.3, massed_after=5.0, unevenness=0.2),
    "slips, mis-rates": Traits(lapse=0.02, blind=0.15, harsh=0.02, unevenness=0.2),
    "slow, forgets": Traits(learn_clean=0.025, unevenness=0.3, stability=1.5, forget_power=0.45),
    "wide challenge": Traits(fit_width=0.8, best_at=-0.3, learn_choked=0.015, unevenness=0.25),
    "drawn at random": None,
}
"""None: every trait is drawn anew for each learner (`any_traits`)."""


def any_traits(rng: Random) -> Traits:
    """A learner of no type: traits drawn from wide ranges."""
    return Traits(
        learn_clean=rng.uniform(0.015, 0.06),
        learn_choked=rng.uniform(-0.01, 0.02),
        fit_width=rng.uniform(0.25, 1.0),
        best_at=rng.uniform(-0.3, 0.0),
        massed_after=rng.uniform(5, 20),
        stability=rng.uniform(1, 5),
        forget_power=rng.uniform(0.25, 0.5),
        spacing=rng.uniform(2, 6),
        fatigue=rng.uniform(0, 0.3),
        blind=rng.uniform(0, 0.2),
        harsh=rng.uniform(0, 0.04),
        node_gap=rng.uniform(0.2, 0.5),
        move_gap=rng.uniform(0.15, 0.5),
        together_gap=rng.uniform(0.1, 0.5),
        unevenness=rng.uniform(0.1, 0.35),
    )


def drill_of(rng: Random, phrases: int = 6) -> Drill:
    """An invented piece: two-bar phrases, three or four harmonics to a bar over a held bass note.

    As in real pieces a phrase keeps to a few places: two to four of the usual nodes on one to three strings, drawn at
    random, so that some phrases come out easy and some hard.
    """
    bass = Instrument(
        (OpenString(43, "G2"), OpenString(38, "D2"), OpenString(33, "A1"), OpenString(28, "E1")), 864.0
    )
    nodes = [Node(1, 2), Node(1, 3), Node(1, 4), Node(1, 5), Node(2, 5), Node(1, 6), Node(2, 3)]
    made = []
    for number in range(phrases):
        places = rng.sample(nodes, rng.choice((2, 3, 4)))
        strings = rng.sample(range(3), rng.choice((1, 2, 3)))
        bars = []
        for _ in range(2):
            events = [Event("bass", Fraction(0), Fraction(4), (Note(3, fret=rng.choice((0, 3, 5))),))]
            for beat in sorted(rng.sample(range(8), rng.choice((3, 4)))):
                note = Note(rng.choice(strings), node=rng.choice(places))
                events.append(Event("harmonics", Fraction(beat, 2), Fraction(1, 2), (note,)))
            bars.append(Bar(Meter.of(4, 4), Fraction(4), tuple(events)))
        name = f"p{number + 1}"
        made.append(Phrase(name, name, tuple(bars), ("bass", "harmonics")))
    return Drill("bench", "Bench", bass, Tempo(44, 76), tuple(made))


@dataclass
class State:
    """What a policy may see: the log's folds, as the coach has them."""

    day: date
    minutes: float
    drill: Drill
    repertoire: Repertoire
    memories: dict[str, Memory]
    ladders: dict[str, Ladder]
    history: dict[date, float]
    rng: Random

    @property
    def standing(self) -> Standing:
        return Standing(self.day, self.repertoire, self.memories, self.ladders)

    @property
    def wholes(self) -> list[Part]:
        return [self.repertoire.parts(self.drill, phrase)[-1] for phrase in self.drill.phrases]


Policy = Callable[[State], Plan]


def planner(state: State) -> Plan:
    history = History(state.history)
    return make_plan(
        state.day, state.minutes, [state.drill], state.memories, state.ladders, history, state.repertoire
    )


def filled(state: State, excerpts: Iterator[Excerpt]) -> Plan:
    """A plan of a minute's tuning and turns on these excerpts until the minutes are used."""
    standing = state.standing
    items = [PlanItem(Purpose.TUNE, 1.0, "tuning")]
    seconds = 60 * (state.minutes - 1)
    for excerpt in excerpts:
        whole = Excerpt(excerpt.drill, excerpt.phrases, excerpt.layer, Kind.PHRASE)
        tempo = standing.rung(excerpt, standing.rung(whole))
        rep_s = state.repertoire.rep_s(excerpt, tempo)
        reps = min(FIRST_REPS, int((seconds - BETWEEN_TURNS_S) // rep_s))
        if reps < 1:
            break
        seconds -= reps * rep_s + BETWEEN_TURNS_S
        items.append(PlanItem(Purpose.BUILD, reps * rep_s / 60, "", excerpt, reps, tempo))
    return Plan(state.day, state.minutes, tuple(items))


def uniform(state: State) -> Plan:
    """Every phrase in turn, whole, all layers; tomorrow goes on where today stopped."""
    wholes = state.wholes
    start = state.day.toordinal() % len(wholes)
    return filled(state, (wholes[(start + turn) % len(wholes)].excerpt for turn in range(10_000)))


def uniform_tries(state: State) -> Plan:
    """Uniform practice with the planner's tries: what they are worth without its choices, and without its duties."""
    plan, standing, keys = uniform(state), state.standing, state.repertoire.keys
    tried = [
        replace(item, probe_bpm=probe_bpm(standing, state.drill, excerpt, item.tempo_bpm, keys(excerpt)))
        if (excerpt := item.excerpt) and standing.started(excerpt)
        else item
        for item in plan.items
    ]
    return replace(plan, items=tuple(tried))


def uniform_nodes(state: State) -> Plan:
    """Every node and move in turn, each as its own short excerpt."""
    short = [
        excerpt for part in state.wholes for excerpt in part.shorter if excerpt.kind in (Kind.NODE, Kind.MOVE)
    ]
    start = state.day.toordinal() * 11 % len(short)
    return filled(state, (short[(start + turn) % len(short)] for turn in range(10_000)))


def blocked(state: State) -> Plan:
    """The first phrase until it is landed, then the next; from the start again when all are."""
    waiting = [
        part.excerpt
        for part in state.wholes
        if not ((ladder := state.ladders.get(part.excerpt.key)) and ladder.landed)
    ]
    chosen = waiting[0] if waiting else state.wholes[state.day.toordinal() % len(state.wholes)].excerpt
    return filled(state, (chosen for _ in range(10_000)))


def at_random(state: State) -> Plan:
    """Any phrase, half, node or move, each as likely."""
    pool = [excerpt for part in state.wholes for excerpt in (part.excerpt, *part.shorter)]
    return filled(state, (state.rng.choice(pool) for _ in range(10_000)))


def weakest_only(state: State) -> Plan:
    """The node or move that is expected to fail most, again and again; the four weakest take turns."""
    standing = state.standing
    homes = {key: part for part in state.wholes for key in part.keys}
    weakest = sorted(homes, key=lambda key: (standing.clean(key, state.drill.goal_bpm), key))[:4]
    excerpts = [
        next(each for each in homes[key].shorter if each.subject == key[2:] and each.kind is not Kind.HALF)
        for key in weakest
    ]
    return filled(state, (excerpts[turn % len(excerpts)] for turn in range(10_000)))


POLICIES: Mapping[str, Policy] = {
    "planner": planner,
    "uniform": uniform,
    "uniform, tries": uniform_tries,
    "uniform by node": uniform_nodes,
    "blocked": blocked,
    "random": at_random,
    "weakest only": weakest_only,
}


@dataclass(frozen=True)
class Run:
    minutes: float
    reached: bool
    holding_back: tuple[str, ...] = ()


def run(policy: Policy, traits: Traits | None, seed: int, minutes: float, days: int) -> Run:
    """One learner, one piece, one policy; the same seed gives every policy the same learner and piece."""
    drill = drill_of(Random(f"piece {seed}"))
    repertoire = repertoire_of([drill])
    born = Random(f"learner {seed}")
    learner: Learner = new_learner(
        varied(traits, born) if traits else any_traits(born), [drill], repertoire, born
    )
    learner.rng = Random(f"days {seed}")
    state = State(FIRST_DAY, minutes, drill, repertoire, {}, {}, {}, Random(f"policy {seed}"))
    spent = 0.0
    chances: dict[str, float] = {}
    for number in range(days):
        state.day = FIRST_DAY + timedelta(days=number)
        done = practise_day(learner, policy(state), repertoire, state.ladders)
        spent += done.seconds / 60
        state.ladders = done.ladders
        for key, evidence in day_evidence(done.reps).items():
            state.memories[key] = fold(state.memories.get(key), evidence)
        state.history[state.day] = done.seconds / 60
        chances = node_chances(learner, drill, repertoire, state.day.toordinal())
        if min(chances.values()) >= MASTERED:
            return Run(spent, True)
    return Run(spent, False, tuple(sorted(chances, key=lambda key: chances[key])[:3]))


def interval(values: list[float], rng: Random, level: float = 0.9) -> tuple[float, float]:
    """Bootstrap interval of the median (percentile method)."""
    medians = sorted(statistics.median(rng.choices(values, k=len(values))) for _ in range(1000))
    return medians[int((1 - level) / 2 * 1000)], medians[int((1 + level) / 2 * 1000) - 1]


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="three seeds a learner type")
    parser.add_argument("--seeds", type=int, default=10, help="learners a type (default 10)")
    parser.add_argument("--seed", type=int, default=7000, help="the first seed (default 7000)")
    parser.add_argument("--minutes", type=float, default=20.0, help="minutes a day (default 20)")
    parser.add_argument(
        "--days", type=int, default=90, help="days after which a run is given up (default 90)"
    )
    parser.add_argument("--development", action="store_true", help="the types used while developing")
    parser.add_argument("--only", action="append", help="run only these policies")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args(argv)
    types = DEVELOPMENT if options.development else TYPES
    policies = {name: POLICIES[name] for name in (options.only or POLICIES)}
    seeds = range(options.seed, options.seed + (3 if options.quick else options.seeds))
    results = []
    started = time.perf_counter()
    for kind, traits in types.items():
        found: dict[str, list[Run]] = {}
        for name, policy in policies.items():
            found[name] = [run(policy, traits, seed, options.minutes, options.days) for seed in seeds]
        results += list(rows(kind, found))
        if not options.json:
            for row in results[-len(found) :]:
                print(line(row), flush=True)
    if options.json:
        print(json.dumps(results, indent=2))
    else:
        print(f"{time.perf_counter() - started:.0f} s", file=sys.stderr)
    return 0


def rows(kind: str, found: dict[str, list[Run]]) -> Iterator[dict[str, object]]:
    base = [each.minutes for each in found.get("uniform", found[next(iter(found))])]
    for name, runs in found.items():
        minutes = [each.minutes for each in runs]
        ratios = [mine / theirs for mine, theirs in zip(minutes, base, strict=True)]
        low, high = interval(ratios, Random(1))
        yield {
            "learner": kind,
            "policy": name,
            "runs": len(runs),
            "reached": sum(each.reached for each in runs),
            "median_minutes": statistics.median(minutes),
            "ratio_to_uniform": statistics.median(ratios),
            "ratio_low": low,
            "ratio_high": high,
            "worse_than_uniform": sum(ratio > 1 for ratio in ratios),
            "holding_back": [each.holding_back for each in runs if not each.reached][:3],
        }


def line(row: Mapping[str, object]) -> str:
    return (
        f"{row['learner']:<16} {row['policy']:<16} {row['reached']}/{row['runs']} reached"
        f" {row['median_minutes']:7.0f} min  x{row['ratio_to_uniform']:.2f}"
        f" ({row['ratio_low']:.2f} to {row['ratio_high']:.2f}), loses {row['worse_than_uniform']}"
    )


if __name__ == "__main__":
    raise SystemExit(main())
