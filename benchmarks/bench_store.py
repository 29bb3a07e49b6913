"""The log: what a save costs beside a plain SQLite insert, and how plan and report grow with what was practised.

A save is one repetition with all that follows from it, durable when the call returns. Beside it stands the insert of
one row with the same journal and the same synchronous setting, in the same folder. Plan and report include reading what
they need from the log, in processor time; what stands beside them is the same work on a log of one result. Ten million
results are ten years of more than three hours a day.
"""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import date, timedelta
from pathlib import Path
from statistics import median

from benchmarks.measure import Goal, Measure, Options, Row, beside, cpu_ms, in_turns, wall_ms
from benchmarks.practised import fill, reps_of
from coach.ground.places import builtin_drills
from coach.learning.planner import make_plan
from coach.music.drill import Drill
from coach.report.figures import make_report
from coach.report.lines import PLOTS
from coach.score.load import load_drill
from coach.store.log import Log

FIRST = date(2016, 12, 1)
DAYS = {1: 1, 100_000: 365, 10_000_000: 3650}
"""Results to the days over which they are spread."""
NODES_A_REP = 6.56
DAYS_PRACTISED = 0.85
NOW_MS = 1_796_299_200_000
PLAN = """
import sys
from coach.cli import main
status = main(sys.argv[1:])
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(peak.split()[1], file=sys.stderr)
sys.exit(status)
"""


def saving(options: Options) -> Iterator[Row]:
    drills = [load_drill(path) for path in builtin_drills()]
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        plain = sqlite3.connect(folder / "plain.sqlite3", isolation_level=None)
        plain.execute("PRAGMA journal_mode = TRUNCATE")
        plain.execute("PRAGMA synchronous = FULL")
        plain.execute("CREATE TABLE reps (id INTEGER PRIMARY KEY, body TEXT)")
        with Log.open(folder / "progress" / "log.sqlite3", "bench", now_ms=NOW_MS) as log:
            fill(log, drills, FIRST, 60, 60, seed=1)
            day = FIRST + timedelta(days=100)
            reps = reps_of(log.player.id, drills, day, 30, 60, random.Random(3))
            taken = in_turns(
                {
                    "ours": wall_ms(lambda: log.save_rep(*next(reps))),
                    "plain": wall_ms(lambda: plain.execute("INSERT INTO reps (body) VALUES ('x')")),
                },
                40 if options.quick else 300,
            )
        plain.close()
    yield beside("save one repetition", "ms", "SQLite, one row, as durable", taken["ours"], taken["plain"])


def grown(wanted: int, folder: Path, drills: list[Drill]) -> tuple[Path, int]:
    """A practice folder whose log holds about so many results, made where it isn't there yet; and how many it holds."""
    place = folder / str(wanted)
    path, counted = place / "progress" / "log.sqlite3", place / "results.txt"
    if not counted.exists():
        start = time.perf_counter()
        with Log.open(path, "bench", now_ms=NOW_MS) as log:
            if wanted == 1:
                reps = reps_of(log.player.id, drills, FIRST, 30, 60, random.Random(1))
                log.save_rep(
                    *next(pair for pair in reps if sum(len(each.nodes) for each in pair[1].events) == 1)
                )
                found = 1
            else:
                days = DAYS[wanted]
                reps_a_day = round(wanted / NODES_A_REP / days / DAYS_PRACTISED)
                found = fill(log, drills, FIRST, days, reps_a_day, seed=wanted)
        counted.write_text(str(found))
        print(f"  grew {found:,} results in {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
    return place, int(counted.read_text())


def growth(options: Options) -> Iterator[Row]:
    drills = [load_drill(path) for path in builtin_drills()]
    with tempfile.TemporaryDirectory() as temporary, ExitStack() as logs:
        plans: dict[str, Measure] = {}
        reports: dict[str, Measure] = {}
        places: dict[str, Path] = {}
        for wanted in options.results:
            place, found = grown(wanted, options.folder or Path(temporary), drills)
            name = f"{found:,} result{'s' if found > 1 else ''}"
            path = place / "progress" / "log.sqlite3"
            log = logs.enter_context(Log.open(path, now_ms=NOW_MS, read_only=True))
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
            size = (places[name] / "progress" / "log.sqlite3").stat().st_size
            yield Row(f"file of {name}", "MB", size / 1e6)


def _planning(log: Log, today: date, drills: list[Drill]) -> Callable[[], object]:
    return lambda: make_plan(today, 30, drills, log.memories(), log.ladders(), log.history(today))


def _reporting(log: Log, today: date, drills: list[Drill]) -> Callable[[], object]:
    return lambda: make_report(log, today, drills=drills, curves=PLOTS)


def _most_mb(folder: Path) -> Measure:
    """The most memory that `coach plan` ever holds, by its own word: what a parent is told includes the parent's."""
    command = [sys.executable, "-c", PLAN, "plan", "--folder", str(folder)]

    def measure() -> float:
        done = subprocess.run(
            command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        return int(done.stderr.split()[-1]) / 1024

    return measure
