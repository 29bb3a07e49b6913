"""The log: what a save costs beside a plain append, and how start, plan and report grow with what was practised.

A save is one repetition, on the disk when the call returns, and counted in the plan that follows. Beside it stands the
append of as many bytes to a file in the same folder with an `fsync`. Reading, plan and report are in processor time;
from the cache as at a usual start, and anew as after it was deleted. A hundred thousand repetitions are some ten years.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from statistics import median

from benchmarks.measure import Goal, Measure, Options, Row, beside, cpu_ms, in_turns, wall_ms
from benchmarks.practised import built_in, fill, reps_of
from coach.learning.learning import LearningFold
from coach.learning.planner import history_of, make_plan
from coach.log.lines import line_of
from coach.log.log import Log
from coach.music.drill import Drill
from coach.report.figures import make_report
from tests.logs import NOON

FIRST = date(2016, 12, 1)
DAYS = {1: 1, 100_000: 365, 10_000_000: 3650}
"""Results to the days over which they are spread."""
NODES_A_REP = 6.56
DAYS_PRACTISED = 0.85
TEN_YEARS = (3650, 32)
"""Days and repetitions a day that give about 100,000 repetitions."""
PLAN = """
import sys
from coach.cli import main
status = main(sys.argv[1:])
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(peak.split()[1], file=sys.stderr)
sys.exit(status)
"""


def saving(options: Options) -> Iterator[Row]:
    drills = built_in()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        with Log.open(folder / "progress" / "log", "bench", now_ms=NOON, machine=lambda: "bench") as log:
            fill(log, drills, FIRST, 60, 60, seed=1)
            day = FIRST + timedelta(days=100)
            reps = reps_of(log.player.id, drills, day, 30, 60, random.Random(3))
            for pair, _ in zip(reps, range(60), strict=False):
                log.send(pair)  # so that what is played stands in the file
            line = line_of(next(reps)[0])
            with (folder / "plain").open("ab", buffering=0) as plain:
                taken = in_turns(
                    {
                        "ours": wall_ms(lambda: log.send(next(reps))),
                        "plain": wall_ms(lambda: (plain.write(line), os.fsync(plain.fileno()))),
                    },
                    40 if options.quick else 300,
                )
    yield beside(
        "save one repetition", "ms", "a plain append, as durable", taken["ours"], taken["plain"], Goal(2)
    )


def reading(options: Options) -> Iterator[Row]:
    drills = built_in()
    today = FIRST + timedelta(days=TEN_YEARS[0])
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "progress" / "log"
        with Log.open(folder, "bench", now_ms=NOON) as log:
            fill(log, drills, FIRST, *TEN_YEARS, seed=2)
        count = len(_opened(folder).reps())
        rounds = 2 if options.quick else 5

        def anew() -> None:
            shutil.rmtree(folder.parent / "cache", ignore_errors=True)
            _opened(folder).reps()

        taken = in_turns({"anew": cpu_ms(anew)}, rounds)
        yield Row(
            f"read, check, order {count:,} repetitions", "ms", median(taken["anew"]), goal=Goal(3000, "ms")
        )
        _planning(_opened(folder), today, drills)()
        with _opened(folder) as log:
            log.state(LearningFold(), today)
        taken = in_turns({"cached": cpu_ms(lambda: _opened(folder).state(LearningFold(), today))}, rounds)
        yield Row(f"start from the cache of {count:,}", "ms", median(taken["cached"]))


def _opened(folder: Path) -> Log:
    return Log.open(folder, now_ms=NOON, read_only=True)


def grown(wanted: int, folder: Path, drills: list[Drill]) -> tuple[Path, int]:
    """A practice folder whose log holds about so many results, made where it isn't there yet; and how many it holds."""
    place = folder / str(wanted)
    path, counted = place / "progress" / "log", place / "results.txt"
    if not counted.exists():
        start = time.perf_counter()
        with Log.open(path, "bench", now_ms=NOON) as log:
            if wanted == 1:
                reps = reps_of(log.player.id, drills, FIRST, 30, 60, random.Random(1))
                log.send(next(pair for pair in reps if sum(len(each.nodes) for each in pair[1].events) == 1))
                found = 1
            else:
                days = DAYS[wanted]
                reps_a_day = round(wanted / NODES_A_REP / days / DAYS_PRACTISED)
                found = fill(log, drills, FIRST, days, reps_a_day, seed=wanted)
        counted.write_text(str(found))
        print(f"  grew {found:,} results in {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
    return place, int(counted.read_text())


def growth(options: Options) -> Iterator[Row]:
    drills = built_in()
    with tempfile.TemporaryDirectory() as temporary:
        plans: dict[str, Measure] = {}
        reports: dict[str, Measure] = {}
        places: dict[str, Path] = {}
        for wanted in options.results:
            place, found = grown(wanted, options.folder or Path(temporary), drills)
            name = f"{found:,} result{'s' if found > 1 else ''}"
            log = _opened(place / "progress" / "log")
            today = FIRST + timedelta(days=DAYS[wanted])
            plans[name] = cpu_ms(_planning(log, today, drills))
            reports[name] = cpu_ms(_reporting(log, today, drills))
            places[name] = place
        one, *more = places
        for what, works in (("plan", plans), ("report", reports)):
            taken = in_turns(works, 3 if options.quick else 9)
            yield Row(f"{what} from {one}", "ms", median(taken[one]), goal=Goal(300, "ms"))
            for name in more:
                yield beside(
                    f"{what} from {name}", "ms", f"from {one}", taken[name], taken[one], Goal(300, "ms")
                )
        for name in more:
            works = {"ours": _most_mb(places[name]), "one": _most_mb(places[one])}
            most = in_turns(works, 2 if options.quick else 5, warm=False)
            yield beside(f"memory of `coach plan`, {name}", "MB", f"from {one}", most["ours"], most["one"])
        for name in more:
            size = sum(path.stat().st_size for path in (places[name] / "progress" / "log").iterdir())
            yield Row(f"file of {name}", "MB", size / 1e6)


def _planning(log: Log, today: date, drills: list[Drill]) -> Callable[[], object]:
    def plan() -> object:
        learnt = log.state(LearningFold(), today)
        return make_plan(today, 30, drills, learnt, history_of(log, learnt, today))

    return plan


def _reporting(log: Log, today: date, drills: list[Drill]) -> Callable[[], object]:
    return lambda: make_report(log, today, drills=drills)


def _most_mb(folder: Path) -> Measure:
    """The most memory that `coach plan` ever holds, by its own word: what a parent is told includes the parent's."""
    command = [sys.executable, "-c", PLAN, "plan", "--folder", str(folder)]

    def measure() -> float:
        done = subprocess.run(
            command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        return int(done.stderr.split()[-1]) / 1024

    return measure
